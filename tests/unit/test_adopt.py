"""Taking over a set-up: a new journal, what stays, and the day on which a plan changes."""

import contextlib
import copy

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from aliquot.core import acts, adopt, events
from aliquot.core.engine import Engine
from aliquot.core.ledger import UNCALIBRATED
from aliquot.core.plan import day_ul
from drive import DAY, START, START_DATE, UTC, Desk, Memory, channel, check_all, check_books, setup

H = 3600


def changed(desk, ch=0, **own):
    """Adopt the desk's set-up with other values of one channel."""
    made = copy.copy(desk.setup)
    made.channels = [copy.copy(c) for c in made.channels]
    for key, value in own.items():
        setattr(made.channels[ch], key, value)
    adopt.adopt(desk.engine, made, desk.now)
    desk.setup = made


# A journal that begins anew


def test_a_new_journal_has_one_full_plan_day_in_each_cap_window_owes_nothing_and_missed_nothing():
    made = setup(
        channel("a"), channel("b", 4000, 4, weekdays=1), channel("c", ramp=(6000, START_DATE, 30))
    )
    desk = Desk(made, wall=START + 15 * H, given_ul=-1)
    assert [c.ring.used_ul(desk.now) for c in desk.state.channels] == [24000, 4000, 24000]
    desk.days(2)
    assert desk.journal.of("M") == []
    assert [c.owed for c in desk.state.channels] == [[], [], []]
    check_all(desk)


def test_an_even_plan_goes_on_from_its_first_hour_under_a_cap_of_two_doses_more():
    desk = Desk(setup(channel(cap_ul=26000)), given_ul=-1)
    desk.days(2)
    assert len(desk.doses()) == 48
    assert desk.journal.of("R") == []


def test_extras_and_catch_up_wait_for_a_day_of_power_unless_it_is_stated_what_was_given():
    for given_ul in (-1, 0, 5000):
        desk = Desk(setup(channel(cap_ul=60000)), given_ul=given_ul)
        desk.pass_s(100)
        if given_ul < 0:
            with pytest.raises(acts.Refused):
                acts.extra(desk.engine, desk.now, 0, 500)
            desk.outage(3 * H)
            desk.pass_s(100)
            assert desk.c().owed == []
            desk.pass_s(20 * H)
            with pytest.raises(acts.Refused):
                acts.extra(desk.engine, desk.now, 0, 500)
            desk.pass_s(5 * H)
            assert acts.extra(desk.engine, desk.now, 0, 500, planned=True)
            assert not any(run.raise_ul for run in desk.runs)
        else:
            assert desk.c().ring.used_ul(desk.now) == given_ul
            assert acts.extra(desk.engine, desk.now, 0, 500)


def test_what_the_user_states_was_given_is_at_most_the_cap():
    desk = Desk(setup(channel()), given_ul=10**9)
    assert desk.c().ring.used_ul(desk.now) == desk.setup.channels[0].cap_ul
    desk.days(2)
    check_all(desk)


def test_s25_a_first_set_up_does_not_dose_the_hours_before_it():
    desk = Desk(setup(channel()), wall=START + 12 * H + 100)
    desk.pass_s(H)
    assert [run.due_w for run in desk.runs] == [START + 13 * H]


# What stays


def test_a_channel_keeps_its_state_by_its_id_and_a_new_one_begins_with_a_full_day_in_its_window():
    desk = Desk(setup(channel("a"), channel("b")), given_ul=0)
    desk.pass_s(10 * H + 60)
    made = setup(channel("c", 12000, 12), channel("b"))
    adopt.adopt(desk.engine, made, desk.now)
    desk.setup = made
    assert [c.ring.used_ul(desk.now) for c in desk.state.channels] == [12000, 11000]
    assert desk.state.fresh_s == 0
    desk.days(1)
    assert {run.key[1] for run in desk.doses(1)} == {1, 2}
    assert all(
        run.due_w > START + 10 * H + 60 for run in desk.doses(0) if run.wall > START + 10 * H + 60
    )


@pytest.mark.parametrize(
    ("hours", "given_ul", "wanted_ul"),
    [(0, -1, 26000), (23, -1, 26000), (24, -1, 24000), (0, 500, 500)],
)
def test_s01_a_channel_put_back_within_a_day_finds_its_cap_used_up(hours, given_ul, wanted_ul):
    """What it gave before is not known any more: all that its cap allows may be in."""
    desk = Desk(setup(channel("a", cap_ul=26000), channel("b")), given_ul=0)
    desk.pass_s(2 * H)
    change(desk, setup(channel("b")))
    desk.pass_s(hours * H)
    change(desk, setup(channel("a", cap_ul=26000), channel("b")), given_ul)
    assert desk.c(0).ring.used_ul(desk.now) == wanted_ul


def test_s01_a_channel_put_back_with_a_lower_cap_leaves_its_group_no_room():
    """It may have given up to its old cap, of which the new one says nothing."""
    wide = setup(channel("a", cap_ul=60000), channel("b"), groups=[(90000, (0, 1))])
    low = setup(channel("a", cap_ul=26000), channel("b"), groups=[(56000, (0, 1))])
    desk = Desk(wide, given_ul=0)
    for _ in range(11):
        acts.extra(desk.engine, desk.now, 0, 3900, planned=True)
        desk.pass_s(H)
    change(desk, setup(channel("b")))
    change(desk, low)
    ran = len(desk.runs)
    assert sum(run.ul for run in desk.runs) > 56000
    desk.pass_s(9 * H)
    assert len(desk.runs) == ran


def test_s01_a_channel_taken_out_and_put_back_again_and_again_stays_within_its_cap():
    both, one = setup(channel("a", cap_ul=26000), channel("b")), setup(channel("b"))
    desk = Desk(both, given_ul=0)
    given = []
    for _ in range(60):
        with contextlib.suppress(acts.Refused):
            acts.extra(desk.engine, desk.now, 0, 1900, planned=True)
        ran = len(desk.runs)
        desk.pass_s(H // 2)
        given += [(run.start, run.ul) for run in desk.runs[ran:] if run.channel == 0]
        change(desk, one)
        desk.pass_s(60)
        change(desk, both)
    for begin, _ in given:
        assert sum(ul for at, ul in given if begin <= at < begin + DAY) <= 26000
    assert given


def change(desk, made, given_ul=-1):
    adopt.adopt(desk.engine, made, desk.now, given_ul=given_ul)
    desk.setup = made


@pytest.mark.parametrize(
    ("cal", "signature", "wanted", "blocked"),
    [
        (
            (12800, 10000, 0),
            5,
            (12800, 9000),
            0,
        ),  # the file says what it said: the measured one stays
        ((12900, 10000, 0), 5, (12900, 10000), 0),
        ((12800, 10000, 0), 6, (12800, 9000), UNCALIBRATED),  # other microsteps: not calibrated
        ((12900, 10000, 0), 6, (12900, 10000), 0),
    ],
)
def test_a_calibration_in_the_file_counts_only_where_it_is_another_one(
    cal, signature, wanted, blocked
):
    desk = Desk(setup(channel()))
    desk.pass_s(H)
    acts.calibrate(desk.engine, desk.now, 0, 12800, 9000)
    changed(desk, cal=cal, signature=signature)
    assert (desk.c().cal_counts, desk.c().cal_ul) == wanted
    ran = len(desk.runs)
    desk.pass_s(3 * H)
    assert (len(desk.runs) == ran) == bool(blocked)
    desk.settle()
    assert {f[8] for f in desk.journal.of("R")} == ({blocked} if blocked else set())


@pytest.mark.parametrize(("left_ul", "wanted"), [(50000, 47000), (80000, 80000)])
def test_a_fill_in_the_file_counts_only_where_it_is_another_one(left_ul, wanted):
    desk = Desk(setup(channel(left_ul=50000, size_ul=10**6)))
    desk.pass_s(3 * H)
    changed(desk, left_ul=left_ul, daily_ul=12000)
    assert desk.c().fill_ul - desk.c().taken_ul == wanted


def test_overrides_trims_holds_and_what_is_owed_outlive_a_new_set_up():
    desk = Desk(setup(channel(cap_ul=60000)))
    desk.pass_s(100)
    desk.outage(5 * H)
    desk.pass_s(60)
    acts.override(desk.engine, desk.now, 0, 2400, 3, keep=True)
    acts.trim(desk.engine, desk.now, 0, 10, 40, keep=True)
    acts.hold(desk.engine, desk.now, 0, keep=True)
    c = desk.c()
    before = list(c.over), list(c.owed), c.trim_n, c.hold_w
    changed(desk, doses=12, most_ul=5000)
    assert (list(c.over), list(c.owed), c.trim_n, c.hold_w) == before
    assert before[1]


def test_a_set_up_is_not_taken_over_while_a_pump_runs():
    """Its channels may have other numbers, and an outcome belongs to the channel that ran."""
    desk = Desk(setup(channel("a"), channel("b")))
    desk.until(START + 2 * H - 5)
    while not (job := desk.engine.poll(desk.now)):
        desk.sleep(1)
    records = len(desk.journal.records)
    with pytest.raises(acts.Refused):
        adopt.adopt(desk.engine, setup(channel("b")), desk.now)
    assert len(desk.journal.records) == records
    desk.engine.ended(desk.now + 3, job[1])
    adopt.adopt(desk.engine, setup(channel("b")), desk.now + 3)
    check_books(desk.state)


# The day of the change


@pytest.mark.parametrize(
    ("own", "wanted"),
    [
        (
            {"daily_ul": 36000},
            12000 + 11 * 1500 + 1500,
        ),  # each later dose its share of the new day
        ({"daily_ul": 18000}, 18000),  # 12 in, 750 each until the day's new total
        ({"daily_ul": 12000}, 12000),  # in already: nothing more
        ({"daily_ul": 6000}, 12000),  # more is in than the new day has
        ({"from_s": 1800}, 24000),
        ({"doses": 48, "daily_ul": 24000}, 24000),
        ({"from_s": 12 * H, "span_s": 12 * H}, 24000),  # all day's doses lie ahead: cut to the day
        ({"from_s": 12 * H, "span_s": 12 * H, "daily_ul": 30000}, 30000),
    ],
)
def test_the_rest_of_a_changed_day_is_cut_to_the_larger_of_the_new_day_and_what_is_in(own, wanted):
    desk = Desk(setup(channel(raise_pct=0, cap_ul=80000, most_ul=5000)), wall=START - 1)
    desk.until(START + 12 * H - 1200)
    assert sum(run.ul for run in desk.runs) == 12000
    changed(desk, **own)
    desk.until(START + 48 * H - 1)
    today = sum(run.ul for run in desk.doses() if run.key[2] == START_DATE)
    assert today == wanted
    tomorrow = [run for run in desk.doses() if run.key[2] == START_DATE + 1]
    assert len(tomorrow) >= 8
    check_all(desk)
    desk.settle()
    for f in desk.journal.of("S"):  # S10: what was cut is on record
        assert f[4] + f[6] > 0


def test_what_is_missed_in_the_rest_of_a_changed_day_is_owed_no_further_than_the_rest_goes():
    """Twelve are in of eighteen: eleven hours without power are six short, not eleven shares."""
    desk = Desk(setup(channel(cap_ul=80000, owed_most_ul=24000)), wall=START - 1)
    desk.until(START + 12 * H - 1200)
    changed(desk, daily_ul=18000)
    desk.outage(11 * H)
    desk.pass_s(H // 2)
    assert sum(f[3] for f in desk.journal.of("M")) == 11
    assert sum(f[7] for f in desk.journal.of("M")) == 6000
    check_all(desk)


PLANS = st.lists(
    st.tuples(
        st.integers(1, 40000),
        st.sampled_from(("plan", "plan", "outage", "cut")),
        st.integers(3000, 40000),
        st.sampled_from((4, 12, 24, 48)),
        st.sampled_from((0, 6 * H, 12 * H, 18 * H)),
    ),
    min_size=1,
    max_size=6,
)


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(PLANS, st.sampled_from((0, 100)))
def test_however_often_a_plan_changes_a_day_passes_neither_the_last_plan_nor_what_was_in(
    changes, raise_pct
):
    """What is missed after the change and caught up on the same date counts too; raises before it
    made up for other dates."""
    desk = Desk(
        setup(channel(cap_ul=10**6, most_ul=10**5, raise_pct=raise_pct), tz=UTC),
        START_DATE * DAY - 1,
    )

    def came(date):
        since = changed_w.get(date, desk.wall)
        return sum(
            run.ul if run.wall >= since else run.base_ul
            for run in desk.doses()
            if run.key[2] == date
        )

    most, changed_w = {}, {}
    for then, what, daily_ul, doses, from_s in changes:
        desk.pass_s(then)
        if what == "outage":
            desk.outage(daily_ul)
        elif what == "cut":
            desk.cut_s = 0
        else:
            # What is owed from before the change is caught up beside the plan: leave it out.
            acts.hold(desk.engine, desk.now, 0)
            acts.release(desk.engine, desk.now, 0)
            changed(desk, daily_ul=daily_ul, doses=doses, from_s=from_s, span_s=DAY - from_s)
            today = desk.setup.zone.date_of(desk.wall)
            changed_w[today] = desk.wall
            most[today] = max(came(today), daily_ul)
    desk.cut_s = -1
    desk.until((desk.wall // DAY + 1) * DAY - 1)
    for date in most:
        assert came(date) <= most[date]
    check_all(desk)


def test_s25_a_change_with_the_clock_unset_opens_nothing_that_was_closed():
    desk = Desk(setup(channel()))
    desk.until(START + 5 * H + 60)
    ran = len(desk.runs)
    desk.outage(2 * H, clock=0)
    desk.pass_s(600)
    changed(desk, doses=12)
    assert desk.c().wm_w >= START + 5 * H
    desk.pass_s(600)
    desk.clock()
    desk.pass_s(4 * H)
    assert all(run.due_w > START + 5 * H for run in desk.runs[ran:])
    check_all(desk)


def test_s25_the_first_set_up_may_come_before_the_first_clock():
    desk = Desk(setup(channel()), wall=START + 9 * H + 100, clock=0)
    desk.pass_s(100)
    changed(desk, daily_ul=12000)
    desk.clock()
    desk.pass_s(2 * H)
    assert [run.due_w for run in desk.runs] == [START + 10 * H, START + 11 * H]
    assert [run.ul for run in desk.runs] == [500, 500]


def test_a_set_up_of_other_volumes_counts_from_its_first_whole_day():
    desk = Desk(setup(channel(cap_ul=60000)))
    desk.pass_s(5 * H)
    changed(desk, daily_ul=30000, ramp=(24000, START_DATE + 1, 6))
    desk.days(9)
    for i in range(1, 9):
        came = sum(run.ul for run in desk.doses() if run.key[2] == START_DATE + i)
        assert came == day_ul(desk.setup.channels[0], START_DATE + i, [])


def test_s17_a_board_whose_set_up_was_never_adopted_does_nothing_for_ever():
    journal = Memory()
    engine = Engine(setup(channel()), journal)
    events.boot(engine, 0, 0)
    events.set_clock(engine, 0, START, 2, 1)
    jobs = [engine.poll(now) for now in range(0, 3 * DAY, 300)]
    assert set(jobs) == {None}
    assert {kind for _, _, kind, _, _ in journal.records} == {"B", "T", "t"}


def test_s25_a_channel_put_back_on_the_same_date_goes_on_with_higher_revisions():
    whole = setup(channel("a"), channel("b"))
    desk = Desk(whole)
    for delta_ul in (100, -100, 100):
        acts.override(desk.engine, desk.now, 1, delta_ul, 3)
    desk.pass_s(5 * H)
    used = {(run.channel, *run.key[1:]) for run in desk.doses(1)}
    before = desk.c(1).rev
    for made in (setup(channel("a"), name="bb"), setup(channel("a"), channel("b"), name="cc")):
        change(desk, made, given_ul=5000)
        desk.pass_s(60)
    assert desk.c(1).rev > before
    desk.pass_s(8 * H)
    again = {(run.channel, *run.key[1:]) for run in desk.doses(1)} - used
    assert again
    assert {rev for _, rev, _, _ in again} == {desk.c(1).rev}
