"""Cuts the power at every change of the flash, and looks at what the board makes of it.

A scenario is lived through once, with everything noted. A cut is then a part of that: the flash
with so many changes done, and the truth of that moment. The board starts from it, recovers, and
lives on under the checks of `cut_life`. Each case has a name, and the name alone makes it again:

    esp32-small-standard-1-812h       board, sizes, scenario, seed; the 813th change half-written
    esp32-small-standard-1-m17d       in the middle of the 18th run of a motor
    esp32-small-short-1-40c-7g        a second cut at the 8th change after the start

The letters are those of `flash.TEARS`, and for a run b (intent durable, motor not moved), d
(during) and a (after the motor, before the outcome).
"""

from __future__ import annotations

import bisect
import concurrent.futures
import dataclasses
import functools
import multiprocessing
import re
import sys
from collections import Counter
from collections.abc import Iterable, Iterator
from typing import NamedTuple

from littlefs.errors import LittleFSError

from aliquot.store.recover import Unreadable
from aliquot_host import cut_scenarios, output
from aliquot_host.cut_checks import Broken, Gave, Row
from aliquot_host.cut_life import Life, Truth, World
from aliquot_host.cut_scenarios import HOUR_S, SCRIPTS, SIZES
from aliquot_host.errors import bad
from aliquot_host.flash import BOARDS, TEARS, Change, Cutter, Flash

MODES = ("none", "log", "every", "pairs")
MOMENTS = "bda"
HOWS = {
    "c": "before",
    "h": "in the middle of",
    "g": "garbage from",
    "b": "before",
    "d": "during",
    "a": "after",
}
OUTAGES_S = (5, 700, 2400, 4 * HOUR_S)
LIVE_S = {"standard": 3 * HOUR_S, "short": 2400}
ROLL_S = 14 * HOUR_S  # within this the small journal rotates once more
CHUNK = 60
FOUND_MOST = 10
SEED_MOST = 999_999_999
_CASE = re.compile(r"([a-z0-9]+)-([a-z]+)-([a-z]+)-([0-9]{1,9})((?:-[0-9a-z]+)*)")
_CUT = re.compile(r"([0-9]{1,9})([chg])|m([0-9]{1,9})([bda])")
# What the records are that a scenario must make; see the table in DEVELOPERS.md.
RECORDS = {
    "standard": {
        "I": "intent",
        "O": "outcome",
        "U": "cut by power",
        "J": "intent outside the timetable",
        "M": "missed",
        "P": "trim",
        "D": "override",
        "X": "extra accepted",
        "H": "hold",
        "h": "release",
        "F": "filled",
        "K": "calibration",
        "N": "tubing",
        "E": "note",
        "C": "configuration",
        "V": "new revision",
        "T": "clock",
        "B": "boot",
        "G": "lost records",
    },
    "short": {
        "I": "intent",
        "O": "outcome",
        "P": "trim",
        "F": "filled",
        "K": "calibration",
        "C": "configuration",
        "V": "new revision",
    },
}
ROTATIONS_LEAST = {"standard": 3, "short": 1}


class Case(NamedTuple):
    """Where power is cut, one cut after the other: (change or run, letter)."""

    board: str
    sizes: str
    scenario: str
    seed: int
    cuts: tuple[tuple[int, str], ...]

    @property
    def name(self) -> str:
        """The replay string."""
        parts = [f"m{n}{how}" if how in MOMENTS else f"{n}{how}" for n, how in self.cuts]
        return "-".join([self.board, self.sizes, self.scenario, str(self.seed), *parts])

    def then(self, n: int, how: str) -> Case:
        return self._replace(cuts=(*self.cuts, (n, how)))


def parse(text: str) -> Case:
    """The case of a replay string; BadInput where it is none."""
    whole = _CASE.fullmatch(text.strip())
    board, sizes, scenario, seed, rest = whole.groups() if whole else ("", "", "", "0", "")
    found = [_CUT.fullmatch(part) for part in rest.split("-")[1:]]
    known = board in BOARDS and sizes in SIZES and scenario in SCRIPTS
    if not known or None in found or any(m and m[3] for m in found[1:]):
        raise bad(
            "--replay",
            text,
            limit="board-sizes-scenario-seed-cut[-cut...], as `aliquot cuts` prints it",
            advice=f"Boards: {', '.join(BOARDS)}; sizes: {', '.join(SIZES)}; "
            f"scenarios: {', '.join(SCRIPTS)}; cuts: 812c, 812h, 812g, and as the first one "
            "m17b, m17d, m17a too.",
        )
    cuts = tuple((int(m[1] or m[3]), m[2] or m[4]) for m in found if m)
    return Case(board, sizes, scenario, int(seed), cuts)


@dataclasses.dataclass
class Recording:
    """A scenario lived through without a cut: what the flash did, and what was so when.

    kinds: what happened, by kind, zeros too; records: by their letter; moments: for each run the
    changes done when its motor moved, and the truth after it; rolls: changes before and after each
    rotation."""

    world: World
    end_w: int
    begin: bytes
    log: list[Change]
    at: list[int]
    truths: list[Truth]
    worn: list[tuple[int, int]]
    known: dict[int, Row]
    gave: dict[int, Gave]
    kinds: dict[str, int]
    records: Counter[str]
    moments: list[tuple[int, Truth]]
    rolls: list[tuple[int, int]]

    def rolling(self, n: int) -> bool:
        """Whether a cut after `n` changes falls into a rotation of the journal."""
        return any(begin <= n <= end for begin, end in self.rolls)


@functools.lru_cache(maxsize=4)
def recording(board: str, sizes: str, scenario: str, seed: int) -> Recording:
    """The scenario, lived through and checked; Broken where even that does not hold."""
    with cut_scenarios.sized(sizes) as size:
        life, end_w = cut_scenarios.begin(board, scenario, size, seed)
        flash, before, behind = life.flash, len(life.truth.turns), life.rotations
        begin = bytes(flash.buffer)
        if scenario == "standard":
            life.start()
        life.live(end_w)
        life.check_end()
    moments: list[tuple[int, Truth]] = []
    for done, truth in life.marks:
        if len(truth.turns) > before + len(moments):
            moments.append((done, truth))
    runs = life.truth.turns[before:]
    kinds = {
        "program": flash.programs,
        "erase": sum(flash.erases),
        "run of a motor": len(runs),
    }
    for name in sorted({turn.channel for turn in life.truth.turns}):
        kinds[f"dose of {name}"] = sum(turn.channel == name and bool(turn.key) for turn in runs)
    kinds["rotation"] = life.rotations - behind
    if scenario == "standard":
        kinds["record that a full flash did not take"] = life.failures
        kinds["block that went bad"] = len(flash.worn)
        kinds["flipped bit"] = sum(change.flip for change in flash.log or ())
        kinds["start that refused a changed file"] = life.turned_away
    for _, what, _ in life.world.script:
        kinds["act: " + what] = life.done[what]
    return Recording(
        world=life.world,
        end_w=end_w,
        begin=begin,
        log=flash.log or [],
        at=[done for done, _ in life.marks],
        truths=[truth for _, truth in life.marks],
        worn=flash.worn,
        known=life.known,
        gave=life.gave,
        kinds=kinds,
        records=Counter(row.kind for row in life.known.values()),
        moments=moments,
        rolls=[roll for roll in life.rolls if roll[1]],
    )


def recorded(case: Case) -> Recording:
    return recording(case.board, case.sizes, case.scenario, case.seed)


def missing(found: Recording, scenario: str) -> list[str]:
    """What the scenario should have had in it and had not."""
    named = {f"record {x} ({word})": found.records[x] for x, word in RECORDS[scenario].items()}
    least = {"rotation": ROTATIONS_LEAST[scenario]}
    return [
        f"{kind}: {n}, must be at least {least.get(kind, 1)}"
        for kind, n in {**found.kinds, **named}.items()
        if n < least.get(kind, 1)
    ]


# One case


def worn_by(worn: Iterable[tuple[int, int]], done: int) -> frozenset[int]:
    return frozenset(block for at, block in worn if at < done)


def off(truth: Truth, n: int, how: str) -> Truth:
    """The truth after power was off for a while, short or long."""
    seconds = OUTAGES_S[(n + ord(how)) % len(OUTAGES_S)]
    return dataclasses.replace(truth, wall=truth.wall + seconds)


def first_truth(case: Case, found: Recording) -> tuple[int, str, Truth]:
    """(changes done, tear, truth) of the first cut."""
    n, how = case.cuts[0]
    if how not in MOMENTS:
        place = bisect.bisect_right(found.at, n) - 1
        return n, how, found.truths[place]
    done, truth = found.moments[n]
    turn = truth.turns[-1]
    share = MOMENTS.index(how)
    seconds = (turn.end - turn.start) * (2 - share) // 2
    if share < 2:
        given = turn.given * share // 2
        ul = turn.ul * given / turn.given if turn.given else turn.ul
        turn = turn._replace(given=given, ul=ul, end=turn.end - seconds)
        truth = dataclasses.replace(
            truth,
            wall=truth.wall - seconds,
            powered=truth.powered - seconds,
            turns=(*truth.turns[:-1], turn),
        )
    return done, "c", truth


def first_life(case: Case, found: Recording, cutter: Cutter | None = None) -> Life:
    """The life after the first cut, not yet started."""
    done, tear, truth = first_truth(case, found)
    cutter = cutter or Cutter(found.begin, found.log)
    flash = Flash(len(found.begin) // 4096, cutter.image(done, tear))
    flash.bad = worn_by(found.worn, done)
    return Life(found.world, flash, off(truth, *case.cuts[0]), dict(found.known), dict(found.gave))


def next_life(life: Life, cutter: Cutter, n: int, tear: str) -> Life:
    """The life after another cut, `n` changes into one that was noted."""
    before = life.marks[bisect.bisect_right(life.marks, n, key=lambda mark: mark[0]) - 1][1]
    flash = Flash(life.flash.blocks, cutter.image(n, tear))
    flash.bad = (life.flash.bad - {b for _, b in life.flash.worn}) | worn_by(life.flash.worn, n)
    after = Life(life.world, flash, off(before, n, tear), dict(life.known), dict(life.gave))
    after.dated = life.dated
    return after


def live_on(life: Life, seconds: int, rolling: bool = False) -> None:
    """Start, live for a while, and look at everything. After a cut in the middle of a rotation the
    next one is waited for, because it does what the cut left undone."""
    life.start()
    life.live(life.truth.wall + seconds)
    if rolling:
        before = life.rotations
        life.live(life.truth.wall + ROLL_S, lambda: life.rotations > before)
    life.check_end()
    if not life.ran and life.engine and not life.truth.flipped and not obstructed(life):
        raise Broken("S24", "no dose ran after the start")


def obstructed(life: Life) -> bool:
    """Whether somebody's files leave no room, so that nothing may run."""
    return life.failures > 0


def noted(life: Life) -> bytes:
    """Begin to note the changes of a life; what the flash holds now."""
    life.flash.log = []
    return bytes(life.flash.buffer)


def run_case(case: Case) -> Broken | None:
    """Make one case again, from its name alone; what does not hold, or None. BadInput where the
    scenario has no such cut."""
    try:
        relive(case)
    except FAILURES as broken:
        return as_broken(broken)
    return None


def relive(case: Case) -> Life | None:
    """The last life of a case, lived to its end; None where there is no cut. Raises FAILURES."""
    with cut_scenarios.sized(case.sizes):
        found = recorded(case)
        if not case.cuts:
            return None
        check_place(case, found)
        life = first_life(case, found)
        for n, tear in case.cuts[1:]:
            begin = noted(life)
            if not until(life, n, tear, found.end_w):
                most = len(life.flash.log or ())
                raise bad("--replay", case.name, limit=f"only {most} changes follow, not {n}")
            life = next_life(life, Cutter(begin, life.flash.log or []), n, tear)
        live_on(life, LIVE_S[case.scenario], len(case.cuts) == 1 and rolls(case, found))
    return life


def rolls(case: Case, found: Recording) -> bool:
    """Whether the first cut falls into a rotation, in a world that soon sees another one."""
    n, how = case.cuts[0]
    return case.sizes == "small" and how not in MOMENTS and found.rolling(n)


def check_place(case: Case, found: Recording) -> None:
    n, how = case.cuts[0]
    most = len(found.moments) - 1 if how in MOMENTS else len(found.log) - (how != "c")
    if n > most:
        raise bad("--replay", case.name, limit=f"{most} is the last one of this scenario")
    if how in "hg" and found.log[n].flip:
        raise bad("--replay", case.name, limit="a bit that flips has no half", advice="Use c.")


def until(life: Life, n: int, tear: str, end_w: int) -> bool:
    """Start, and live until the change is made after which, or in which, power goes, or until the
    scenario is over; returns whether it was made."""
    life.start()
    log = life.flash.log or []
    need = n + (tear != "c")
    if len(log) < need:
        life.live(end_w, lambda: len(log) > n)
    return len(log) >= need


# What a start from a damaged flash may raise; a mistake of this tool itself goes on.
FAILURES = (
    Broken,
    Unreadable,
    LittleFSError,
    ArithmeticError,
    AttributeError,
    LookupError,
    OSError,
    TypeError,
    ValueError,
)


def as_broken(error: Exception) -> Broken:
    """A violation as it is; anything else that a case raises is one of S16."""
    if isinstance(error, Broken):
        return error
    return Broken("S16", f"{type(error).__name__}: {error}")


def told(case: Case) -> list[str]:
    """Each cut of a case in words; the changes after the first cut are not made again for it."""
    if not case.cuts:
        return ["no cut"]
    n, how = case.cuts[0]
    found = recorded(case)
    if how in MOMENTS:
        turn = found.moments[n][1].turns[-1]
        lines = [f"{HOWS[how]} run {n + 1} of {len(found.moments)}, of {turn.channel}"]
    elif n == len(found.log):
        lines = [f"after all {n} changes of the flash"]
    else:
        own = found.log[n]
        what = f"program of {len(own.data)} bytes" if own.data is not None else "erase"
        what = "flipped bit" if own.flip else what
        place = f"block {own.block}, byte {own.off}"
        lines = [f"{HOWS[how]} change {n + 1} of {len(found.log)}, {what}, {place}"]
    return lines + [f"then {HOWS[how]} change {n + 1} after the start" for n, how in case.cuts[1:]]


# Many cases


@dataclasses.dataclass
class Tally:
    """What was tried: cuts by kind, how many were expected, what did not hold."""

    tried: Counter[str] = dataclasses.field(default_factory=Counter[str])
    expected: Counter[str] = dataclasses.field(default_factory=Counter[str])
    violations: list[tuple[str, str, str]] = dataclasses.field(
        default_factory=list[tuple[str, str, str]]
    )

    @property
    def cuts(self) -> int:
        """Lives that began with a cut; the first ones of pairs are counted with the second."""
        left_out = {"lives"} if self.tried["cuts"] else {"first cuts"}
        return sum(n for kind, n in self.tried.items() if kind not in left_out)

    def add(self, other: Tally) -> None:
        self.tried += other.tried
        self.expected += other.expected
        self.violations += other.violations

    def broke(self, case: Case, error: Exception) -> None:
        broken = as_broken(error)
        self.violations.append((broken.number, broken.text, case.name))


def singles(case: Case, found: Recording, tears: str) -> list[Case]:
    """Every cut of a scenario, rising: each change, the end, and each run."""
    out: list[Case] = []
    for n, change in enumerate(found.log):
        out += [case.then(n, tear) for tear in tears if tear == "c" or not change.flip]
    out.append(case.then(len(found.log), "c"))
    for n in range(len(found.moments)):
        out += [case.then(n, how) for how in MOMENTS]
    return out


def how_of(case: Case) -> str:
    how = case.cuts[-1][1]
    return TEARS.get(how) or HOWS[how] + " a motor"


def expected(found: Recording, tears: str) -> Counter[str]:
    """The cuts that there must be, from the counters of the chip, not from what was noted: each
    change by tear, a clean one after the last, and three moments a run."""
    changes = found.kinds["program"] + found.kinds["erase"]
    out = Counter({TEARS[tear]: changes for tear in tears})
    out[TEARS["c"]] += found.kinds.get("flipped bit", 0) + 1
    for how in MOMENTS:
        out[f"{HOWS[how]} a motor"] = found.kinds["run of a motor"]
    return out


def every(case: Case, part: slice, tears: str) -> Tally:
    """The single cuts of a part of the list of them."""
    tally = Tally()
    with cut_scenarios.sized(case.sizes):
        found = recorded(case)
        cutter = Cutter(found.begin, found.log)
        for one in singles(case, found, tears)[part]:
            tally.tried[how_of(one)] += 1
            moment = one.cuts[0][1] in MOMENTS
            try:
                life = first_life(one, found, None if moment else cutter)
                live_on(life, LIVE_S[one.scenario], rolls(one, found))
            except FAILURES as broken:
                tally.broke(one, broken)
                if len(tally.violations) >= FOUND_MOST:
                    break
    return tally


def pairs(case: Case, part: slice, tears: str) -> Tally:
    """A second cut at every change of the recovery, for a part of the first ones."""
    tally = Tally()
    with cut_scenarios.sized(case.sizes):
        found = recorded(case)
        for one in singles(case, found, tears)[part]:
            tally.tried["first cuts"] += 1
            life = first_life(one, found)
            begin = noted(life)
            try:
                life.start()
            except FAILURES as broken:
                tally.broke(one, broken)
                continue
            log = life.flash.log or []
            changes = life.flash.programs + sum(life.flash.erases)
            tally.expected["pairs"] += len(tears) * changes + 1
            cutter = Cutter(begin, log)
            for n in range(len(log) + 1):
                for tear in tears if n < len(log) else "c":
                    two = one.then(n, tear)
                    tally.tried["pairs"] += 1
                    try:
                        live_on(next_life(life, cutter, n, tear), LIVE_S[one.scenario])
                    except FAILURES as broken:
                        tally.broke(two, broken)
            if len(tally.violations) >= FOUND_MOST:
                break
    return tally


def log_cuts(case: Case, part: slice, tears: str) -> Tally:
    """One long life after the other, cut after 1, 2, 4, 8 ... changes (and 3, 6, 12 ...)."""
    tally = Tally()
    with cut_scenarios.sized(case.sizes):
        found = recorded(case)
        starts = [(n, tear) for n in range(1, 10) for tear in tears][part]
        for n, tear in starts:
            one = case.then(n, tear)
            tally.tried["lives"] += 1
            tally.tried["cuts"] += 1
            try:
                life = first_life(one, found)
                while True:
                    n *= 2
                    begin = noted(life)
                    if not until(life, n, tear, found.end_w):
                        life.check_end()
                        break
                    one = one.then(n, tear)
                    tally.tried["cuts"] += 1
                    life = next_life(life, Cutter(begin, life.flash.log or []), n, tear)
            except FAILURES as broken:
                tally.broke(one, broken)
            tally.expected["cuts"] += len(one.cuts)
    return tally


WORK = {"every": every, "pairs": pairs, "log": log_cuts}


def work(mode: str, case: Case, begin: int, end: int, tears: str) -> Tally:
    """A part of a mode, for a process of a pool."""
    return WORK[mode](case, slice(begin, end), tears)


def cut(mode: str, case: Case, tears: str, jobs: int) -> tuple[Tally, Recording | None]:
    """All of a mode on one board: what was tried and what was expected, and the scenario, None
    where already that does not hold."""
    whole = Tally()
    try:
        found = recorded(case)
    except FAILURES as broken:
        whole.broke(case, broken)
        return whole, None
    if mode == "none":
        return whole, found
    total = len(singles(case, found, tears)) if mode != "log" else 9 * len(tears)
    size = {"every": CHUNK, "pairs": 4, "log": 3}[mode]
    parts = [(mode, case, at, at + size, tears) for at in range(0, total, size)]
    for tally in spread(parts, jobs, f"{case.board}, {mode}"):
        whole.add(tally)
        if len(whole.violations) >= FOUND_MOST:
            break
    if mode == "every":
        whole.expected = expected(found, tears)
    elif mode == "pairs":
        whole.expected["first cuts"] = expected(found, tears).total()
    else:
        whole.expected["lives"] = total
    return whole, found


def spread(parts: list[tuple[str, Case, int, int, str]], jobs: int, what: str) -> Iterator[Tally]:
    """Do the parts on so many processes, in order, with a bar."""
    if jobs == 1:
        for part in output.progress(parts, what):
            yield work(*part)
        return
    # A fork has what was recorded already; elsewhere each process records it once for itself.
    context = multiprocessing.get_context("fork" if sys.platform == "linux" else "spawn")
    with concurrent.futures.ProcessPoolExecutor(jobs, mp_context=context) as pool:
        futures = [pool.submit(work, *part) for part in parts]
        try:
            for future in output.progress(futures, what):
                yield future.result()
        finally:
            for future in futures:
                future.cancel()
