"""S1: in no 24 hours of powered time more than the cap, for a channel and for a group.

Every run on the desk is held against the caps in true powered time, see `Desk._room_for`; these
tests bring the caps to where they bind.
"""

import pytest
from hypothesis import HealthCheck, given, note, settings
from hypothesis import strategies as st

from aliquot.core import acts, room
from aliquot.core.ledger import ALL, CAP, TANK
from drive import DAY, START, Desk, channel, check_all, check_books, setup
from scenes import HAPPENINGS, play, setups, told

H = 3600


def given_ul(desk, members=(0,)):
    """What went in over the last 24 hours of true powered time."""
    return sum(r.true_ul for r in desk.runs if r.channel in members and r.end > desk.powered - DAY)


def test_s01_a_cap_below_the_plan_lets_in_no_more_than_itself():
    """Such a set-up is refused by `check`; the engine holds the cap all the same."""
    desk = Desk(setup(channel(cap_ul=9500)))
    for _ in range(60):
        desk.pass_s(3333)
        assert given_ul(desk) <= 9500
    assert given_ul(desk) >= 8000
    desk.settle()
    assert {f[8] for f in desk.journal.of("R")} == {CAP}
    check_all(desk)


def test_s01_a_group_cap_binds_the_sum_of_its_channels():
    made = setup(channel("a"), channel("b", 12000, 12), channel("c"), groups=[(20000, (0, 1))])
    desk = Desk(made)
    for _ in range(60):
        desk.pass_s(3333)
        assert given_ul(desk, (0, 1)) <= 20000
    assert len([run for run in desk.runs if run.channel == 2 and run.wall > START + DAY]) >= 24
    check_all(desk)


def test_a_dose_without_room_waits_within_its_grace_for_what_leaves_the_window():
    """What went in ten minutes after six leaves the window ten minutes after the next dose is
    due."""
    desk = Desk(setup(channel("a", 1000, 1, at=((6 * H, 1),), cap_ul=1000, grace_s=H)))
    acts.trim(desk.engine, desk.now, 0, 100, 1)
    desk.until(START + 6 * H + 600)
    acts.extra(desk.engine, desk.now, 0, 600, planned=True)
    desk.until(START + DAY + 7 * H)
    extra, dose = desk.runs
    assert dose.start == extra.end + DAY
    assert 600 <= dose.wall - dose.due_w < 610
    check_all(desk)


def test_a_dose_without_room_is_refused_when_its_grace_is_over():
    desk = Desk(setup(channel("a", 1000, 1, at=((6 * H, 1),), cap_ul=1000, grace_s=500)))
    acts.trim(desk.engine, desk.now, 0, 100, 1)
    desk.until(START + 6 * H + 600)
    acts.extra(desk.engine, desk.now, 0, 600, planned=True)
    desk.until(START + DAY + 7 * H)
    desk.settle()
    assert [run.key for run in desk.runs] == [()]
    assert [(f[4], f[8]) for f in desk.journal.of("R")] == [(1000, CAP)]
    check_all(desk)


def test_s01_an_outage_ages_nothing():
    """An hour of power and a day without are an hour for the cap."""
    desk = Desk(setup(channel(cap_ul=24000 + 2000, raise_pct=0)))
    desk.days(1)
    used = desk.c().ring.used_ul(desk.now)
    desk.outage(3 * DAY)
    assert desk.c().ring.used_ul(desk.now) == used
    desk.days(1)
    assert given_ul(desk) <= 26000
    check_all(desk)


def test_after_an_outage_the_plan_goes_on_and_only_catch_up_finds_less_room():
    desk = Desk(setup(channel(cap_ul=24000 + 4000, raise_pct=100)))
    desk.days(2)
    desk.outage(20 * H + 100)
    ran = len(desk.doses())
    desk.days(2)
    later = desk.doses()[ran:]
    assert len(later) >= 47
    assert all(run.base_ul == 1000 for run in later)
    assert 0 < sum(run.raise_ul for run in later) <= 12000
    assert desk.journal.of("R") == []
    check_all(desk)


def test_s15_what_is_unknown_counts_in_full_towards_the_cap():
    desk = Desk(setup(channel(cap_ul=10000, daily_ul=9600, doses=24, raise_pct=0)))
    for _ in range(20):
        desk.cut_s = 0
        desk.pass_s(H)
        if desk.state.latched:
            acts.see(desk.engine, desk.now, ALL)
            acts.clear(desk.engine, desk.now, ALL)
    assert desk.c().tot[8] == 400 * len(desk.doses()) > 0
    assert desk.c().ring.used_ul(desk.now) == 400 * len(desk.doses())
    check_all(desk)


@pytest.mark.parametrize("pct", [50, 90, 110, 200])
def test_s01_a_new_calibration_recounts_the_last_day_with_the_larger_ratio(pct):
    desk = Desk(setup(channel(cap_ul=25000)))
    desk.days(1)
    before = desk.c().ring.used_ul(desk.now)
    from_ul = desk.c().cal_ul
    acts.calibrate(desk.engine, desk.now, 0, 12800, 10000 * pct // 100)
    after = desk.c().ring.used_ul(desk.now)
    assert after == before * max(100, pct) // 100
    assert from_ul == 10000
    desk.days(1)
    check_books(desk.state)


def test_s07_extras_primes_into_the_tank_and_raises_count():
    desk = Desk(setup(channel(cap_ul=60000)))
    desk.pass_s(100)
    acts.extra(desk.engine, desk.now, 0, 3000)
    desk.outage(0)
    acts.extra(desk.engine, desk.now, 0, 3000)
    desk.pass_s(60)
    assert desk.c().ring.used_ul(desk.now) == 3000
    desk.outage(5 * H)
    desk.pass_s(2 * H)
    raised = sum(run.raise_ul for run in desk.runs)
    assert raised
    assert desk.c().ring.used_ul(desk.now) == 3000 + 1000 * len(desk.doses()) + raised
    check_all(desk)


# Room


def test_room_is_the_cap_less_what_is_in_and_what_is_planned():
    desk = Desk(setup(channel(cap_ul=30000)))
    desk.pass_s(100)
    assert room.left_ul(desk.engine, 0, desk.now) == 30000
    assert room.room_ul(desk.engine, 0, desk.now) == 6000
    desk.days(1)
    assert room.left_ul(desk.engine, 0, desk.now) in (6000, 5000)
    # A place of the ring leaves by the hour at the latest: one or two doses are counted twice.
    assert 3000 <= room.room_ul(desk.engine, 0, desk.now) <= 6000


def test_room_asked_for_twice_in_a_row_is_the_same_and_an_act_in_between_does_not_shrink_it():
    desk = Desk(setup(channel("a", cap_ul=30000), channel("b")))
    desk.pass_s(100)
    before = room.room_ul(desk.engine, 0, desk.now)
    acts.tubing(desk.engine, desk.now, 0)
    assert (
        room.room_ul(desk.engine, 0, desk.now) == before == room.room_ul(desk.engine, 0, desk.now)
    )


def test_room_of_a_group_is_that_of_its_cap():
    desk = Desk(
        setup(channel("a", cap_ul=60000), channel("b", cap_ul=60000), groups=[(50000, (0, 1))])
    )
    desk.pass_s(100)
    assert room.room_ul(desk.engine, 0, desk.now) == 1000  # one dose of b is in
    assert room.left_ul(desk.engine, 0, desk.now) == 49000


def test_room_looks_at_the_whole_coming_day_not_only_at_now():
    """Nothing is in, but the evening holds 20 mL."""
    c = channel("a", 20000, 2, at=((20 * H, 1), (22 * H, 1)), cap_ul=41000, most_ul=10000)
    desk = Desk(setup(c))
    desk.pass_s(8 * H)
    assert room.left_ul(desk.engine, 0, desk.now) == 41000
    assert room.room_ul(desk.engine, 0, desk.now) == 21000


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    setups(),
    st.lists(st.tuples(HAPPENINGS, st.integers(0, 40000)), max_size=8),
    st.integers(1, 99),
)
def test_s01_an_extra_inside_the_room_takes_nothing_from_the_plan(made, story, pct):
    """With nothing owed: what the room says may go in, may go in beside every planned dose."""
    note(told(made))
    desk = Desk(made)
    for happening, then in story:
        play(desk, happening)
        desk.pass_s(then)
    if desk.state.open or not desk.state.quality:
        return
    desk.journal.fail = 0
    acts.hold(desk.engine, desk.now, 0)
    acts.release(desk.engine, desk.now, 0)
    cfg = desk.setup.channels[0]
    ul = min(room.room_ul(desk.engine, 0, desk.now) * pct // 100, cfg.most_ul)
    if ul < cfg.least_ul:
        return
    try:
        acts.extra(desk.engine, desk.now, 0, ul)
    except acts.Refused:
        return
    refused = [f for f in desk.journal.of("R") if f[8] == CAP]
    desk.give, desk.cut_s = None, -1
    desk.pass_s(DAY)
    ours = [r for r in desk.runs if r.into == TANK]
    if ours:
        others = [m for _, members in desk.setup.groups if 0 in members for m in members]
        new = [f for f in desk.journal.of("R") if f[8] == CAP][len(refused) :]
        assert not [f for f in new if f[0] in (0, *others)]
    check_all(desk)
