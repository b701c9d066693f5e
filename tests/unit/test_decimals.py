"""Decimal texts, dates and times of day: exact both ways, and refused where they are not plain."""

import datetime
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aliquot.core import decimals


@pytest.mark.parametrize(
    ("text", "places", "value"),
    [
        ("36.5", 3, 36500),
        ("6.1", 3, 6100),
        ("0", 3, 0),
        ("0.001", 3, 1),
        ("10.020", 3, 10020),
        ("007", 3, 7000),
        ("1.35", 6, 1350000),
        ("12", 0, 12),
        ("999999999999.999", 3, 999999999999999),
    ],
)
def test_a_decimal_text_becomes_whole_units_of_its_last_place(text, places, value):
    assert decimals.micro(text, places) == value
    assert value == Fraction(text) * 10**places


@pytest.mark.parametrize(
    ("text", "places", "says"),
    [
        ("36.5001", 3, "at most 3 digits after the point"),
        ("36.5000", 3, "at most 3 digits after the point"),
        ("12.5", 0, "no digits after the point"),
        ("-1", 3, "without a sign"),
        ("+1", 3, "without a sign"),
        ("1e3", 3, "write digits"),
        ("1E3", 3, "write digits"),
        ("", 3, "write digits"),
        (".5", 3, "write digits"),
        ("5.", 3, "write digits"),
        (".", 3, "write digits"),
        ("1.2.3", 3, "write digits"),
        (" 1", 3, "write digits"),
        ("1 ", 3, "write digits"),
        ("1\n", 3, "write digits"),
        ("1 000", 3, "write digits"),
        ("1_000", 3, "write digits"),
        ("0x10", 3, "write digits"),
        ("nan", 3, "write digits"),
        ("inf", 3, "write digits"),
        ("٣", 3, "write digits"),
        ("1²", 3, "write digits"),
        ("36,5", 3, "a point, not a comma"),
        ("1234567890123", 3, "more than 12 digits"),
        ("9" * 5000, 3, "more than 12 digits"),
    ],
)
def test_a_decimal_text_that_is_not_plain_is_refused_and_told_why(text, places, says):
    with pytest.raises(ValueError, match=says) as refusal:
        decimals.micro(text, places)
    assert len(str(refusal.value)) < 100
    assert text[:24] in str(refusal.value)


@given(st.integers(-(10**15) + 1, 10**15 - 1), st.integers(0, 9))
def test_the_text_of_a_value_is_exact_and_the_shortest(value, places):
    text = decimals.text_of(value, places)
    assert Decimal(text) == Decimal(value).scaleb(-places)
    assert "." not in text or text[-1] != "0"


@given(st.integers(0, 10**12 - 1), st.integers(0, 9))
def test_a_value_comes_back_from_its_text(value, places):
    assert decimals.micro(decimals.text_of(value, places), places) == value


@given(st.decimals(0, 10**9, places=3))
def test_every_decimal_of_three_places_is_read_exactly(number):
    assert decimals.micro(f"{number:f}") == number * 1000


@given(st.text("0123456789+-., eE_", max_size=16))
def test_a_text_is_read_as_fractions_read_it_or_refused(text):
    try:
        value = decimals.micro(text)
    except ValueError:
        return
    assert value == Fraction(text) * 1000


def test_a_value_of_nothing_has_no_sign():
    assert decimals.text_of(0) == "0"
    assert decimals.text_of(-500) == "-0.5"
    assert decimals.text_of(36000) == "36"


@given(st.dates(datetime.date(2000, 1, 1), datetime.date(2399, 12, 31)))
def test_a_date_is_written_and_read_as_iso_8601(date):
    number = (date - datetime.date(2000, 1, 1)).days
    assert decimals.date_text(number) == date.isoformat()
    assert decimals.date_of_text(date.isoformat()) == number


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("2026-02-29", "day must be 01 to 28"),
        ("2028-02-30", "day must be 01 to 29"),
        ("2026-04-31", "day must be 01 to 30"),
        ("2026-12-32", "day must be 01 to 31"),
        ("2026-04-00", "day must be 01 to 30"),
        ("2026-13-01", "month must be 01 to 12"),
        ("2026-00-01", "month must be 01 to 12"),
        ("1999-12-31", "year must be 2000 to 2399"),
        ("2400-01-01", "year must be 2000 to 2399"),
        ("2026-3-29", "year-month-day"),
        ("26-03-29", "year-month-day"),
        ("20260329", "year-month-day"),
        ("2026-03-29T00:00", "year-month-day"),
        ("29.03.2026", "year-month-day"),
        ("-026-03-29", "year-month-day"),
        ("2026-03-2٩", "year-month-day"),
        ("", "year-month-day"),
        ("9" * 5000, "year-month-day"),
    ],
)
def test_a_date_that_is_not_plain_or_does_not_exist_is_refused(text, says):
    with pytest.raises(ValueError, match=says) as refusal:
        decimals.date_of_text(text)
    assert len(str(refusal.value)) < 100


@pytest.mark.parametrize(
    ("text", "second"),
    [("00:00", 0), ("00:10", 600), ("08:30", 30600), ("23:59:59", 86399), ("12:00:01", 43201)],
)
def test_a_time_of_day_is_seconds_after_midnight(text, second):
    assert decimals.time_of_text(text) == second


def test_the_end_of_the_day_is_24_00_where_that_is_allowed():
    assert decimals.time_of_text("24:00", 86400) == 86400
    assert decimals.time_of_text("24:00:00", 86400) == 86400
    with pytest.raises(ValueError, match="24:00 at the latest"):
        decimals.time_of_text("24:00:01", 86400)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("24:00", "23:59:59 at the latest"),
        ("25:00", "23:59:59 at the latest"),
        ("12:60", "minutes and seconds must be 00 to 59"),
        ("12:00:60", "minutes and seconds must be 00 to 59"),
        ("8:30", "hours:minutes"),
        ("08.30", "hours:minutes"),
        ("0830", "hours:minutes"),
        ("08:30 ", "hours:minutes"),
        ("-8:30", "hours:minutes"),
        ("08:30:00.5", "hours:minutes"),
        ("08:30:00:00", "hours:minutes"),
        ("08:3٠", "hours:minutes"),
        ("", "hours:minutes"),
        (":", "hours:minutes"),
        ("1" * 5000, "hours:minutes"),
    ],
)
def test_a_time_of_day_that_is_not_plain_is_refused(text, says):
    with pytest.raises(ValueError, match=says) as refusal:
        decimals.time_of_text(text)
    assert len(str(refusal.value)) < 100


@given(st.integers(0, 86399))
def test_a_time_of_day_comes_back_from_its_text(second):
    text = decimals.time_text(second)
    assert decimals.time_of_text(text) == second
    assert (
        datetime.time.fromisoformat(text)
        == (datetime.datetime.min + datetime.timedelta(seconds=second)).time()
    )


def test_a_time_past_midnight_keeps_counting_hours():
    assert decimals.time_text(90000) == "25:00"
    with pytest.raises(ValueError, match="cannot be negative"):
        decimals.time_text(-1)


@given(st.integers(-(10**9), 12 * 10**9), st.integers(-1439, 1439))
def test_a_stamp_is_the_instant_that_datetime_reads(wall_s, east_min):
    stamp = decimals.stamp_text(wall_s, east_min * 60)
    epoch = datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC)
    read = datetime.datetime.fromisoformat(stamp)
    assert read == epoch + datetime.timedelta(seconds=wall_s)
    assert read.utcoffset() == datetime.timedelta(minutes=east_min)
    assert stamp.endswith("Z") == (east_min == 0)
