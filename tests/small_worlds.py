"""Every small world: two channels of three doses, one cut, one step of the clock, one act.

A world is a number of each of the three dimensions. Each plays the same day and a half: the cut
comes at one of seven moments of one of the six doses of the first morning, the clock steps before
the doses, in the middle of one or between two, and so does the act. The caps are two doses above
the day's volume. `play` raises `Violation`; `numbers` says which promises a violation breaks:
that of its law and, where the same world without the cut, the step or the act is sound, the
promise that such a cut (S16), step (S20) or change of set-up (S25) breaks no other.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from typing import Any, NamedTuple

from aliquot.core import clock
from controller import DATE, DAY, UTC, Rig, Violation, changed, made_of
from set_ups import channel

H = 3600
START = DATE * DAY + 3000
FIRST, SECOND, THIRD = (DATE * DAY + h * H for h in (1, 2, 3))
CHANNELS, DOSES = 2, 3

# Where the power goes: before the intent, half-way through its write, between intent and motor,
# in the run, between run and outcome, half-way through that write, after.
CUTS = ("before", "torn", "intent", "run", "lost", "torn outcome", "after")
STEPS = {
    "none": 0,
    "back 5 min": -300,
    "back 2 h": -2 * H,
    "on 1 h": H,
    "on a day": DAY,
    "unset": 0,
}
STEP_TIMES = (FIRST - 180, SECOND + 1, SECOND + 1800)
ACTS = ("none", "trim", "override", "extra", "hold", "set-up", "zone", "calibration")
ACT_TIMES = (FIRST + 1, SECOND + 100, THIRD + 700)


class World(NamedTuple):
    """One of each dimension; `cut` is () or (where, channel, which dose)."""

    cut: tuple
    step: str
    step_at: int
    act: str
    act_at: int


def cuts() -> list[tuple]:
    return [(), *itertools.product(CUTS, range(CHANNELS), range(DOSES))]


def steps() -> list[tuple[str, int]]:
    return [("none", 0), *itertools.product(list(STEPS)[1:], range(len(STEP_TIMES)))]


def doings() -> list[tuple[str, int]]:
    return [("none", 0), *itertools.product(ACTS[1:], range(len(ACT_TIMES)))]


def worlds() -> Iterator[World]:
    for cut, step, act in itertools.product(cuts(), steps(), doings()):
        yield World(cut, *step, *act)


def expected() -> int:
    """How many worlds the dimensions make."""
    cut = 1 + len(CUTS) * CHANNELS * DOSES
    step = 1 + (len(STEPS) - 1) * len(STEP_TIMES)
    return cut * step * (1 + (len(ACTS) - 1) * len(ACT_TIMES))


def small(name: str) -> dict[str, Any]:
    """A channel of three doses a day, at one, two and three in the morning."""
    return channel(
        name,
        from_s=0,
        daily_ul=1203,
        doses=DOSES,
        at=[{"time_s": h * H, "share": 1} for h in (1, 2, 3)],
        cap_ul=1203 + 2 * 401,
        dose_least_ul=50,
        dose_most_ul=1300,
        run_most_s=60,
        grace_s=1200,
        pump={"speed_cps": 100},
        catch_up={"raise_pct": 25, "max_age_s": DAY, "max_ul": 600},
        calibration={"counts": 637, "ul": 500},
        reservoir={"size_ul": 10000, "left_ul": 4400, "dead_ul": 100, "low_pct": 30},
    )


def tank(name: str = "a"):
    """Both channels, kept apart and under a cap of their own."""
    both = ["alk", "cal"]
    return made_of(
        name,
        UTC,
        [small("alk"), small("cal")],
        separate=[{"channels": both, "seconds": 300}],
        group=[{"channels": both, "cap_ul": 3500}],
    )


class Cutter:
    """Lets the power go at one moment of one dose; `times` is how often the flash did it."""

    def __init__(self, rig: Rig, where: str, ch: int, nth: int) -> None:
        self.rig, self.where, self.ch, self.left = rig, where, ch, nth + 1
        self.done = False
        rig.flash.watch = self.watch

    def watch(self, call: str, name: str, data: bytes) -> str | None:
        if call != "append" or self.done or name[:1] != "j" or not data:
            return None
        part = data.split(b" ")
        if part[2] == b"I" and (part[3] == b"%d" % self.ch):
            self.left -= 1
            if not self.left:
                return self._intent()
        if part[2] == b"O" and not self.left:
            ends = {"lost": "nothing", "torn outcome": "half", "after": "all"}
            self.done = True
            return ends.get(self.where)
        return None

    def _intent(self) -> str | None:
        if self.where == "run":
            self.done = True
            self.rig.cut_after = 2
            return None
        found = {"before": "nothing", "torn": "half", "intent": "all"}.get(self.where)
        self.done = found is not None
        return found


def _act(rig: Rig, name: str) -> Callable[[], object]:
    if name == "trim":
        return lambda: rig.act("trim", 0, 50, 2)
    if name == "override":
        return lambda: rig.act("override", 0, -303, 2)
    if name == "extra":
        return lambda: rig.act("extra", 0, 700, planned=True)
    if name == "hold":

        def hold() -> None:
            rig.at(rig.wall + 4000, lambda: rig.act("release", 0))
            rig.act("hold", 0, keep=True)

        return hold
    if name == "calibration":
        return lambda: rig.act("calibrate", 0, 637, 540)

    def adopt() -> None:
        new = changed(rig.setup, "b", tz="Etc/GMT-1") if name == "zone" else None
        if new is None:
            new = changed(rig.setup, "b", daily_ul=900, doses=4, at=None, cap_ul=1800)
        rig.adopt(new)

    return adopt


def _step(rig: Rig, name: str) -> Callable[[], object]:
    def step() -> None:
        rig.skew = STEPS[name]
        rig.tell(clock.USER)

    def unset() -> None:
        rig.clock_after = False
        rig.at(rig.wall + 2000, set_again)
        rig._raise()

    def set_again() -> None:
        rig.clock_after = True
        rig.tell(clock.USER)

    return unset if name == "unset" else step


def play(world: World) -> Rig:
    """Live through a world; Violation where a law is broken."""
    rig = Rig(tank(), START)
    if world.act != "none":
        rig.at(ACT_TIMES[world.act_at], _act(rig, world.act))
    if world.step != "none":
        rig.at(STEP_TIMES[world.step_at], _step(rig, world.step))
    cutter = Cutter(rig, *world.cut) if world.cut else None
    rig.until(THIRD + 2000)
    if cutter:
        rig.flash.watch = None
    rig.check()
    rig.skew = 0
    rig.tell(clock.USER)
    rig.rotate()
    rig.until(THIRD + 3 * H)
    rig.outage(30)
    rig.until(SECOND + DAY + 200)
    rig.check()
    rig.until(THIRD + DAY + 200)
    rig.rest()
    rig.check()
    rig.check_files()
    return rig


def sound(world: World) -> bool:
    try:
        play(world)
    except Violation:
        return False
    return True


def numbers(world: World, found: Violation) -> set[int]:
    """The promises that a violation in a world breaks; see the module."""
    out = set(found.numbers)
    if out & {1, 5, 14, 15} and world.cut and sound(world._replace(cut=())):
        out.add(16)
    if world.step != "none" and sound(world._replace(step="none", step_at=0)):
        out.add(20)
    changes = ("set-up", "zone", "calibration")
    if 5 in out and world.act in changes and sound(world._replace(act="none", act_at=0)):
        out.add(25)
    return out
