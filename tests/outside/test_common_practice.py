"""Facts of the trade as check values. They have no published source: common practice.

- a small peristaltic pump gives about 25 mL a minute;
- a container is called low at 10 %;
- 24 doses a day are a usual most;
- a daily volume raised or lowered for some days changes every dose in proportion and then returns.
"""

import datetime
from fractions import Fraction

import pytest

from aliquot.core import acts
from aliquot.core.amounts import run_s, to_counts
from aliquot_host import setup_file
from drive import START_DATE, Desk, channel, setup

# What a keeper writes: eight lines.
FILE = """
timezone = "Europe/Berlin"
[[channel]]
id = "alk"
daily_ml = 36
cap_ml = 55
dose_most_ml = 4
calibration = { counts = 12800, ml = 10 }
reservoir = { size_ml = 360, left_ml = 360 }
"""


def read():
    """The set-up that a board makes of the file, defaults filled in."""
    return setup_file.load(FILE.encode(), today=datetime.date(2026, 6, 1)).setup


def test_a_small_pump_of_about_25_ml_a_minute_gives_a_dose_in_a_few_seconds():
    """12,800 counts for 10 mL at 500 counts a second are 23.4 mL a minute; a day's 36 mL in 24
    doses take the pump less than two minutes of the day."""
    c = channel(daily_ul=36000)
    counts, ul, _ = c.cal
    per_minute_ml = Fraction(60 * c.speed_cps * ul, counts * 1000)
    assert abs(per_minute_ml - 25) <= 3
    dose = run_s(to_counts(1500, counts, ul, 0), c.speed_cps)
    assert 3 <= dose <= 5
    desk = Desk(setup(c))
    desk.days(1)
    assert sum(run.end - run.start for run in desk.runs) <= 120


def test_24_doses_a_day_are_the_default_and_are_given_an_hour_apart():
    made = read()
    assert made.channels[0].doses == 24
    desk = Desk(made)
    desk.days(2)
    assert len([run for run in desk.doses() if run.key[2] == START_DATE + 1]) == 24
    assert {b.due_w - a.due_w for a, b in zip(desk.runs, desk.runs[1:], strict=False)} == {3600}


def test_a_container_is_called_low_at_10_percent():
    """By default, of a 360 mL bottle at 36 mL a day: with the dose that leaves 36 mL, and once."""
    made = read()
    assert made.channels[0].low_ul == 36000
    desk = Desk(made)
    desk.days(8)
    assert desk.journal.of("W") == []
    desk.days(2)
    assert len(desk.journal.of("W")) == 1
    at = next(i for i, record in enumerate(desk.journal.records) if record[2] == "W")
    given_ul = sum(f[3] for _, _, kind, f, _ in desk.journal.records[:at] if kind == "I")
    assert given_ul == 360000 - 36000


@pytest.mark.parametrize("pct", [-50, -20, 10, 25])
@pytest.mark.parametrize("days", [1, 2, 5])
def test_a_volume_raised_or_lowered_for_some_days_changes_every_dose_in_proportion_and_returns(
    pct, days
):
    desk = Desk(setup(channel(cap_ul=60000, daily_ul=24000)))
    desk.pass_s(60)
    acts.override(desk.engine, desk.now, 0, 24000 * pct // 100, days)
    desk.days(days + 2)
    for run in desk.doses():
        changed = run.key[2] < START_DATE + days
        assert run.ul == (1000 * (100 + pct) // 100 if changed else 1000)
    last = [run for run in desk.doses() if run.key[2] == START_DATE + days]
    assert sum(run.ul for run in last) == 24000
