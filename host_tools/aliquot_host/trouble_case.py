"""One case of the soak, drawn from one number: a set-up, a start, what goes wrong and when.

Rates of all troubles are drawn too, so that some lives are quiet and others are nothing but
trouble. A case is data: the same number gives the same case, and a case with troubles taken out is
a case again. Nothing is run here.
"""

from __future__ import annotations

import dataclasses
import random
from typing import NamedTuple

from aliquot.core.dates import days_of
from aliquot_host import trouble_setup
from aliquot_host.setup_file import Loaded

DAY_S = 86400
HOUR_S = 3600
# Dates that lives are laid around, and why: 2^30 s since 2000, the NTP era, 2^31 s since 1970.
ERAS = (days_of(2034, 1, 10), days_of(2036, 2, 7), days_of(2038, 1, 19))
FIRST, LAST = days_of(2026, 1, 8), days_of(2095, 1, 1)
YEARS_AWAY_S = 2 * 365 * DAY_S
MOST_OF_A_KIND = 10
ANSWERS_EVERY_S = (HOUR_S * 8, HOUR_S * 20, HOUR_S * 40)


class Trouble(NamedTuple):
    """Something that happens once. at_s: powered true seconds from the start. mid: it waits for
    the next run, and comes in the middle of it. n: its numbers, see `trouble.py`."""

    at_s: int
    kind: str
    n: tuple[int, ...] = ()
    mid: bool = False


@dataclasses.dataclass(frozen=True)
class Case:
    """Everything that a life depends on. setups: what may be loaded, the first one is adopted.

    date: the first local date. days: powered ones. ppm: how much faster the board's oscillator
    runs. tick0: its tick counter at the first start. kept: segments that the journal keeps, 0 for
    the board's own number. sync_s: how often sources are asked. chip: a third source is there.
    flash: a board of `flash.py`, on littlefs; "" in memory. short: the life ends with the last
    day, and nothing is put right.
    """

    seed: int
    setups: tuple[Loaded, ...]
    date: int
    days: int
    troubles: tuple[Trouble, ...]
    ppm: int = 0
    tick0: int = 0
    kept: int = 0
    sync_s: int = 6 * HOUR_S
    chip: bool = False
    flash: str = ""
    short: bool = False

    @property
    def start_w(self) -> int:
        """The first instant of the first date, UTC."""
        return self.setups[0].setup.zone.day_start(self.date)


def drawn(seed: int, flash: str | None = None) -> Case:
    """The case of a number. flash: "" in memory, a board of `flash.py` on littlefs, None as the
    number says."""
    rng = random.Random(f"case {seed}")
    days = rng.randrange(5, 15)
    date = _date(rng, days)
    first = trouble_setup.drawn(rng, date)
    date = _near_a_change(rng, first, date, days)
    setups = [first]
    for _ in range(rng.choice((0, 0, 0, 1, 2))):
        other = trouble_setup.changed(rng, setups[-1].data, date)
        if other:
            setups.append(other)
    chip = rng.choice(("",) * 18 + ("esp32", "rp2"))
    return Case(
        seed,
        tuple(setups),
        date,
        days,
        tuple(troubles(rng, days, len(setups))),
        ppm=rng.choice((0, 0, 0, 20, -20, 200, -200)),
        tick0=rng.choice(
            (0, rng.randrange(1 << 30), (1 << 30) - rng.randrange(1, days * 86400000))
        ),
        kept=rng.choice((0, 0, 3, 5)),
        sync_s=rng.choice((HOUR_S, 6 * HOUR_S, 6 * HOUR_S, DAY_S)),
        chip=not rng.randrange(3),
        flash=chip if flash is None else flash,
    )


def _date(rng: random.Random, days: int) -> int:
    """A first date: any, or so that an era or a year ends within the life."""
    kind = rng.randrange(8)
    before = rng.randrange(1, days)
    if kind < 2:
        return rng.choice(ERAS) - before
    if kind == 2:
        return days_of(rng.randrange(2027, 2090), 1, 1) - before
    return rng.randrange(FIRST, LAST)


def _near_a_change(rng: random.Random, loaded: Loaded, date: int, days: int) -> int:
    """Some lives begin a few days before their zone changes its clocks."""
    zone = loaded.setup.zone
    if rng.randrange(3):
        return date
    for later in range(days, min(days + 200, LAST - date + 300)):
        if zone.day_length(date + later) != DAY_S:
            return date + later - rng.randrange(1, days)
    return date


def troubles(rng: random.Random, days: int, setups: int) -> list[Trouble]:
    """What goes wrong in so many days, in order."""
    found: list[Trouble] = []
    busy = rng.choice((0.4, 1, 1, 2, 3))
    for kind, base in RATES:
        if rng.random() < 0.5:
            continue
        many = int(days * base * busy * rng.random() + rng.random())
        for _ in range(min(many, MOST_OF_A_KIND)):
            found += _one(rng, kind, rng.randrange(60, days * DAY_S))
    for i in range(1, setups):
        for _ in range(rng.randrange(1, 3)):
            at_s = rng.randrange(HOUR_S, days * DAY_S)
            found.append(Trouble(at_s, "load", (i,), rng.random() < 0.3))
    every = rng.choice(ANSWERS_EVERY_S)
    at_s = rng.randrange(every)
    while at_s < days * DAY_S:
        found.append(Trouble(at_s, "answer"))
        at_s += rng.randrange(1, 2 * every)
    return sorted(found)


# How often in a day of an ordinary busy life, at most.
RATES = (
    ("cut", 0.5),
    ("cut in a write", 0.5),
    ("brown-outs", 0.12),
    ("watchdog", 0.25),
    ("unset", 0.15),
    ("step", 0.25),
    ("oscillating", 0.08),
    ("years", 0.1),
    ("lie", 0.1),
    ("phone", 0.1),
    ("full", 0.12),
    ("refuse", 0.4),
    ("starve", 0.3),
    ("stall", 0.5),
    ("run on", 0.5),
    ("stop", 0.3),
    ("away", 0.006),
    ("trim", 0.25),
    ("override", 0.25),
    ("extra", 0.7),
    ("cup", 0.2),
    ("cancel", 0.1),
    ("hold", 0.2),
    ("refill", 0.3),
    ("calibrate", 0.2),
    ("tubing", 0.1),
    ("note", 0.1),
    ("fault", 0.2),
    ("back", 0.3),
)


def _one(rng: random.Random, kind: str, at_s: int) -> list[Trouble]:
    mid = rng.random() < 0.4
    ch, request = rng.randrange(8), rng.randrange(1, 1 << 28)
    twice = rng.randrange(2)
    draw = _DRAWN.get(kind)
    if draw:
        return draw(rng, at_s, mid)
    return [Trouble(at_s, kind, (ch, request, twice, *_act(rng, kind)), mid)]


def _act(rng: random.Random, kind: str) -> tuple[int, ...]:
    """The numbers of what a user does: shares in per cent, times."""
    if kind == "trim":
        return rng.choice((1, 50, 99, 100)), rng.randrange(10), rng.randrange(2)
    if kind == "override":
        return rng.randrange(-60, 40), rng.randrange(4), rng.randrange(2)
    if kind == "extra":
        return rng.randrange(10, 199), rng.randrange(2), rng.randrange(2), rng.choice((1, 1, 1, 2))
    if kind == "cup":
        return rng.randrange(1, 4000), rng.randrange(60, 6000)
    if kind == "hold":
        return rng.randrange(2), rng.choice((0, rng.randrange(60, DAY_S))), rng.randrange(2)
    if kind == "refill":
        return (rng.choice((0, 2, 30, 100, 100)),)
    if kind == "calibrate":
        return (rng.randrange(85, 115),)
    if kind == "fault":
        return rng.randrange(2), rng.randrange(3, 6), rng.randrange(2), rng.randrange(1, 5)
    return ()


def _off(rng: random.Random) -> int:
    return rng.choice((1, 5, 40, 600, HOUR_S, 5 * HOUR_S, DAY_S)) + rng.randrange(600)


def _cut(rng: random.Random, at_s: int, mid: bool) -> list[Trouble]:
    return [Trouble(at_s, "cut", (_off(rng),), mid)]


def _cut_in_a_write(rng: random.Random, at_s: int, mid: bool) -> list[Trouble]:
    """Some with a second one in the start that follows."""
    n = (rng.randrange(1, 12), rng.randrange(3), _off(rng))
    found = [Trouble(at_s, "cut in a write", n)]
    if rng.random() < 0.4:
        n = (rng.randrange(1, 5), rng.randrange(3), rng.randrange(1, 60))
        found.append(Trouble(at_s, "cut in a start", n))
    return found


def _brown_outs(rng: random.Random, at_s: int, mid: bool) -> list[Trouble]:
    found: list[Trouble] = []
    for _ in range(rng.randrange(2, 7)):
        found.append(Trouble(at_s, "brown-out", (rng.randrange(1, 20),), mid))
        at_s += rng.randrange(1, 90)
    return found


def _watchdog(rng: random.Random, at_s: int, mid: bool) -> list[Trouble]:
    return [Trouble(at_s, "watchdog", (rng.randrange(2),), mid)]


def _unset(rng: random.Random, at_s: int, mid: bool) -> list[Trouble]:
    return [Trouble(at_s, "unset", (rng.randrange(HOUR_S, DAY_S),))]


def _delta(rng: random.Random) -> int:
    size = rng.choice(
        (40, 500, 660, 3600, 4 * HOUR_S, DAY_S, DAY_S + HOUR_S, 3 * DAY_S, 9 * DAY_S)
    )
    return rng.choice((-1, 1)) * (size + rng.randrange(60))


def _right(rng: random.Random, at_s: int) -> Trouble:
    return Trouble(at_s + rng.randrange(60, 2 * DAY_S), "right")


def _step(rng: random.Random, at_s: int, mid: bool) -> list[Trouble]:
    return [Trouble(at_s, "step", (_delta(rng), rng.randrange(2)), mid), _right(rng, at_s)]


def _oscillating(rng: random.Random, at_s: int, mid: bool) -> list[Trouble]:
    found: list[Trouble] = []
    size = _delta(rng)
    for i in range(rng.randrange(3, 9)):
        found.append(Trouble(at_s, "oscillating", (size * (i % 2), 0), mid))
        at_s += rng.randrange(60, 4 * HOUR_S)
    return [*found, Trouble(at_s, "right")]


def _years(rng: random.Random, at_s: int, mid: bool) -> list[Trouble]:
    delta = rng.choice((-1, 1)) * rng.randrange(300 * DAY_S, 9 * 365 * DAY_S)
    return [Trouble(at_s, "years", (delta, rng.randrange(2)), mid), _right(rng, at_s)]


def _lie(rng: random.Random, at_s: int, mid: bool) -> list[Trouble]:
    return [Trouble(at_s, "lie", (_delta(rng), rng.randrange(HOUR_S, 2 * DAY_S)))]


def _phone(rng: random.Random, at_s: int, mid: bool) -> list[Trouble]:
    return [Trouble(at_s, "phone", (rng.choice((0, 0, _delta(rng))),), mid)]


def _full(rng: random.Random, at_s: int, mid: bool) -> list[Trouble]:
    later = at_s + rng.choice((30, 120, 300, 1200))
    return [Trouble(at_s, "full"), Trouble(later, "room")]


def _refuse(rng: random.Random, at_s: int, mid: bool) -> list[Trouble]:
    n = (rng.randrange(1, 9), rng.randrange(3), rng.choice((1, 1, 2, 9, 40)))
    return [Trouble(at_s, "refuse", n)]


def _starve(rng: random.Random, at_s: int, mid: bool) -> list[Trouble]:
    return [Trouble(at_s, "starve", (rng.randrange(3), rng.randrange(1, 6)), mid)]


def _stall(rng: random.Random, at_s: int, mid: bool) -> list[Trouble]:
    n = (rng.randrange(100), rng.choice((1, 1, 2, 4)), int(rng.random() < 0.3))
    return [Trouble(at_s, "stall", n)]


def _run_on(rng: random.Random, at_s: int, mid: bool) -> list[Trouble]:
    return [Trouble(at_s, "run on", (rng.choice((1, 2, 9, 60)),))]


def _stop(rng: random.Random, at_s: int, mid: bool) -> list[Trouble]:
    return [Trouble(at_s, "stop", (rng.randrange(100),))]


def _away(rng: random.Random, at_s: int, mid: bool) -> list[Trouble]:
    return [Trouble(at_s, "away", (YEARS_AWAY_S + rng.randrange(DAY_S),), mid)]


_DRAWN = {
    "cut": _cut,
    "cut in a write": _cut_in_a_write,
    "brown-outs": _brown_outs,
    "watchdog": _watchdog,
    "unset": _unset,
    "step": _step,
    "oscillating": _oscillating,
    "years": _years,
    "lie": _lie,
    "phone": _phone,
    "full": _full,
    "refuse": _refuse,
    "starve": _starve,
    "stall": _stall,
    "run on": _run_on,
    "stop": _stop,
    "away": _away,
}
