"""What may happen to a controller, as hypothesis strategies, and `play`, which makes it happen.

A scene is a small set-up, drawn with caps close to the day's volume because loose ones hide
faults, and a list of happenings: time, cuts, wrong clocks, acts of a user, faults, a full flash,
a new plan.
"""

from __future__ import annotations

import copy
from fractions import Fraction

from hypothesis import strategies as st

from aliquot.core import acts, adopt, events
from aliquot.core.ledger import ALL, FAULT, OK, TANK, USER
from drive import BERLIN, DAY, UTC, Desk, channel, setup

CALIBRATIONS = ((12800, 10000), (637, 10000), (12345, 6789), (1, 1), (3, 7))


@st.composite
def channels(draw, name):
    doses = draw(st.sampled_from((1, 3, 8, 24, 48)))
    daily = draw(st.integers(doses * 120, doses * 1500))
    share = -(-daily // doses)
    own = {
        "cap_ul": daily + draw(st.integers(2, 4)) * share,
        "most_ul": 2 * share,
        "raise_pct": draw(st.sampled_from((0, 10, 25, 100))),
        "age_s": draw(st.sampled_from((0, 7200, DAY, 3 * DAY))),
        "owed_most_ul": draw(st.integers(0, daily)),
        "cal": (*draw(st.sampled_from(CALIBRATIONS)), 0),
        "grace_s": min(1200, 86400 // doses - 300),
        "from_s": draw(st.sampled_from((0, 600, 3600 * 9, 3600 * 23))),
        "speed_cps": 1000,
        "run_most_s": 900,
        "left_ul": draw(st.sampled_from((-1, daily * 2, 10**7))),
        "size_ul": 10**8,
    }
    if doses == 3:
        own["at"] = ((3600 * 2, 3), (3600 * 12, 1), (3600 * 20, 2))
        own["most_ul"], own["from_s"] = daily, 0
        own["cap_ul"] = daily * 2
    if doses == 1:
        own["weekdays"] = draw(st.sampled_from((127, 1, 42)))
        own["cap_ul"] = 3 * daily
    return channel(name, daily, doses, **own)


@st.composite
def setups(draw):
    n = draw(st.integers(1, 3))
    made = [draw(channels("abc"[i])) for i in range(n)]
    separate = [(0, 1, draw(st.sampled_from((60, 300, 900))))] if n > 1 else []
    groups = []
    if n > 1 and draw(st.booleans()):
        loose = sum(c.cap_ul for c in made[:2])
        groups = [(draw(st.integers(loose * 2 // 3, loose)), (0, 1))]
    return setup(*made, tz=draw(st.sampled_from((BERLIN, UTC))), separate=separate, groups=groups)


CH = st.integers(0, 2)
SPAN = st.one_of(st.integers(0, 900), st.integers(0, 40000), st.integers(DAY // 2, DAY))
LONG = st.one_of(st.integers(1, 3000), st.integers(1, 5 * DAY))
PCT = st.sampled_from((1, 50, 99, 100))
HAPPENINGS = st.one_of(
    st.tuples(st.just("cut"), st.integers(0, 3), LONG),
    st.tuples(st.just("outage"), LONG, st.sampled_from((0, 2))),
    st.tuples(st.just("no clock"), LONG, SPAN),
    st.tuples(st.just("skew"), st.sampled_from((-3 * DAY, -3600, -40, 0, 300, 7200, 3 * DAY))),
    st.tuples(
        st.just("give"),
        st.sampled_from((-2000, -300, -1, 1, 40)),
        st.sampled_from((OK, FAULT, USER)),
    ),
    st.tuples(st.just("full"), st.integers(1, 12)),
    st.tuples(st.just("trim"), CH, PCT, st.integers(0, 9)),
    st.tuples(st.just("override"), CH, st.integers(-60, 40), st.integers(0, 3)),
    st.tuples(st.just("extra"), CH, st.integers(10, 150), st.booleans()),
    st.tuples(st.just("cup"), CH, st.integers(1, 3000), SPAN),
    st.tuples(st.just("hold"), st.sampled_from((0, 1, ALL)), st.integers(0, DAY), SPAN),
    st.tuples(st.just("refill"), CH, st.integers(0, 10**6)),
    st.tuples(st.just("calibrate"), CH, st.integers(90, 110)),
    st.tuples(st.just("fault"), st.sampled_from((0, 1, ALL)), st.integers(1, 3), SPAN),
    st.tuples(st.just("plan"), CH, st.integers(30, 150), st.sampled_from((0, 1, 2))),
    st.tuples(st.just("zone"), st.sampled_from((BERLIN, UTC, "PST8", "NZST-12"))),
)


STORIES = st.lists(st.tuples(HAPPENINGS, SPAN), min_size=4, max_size=16)


def play(desk: Desk, happening: tuple) -> bool:
    """Make one thing happen; False where the engine, with a reason, refused it."""
    name, *rest = happening
    if name in ACTS:
        rest[0] = rest[0] if rest[0] == ALL else rest[0] % len(desk.setup.channels)
    try:
        globals()["_" + name.replace(" ", "_")](desk, *rest)
    except acts.Refused:
        return False
    except OSError:
        # The flash took no record: what was half done ends with a new start, on a flash that
        # takes it.
        desk.journal.fail = 0
        desk.boot()
    return True


ACTS = ("trim", "override", "extra", "cup", "hold", "refill", "calibrate", "fault", "plan")


def _cut(desk, seconds, off):
    """The power goes in the next run, if there is one within six hours."""
    desk.cut_s = seconds
    end = desk.wall + 21600
    run = None
    while desk.wall < end and not (run and run.given < 0):
        run = desk.step(end)
    desk.cut_s = -1
    desk.outage(off)


def _outage(desk, off, cause):
    desk.outage(off, cause)


def _no_clock(desk, off, powered):
    desk.outage(off, clock=0)
    desk.pass_s(powered)
    desk.clock()


def _skew(desk, seconds):
    desk.skew = seconds
    desk.clock()


def _give(desk, counts, cause):
    desk.give = (counts, OK if counts > 0 else cause)


def _full(desk, writes):
    desk.journal.fail = writes


def _trim(desk, ch, pct, doses):
    acts.trim(desk.engine, desk.now, ch, pct, doses, keep=doses % 2 == 1)


def _override(desk, ch, pct, days):
    ul = desk.setup.channels[ch].daily_ul * pct // 100
    acts.override(desk.engine, desk.now, ch, ul, days, keep=pct % 2 == 1)


def _extra(desk, ch, pct, planned):
    c = desk.setup.channels[ch]
    ul = c.daily_ul // c.doses * pct // 100
    acts.extra(desk.engine, desk.now, ch, ul, planned=planned, into=TANK)


def _cup(desk, ch, counts, later):
    acts.cup_run(desk.engine, desk.now, ch, counts)
    desk.pass_s(later)
    acts.release(desk.engine, desk.now, ch, 1)


def _hold(desk, scope, until, later):
    until_w = desk.now + desk.state.offset + until if until else 0
    acts.hold(desk.engine, desk.now, scope, until_w, keep=until % 2 == 1)
    desk.pass_s(later)
    acts.release(desk.engine, desk.now, scope)


def _refill(desk, ch, ul):
    acts.refill(desk.engine, desk.now, ch, ul)


def _calibrate(desk, ch, pct):
    c = desk.c(ch)
    if c.cal_ul * pct // 100 == 0:
        return
    before = Fraction(c.cal_ul, c.cal_counts)
    acts.calibrate(desk.engine, desk.now, ch, c.cal_counts, c.cal_ul * pct // 100)
    desk.calibrated(ch, before)


def _fault(desk, scope, code, later):
    events.fault(desk.engine, desk.now, scope, code, later % 2)
    desk.pass_s(later)
    target = desk.state if scope == ALL else desk.c(scope)
    if target.latched == 1:
        acts.see(desk.engine, desk.now, scope)
    if target.fault:
        acts.clear(desk.engine, desk.now, scope)


def _plan(desk, ch, pct, shape):
    made = copy.copy(desk.setup)
    made.channels = [copy.copy(c) for c in made.channels]
    c = made.channels[ch]
    c.daily_ul = max(c.least_ul, c.daily_ul * pct // 100)
    if not c.at:
        c.doses = max(1, c.doses >> shape)
        c.most_ul = max(c.most_ul, 2 * -(-c.daily_ul // c.doses))
        c.from_s = c.from_s * shape % DAY
    c.cap_ul = max(c.cap_ul, c.daily_ul)
    _adopt(desk, made)


def _zone(desk, tz):
    made = copy.copy(desk.setup)
    made.zone = setup(tz=tz).zone
    _adopt(desk, made)


def _adopt(desk, made):
    adopt.adopt(desk.engine, made, desk.now)
    desk.setup = made


def told(made) -> str:
    """A set-up in words, for the report of a failing case."""
    own = [{k: v for k, v in vars(c).items() if k != "id"} for c in made.channels]
    return f"{own} separate={made.separate} groups={made.groups} rule={made.zone.rule}"
