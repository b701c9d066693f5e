"""Dates of the proleptic Gregorian calendar, against datetime."""

import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aliquot.core.dates import days_of, weekday, ymd

DAY_0 = datetime.date(2000, 1, 1)
FIRST = (datetime.date(1900, 1, 1) - DAY_0).days
LAST = (datetime.date(2399, 12, 31) - DAY_0).days


@pytest.mark.parametrize(
    ("date", "calendar", "day_of_week"),
    [
        (0, (2000, 1, 1), 5),
        (-1, (1999, 12, 31), 4),
        (59, (2000, 2, 29), 1),
        (9584, (2026, 3, 29), 6),
        (36583, (2100, 2, 28), 6),
        (36584, (2100, 3, 1), 0),
        (FIRST, (1900, 1, 1), 0),
        (LAST, (2399, 12, 31), 4),
    ],
)
def test_a_date_has_its_calendar_day_and_weekday(date, calendar, day_of_week):
    assert ymd(date) == calendar
    assert days_of(*calendar) == date
    assert weekday(date) == day_of_week


def test_every_date_from_1900_to_2399_is_that_of_datetime():
    wrong = []
    for date in range(FIRST, LAST + 1):
        real = DAY_0 + datetime.timedelta(date)
        calendar = (real.year, real.month, real.day)
        if (ymd(date), days_of(*calendar), weekday(date)) != (calendar, date, real.weekday()):
            wrong.append(date)
    assert wrong == []


def test_month_thirteen_and_day_zero_lead_into_the_neighbours():
    for year in range(1900, 2400):
        assert days_of(year, 13, 1) == days_of(year + 1, 1, 1)
        for month in range(1, 13):
            assert days_of(year, month, 0) == days_of(year, month, 1) - 1


@given(st.integers(-(10**7), 10**7), st.integers(0, 400))
def test_the_calendar_repeats_after_400_years_of_whole_weeks(date, cycles):
    # 400 Gregorian years are 146097 days, which is 20871 weeks.
    later = date + cycles * 146097
    year, month, day = ymd(date)
    assert ymd(later) == (year + 400 * cycles, month, day)
    assert weekday(later) == weekday(date)
