"""Local time against zoneinfo, against the C library, and against rules spelled out with datetime.

The zones and strings are those of the project's reference values. zone_oracle.py knows nothing of
Aliquot; a test of the project keeps it so.
"""

import ast
import datetime
import functools
import importlib.resources
import io
import os
import time
import zoneinfo
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aliquot.core.zone import Zone
from aliquot.core.zone_text import parse
from aliquot_host import zones
from outside import zone_oracle as oracle

DAY_S = 86400
H = 3600
FIRST = datetime.date(2026, 1, 1)
LAST = datetime.date(2030, 12, 31)
DATES = [FIRST + datetime.timedelta(n) for n in range((LAST - FIRST).days + 1)]
# The strings of IEEE 1003.1 form, and a zone of each that the database keeps.
LISTED = {
    "Europe/Berlin": "CET-1CEST,M3.5.0,M10.5.0/3",
    "America/New_York": "EST5EDT,M3.2.0,M11.1.0",
    "America/St_Johns": "NST3:30NDT,M3.2.0,M11.1.0",
    "Australia/Lord_Howe": "<+1030>-10:30<+11>-11,M10.1.0,M4.1.0",
    "Pacific/Auckland": "NZST-12NZDT,M9.5.0,M4.1.0/3",
    "Asia/Kolkata": "IST-5:30",
    "Europe/Dublin": "IST-1GMT0,M10.5.0,M3.5.0/1",
    "Asia/Jerusalem": "IST-2IDT,M3.4.4/26,M10.5.0",
}
CLOCKS = [0, 1, 59, 600, 2 * H, 2 * H + 1800, 3 * H, 12 * H, DAY_S - 1, DAY_S, 26 * H + 1800]


def number(date):
    return (date - datetime.date(2000, 1, 1)).days


def instants(zone, first, last, step):
    """Every `step` seconds, and around each change."""
    yield from range(first, last, step)
    for change in oracle.transitions(zone, first, last):
        yield from range(change - 3, change + 4)
        yield from range(change - 3 * H, change + 3 * H, 300)


def shown_date(zone, instant):
    """The date that clocks show."""
    return (instant + oracle.offset(zone, instant)) // DAY_S


def assert_alike(ours, zone, dates, step):
    """Offsets, dates, day starts and local times of some years are those of the zone."""
    first, last = (oracle.second_of(d) for d in (dates[0], dates[-1]))
    wrong = []
    for t in instants(zone, first, last, step):
        if ours.offset(t) != oracle.offset(zone, t):
            wrong.append(("offset", t))
        if ours.date_of(t) != shown_date(zone, t):
            wrong.append(("date", t))
    for date in dates:
        if ours.day_start(number(date)) != oracle.wall(zone, date, 0):
            wrong.append(("day start", date))
    assert wrong == []


@pytest.mark.parametrize("name", LISTED)
def test_every_hour_of_2026_to_2030_has_the_offset_and_the_date_of_zoneinfo(name):
    assert_alike(Zone(parse(LISTED[name])), zoneinfo.ZoneInfo(name), DATES, H)


@pytest.mark.parametrize("name", LISTED)
def test_every_date_of_2026_to_2030_has_the_local_times_of_zoneinfo(name):
    ours, zone = Zone(parse(LISTED[name])), zoneinfo.ZoneInfo(name)
    changes = set(oracle.transitions(zone, oracle.second_of(FIRST), oracle.second_of(LAST)))
    near = {shown_date(zone, c) + n for c in changes for n in (-1, 0, 1)}
    wrong = []
    for date in DATES:
        day = number(date)
        for second in {*CLOCKS, *(range(0, 30 * H, 300) if day in near else ())}:
            if ours.wall(day, second) != oracle.wall(zone, date, second):
                wrong.append((date, second))
        start, end = oracle.wall(zone, date, 0), oracle.wall(zone, date + datetime.timedelta(1), 0)
        if ours.day_length(day) != end - start:
            wrong.append((date, "length"))
        if ours.ordinary(day) != (not any(start <= c < end for c in changes)):
            wrong.append((date, "ordinary"))
    assert wrong == []
    assert len(changes) == (0 if name == "Asia/Kolkata" else 10)


@pytest.mark.parametrize("name", LISTED)
def test_the_footer_of_a_listed_zone_is_its_string_and_holds(name):
    verdict = zones.check(name, FIRST)
    assert (verdict.text, verdict.holds, verdict.reason) == (LISTED[name], True, "")


@pytest.mark.parametrize("text", LISTED.values())
def test_a_listed_string_changes_the_clock_as_zoneinfo_does_from_2000_to_2399(text):
    ours, zone = Zone(parse(text)), oracle.of_posix(text)
    first, last = (
        oracle.second_of(datetime.date(y, m, d)) for y, m, d in ((2000, 1, 2), (2399, 12, 30))
    )
    changes = list(oracle.transitions(zone, first, last, 40 * DAY_S))
    assert len(changes) == (0 if text == "IST-5:30" else 800)
    seen = list(zones.changes(ours, first, last))
    assert [c for c, _, _ in seen] == changes
    for change, before, after in seen:
        assert (before, after) == (oracle.offset(zone, change - 1), oracle.offset(zone, change))


@pytest.mark.parametrize("text", LISTED.values())
@pytest.mark.skipif(not hasattr(time, "tzset"), reason="this system has no tzset")
def test_a_listed_string_is_read_as_the_c_library_reads_it(text, monkeypatch):
    ours = Zone(parse(text))
    zone = oracle.of_posix(text)
    first, last = oracle.second_of(datetime.date(2025, 12, 31)), oracle.second_of(LAST)
    try:
        monkeypatch.setenv("TZ", text)
        time.tzset()
        wrong = [
            t
            for t in instants(zone, first, last, 7 * H)
            if time.localtime(t + oracle.UNIX_2000).tm_gmtoff != ours.offset(t)
        ]
    finally:
        monkeypatch.undo()
        time.tzset()
    assert wrong == []


def read_file(name):
    """A zone's file from where zoneinfo takes it."""
    for folder in zoneinfo.TZPATH:
        if os.path.isfile(os.path.join(folder, name)):
            return Path(folder, name).read_bytes()
    return importlib.resources.files("tzdata").joinpath("zoneinfo", *name.split("/")).read_bytes()


def last_line(data):
    """The POSIX string of a zone's file, where RFC 9636, section 3.3, places it."""
    return data.rsplit(b"\n", 2)[-2].decode()


def other_footers():
    """The other POSIX strings of the database on this machine: string -> {file: a name of it}."""
    found = {}
    for name in sorted(zoneinfo.available_timezones()):
        data = read_file(name)
        if last_line(data) not in ("", *LISTED.values()):
            found.setdefault(last_line(data), {})[data] = name
    return found


FOOTERS = other_footers()


@functools.cache
def offsets(data):
    """Twice a day the offset of a zone, given as its file or as a POSIX string."""
    if isinstance(data, str):
        zone = oracle.of_posix(data)
    else:
        zone = zoneinfo.ZoneInfo.from_file(io.BytesIO(data))
    first, last = oracle.second_of(FIRST), oracle.second_of(datetime.date(2031, 1, 1))
    return [oracle.offset(zone, t) for t in range(first, last, DAY_S // 2)]


def test_the_database_gives_many_more_strings_to_try():
    assert len(FOOTERS) > 60


@pytest.mark.parametrize("text", FOOTERS)
def test_the_string_of_any_zone_is_read_as_zoneinfo_reads_it(text):
    assert_alike(Zone(parse(text)), oracle.of_posix(text), DATES, 11 * H)


@pytest.mark.parametrize("text", FOOTERS)
def test_a_zone_holds_where_zoneinfo_keeps_to_its_string_and_only_there(text):
    by_rule = oracle.of_posix(text)
    alike = []
    for data, name in FOOTERS[text].items():
        assert zones.footer(data) == text
        if offsets(data) == offsets(text):
            alike.append(name)
            continue
        verdict = zones.check(name, FIRST)
        assert (verdict.text, verdict.holds) == (text, False), name
        zone = zoneinfo.ZoneInfo(name)
        at_s = verdict.difference.at_s
        assert verdict.difference.zone_s == oracle.offset(zone, at_s)
        assert verdict.difference.rule_s == oracle.offset(by_rule, at_s)
        assert verdict.difference.zone_s != verdict.difference.rule_s
        # The second before it was right, unless the comparison begins there.
        assert at_s == oracle.second_of(FIRST) or oracle.offset(zone, at_s - 1) == oracle.offset(
            by_rule, at_s - 1
        )
    for name in alike[:2]:
        verdict = zones.check(name, FIRST)
        assert (verdict.text, verdict.holds, verdict.reason) == (text, True, "")


# Rules that no database has, spelled out with datetime: start, its second, end, its second.
SPELLED = [
    oracle.Rule(0, H, ("J", 60), 0, ("J", 300), 0),
    oracle.Rule(0, H, ("", 59), 0, ("", 299), 0),
    oracle.Rule(0, H, ("", 0), 0, ("", 365), 2 * H),
    oracle.Rule(0, H, ("J", 1), -167 * H, ("J", 365), 167 * H),
    oracle.Rule(-5 * H, -4 * H, ("", 0), 0, ("J", 365), 25 * H),
    oracle.Rule(-4 * H, -5 * H, ("", 0), 0, ("J", 365), 25 * H),
    oracle.Rule(12 * H, 13 * H, ("J", 300), 7200, ("J", 60), 7200),
    oracle.Rule(H, 0, ("", 303), 7200, ("", 89), H),
    oracle.Rule(0, H, ("", 0), 0, ("", 364), 23 * H),
    oracle.Rule(3600, 7200, ("J", 365), 167 * H, ("M", 6, 5, 6), -H),
    oracle.Rule(0, H, ("J", 100), 7200, ("J", 100), 7200),
    # Ends in the first days of the year, hours before it starts anew.
    oracle.Rule(0, H, ("J", 365), 167 * H, ("J", 365), 160 * H),
    oracle.Rule(0, H, ("", 0), 0, ("", 364), 25 * H),
    oracle.Rule(-89999, 89999, ("M", 12, 5, 0), 0, ("M", 1, 1, 1), 0),
    oracle.Rule(89999, -89999, ("M", 3, 5, 0), 0, ("M", 9, 1, 1), 0),
]


def assert_spelled(rule, year):
    """Offsets and local times of one year, around its changes and through its weeks."""
    ours = Zone(parse(rule.text))
    wrong = []
    around = [c for y in (year - 1, year, year + 1) for c in rule.changes(y)]
    days = range(-9, 380, 30)
    near = [oracle.second_of(datetime.date(year, 1, 1)) + n * DAY_S for n in days] + around
    for t in [c + s for c in near for s in (-DAY_S, -H, -1, 0, 1, H - 1, H, DAY_S)]:
        if ours.offset(t) != rule.offset(t):
            wrong.append(("offset", t))
        date = datetime.date(2000, 1, 1) + datetime.timedelta(t // DAY_S)
        for second in (0, t % DAY_S, t % DAY_S + ours.low, DAY_S + 1800):
            if ours.wall(number(date), second) != rule.wall(date, second):
                wrong.append(("wall", date, second))
    assert wrong == [], rule.text


@pytest.mark.parametrize("rule", SPELLED, ids=lambda rule: rule.text)
def test_a_rule_by_day_numbers_is_read_as_datetime_counts_it(rule):
    for year in (2000, 2001, 2026, 2027, 2028, 2033, 2034, 2099, 2100, 2101, 2104, 2399):
        assert_spelled(rule, year)


def days():
    return st.one_of(
        st.tuples(st.just("M"), st.integers(1, 12), st.integers(1, 5), st.integers(0, 6)),
        st.tuples(st.just("J"), st.integers(1, 365)),
        st.tuples(st.just(""), st.integers(0, 365)),
    )


EAST = st.integers(-89999, 89999)
SECONDS = st.one_of(st.integers(-604799, 604799), st.integers(0, 24).map(lambda h: h * H))


@given(
    st.builds(oracle.Rule, EAST, EAST, days(), SECONDS, days(), SECONDS), st.integers(2000, 2399)
)
def test_any_rule_is_read_as_datetime_counts_it(rule, year):
    assert_spelled(rule, year)


def test_the_oracle_imports_nothing_of_aliquot():
    tree = ast.parse(Path(oracle.__file__).read_text(encoding="utf-8"))
    names = {
        alias.name if isinstance(node, ast.Import) else node.module
        for node in ast.walk(tree)
        if isinstance(node, (ast.Import, ast.ImportFrom))
        for alias in node.names
    }
    assert names == {"__future__", "collections.abc", "datetime", "io", "struct", "zoneinfo"}
