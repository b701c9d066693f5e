"""A life of a controller as hypothesis draws it, rule after rule, every law asked after each.

`Life` is a state machine over `controller.Rig`: the real engine on the real store, on a flash in
memory. A rule lets time pass, cuts the power, tears a write, steps the clock, does what a user may
do, or takes the memory away. Caps are drawn near the day's volume: loose ones hide faults.
"""

from __future__ import annotations

from typing import Any

from hypothesis import HealthCheck, assume, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from aliquot.core import clock
from controller import (
    ALL,
    CUP,
    DATE,
    DAY,
    FAULT,
    UTC,
    ZONES,
    Rig,
    Violation,
    changed,
    made_of,
)
from set_ups import channel

OK, USER = 0, 11
CH = st.integers(0, 2)
CALIBRATIONS = ((12800, 10000), (637, 10000), (12345, 6789), (3, 7))


@st.composite
def channels(draw, name: str) -> dict[str, Any]:
    doses = draw(st.sampled_from((1, 3, 8, 24)))
    daily = draw(st.integers(doses * 120, doses * 1500))
    share = -(-daily // doses)
    own: dict[str, Any] = {
        "daily_ul": daily,
        "doses": doses,
        "from_s": 0,
        "cap_ul": daily + draw(st.integers(2, 3)) * share,
        "dose_most_ul": 2 * share,
        "grace_s": 1200,
        "run_most_s": 900,
        "catch_up": {
            "raise_pct": draw(st.sampled_from((0, 25, 100))),
            "max_age_s": draw(st.sampled_from((7200, DAY, 3 * DAY))),
            "max_ul": draw(st.integers(1, daily)),
        },
    }
    counts, ul = draw(st.sampled_from(CALIBRATIONS))
    own["calibration"] = {"counts": counts, "ul": ul}
    left = draw(st.sampled_from((-1, daily, 10**7)))
    if left >= 0:
        size = 25 * daily
        own["reservoir"] = {"size_ul": size, "dead_ul": 0, "left_ul": left, "low_pct": 1}
    if doses == 3:
        times = ((2, 3), (12, 1), (20, 2))
        own["at"] = [{"time_s": 3600 * h, "share": share} for h, share in times]
        own |= {"dose_most_ul": daily, "cap_ul": daily * 2}
    return channel(name, **own)


@st.composite
def tanks(draw):
    n = draw(st.integers(1, 3))
    made = [draw(channels("abc"[i])) for i in range(n)]
    own = {}
    if n > 1:
        both = ["a", "b"]
        seconds = draw(st.sampled_from((60, 300, 600)))
        own["separate"] = [{"channels": both, "seconds": seconds}]
        if draw(st.booleans()):
            loose = sum(c["cap_ul"] for c in made[:2])
            cap = draw(st.integers(loose * 3 // 4, loose))
            own["group"] = [{"channels": both, "cap_ul": cap}]
    return made_of("0", UTC, made, **own)


class Life(RuleBasedStateMachine):
    """See the module. Rules answer for nothing; the laws do."""

    rig: Rig = None  # type: ignore[assignment]
    names = 0
    before = 0

    @initialize(made=tanks(), at=st.integers(0, DAY), stated=st.booleans())
    def begin(self, made, at, stated):
        self.before = Violation.seen
        self.rig = Rig(made, DATE * DAY + at, stated)

    def ch(self, ch: int) -> int:
        return ch % len(self.rig.setup.channels)

    def now(self, act) -> None:
        self.rig.guarded(act)

    # Time and power

    @rule(
        seconds=st.one_of(st.integers(1, 900), st.integers(1, 20000), st.integers(DAY // 2, DAY))
    )
    def time_passes(self, seconds):
        self.rig.until(self.rig.wall + seconds)

    @rule(
        off=st.one_of(st.integers(1, 3000), st.integers(1, 4 * DAY)), cause=st.sampled_from((0, 2))
    )
    def a_cut(self, off, cause):
        self.power_goes(off, cause)

    def power_goes(self, off, cause):
        self.rig.cause = cause
        self.rig.outage(off)
        self.rig.cause = 0

    @rule(times=st.integers(1, 4), apart=st.integers(1, 40000))
    def the_watchdog_bites(self, times, apart):
        for _ in range(times):
            self.power_goes(5, 2)
            self.rig.until(self.rig.wall + apart)

    @rule(
        seconds=st.integers(0, 3), off=st.integers(1, 3000), known=st.booleans(), dog=st.booleans()
    )
    def power_goes_in_the_next_run(self, seconds, off, known, dog):
        rig = self.rig
        rig.cut_after, rig.cut_s = seconds, off
        rig.known_counts, rig.cause = known, 2 if dog else 0
        rig.until(rig.wall + 4 * 3600)
        rig.cut_after, rig.cut_s, rig.known_counts, rig.cause = None, 40, False, 0

    @rule(
        n=st.lists(st.integers(1, 6), min_size=1, max_size=2),
        reached=st.sampled_from(("nothing", "half", "all")),
    )
    def power_goes_at_a_write(self, n, reached):
        """And once more in the start that follows, where there are two numbers."""
        rig, left = self.rig, list(n)

        def watch(call, name, data):
            if left:
                left[0] -= 1
                if not left[0]:
                    del left[0]
                    return reached
            return None

        rig.flash.watch = watch
        rig.until(rig.wall + 7200)
        rig.flash.watch = None

    @rule(
        beyond=st.sampled_from((-2000, -300, -1, 1, 40)), cause=st.sampled_from((OK, FAULT, USER))
    )
    def the_next_run_ends_otherwise(self, beyond, cause):
        self.rig.give = (beyond, OK if beyond > 0 else cause)

    @rule(n=st.integers(1, 9), how=st.sampled_from(("nothing", "half")))
    def writes_fail(self, n, how):
        self.rig.fails, self.rig.fail_how = n, how

    @rule(how=st.sampled_from(("before", "after")))
    def memory_runs_out(self, how):
        rig = self.rig
        rig.exhausted = how
        rig.until(rig.wall + 5000)
        rig.exhausted = ""

    @rule()
    def a_segment_is_full(self):
        self.rig.rotate()

    # The clock

    @rule(
        skew=st.sampled_from((-3 * DAY, -7200, -300, -40, 0, 0, 0, 300, 7200, DAY, 3 * DAY)),
        later=st.integers(0, 40),
    )
    def the_clock_steps(self, skew, later):
        rig = self.rig

        def step():
            rig.skew = skew
            rig.tell(clock.USER)

        rig.at(rig.wall + later, step)

    @rule(
        skew=st.sampled_from((-7200, 0, 0, 500, DAY)),
        source=st.sampled_from((clock.CHIP, clock.NETWORK, clock.PHONE)),
    )
    def a_source_speaks(self, skew, source):
        rig = self.rig

        def speak():
            rig.skew, kept = skew, rig.skew
            rig.tell(source)
            rig.skew = kept

        self.now(speak)

    @rule(
        off=st.integers(1, 9000),
        powered=st.integers(1, 40000),
        sources=st.lists(st.sampled_from((clock.CHIP, clock.NETWORK, clock.PHONE)), max_size=2),
    )
    def a_start_without_a_clock(self, off, powered, sources):
        rig = self.rig
        rig.clock_after = False
        rig.outage(off)
        for source in sources:
            self.now(lambda source=source: rig.tell(source))
        rig.until(rig.wall + powered)
        rig.clock_after = True
        self.now(lambda: rig.tell(clock.USER))

    # The user

    @rule(
        ch=CH, pct=st.sampled_from((1, 50, 99, 100)), doses=st.integers(0, 9), keep=st.booleans()
    )
    def trim(self, ch, pct, doses, keep):
        self.rig.act("trim", self.ch(ch), pct, doses, keep=keep)

    @rule(ch=CH, pct=st.integers(-60, 40), days=st.integers(0, 3), keep=st.booleans())
    def override(self, ch, pct, days, keep):
        ch = self.ch(ch)
        ul = self.rig.setup.channels[ch].daily_ul * pct // 100
        self.rig.act("override", ch, ul, days, keep=keep)

    @rule(
        ch=CH,
        pct=st.integers(10, 199),
        sure=st.booleans(),
        keep=st.booleans(),
        cut=st.booleans(),
    )
    def extra(self, ch, pct, sure, keep, cut):
        ch = self.ch(ch)
        c = self.rig.setup.channels[ch]
        ul = c.daily_ul // c.doses * pct // 100
        done = self.rig.act("extra", ch, ul, planned=sure, keep=keep)
        if done and cut:
            self.rig.outage(5)

    @rule(ch=CH, counts=st.integers(1, 3000), later=st.integers(0, 20000))
    def cup(self, ch, counts, later):
        rig, ch = self.rig, self.ch(ch)
        rig.act("cup_run", ch, counts)
        rig.until(rig.wall + later)
        rig.act("release", ch, 1)

    @rule(ch=CH, ul=st.integers(100, 3000))
    def prime_into_a_cup(self, ch, ul):
        rig, ch = self.rig, self.ch(ch)
        rig.act("extra", ch, ul, into=CUP)
        rig.until(rig.wall + 700)
        rig.act("release", ch, 1)

    @rule(ch=CH)
    def take_an_extra_back(self, ch):
        self.rig.act("cancel_extra", self.ch(ch))

    @rule(scope=st.sampled_from((0, ALL)), until=st.integers(0, DAY), later=st.integers(0, 40000))
    def hold(self, scope, until, later):
        rig = self.rig
        until_w = rig.now + rig.eyes.offset + until if until else 0
        rig.act("hold", scope, until_w, keep=until % 2 == 1)
        rig.until(rig.wall + later)
        rig.act("release", scope)

    @rule(ch=CH, ul=st.integers(0, 10**5))
    def refill(self, ch, ul):
        self.rig.act("refill", self.ch(ch), ul)

    @rule(ch=CH, pct=st.integers(90, 110))
    def calibrate(self, ch, pct):
        ch = self.ch(ch)
        counts, ul = self.rig.eyes.channels[ch].cal[:2]
        assume(ul * pct // 100)
        self.rig.act("calibrate", ch, counts, ul * pct // 100)

    @rule(ch=CH)
    def tubing_and_a_note(self, ch):
        self.rig.act("tubing", self.ch(ch))
        self.rig.act("note", 1, ALL, "8.1 dKH")

    @rule(
        scope=st.sampled_from((0, ALL)),
        code=st.integers(3, 5),
        times=st.integers(1, 4),
        latched=st.integers(0, 1),
        later=st.integers(0, 9000),
    )
    def faults(self, scope, code, times, latched, later):
        rig = self.rig
        for _ in range(times):
            self.now(lambda: rig.fault(scope, code, latched))
        rig.until(rig.wall + later)
        rig.mend(scope)

    @precondition(lambda self: self.rig and self.rig.eyes.fault)
    @rule()
    def look_after_the_fault(self):
        self.rig.mend(ALL)

    @rule(pct=st.integers(30, 150), halve=st.booleans())
    def new_set_up(self, pct, halve):
        rig = self.rig
        c = rig.setup.data["channel"][0]
        own = {"daily_ul": max(c["dose_least_ul"], c["daily_ul"] * pct // 100)}
        if halve and not c["at"]:
            own["doses"] = max(1, c["doses"] // 2)
        doses = own.get("doses", c["doses"])
        own["dose_most_ul"] = max(c["dose_most_ul"], 2 * -(-own["daily_ul"] // doses))
        own["cap_ul"] = max(c["cap_ul"], own["daily_ul"])
        self.adopt(**own)

    @rule(tz=st.sampled_from(tuple(ZONES)))
    def new_zone(self, tz):
        self.adopt(tz=tz)

    @rule()
    def the_pump_changes(self):
        """It is not calibrated then, until the user says so."""
        rig = self.rig
        pump = rig.setup.data["channel"][0]["pump"]
        self.adopt(pump={**pump, "microsteps": pump["microsteps"] + 1})
        rig.until(rig.wall + 5000)
        counts, ul = rig.eyes.channels[0].cal[:2]
        rig.act("calibrate", 0, counts, ul)

    def adopt(self, **own):
        self.names += 1
        new = changed(self.rig.setup, str(self.names), **own)
        self.now(lambda: self.rig.adopt(new))

    # The laws

    @invariant()
    def all_is_well(self):
        if self.rig and self.rig.engine:
            self.rig.check()

    def teardown(self):
        rig = self.rig
        if rig and rig.engine and Violation.seen == self.before:
            rig.outage(30)
            rig.until(rig.wall + 30000)
            self.now(rig.rest)
            rig.check()
            rig.check_files()


BOUNDED = settings(
    deadline=None,
    max_examples=600,
    stateful_step_count=20,
    suppress_health_check=[
        HealthCheck.too_slow,
        HealthCheck.data_too_large,
        HealthCheck.filter_too_much,
    ],
)
