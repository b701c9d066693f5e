"""Which wall time is believed, and that no clock makes a dose run twice (S19, S20)."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aliquot.core import clock
from aliquot.core.acts import override
from aliquot.core.clock import CHIP, NETWORK, PHONE, USER, Judge
from aliquot.core.dates import days_of
from drive import DAY, Desk, channel, check_all, check_every_key, setup

H = 3600


def desk_without_clock():
    desk = Desk(setup(channel(raise_pct=0)))
    desk.pass_s(5 * H + 60)
    desk.outage(600, clock=0)
    return desk


def tell(desk, judge, *said):
    """Each is (source, seconds wrong, seconds later); returns what was answered."""
    answers = []
    for source, wrong, later in said:
        desk.sleep(later)
        answers.append(judge.hear(desk.engine, desk.now, desk.wall + wrong, source))
    return answers


def is_set(desk, wrong=0):
    return desk.state.quality == 2 and desk.now + desk.state.offset == desk.wall + wrong


def test_the_users_word_sets_the_clock_at_once():
    desk = desk_without_clock()
    assert tell(desk, Judge(), (USER, 0, 1)) == ["set"]
    assert is_set(desk)


@pytest.mark.parametrize("sources", [(NETWORK, NETWORK + 1)])
def test_s19_a_first_time_needs_two_sources_that_agree(sources):
    desk = desk_without_clock()
    judge = Judge()
    assert (
        tell(desk, judge, (sources[0], 3, 1), (sources[0], 3, 60))
        == ["waiting for a second source"] * 2
    )
    assert desk.state.quality == 0
    desk.pass_s(H - 100)
    assert desk.state.quality == 0
    assert tell(desk, judge, (sources[1], 0, 1)) == ["set"]
    assert is_set(desk)


@pytest.mark.parametrize("off_s", [601, 30 * DAY])
def test_s20_a_clock_chip_that_ran_on_is_believed_by_itself_after_an_outage(off_s):
    desk = Desk(setup(channel(raise_pct=0)))
    desk.pass_s(5 * H + 60)
    desk.outage(off_s, clock=0)
    assert tell(desk, Judge(), (CHIP, 0, 1)) == ["set"]
    assert is_set(desk)
    desk.pass_s(DAY)
    check_every_key(desk)


@pytest.mark.parametrize("wrong", [-2 * H, 367 * DAY])
def test_s20_a_clock_chip_that_stood_still_or_ran_away_needs_a_second_source(wrong):
    desk = desk_without_clock()
    assert tell(desk, Judge(), (CHIP, wrong, 1)) == ["waiting for a second source"]
    assert desk.state.quality == 0


def test_s19_a_clock_chip_alone_does_not_set_a_board_that_never_knew_the_time():
    desk = Desk(setup(channel()), clock=0)
    assert not desk.state.offset
    assert tell(desk, Judge(), (CHIP, 0, 1)) == ["waiting for a second source"]
    assert tell(desk, Judge(), (CHIP, 0, 1), (NETWORK, 0, 1))[-1] == "set"


def test_sources_that_differ_by_more_than_a_minute_are_not_believed_and_say_by_how_much():
    desk = desk_without_clock()
    answers = tell(
        desk, Judge(), (NETWORK, 0, 1), (NETWORK + 1, 61, 1), (NETWORK, 0, 1), (NETWORK + 1, 50, 1)
    )
    assert answers == [
        "waiting for a second source",
        "the sources differ by 61 s",
        "the sources differ by 61 s",
        "set",
    ]


def test_what_a_source_said_an_hour_ago_counts_no_more():
    desk = desk_without_clock()
    assert (
        tell(desk, Judge(), (NETWORK, 0, 1), (NETWORK + 1, 0, H + 1))[-1]
        == "waiting for a second source"
    )


@pytest.mark.parametrize("wrong", [-600, -3, 3, 600])
@pytest.mark.parametrize("source", [CHIP, NETWORK])
def test_a_correction_of_at_most_ten_minutes_needs_one_source(wrong, source):
    desk = Desk(setup(channel()))
    desk.pass_s(100)
    assert tell(desk, Judge(), (source, wrong, 1)) == ["set"]
    assert is_set(desk, wrong)


@pytest.mark.parametrize("wrong", [-601, 601, -DAY, 400 * DAY])
def test_a_correction_of_more_than_ten_minutes_needs_two_sources_or_the_user(wrong):
    for second in (NETWORK, USER):
        desk = Desk(setup(channel()))
        desk.pass_s(100)
        judge = Judge()
        assert tell(desk, judge, (CHIP, wrong, 1)) == ["waiting for a second source"]
        assert is_set(desk)
        assert tell(desk, judge, (second, wrong, 1)) == ["set"]
        assert is_set(desk, wrong)


def test_a_confirmed_correction_never_locks_dosing():
    """Even one by years, back and forth: the doses of the day after it come."""
    desk = Desk(setup(channel(raise_pct=0)))
    desk.days(1)
    for wrong in (700 * DAY, -2 * DAY, 0):
        desk.skew = wrong
        tell(desk, Judge(), (USER, wrong, 1))
        ran = len(desk.runs)
        desk.pass_s(DAY + 2 * H)
        assert len(desk.runs) - ran >= 24
    check_all(desk)


def test_a_phone_sets_an_unset_clock_and_no_other():
    desk = desk_without_clock()
    judge = Judge()
    assert tell(desk, judge, (PHONE, 100, 1)) == ["set"]
    assert desk.state.quality == 1
    assert tell(desk, judge, (PHONE, 0, 1)) == ["the clock is set; confirm to change it"]
    assert tell(desk, judge, (USER, 0, 1)) == ["set"]
    assert is_set(desk)


def test_after_a_phone_one_network_server_does_not_make_the_time_trusted():
    desk = desk_without_clock()
    judge = Judge()
    tell(desk, judge, (PHONE, 0, 1))
    assert tell(desk, judge, (NETWORK, 0, 1)) == ["waiting for a second source"]
    assert desk.state.quality == 1
    assert tell(desk, judge, (NETWORK + 1, 0, 1)) == ["set"]


@pytest.mark.parametrize(
    ("date", "believed"),
    [
        ((2025, 12, 31), False),
        ((2026, 1, 1), True),
        ((2099, 12, 31), True),
        ((2100, 1, 1), False),
        ((1970, 1, 1), False),
    ],
)
@pytest.mark.parametrize("source", [USER, PHONE, NETWORK])
def test_s19_a_time_before_2026_or_after_2099_is_believed_from_nobody(date, believed, source):
    desk = desk_without_clock()
    wall = days_of(*date) * DAY + 5
    answers = [Judge().hear(desk.engine, desk.now, wall, source)]
    assert (answers == ["outside 2026 to 2099"]) == (not believed)
    if not believed:
        assert desk.state.quality == 0


@pytest.mark.parametrize(
    ("carry_on_s", "waited", "wanted"),
    [(0, 10 * DAY, False), (2 * H, H, False), (2 * H, 2 * H, True)],
)
def test_the_estimate_carries_on_after_the_configured_wait(carry_on_s, waited, wanted):
    made = setup(channel(raise_pct=0))
    made.carry_on_s = carry_on_s
    desk = Desk(made)
    desk.pass_s(5 * H)
    desk.outage(600, clock=0)
    boot_s = desk.now
    desk.pass_s(waited)
    ran = len(desk.runs)
    assert clock.carry_on(desk.engine, desk.now, boot_s) is wanted
    assert desk.state.quality == wanted
    desk.pass_s(3 * H)
    assert (len(desk.runs) > ran) is wanted
    check_all(desk)


def test_a_board_that_never_knew_the_time_has_no_estimate_to_carry_on_with():
    made = setup(channel())
    made.carry_on_s = 60
    desk = Desk(made, clock=0)
    desk.pass_s(H)
    assert clock.carry_on(desk.engine, desk.now, 0) is False


def test_a_time_that_is_the_same_is_no_record():
    desk = Desk(setup(channel()))
    before = len(desk.journal.records)
    for wrong in (0, 1, -2, 2):
        desk.skew = wrong
        desk.clock()
    assert len(desk.journal.records) == before
    desk.skew = 3
    desk.clock()
    assert desk.journal.records[-1][2] == "T"


@settings(max_examples=50, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(60, 50000), st.integers(-40000, 40000), st.booleans()),
        min_size=1,
        max_size=8,
    )
)
def test_s20_whatever_the_clock_says_each_key_ends_once_and_the_day_has_no_burst(steps):
    """In any hour of power: one dose, and for each step in it a late one and one of the new
    time."""
    desk = Desk(setup(channel(raise_pct=0, cap_ul=60000)))
    jumps = []
    for then, skew, cut in steps:
        desk.pass_s(then)
        if cut:
            desk.outage(100)
        desk.skew = skew
        desk.clock()
        jumps.append(desk.powered)
    desk.pass_s(DAY)
    for run in desk.runs:
        hour = [r for r in desk.runs if run.start <= r.start < run.start + H]
        assert len(hour) <= 1 + 2 * sum(run.start <= at <= run.start + H for at in jumps)
    check_every_key(desk)
    check_all(desk)


def test_s20_a_date_that_comes_again_has_the_plan_that_a_start_would_find():
    """An override was in force when the clock was three days ahead, and is over since."""
    desk = Desk(setup(channel(raise_pct=0)))
    desk.pass_s(12 * H)
    override(desk.engine, desk.now, 0, -12000, 1)
    desk.pass_s(11 * H + 1800)
    desk.skew = 60
    desk.clock()
    desk.pass_s(7 * H)
    assert not desk.c().over
    desk.skew = -3 * DAY
    desk.clock()
    before = len(desk.doses())
    desk.days(4)
    assert {run.ul for run in desk.doses()[before:]} == {1000}
