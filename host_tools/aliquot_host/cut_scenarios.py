"""What a board lives through while its power is cut: the standard scenario and the short one.

Three liquids, people who act all day, and a flash that fills, wears out and is tampered with. The
sizes decide how much of it fits between two rotations of the journal: `real` are those of a board,
`small` make the same happen within a day, so that every single change of the flash can be tried.
Volumes and minutes shift a little with the seed.
"""

from __future__ import annotations

import contextlib
import dataclasses
import datetime
import functools
import random
from collections.abc import Generator
from fractions import Fraction

from aliquot.core import acts, ledger
from aliquot.core.dates import days_of
from aliquot.store import config, journal, keep, recover, segment
from aliquot_host import cut_checks, setup_file
from aliquot_host.cut_checks import Broken
from aliquot_host.cut_life import Act, Life, Truth, World
from aliquot_host.flash import BLOCK, BOARDS, Flash, LittleFiles

HOUR_S = 3600
# 1 June 2026, 00:00 in Berlin.
BEGIN_W = days_of(2026, 6, 1) * 86400 - 2 * HOUR_S

_TOML = """
timezone = "{zone}"
[[channel]]
id = "alk"
daily_ml = {alk}
cap_ml = {cap}
dose_most_ml = 4
run_most_s = 30
calibration = {{ counts = 12800, ml = 10.02 }}
reservoir = {{ size_ml = 2000, dead_ml = 40 }}
[[channel]]
id = "cal"
daily_ml = 24
from = "00:30"
cap_ml = 28
dose_most_ml = 4
run_most_s = 30
calibration = {{ counts = 12650, ml = 10.05 }}
[[channel]]
id = "mg"
daily_ml = 6
from = "00:45"
cap_ml = 9.5
dose_most_ml = 2
run_most_s = 30
calibration = {{ counts = 12710, ml = 9.98 }}
[[separate]]
channels = ["alk", "cal"]
minutes = 10
[[group]]
channels = ["alk", "cal"]
cap_ml = 69.5
"""
SETUPS = {
    "first": _TOML.format(zone="Europe/Berlin", alk="36.5", cap="40"),
    "stronger": _TOML.format(zone="Europe/Berlin", alk="38.2", cap="41.6"),
    "west": _TOML.format(zone="Atlantic/Azores", alk="38.2", cap="41.6"),
}


@dataclasses.dataclass(frozen=True)
class Sizes:
    """How large things are: bytes of a segment, segments and dates kept together, blocks of the
    flash (0: the board's own), blocks left free at the start, days that the script fills."""

    segment: int
    kept: int
    dates: int
    blocks: int
    free: int
    days: int


SIZES = {
    "small": Sizes(segment=2304, kept=3, dates=2, blocks=48, free=20, days=1),
    "real": Sizes(segment=16384, kept=2, dates=4, blocks=0, free=40, days=12),
}


@contextlib.contextmanager
def sized(name: str) -> Generator[Sizes]:
    """The store with other sizes, for as long as this lasts."""
    size = SIZES[name]
    modules = (journal, segment, keep, recover)
    lost = "_LOST_WITH_SEGMENT"
    before = [(m, "SEGMENT_MOST", journal.SEGMENT_MOST) for m in modules]
    before += [(keep, "SEGMENTS_KEPT", keep.SEGMENTS_KEPT)]
    before += [(keep, "DATES_A_FILE", keep.DATES_A_FILE), (recover, lost, getattr(recover, lost))]
    try:
        for module in modules:
            setattr(module, "SEGMENT_MOST", size.segment)  # noqa: B010 - not a constant here
        setattr(keep, "SEGMENTS_KEPT", size.kept)  # noqa: B010
        setattr(keep, "DATES_A_FILE", size.dates)  # noqa: B010
        setattr(recover, lost, segment.most_records(size.segment))
        yield size
    finally:
        for module, attribute, value in before:
            setattr(module, attribute, value)


@functools.cache
def setups() -> dict[str, bytes]:
    """The canonical bytes of each set-up."""
    day = datetime.date(2026, 6, 1)
    return {
        name: setup_file.load(text.encode(), where=name, today=day).canonical
        for name, text in SETUPS.items()
    }


def flash_of(board: str, size: Sizes) -> Flash:
    """A formatted flash, filled by others but for `size.free` blocks."""
    files = LittleFiles(board, Flash(size.blocks or BOARDS[board][1]))
    taken = files.free_blocks() - size.free
    for at in range(0, taken, 64):
        files.write(f"others{at}", bytes(BLOCK * min(64, taken - at) - 600))
    return Flash(files.flash.blocks, files.flash.buffer)


# Acts: each may be done again after a cut, as people do who do not know whether it took.


def trim(life: Life) -> None:
    acts.trim(_on(life), life.now_s(), 0, 50, 3, 11)


def override(life: Life) -> None:
    acts.override(_on(life), life.now_s(), 1, 600, 2, 12)


def extra(life: Life) -> None:
    acts.extra(_on(life), life.now_s(), 0, 500, 13, planned=True)


def stumble(life: Life) -> None:
    """The next run stops short of its counts."""
    life.stumble = True


def pull(life: Life) -> None:
    """The next run is cut by power."""
    life.pull = True


def refill(life: Life) -> None:
    acts.refill(_on(life), life.now_s(), 0, 900_000, 14)


def hold(life: Life) -> None:
    acts.hold(_on(life), life.now_s(), 2, life.truth.wall + 2 * HOUR_S, 15)


def release(life: Life) -> None:
    acts.release(_on(life), life.now_s(), 2, 0, 16)


def cup(life: Life) -> None:
    acts.cup_run(_on(life), life.now_s(), 1, 3000, 17)


def calibrate(life: Life) -> None:
    """What was in the cup is three per cent more than was thought."""
    engine = _on(life)
    before = engine.state.channels[1]
    ratio = Fraction(before.cal_ul, before.cal_counts)
    counts, ul = 3000, int(3000 * ratio * 103 / 100)
    if acts.calibrate(engine, life.now_s(), 1, counts, ul, 0, 18):
        life.calibrated("cal", Fraction(ul, counts) / ratio)


def back(life: Life) -> None:
    acts.release(_on(life), life.now_s(), 1, 1, 19)


def tubing(life: Life) -> None:
    acts.tubing(_on(life), life.now_s(), 2, 20)


def note(life: Life) -> None:
    acts.note(_on(life), life.now_s(), 1, ledger.ALL, "Wasser geprüft: 8,1 °dKH", 21)


def stronger(life: Life) -> None:
    life.load("stronger")


def west(life: Life) -> None:
    life.load("west")


def wear(life: Life) -> None:
    """The next block that is erased has a cell that does not program any more."""
    life.flash.wearing = True


def fill(life: Life) -> None:
    """Somebody copies files onto the board until nothing more fits."""
    count = 0
    while True:
        try:
            if life.files.size(f"guest{count}") < BLOCK:
                life.files.write(f"guest{count}", bytes(BLOCK))
        except OSError:
            return
        count += 1


def clear(life: Life) -> None:
    """And takes them away again."""
    for name in life.files.names():
        if name.startswith("guest"):
            life.files.remove(name)


def cycle(life: Life) -> None:
    life.be(place=life.truth.place + 1)
    life.power_cycle(700)


def tamper(life: Life) -> None:
    """Somebody changes the set-up on the board, behind its back."""
    life.be(tampered="begun")
    life.files.write(config.NAME, life.world.setups[life.world.first])
    life.be(tampered="done")


def restore(life: Life) -> None:
    """And puts the right one back, and starts the board."""
    life.be(tampered="begun")
    life.files.write(config.NAME, life.world.setups[life.truth.setup])
    life.be(tampered="", place=life.truth.place + 1)
    life.power_cycle(60)


def flip_old(life: Life) -> None:
    """A bit of a segment turns that no start reads any more."""
    _flip(life, 0)


def flip_new(life: Life) -> None:
    """A bit of an early record in the newest segment turns."""
    _flip(life, -1)


def _flip(life: Life, which: int) -> None:
    found = [one for one in cut_checks.segments(life.files) if one.seq >= 0]
    rows = [r for r in found[which].rows[1:-1] if r.seq not in life.truth.flipped and r.fields]
    # An act where there is one: it must not be put away as it reads now.
    rows.sort(key=lambda r: (which < 0) == (r.kind not in cut_checks.IDLE))
    place = next((r for r in rows if not r.text), None)
    if place is None:
        raise acts.Refused("flip", which, "a record between others", "wait")
    name = f"j{found[which].number:08d}.txt"
    content = life.files.read(name) or b""
    line = next(x for x in content.split(b"\n") if x.startswith(b"%d " % place.seq))
    life.be(flipped=life.truth.flipped | {place.seq})
    # The lowest bit of the last digit before the checksum: another number, and just as plausible.
    if not life.flash.flip(line, 8 * (line.rfind(b" ") - 1)):
        raise Broken("S16", f"record {place.seq} does not stand on the flash as it reads")
    # littlefs has the block in its cache; a board reads it anew sooner or later.
    life.files = LittleFiles(life.world.board, life.flash)
    life.journal.files = life.files


def _on(life: Life):
    if life.engine is None:
        raise life.held()
    return life.engine


# Hour of the (stretched) day, what, how.
STANDARD: tuple[tuple[float, str, Act], ...] = (
    (1.2, "trim", trim),
    (2.3, "override", override),
    (3.4, "extra", extra),
    (3.9, "partial run", stumble),
    (4.6, "refill", refill),
    (5.2, "hold", hold),
    (6.0, "release", release),
    (6.3, "cup", cup),
    (6.5, "calibration", calibrate),
    (6.6, "line back", back),
    (7.1, "new tubing", tubing),
    (7.3, "note", note),
    (8.2, "new configuration", stronger),
    (9.1, "bad block", wear),
    (10.2, "changed zone", west),
    (11.0, "cut during a run", pull),
    (12.1, "full flash", fill),
    (12.5, "room again", clear),
    (14.1, "power cycle", cycle),
    (15.0, "file changed from outside", tamper),
    (15.2, "power cycle", cycle),
    (15.7, "file restored", restore),
    (17.0, "flipped bit in an old segment", flip_old),
    (18.2, "flipped bit in the newest segment", flip_new),
    (18.3, "power cycle", cycle),
)
STANDARD_H = 20.0
# After a day of dosing, when the newest segment is nearly full: hours from then.
SHORT: tuple[tuple[float, str, Act], ...] = (
    (0.05, "trim", trim),
    (0.1, "new configuration", stronger),
    (0.5, "refill", refill),
    (0.6, "calibration", calibrate),
)
SHORT_H = 1.0
# Segments that the short scenario has behind it, and bytes left in the last one.
BEHIND, LEFT = 4, 150
SCRIPTS = {"standard": (STANDARD, STANDARD_H), "short": (SHORT, SHORT_H)}


def world(board: str, scenario: str, size: Sizes, seed: int, from_w: int) -> tuple[World, int]:
    """The world of a scenario that begins at a true second, and the second of its end."""
    rng = random.Random(seed)
    script, hours = SCRIPTS[scenario]
    days = size.days if scenario == "standard" else 1
    late = 0.08 if scenario == "standard" else 0.02
    moved = [
        (from_w + int((hour + rng.random() * late) * HOUR_S * days), what, do)
        for hour, what, do in script
    ]
    made = World(board, setups(), tuple(moved), "first")
    return made, from_w + int(hours * HOUR_S * days)


def begin(board: str, scenario: str, size: Sizes, seed: int) -> tuple[Life, int]:
    """The life that is cut later on, and the second of its end; `flash.log` is begun. The standard
    scenario starts on an empty flash; the short one is under way."""
    flash = flash_of(board, size)
    made, end_w = world(board, scenario, size, seed, BEGIN_W)
    if scenario == "standard":
        flash.log = []
        return Life(made, flash, Truth(BEGIN_W)), end_w
    life = Life(made._replace(script=()), flash, Truth(BEGIN_W))
    life.start()

    def nearly() -> bool:
        full = life.journal.size > journal.SEGMENT_MOST - LEFT
        return life.journal.number > BEHIND and full and not life.journal.state.open

    life.live(BEGIN_W + 20 * 86400, nearly)
    life.world, end_w = world(board, scenario, size, seed, life.truth.wall)
    flash.log = []
    flash.erases = [0] * flash.blocks
    flash.programs = 0
    life.marks = [(0, life.truth)]
    return life, end_w
