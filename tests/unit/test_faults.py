"""Faults: what they stop, what latches them, and the two acts that end them (S12, S13)."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aliquot.core import acts, events
from aliquot.core.events import F_RESETS, F_WATCHDOG
from aliquot.core.faults import TABLE
from aliquot.core.ledger import ALL, FAULT
from drive import DAY, Desk, channel, check_all, check_books, setup

H = 3600
MOTOR, JOURNAL = 3, 4


def desk_at(seconds=100):
    desk = Desk(setup(channel("a"), channel("b")))
    desk.pass_s(seconds)
    return desk


@pytest.mark.parametrize(("scope", "stopped"), [(0, {0}), (1, {1}), (ALL, {0, 1})])
def test_a_fault_holds_its_channel_or_all(scope, stopped):
    desk = desk_at()
    ran = len(desk.runs)
    events.fault(desk.engine, desk.now, scope, MOTOR, 0)
    desk.pass_s(3 * H)
    assert {run.channel for run in desk.runs[ran:]} == {0, 1} - stopped
    acts.clear(desk.engine, desk.now, scope)
    ran = len(desk.runs)
    desk.pass_s(H)
    assert {run.channel for run in desk.runs[ran:]} == {0, 1}
    check_all(desk)


def test_s12_a_latched_fault_is_left_only_by_two_acts():
    for scope in (0, ALL):
        desk = desk_at()
        ran = len(desk.doses(0))
        events.fault(desk.engine, desk.now, scope, MOTOR, 1)
        for _ in range(3):
            with pytest.raises(acts.Refused):
                acts.clear(desk.engine, desk.now, scope)
            desk.outage(H)
            desk.pass_s(H)
        assert len(desk.doses(0)) == ran
        acts.see(desk.engine, desk.now, scope)
        desk.pass_s(2 * H)
        assert len(desk.doses(0)) == ran
        acts.clear(desk.engine, desk.now, scope)
        desk.pass_s(2 * H)
        assert len(desk.doses(0)) > ran
        check_all(desk)


def test_s12_seeing_what_is_not_there_does_not_count_for_the_fault_that_comes():
    desk = desk_at()
    for _ in range(2):
        with pytest.raises(acts.Refused):
            acts.see(desk.engine, desk.now, 0)
    events.fault(desk.engine, desk.now, 0, MOTOR, 0)
    with pytest.raises(acts.Refused):
        acts.see(desk.engine, desk.now, 0)
    events.fault(desk.engine, desk.now, 0, MOTOR, 1)
    with pytest.raises(acts.Refused):
        acts.clear(desk.engine, desk.now, 0)


def test_s12_a_fault_that_comes_after_it_was_seen_must_be_seen_again():
    desk = desk_at()
    events.fault(desk.engine, desk.now, 0, MOTOR, 1)
    acts.see(desk.engine, desk.now, 0)
    desk.pass_s(DAY)
    events.fault(desk.engine, desk.now, 0, MOTOR, 1)
    with pytest.raises(acts.Refused):
        acts.clear(desk.engine, desk.now, 0)


@pytest.mark.parametrize(
    ("times", "latched"),
    [
        ((0, 300, 600), 1),
        ((0, 300, 601), 0),
        ((0, 550, 650, 700), 1),  # any ten minutes, not those since the first
        ((0, 500, 1000, 1500), 0),
        ((0, 590, 1180), 0),
        ((0, 0, 0), 1),
        ((0, 5000, 5100, 5200), 1),
    ],
)
@pytest.mark.parametrize("scope", [0, ALL])
def test_s13_the_same_fault_three_times_in_ten_minutes_latches(times, latched, scope):
    desk = desk_at()
    start = desk.now
    for at in times:
        desk.sleep(start + at - desk.now)
        events.fault(desk.engine, desk.now, scope, MOTOR, 0)
        target = desk.state if scope == ALL else desk.c()
        if not target.latched:
            acts.clear(desk.engine, desk.now, scope)
    assert target.latched == latched


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 400), st.integers(3, 6)), min_size=1, max_size=14))
def test_s13_three_of_a_kind_latch_whatever_comes_between_them(story):
    """And nothing latches with fewer than three of a kind, or five of any, in ten minutes."""
    desk = Desk(setup(channel()))
    came = []
    for later, code in story:
        desk.sleep(later)
        events.fault(desk.engine, desk.now, 0, code, 0)
        came.append((desk.now, code))
        recent = [c for at, c in came if desk.now - at <= 600]
        if recent.count(code) >= 3:
            assert desk.c().latched
        if desk.c().latched:
            assert recent.count(code) >= 3 or len(recent) >= 5
            return
        acts.clear(desk.engine, desk.now, 0)


def reset_in_the_next_runs(desk, n):
    for _ in range(n):
        desk.cut_s = 1
        desk.pass_s(H)
    desk.cut_s = -1


def test_three_doses_in_a_row_that_a_reset_ended_latch():
    desk = Desk(setup(channel()))
    reset_in_the_next_runs(desk, 2)
    assert desk.state.latched == 0
    reset_in_the_next_runs(desk, 1)
    assert (desk.state.fault, desk.state.latched) == (F_RESETS, 1)
    ran = len(desk.runs)
    desk.pass_s(5 * H)
    assert len(desk.runs) == ran
    acts.see(desk.engine, desk.now, ALL)
    acts.clear(desk.engine, desk.now, ALL)
    desk.outage(60)
    assert desk.state.latched == 0, "the same three latched again"
    desk.pass_s(2 * H)
    assert len(desk.runs) > ran
    check_books(desk.state)


def test_a_dose_that_ends_well_in_between_breaks_the_row():
    desk = Desk(setup(channel()))
    for _ in range(4):
        reset_in_the_next_runs(desk, 2)
        desk.pass_s(H)
    assert desk.state.latched == 0


@pytest.mark.parametrize(("apart_h", "latched"), [(1, 1), (11, 1), (13, 0)])
def test_three_watchdog_resets_in_24_hours_latch_and_each_cause_is_recorded(apart_h, latched):
    desk = Desk(setup(channel()))
    for _ in range(3):
        desk.pass_s(apart_h * H)
        desk.outage(10, cause=2)
    assert [f[0] for f in desk.journal.of("B")] == [2, 2, 2]
    assert desk.state.latched == latched
    assert desk.state.fault == (F_WATCHDOG if latched else 0)


def test_a_single_watchdog_reset_is_recorded_and_does_not_latch():
    desk = desk_at()
    desk.outage(10, cause=2)
    desk.pass_s(2 * H)
    assert (desk.state.fault, desk.state.latched) == (0, 0)
    assert len(desk.doses()) >= 2


def test_released_watchdog_resets_do_not_latch_again_at_the_next_start():
    desk = desk_at()
    for _ in range(3):
        desk.outage(10, cause=2)
    acts.see(desk.engine, desk.now, ALL)
    acts.clear(desk.engine, desk.now, ALL)
    desk.outage(10)
    desk.outage(10, cause=2)
    assert desk.state.latched == 0


def test_doses_in_a_fault_are_missed_for_that_reason():
    desk = desk_at()
    events.fault(desk.engine, desk.now, 0, MOTOR, 1)
    desk.pass_s(2 * H)
    desk.settle()
    assert {f[8] for f in desk.journal.of("M") if f[0] == 0} == {FAULT}


@pytest.mark.parametrize("code", TABLE)
def test_every_fault_of_the_table_says_what_it_is_and_what_to_do(code):
    name, scope, latched, alert, advice = TABLE[code]
    assert name.isidentifier()
    assert scope in ("channel", "all")
    assert latched in (0, 1)
    assert alert.endswith(".")
    assert advice.endswith(".")


def test_the_faults_that_the_engine_raises_stand_in_the_table_as_latched():
    for code in (F_RESETS, F_WATCHDOG):
        assert TABLE[code][1:3] == ("all", 1)
