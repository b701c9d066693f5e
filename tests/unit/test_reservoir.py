"""The reservoir: what remains, low said once a fill, and empty refuses (S21)."""

import pytest
from hypothesis import HealthCheck, given, note, settings
from hypothesis import strategies as st

from aliquot.core import acts
from aliquot.core.ledger import CUP, EMPTY, FAULT
from aliquot.core.status import left_ul
from drive import DAY, START, Desk, channel, check_all, check_books, setup
from scenes import STORIES, play, setups, told

H = 3600


def tank(left=10000, **own):
    return Desk(
        setup(
            channel(**({"left_ul": left, "size_ul": 10**6, "low_ul": 4000, "raise_pct": 0} | own))
        )
    )


def test_s21_what_remains_is_the_last_fill_less_all_that_was_taken():
    desk = tank()
    desk.pass_s(3 * H)
    assert left_ul(desk.engine, 0) == 7000
    acts.extra(desk.engine, desk.now, 0, 500, planned=True)
    desk.pass_s(60)
    acts.cup_run(desk.engine, desk.now, 0, 1280)
    desk.pass_s(60)
    assert left_ul(desk.engine, 0) == 5500
    desk.give = (-640, FAULT)
    acts.release(desk.engine, desk.now, 0, 1)
    desk.pass_s(H)
    assert left_ul(desk.engine, 0) == 5000
    acts.refill(desk.engine, desk.now, 0, 900000)
    assert left_ul(desk.engine, 0) == 900000
    check_all(desk)


def test_s21_low_is_said_once_a_fill():
    desk = tank()
    desk.pass_s(6 * H)
    assert [desk.c().fill_ul - desk.c().taken_ul, len(desk.journal.of("W"))] == [4000, 1]
    desk.pass_s(3 * H)
    desk.outage(600)
    desk.pass_s(H)
    assert len(desk.journal.of("W")) == 1
    acts.refill(desk.engine, desk.now, 0, 5500)
    assert desk.c().low == 0
    desk.pass_s(3 * H)
    assert len(desk.journal.of("W")) == 2


def test_s21_a_refill_to_less_than_a_dose_is_said_to_be_low_once_before_it_refuses():
    """And so is what a cut kept back between an outcome and that word."""
    desk = tank()
    desk.pass_s(H + 60)
    acts.refill(desk.engine, desk.now, 0, 500)
    desk.days(1)
    assert len(desk.journal.of("W")) == 1
    assert {f[8] for f in desk.journal.of("R")} == {EMPTY}
    assert len(desk.runs) == 1


def test_s21_a_dose_that_exceeds_what_remains_is_refused_whole():
    desk = tank(left=3500)
    desk.pass_s(8 * H)
    desk.settle()
    assert [run.ul for run in desk.doses()] == [1000] * 3
    assert {f[8] for f in desk.journal.of("R")} == {EMPTY}
    assert sum(f[3] for f in desk.journal.of("R")) == 4
    assert desk.c().owed == []
    check_all(desk)


def test_a_refill_in_time_lets_the_waiting_dose_run():
    desk = tank(left=3500)
    desk.until(START + 4 * H + 900)
    acts.refill(desk.engine, desk.now, 0, 50000)
    desk.pass_s(60)
    run = desk.doses()[-1]
    assert (run.due_w, run.wall) == (START + 4 * H, START + 4 * H + 900)


@pytest.mark.parametrize("dead_ul", [0, 700, 3000])
def test_what_cannot_be_drawn_stays_in(dead_ul):
    desk = tank(left=5000, dead_ul=dead_ul)
    desk.pass_s(DAY)
    assert desk.c().fill_ul - desk.c().taken_ul == dead_ul + (5000 - dead_ul) % 1000
    assert left_ul(desk.engine, 0) == (5000 - dead_ul) % 1000


def test_an_extra_and_a_cup_that_exceed_what_remains_are_refused():
    desk = tank(left=1500)
    desk.pass_s(100)
    for act in (
        lambda: acts.extra(desk.engine, desk.now, 0, 1501, planned=True),
        lambda: acts.cup_run(desk.engine, desk.now, 0, 12800),
        lambda: acts.extra(desk.engine, desk.now, 0, 1600, into=CUP),
    ):
        with pytest.raises(acts.Refused) as refused:
            act()
        assert refused.value.args[2:] == (1500, "refill the reservoir")


def test_a_reservoir_nobody_keeps_count_of_is_never_low_nor_empty():
    desk = Desk(setup(channel(low_ul=10**6)))
    desk.days(2)
    assert left_ul(desk.engine, 0) == -1
    assert desk.journal.of("W") == []
    assert len(desk.doses()) == 48


def test_s15_a_run_that_power_cut_is_taken_from_the_reservoir_in_full():
    desk = tank()
    desk.cut_s = 0
    desk.pass_s(H + 60)
    assert left_ul(desk.engine, 0) == 9000
    check_books(desk.state)


def test_a_calibration_that_finds_more_a_count_finds_more_taken():
    desk = tank()
    desk.pass_s(5 * H)
    acts.calibrate(desk.engine, desk.now, 0, 12800, 11000)
    assert left_ul(desk.engine, 0) == 10000 - 5500
    acts.calibrate(desk.engine, desk.now, 0, 12800, 5000)
    assert left_ul(desk.engine, 0) == 10000 - 5500


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(setups(), STORIES, st.integers(500, 30000))
def test_s21_whatever_happens_no_more_is_taken_than_is_in(made, story, left):
    """By the truth of the motors, but for what a driver overran or a new calibration
    re-counted."""
    note(told(made))
    for c in made.channels:
        c.left_ul = left
    desk = Desk(made)
    fills = [left] * len(made.channels)
    for happening, then in story:
        if happening[0] in ("calibrate", "give"):
            continue
        play(desk, happening)
        desk.pass_s(then)
    for ch, c in enumerate(desk.state.channels):
        fills[ch] += sum(f[1] for f in desk.journal.of("F") if f[0] == ch)
        taken = sum(run.true_ul for run in desk.runs if run.channel == ch)
        assert (
            taken <= fills[ch] + len(desk.runs) * 16
        )  # rounding to a count of at most 16 microlitres
        assert c.fill_ul < 0 or c.taken_ul <= c.fill_ul + 1
    check_all(desk)
