"""What a person is told: reminders, days left, and that delivery is commanded, not verified."""

import pytest

from aliquot.core import acts, events, status
from aliquot.core.faults import TABLE
from aliquot.core.ledger import ALL
from drive import DAY, Desk, channel, setup

NEVER = {"calibration_days": 0, "calibration_ul": 0, "tubing_days": 0, "tubing_ul": 0}


def desk(remind=None, **own):
    made = Desk(setup(channel(**own)))
    made.data = {"channel": [{"remind": {**NEVER, **(remind or {})}}]}
    return made


def due(made):
    return [(what, why) for _, what, why in status.reminders(made.engine, made.data, made.now)]


@pytest.mark.parametrize(
    ("remind", "days", "expected"),
    [
        ({}, 9, []),
        ({"calibration_days": 5}, 4, []),
        ({"calibration_days": 5}, 5, [("calibration", "5 days ago")]),
        ({"calibration_ul": 48000}, 1, []),
        ({"calibration_ul": 48000}, 3, [("calibration", "72 mL moved since")]),
        (
            {"calibration_ul": 48000, "calibration_days": 1},
            3,
            [("calibration", "72 mL moved since")],
        ),
        ({"tubing_ul": 24000}, 2, [("tubing", "48 mL moved since")]),
    ],
)
def test_calibration_and_tubing_come_due_by_days_or_by_volume(remind, days, expected):
    made = desk(remind)
    made.until(made.wall + days * DAY)
    assert due(made) == expected


def test_a_calibration_and_new_tubing_begin_the_count_anew():
    made = desk({"calibration_days": 5, "tubing_ul": 24000})
    made.until(made.wall + 6 * DAY)
    assert [what for what, _ in due(made)] == ["calibration", "tubing"]
    acts.tubing(made.engine, made.now, 0)
    # Other tubing delivers otherwise: it asks for a calibration at once.
    assert [what for what, _ in due(made)] == ["calibration", "calibration"]
    made.until(made.wall + 60)
    acts.calibrate(made.engine, made.now, 0, 12800, 10100)
    assert due(made) == []


def test_days_never_count_while_the_clock_is_unset():
    made = desk({"calibration_days": 5})
    made.until(made.wall + 3 * DAY)
    made.outage(9 * DAY, clock=0)
    assert due(made) == []
    made.clock()
    assert due(made) == [("calibration", "12 days ago")]


@pytest.mark.parametrize(
    ("left_ul", "dead_ul", "days"), [(240000, 0, 10), (240000, 24000, 9), (23999, 0, 0), (0, 5, 0)]
)
def test_a_reservoir_lasts_for_what_the_coming_week_draws(left_ul, dead_ul, days):
    made = desk(size_ul=500000, dead_ul=dead_ul)
    acts.refill(made.engine, made.now, 0, left_ul)
    assert status.days_left(made.engine, 0, made.now) == days


def test_days_left_follow_an_override_and_are_unknown_without_a_count_or_a_clock():
    made = desk(size_ul=500000)
    assert status.days_left(made.engine, 0, made.now) == -1
    acts.refill(made.engine, made.now, 0, 240000)
    acts.override(made.engine, made.now, 0, -12000, 20)
    assert status.days_left(made.engine, 0, made.now) == 20
    made.outage(3600, clock=0)
    assert status.days_left(made.engine, 0, made.now) == -1


def test_s22_the_overview_says_that_delivery_is_commanded_and_not_verified():
    made = desk(size_ul=500000)
    made.until(made.wall + DAY)
    told = status.overview(made.engine, made.data, made.now)
    assert told["delivery"] == "commanded, not verified"
    first = told["channels"][0]
    assert first["commanded_ul"] == made.c().tot[1] == 24000
    assert first["room_ul"] == made.setup.channels[0].cap_ul - 24000
    assert first["blocked"] == 0
    acts.hold(made.engine, made.now, ALL)
    assert status.overview(made.engine, made.data, made.now)["channels"][0]["blocked"]


def test_a_question_changes_nothing():
    made = desk({"calibration_days": 1}, size_ul=500000)
    made.until(made.wall + 2 * DAY)
    before = made.state.seq, [dict(vars(c)) for c in made.state.channels]
    status.overview(made.engine, made.data, made.now)
    assert (made.state.seq, [dict(vars(c)) for c in made.state.channels]) == before


def test_every_fault_that_the_engine_raises_has_its_words():
    raised = {events.F_RESETS, events.F_WATCHDOG}
    assert raised <= set(TABLE)
    for name, scope, latched, alert, advice in TABLE.values():
        assert name
        assert scope in ("all", "channel")
        assert latched in (0, 1)
        assert [alert[-1], advice[-1]] == [".", "."]
