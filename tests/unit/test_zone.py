"""POSIX rules and local time: tables of cases, and the laws that hold for every rule.

Day lengths and strings: the reference values of the project, recomputed with zoneinfo (see
tests/outside). What a rule means: IEEE Std 1003.1-2024, 8.3, and RFC 9636, section 3.3.1.
"""

import datetime

import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from aliquot.core.decimals import date_of_text
from aliquot.core.zone import Zone
from aliquot.core.zone_text import parse, read

H = 3600
BERLIN = "CET-1CEST,M3.5.0,M10.5.0/3"
NEW_YORK = "EST5EDT,M3.2.0,M11.1.0"
LORD_HOWE = "<+1030>-10:30<+11>-11,M10.1.0,M4.1.0"
AUCKLAND = "NZST-12NZDT,M9.5.0,M4.1.0/3"
DUBLIN = "IST-1GMT0,M10.5.0,M3.5.0/1"
JERUSALEM = "IST-2IDT,M3.4.4/26,M10.5.0"


def utc(text):
    """Seconds since 2000 of a UTC time as ISO 8601."""
    moment = datetime.datetime.fromisoformat(text) - datetime.datetime(2000, 1, 1)
    return moment // datetime.timedelta(seconds=1)


@pytest.mark.parametrize(
    ("text", "names", "rule"),
    [
        ("UTC0", ("UTC",), (0,)),
        ("IST-5:30", ("IST",), (5 * H + 1800,)),
        ("<-03>3", ("-03",), (-3 * H,)),
        ("LMT+0:53:28", ("LMT",), (-3208,)),
        ("AAA-24", ("AAA",), (24 * H,)),
        ("AAA24:59:59", ("AAA",), (-89999,)),
        (BERLIN, ("CET", "CEST"), (H, 2 * H, 3, 5, 6, 2 * H, 10, 5, 6, 3 * H)),
        (NEW_YORK, ("EST", "EDT"), (-5 * H, -4 * H, 3, 2, 6, 2 * H, 11, 1, 6, 2 * H)),
        (LORD_HOWE, ("+1030", "+11"), (37800, 39600, 10, 1, 6, 7200, 4, 1, 6, 7200)),
        (DUBLIN, ("IST", "GMT"), (H, 0, 10, 5, 6, 2 * H, 3, 5, 6, H)),
        (JERUSALEM, ("IST", "IDT"), (2 * H, 3 * H, 3, 4, 3, 26 * H, 10, 5, 6, 2 * H)),
        ("AAA3BBB,M3.5.0/-2,M10.5.6/-1:30", ("AAA", "BBB"),
         (-3 * H, -2 * H, 3, 5, 6, -2 * H, 10, 5, 5, -5400)),
        ("AAA0BBB,J1/0,J365/+23", ("AAA", "BBB"), (0, H, -1, 0, 0, 0, -1, 0, 364, 23 * H)),
        ("AAA0BBB,60,300/167", ("AAA", "BBB"), (0, H, 0, 0, 60, 7200, 0, 0, 300, 167 * H)),
    ],
)  # fmt: skip
def test_a_posix_string_becomes_its_rule(text, names, rule):
    assert read(text) == (names, rule)
    assert parse(text) == rule


@pytest.mark.parametrize(
    ("text", "offset_s"),
    [
        ("EST5EDT,0/0,J365/25", -4 * H),  # RFC 9636, section 3.3.1
        ("XXX3EDT4,0/0,J365/23", -4 * H),  # the same place with negative saving, same section
        ("XXX4EDT5,0/0,J365/25", -5 * H),
        ("AAA0BBB,J60/2,J60/3", H),  # ends at the very instant at which it starts
        ("AAA5BBB5,M3.1.0,M10.1.0", -5 * H),  # a summer time that moves no clock
    ],
)
def test_a_rule_that_never_changes_the_clock_is_one_offset(text, offset_s):
    zone = Zone(parse(text))
    assert zone.rule == (offset_s,)
    for date in range(date_of_text("2026-12-25"), date_of_text("2027-01-10")):
        assert zone.day_start(date) == date * 86400 - offset_s
        assert zone.ordinary(date)


@pytest.mark.parametrize(
    ("text", "at", "says"),
    [
        ("", 1, "name of standard time needs at least three letters"),
        ("C1", 1, "name of standard time needs at least three letters"),
        ("ÄÖÜ-1", 1, "name of standard time needs at least three letters"),
        (" CET-1", 1, "name of standard time needs at least three letters"),
        ("<+1>-1", 1, "name of standard time needs at least three letters"),
        ("<+01-1", 7, "needs >"),
        ("<+0 1>-1", 4, "needs >"),
        (":Europe/Berlin", 1, "differs from system to system"),
        ("CET", 4, "offset from UTC is missing"),
        ("Europe/Berlin", 7, "offset from UTC, the hours, must be a number"),
        ("CET-", 5, "offset from UTC, the hours, must be a number"),
        ("CET--1", 5, "offset from UTC, the hours, must be a number"),
        ("CET-25", 5, "offset from UTC, the hours, must be 0 to 24"),
        ("CET-0001", 5, "offset from UTC, the hours, must be 0 to 24"),
        ("CET-1:60", 7, "offset from UTC, the minutes, must be 0 to 59"),
        ("CET-1:7", 7, "offset from UTC, the minutes, must have two digits"),
        ("CET-1:00:60", 10, "offset from UTC, the seconds, must be 0 to 59"),
        ("CET-1:", 7, "offset from UTC, the minutes, must be a number"),
        ("CET-²", 5, "offset from UTC, the hours, must be a number"),
        ("CET-1 ", 6, "name of summer time needs at least three letters"),
        ("CET-1CEST", 10, "dates when summer time starts and ends are missing"),
        ("CET-1CEST-2", 12, "dates when summer time starts and ends are missing"),
        ("CET-1CEST-25,M3.5.0,M10.5.0", 11, "offset of summer time, the hours, must be 0 to 24"),
        ("CET-1CEST,M3.5.0", 17, "end of summer time must follow"),
        ("CET-1CEST,M13.5.0,M10.5.0", 12, "start of summer time, the month, must be 1 to 12"),
        ("CET-1CEST,M0.5.0,M10.5.0", 12, "start of summer time, the month, must be 1 to 12"),
        ("CET-1CEST,M3.6.0,M10.5.0", 14, "start of summer time, the week, must be 1 to 5"),
        ("CET-1CEST,M3.0.0,M10.5.0", 14, "start of summer time, the week, must be 1 to 5"),
        ("CET-1CEST,M3.5.7,M10.5.0", 16, "start of summer time, the weekday, must be 0 to 6"),
        ("CET-1CEST,M3.5,M10.5.0", 15, "start of summer time must be written Mm.w.d"),
        ("CET-1CEST,J0,J300", 12, "start of summer time, the day of the year, must be 1 to 365"),
        ("CET-1CEST,J60,J366", 16, "end of summer time, the day of the year, must be 1 to 365"),
        ("CET-1CEST,60,366", 14, "must be 0 to 365"),
        ("CET-1CEST,X,Y", 11, "must be a number"),
        ("CET-1CEST,M3.5.0/168,M10.5.0", 18, "start of summer time, the hours, must be 0 to 167"),
        ("CET-1CEST,M3.5.0,M10.5.0/-168", 27, "end of summer time, the hours, must be 0 to 167"),
        ("CET-1CEST,M3.5.0,M10.5.0/", 26, "end of summer time, the hours, must be a number"),
        ("CET-1CEST,M3.5.0,M10.5.0,M1.1.1", 25, "nothing may follow"),
        ("CET-1CEST,M3.5.0,M10.5.0/3\n", 27, "nothing may follow"),
    ],
)  # fmt: skip
def test_a_wrong_posix_string_is_refused_with_the_place_and_the_reason(text, at, says):
    with pytest.raises(ValueError, match=says) as refusal:
        parse(text)
    assert str(refusal.value).startswith(f"character {at}")


def test_a_huge_posix_string_is_refused_unread():
    with pytest.raises(ValueError, match="longer than 80 characters"):
        parse("CET-1CEST," + "9" * 10**6)


@pytest.mark.parametrize(
    ("text", "date", "hours"),
    [
        (BERLIN, "2026-03-29", 23),
        (BERLIN, "2026-10-25", 25),
        (BERLIN, "2026-06-01", 24),
        (LORD_HOWE, "2026-04-05", 24.5),
        (LORD_HOWE, "2026-10-04", 23.5),
        (AUCKLAND, "2026-04-05", 25),
        (AUCKLAND, "2026-09-27", 23),
        (DUBLIN, "2026-03-29", 23),
        (DUBLIN, "2026-10-25", 25),
        (JERUSALEM, "2026-03-27", 23),
        (JERUSALEM, "2026-10-25", 25),
        ("IST-5:30", "2026-03-29", 24),
    ],
)
def test_a_local_day_has_its_real_length(text, date, hours):
    zone = Zone(parse(text))
    day = date_of_text(date)
    assert zone.day_length(day) == hours * H
    assert zone.day_start(day + 1) - zone.day_start(day) == hours * H
    assert zone.ordinary(day) == (hours == 24)
    assert zone.ordinary(day - 1)
    assert zone.ordinary(day + 1)


@pytest.mark.parametrize(
    ("text", "date", "clock_s", "instant"),
    [
        # Berlin: 02:00 to 03:00 does not exist on 29 March and comes twice on 25 October.
        (BERLIN, "2026-03-29", 2 * H - 1, "2026-03-29T00:59:59"),
        (BERLIN, "2026-03-29", 2 * H, "2026-03-29T01:00"),
        (BERLIN, "2026-03-29", 2 * H + 1800, "2026-03-29T01:00"),
        (BERLIN, "2026-03-29", 3 * H, "2026-03-29T01:00"),
        (BERLIN, "2026-03-29", 3 * H + 60, "2026-03-29T01:01"),
        (BERLIN, "2026-10-25", 2 * H, "2026-10-25T00:00"),
        (BERLIN, "2026-10-25", 2 * H + 1800, "2026-10-25T00:30"),
        (BERLIN, "2026-10-25", 3 * H, "2026-10-25T02:00"),
        (BERLIN, "2026-10-24", 26 * H + 1800, "2026-10-25T00:30"),
        # Lord Howe: half an hour, in the southern spring and autumn.
        (LORD_HOWE, "2026-10-04", 2 * H + 600, "2026-10-03T15:30"),
        (LORD_HOWE, "2026-04-05", H + 1800, "2026-04-04T14:30"),
        (LORD_HOWE, "2026-04-05", 2 * H, "2026-04-04T15:30"),
        # Azores: midnight does not exist on 29 March, and comes twice on 25 October.
        ("<-01>1<+00>,M3.5.0/0,M10.5.0/1", "2026-03-29", 0, "2026-03-29T01:00"),
        ("<-01>1<+00>,M3.5.0/0,M10.5.0/1", "2026-10-25", 0, "2026-10-25T00:00"),
        # Beirut: the clock goes back at midnight, to an hour of the date before.
        ("EET-2EEST,M3.5.0/0,M10.5.0/0", "2026-10-24", 23 * H, "2026-10-24T20:00"),
        ("EET-2EEST,M3.5.0/0,M10.5.0/0", "2026-10-25", 0, "2026-10-24T22:00"),
        # From 00:30 back to 23:30 of the date before: the new date has begun, once for all.
        ("AAA0BBB,M3.5.0,M10.5.0/0:30", "2026-10-25", 0, "2026-10-24T23:00"),
    ],
)
def test_a_local_time_is_its_first_instant_or_the_end_of_its_gap(text, date, clock_s, instant):
    assert Zone(parse(text)).wall(date_of_text(date), clock_s) == utc(instant)


def test_a_date_that_has_begun_does_not_end_where_the_clock_goes_back_over_midnight():
    zone = Zone(parse("AAA0BBB,M3.5.0,M10.5.0/0:30"))
    date = date_of_text("2026-10-25")
    back = utc("2026-10-24T23:30")
    assert (back - 1 + zone.offset(back - 1)) // 86400 == date
    assert (back + zone.offset(back)) // 86400 == date - 1  # what the clock shows for half an hour
    assert [zone.date_of(back + s) for s in (-1801, -1800, -1, 0, 1799, 1800)] == [
        date - 1, date, date, date, date, date,
    ]  # fmt: skip
    assert zone.day_length(date - 1) == 24 * H
    assert zone.day_length(date) == 25 * H


@pytest.mark.parametrize(
    ("text", "instants"),
    [
        # -167 h from Sunday 29 March 00:00 is Sunday 22 March 01:00; +167 h from Sunday 25
        # October 00:00 is Saturday 31 October 23:00 of summer time.
        ("AAA0BBB,M3.5.0/-167,M10.5.0/167", ["2026-03-22T01:00", "2026-10-31T22:00"]),
        # Over New Year: 167 h after 31 December is 6 January 23:00.
        ("AAA0BBB,J365/167,J60", ["2026-01-06T23:00", "2026-03-01T01:00"]),
        # The start of the next year's rule already lies in this year.
        ("AAA0BBB,J1/-167,J60", ["2026-03-01T01:00", "2026-12-25T01:00"]),
        # At midnight of New Year, in and out.
        ("AAA0BBB,0/0,J182/0", ["2026-01-01T00:00", "2026-06-30T23:00"]),
        ("AAA0BBB,J182/0,J365/25", ["2026-01-01T00:00", "2026-07-01T00:00"]),
        # One hour of standard time a year: the end comes an hour before the start.
        ("AAA0BBB,J100/2,J100/2", ["2026-04-10T01:00", "2026-04-10T02:00"]),
        # Day 365 counted from 0 is 31 December in leap years only, else the next New Year.
        ("AAA0BBB,365/0,J60/2", ["2026-01-01T00:00", "2026-03-01T01:00"]),
    ],
)
def test_a_rule_changes_the_clock_at_the_right_instants_of_2026(text, instants):
    zone = Zone(parse(text))
    first, last = utc("2026-01-01T00:00"), utc("2027-01-01T00:00")
    seen = [t for t in range(first, last, 60) if zone.offset(t) != zone.offset(t - 60)]
    assert seen == [utc(i) for i in instants]
    for change in seen:
        assert zone.offset(change) != zone.offset(change - 1)


def test_the_29_february_moves_day_numbers_but_not_j_numbers():
    # IEEE 1003.1: Jn never counts 29 February, n counts it. J60 is 1 March; 59 is the 60th day.
    by_j = Zone(parse("AAA0BBB,J60/0,J300/0"))
    by_n = Zone(parse("AAA0BBB,59/0,299/0"))
    before = Zone(parse("AAA0BBB,J59/0,J300/0"))
    for year, of_n in ((2027, "2027-03-01"), (2028, "2028-02-29"), (2100, "2100-03-01")):
        for zone, start in ((by_j, f"{year}-03-01"), (by_n, of_n)):
            first = utc(start + "T00:00")
            assert (zone.offset(first - 1), zone.offset(first)) == (0, H)
        first = utc(f"{year}-02-28T00:00")
        assert (before.offset(first - 1), before.offset(first)) == (0, H)


def test_the_clock_is_right_before_2000_and_beyond_the_small_integers_of_a_board():
    zone = Zone(parse(NEW_YORK))
    # 2^30 s after 2000 is 2034-01-09T13:37:04Z; negative times are before 2000.
    assert zone.wall(date_of_text("2034-01-09"), 8 * H + 37 * 60 + 4) == 1 << 30
    assert zone.date_of(1 << 30) == date_of_text("2034-01-09")
    assert zone.offset(utc("1999-12-31T23:59:59")) == -5 * H
    assert zone.date_of(-1) == -1
    assert zone.date_of(0) == -1
    assert zone.date_of(5 * H) == 0
    assert zone.day_start(date_of_text("2399-07-01")) == utc("2399-07-01T04:00")


def test_the_date_before_a_gap_that_ends_at_midnight_is_short_and_not_ordinary():
    zone = Zone(parse("AAA0BBB,M3.5.0/-1,M10.5.0"))
    date = date_of_text("2026-03-28")
    assert [zone.day_length(d) // H for d in (date - 1, date, date + 1)] == [24, 23, 24]
    # The change is the first instant of the date after it, which has its 24 hours none the less.
    assert [zone.ordinary(date + n) for n in (-1, 0, 1, 2)] == [True, False, False, True]


def test_a_gap_that_begins_at_midnight_leaves_the_date_before_it_ordinary():
    zone = Zone(parse("<-01>1<+00>,M3.5.0/0,M10.5.0/1"))
    date = date_of_text("2026-03-29")
    assert [zone.day_length(date + n) // H for n in (-1, 0, 1)] == [24, 23, 24]
    assert [zone.ordinary(date + n) for n in (-1, 0, 1)] == [True, False, True]


@pytest.mark.parametrize(
    ("text", "last_days"),
    [
        # Day 364 counted from 0 is 30 December in leap years alone, and 2100 is none.
        ("AAA0BBB,0/0,364/25", ["2004-12-31", "2008-12-31", "2012-12-31"]),
        ("AAA0BBB,0/0,364/25", ["2096-12-31", "2104-12-31"]),
        # Six days after the last Sunday of December is a day of that year only after the 25th.
        ("AAA0BBB,J1/0,M12.5.0/145", ["2005-12-31", "2011-12-31", "2016-12-31", "2022-12-31"]),
    ],
)
def test_standard_time_that_comes_one_day_in_many_years_is_kept(text, last_days):
    zone = Zone(parse(text))
    for at, day in enumerate(last_days):
        first = utc(day + "T00:00")
        assert [zone.offset(first + n) for n in (-1, 0, 86399, 86400)] == [H, 0, 0, H]
        if at:
            between = range(date_of_text(last_days[at - 1]) + 2, date_of_text(day) - 1)
            assert [d for d in between if not zone.ordinary(d)] == []


def test_an_extreme_rule_may_leave_a_date_without_a_second_but_in_its_place():
    # Two days forward at once: nobody lives there, and nothing may break.
    zone = Zone(parse("AAA24BBB-24,M3.1.0/0,M10.1.0/0"))
    day = date_of_text("2026-03-01")
    lengths = [zone.day_length(date) for date in range(day - 2, day + 4)]
    assert lengths == [86400, 86400, 0, 0, 86400, 86400]
    assert zone.date_of(zone.day_start(day)) == day + 2


def offset_texts(seconds):
    sign = "-" if seconds < 0 else ""
    seconds = abs(seconds)
    return f"{sign}{seconds // 3600}:{seconds // 60 % 60:02}:{seconds % 60:02}"


@st.composite
def rules(draw):
    """POSIX strings of every form, extremes among them."""
    quarter = st.integers(-99, 99).map(lambda n: n * 900)
    east = st.one_of(quarter, st.integers(-89999, 89999))
    standard = draw(east)
    change = st.sampled_from([-7200, -3600, -1200, 1800, 3600, 7200])
    summer = draw(st.one_of(change.map(lambda c: standard + c), east))
    assume(abs(summer) < 90000)
    date = st.one_of(
        st.builds("M{}.{}.{}".format, st.integers(1, 12), st.integers(1, 5), st.integers(0, 6)),
        st.builds("J{}".format, st.integers(1, 365)),
        st.integers(0, 365).map(str),
    )
    time = st.one_of(st.integers(-604799, 604799), st.integers(0, 24).map(lambda n: n * 3600))
    text = f"<AAA>{offset_texts(-standard)}<BBB>{offset_texts(-summer)}"
    for _ in range(2):
        text += f",{draw(date)}/{offset_texts(draw(time))}"
    return text


SECONDS = st.integers(0, utc("2400-01-01T00:00"))
DATES = st.integers(0, date_of_text("2399-12-31"))
YEAR_ENDS = st.builds(
    lambda year, s: utc(f"{year}-01-01T00:00") + s,
    st.integers(2000, 2399),
    st.integers(-(20**5), 20**5),
)


@given(rules(), st.one_of(SECONDS, YEAR_ENDS))
def test_an_instant_lies_in_the_date_that_it_belongs_to(text, second):
    zone = Zone(parse(text))
    date = zone.date_of(second)
    assert zone.day_start(date) <= second < zone.day_start(date + 1)


@given(rules(), DATES)
def test_a_day_start_belongs_to_its_date_and_the_second_before_to_an_earlier_one(text, date):
    zone = Zone(parse(text))
    start = zone.day_start(date)
    assert zone.date_of(start - 1) < date
    assert zone.date_of(start) >= date
    if zone.day_length(date):
        assert zone.date_of(start) == date


@given(rules(), DATES, st.lists(st.integers(-(10**5), 2 * 10**6), min_size=2, max_size=30))
def test_wall_time_rises_with_the_seconds_of_the_clock(text, date, seconds):
    zone = Zone(parse(text))
    walls = [zone.wall(date, s) for s in sorted(seconds)]
    assert walls == sorted(walls)
    assert walls == [zone.wall(date + s // 86400, s % 86400) for s in sorted(seconds)]


@given(rules(), st.one_of(SECONDS, YEAR_ENDS))
def test_an_instant_comes_back_from_its_local_time_or_is_its_second_time(text, second):
    zone = Zone(parse(text))
    local = second + zone.offset(second)
    first = zone.wall(0, local)
    assert first <= second
    if first != second:
        assert zone.offset(first) > zone.offset(second)
        assert first + zone.offset(first) >= local


@given(rules(), DATES, st.integers(0, 800))
def test_lengths_of_days_sum_up_to_whole_days_and_the_shift_of_the_clock(text, date, days):
    zone = Zone(parse(text))
    lengths = [zone.day_length(date + n) for n in range(days)]
    assert min(lengths, default=0) >= 0
    first, last = zone.day_start(date), zone.day_start(date + days)
    # A midnight that does not exist starts its day late, on a clock that shows more.
    shown = last + zone.offset(last) - first - zone.offset(first)
    late = zone.high - zone.low
    assert abs(shown - days * 86400) <= late
    if all((s + zone.offset(s)) % 86400 == 0 for s in (first, last)):
        assert sum(lengths) == days * 86400 + zone.offset(first) - zone.offset(last)


@given(rules(), DATES)
def test_an_ordinary_day_is_one_without_a_change_of_the_clock(text, date):
    zone = Zone(parse(text))
    start, end = zone.day_start(date), zone.day_start(date + 1)
    # A change lies in the day where the offset of a second differs from that of the one before.
    changes, second = [], start - 1
    while zone.stretch(second)[1] < end:
        second = zone.stretch(second)[1]
        changes.append(second)
    assert all(start <= c and zone.offset(c) != zone.offset(c - 1) for c in changes)
    # A gap that ends at midnight shortens the date before it, yet lies at the next one's start.
    assert zone.ordinary(date) == (not changes and end - start == 86400)


@settings(max_examples=30)
@given(rules(), st.lists(st.one_of(SECONDS, YEAR_ENDS), min_size=1, max_size=40))
def test_an_answer_does_not_depend_on_what_was_asked_before(text, seconds):
    used = Zone(parse(text))
    for second in seconds:
        fresh = Zone(used.rule)
        assert used.offset(second) == fresh.offset(second)
        assert used.date_of(second) == fresh.date_of(second)
        date = second // 86400
        assert used.wall(date, second % 86400) == fresh.wall(date, second % 86400)
        assert used.ordinary(date) == fresh.ordinary(date)


def rule_or_refusal(text):
    """(rule, "") or ((), what the refusal says)."""
    try:
        return parse(text), ""
    except ValueError as refusal:
        return (), str(refusal)


@given(st.text(max_size=40))
@example("CET-1CEST,M3.5.0,M10.5.0/3")
@example("<>0")
def test_any_text_is_a_rule_or_refused_with_a_reason(text):
    rule, refusal = rule_or_refusal(text)
    assert refusal.startswith("character ") or len(rule) in (1, 10)


@given(rules(), st.integers(0, 80), st.characters(min_codepoint=32, max_codepoint=126))
def test_a_changed_character_gives_another_rule_or_a_refusal_and_never_anything_else(
    text, at, letter
):
    changed = (text[:at] + letter + text[at + 1 :])[:80]
    rule, refusal = rule_or_refusal(changed)
    if rule:
        assert all(type(part) is int for part in rule)
        assert all(-90000 < east < 90000 for east in rule[:2])
    else:
        assert refusal.startswith("character ")


def test_a_year_of_dates_works_out_each_stretch_of_time_once():
    worked_out = []

    class Counted(Zone):
        def _work_out(self, stretch, wall_s):
            worked_out.append(wall_s)
            super()._work_out(stretch, wall_s)

    zone = Counted(parse(BERLIN))
    for date in range(date_of_text("2026-01-01"), date_of_text("2027-01-01")):
        zone.day_start(date)
        zone.wall(date, 86399)
        zone.date_of(zone.day_start(date))
        zone.ordinary(date)
    assert len(worked_out) == 3  # winter, summer, winter
