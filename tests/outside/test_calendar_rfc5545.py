"""Calendar files read back by icalendar, against dateutil's recurrences and zoneinfo.

What is expected is worked out by those libraries alone; Aliquot only makes the file, or doses.
"""

import datetime
import json
from zoneinfo import ZoneInfo

import pytest
from dateutil import rrule
from icalendar import Calendar

from aliquot.core import acts
from aliquot.core.dates import days_of
from aliquot.core.plan import Channel, Setup
from aliquot.core.zone import Zone
from aliquot.core.zone_text import parse
from aliquot_host import calendar_file, cli, timetables
from unit.desk_board import DeskBoard, set_up

UTC = datetime.UTC
NEW_YORK = ZoneInfo("America/New_York")
# The rule of the United States from 1987 to 2006 (RFC 5545, section 3.6.5, has the same example).
NEW_YORK_1997 = "EST5EDT,M4.1.0,M10.5.0"
START = datetime.datetime(1997, 9, 2, 9, 0)
TUESDAY, THURSDAY = 1 << 1, 1 << 3


def instants(data):
    """The start of every event, in UTC."""
    events = Calendar.from_ical(data).walk("VEVENT")
    starts = [event["DTSTART"].dt for event in events]
    assert all(start.utcoffset() is not None for start in starts)
    return [start.astimezone(UTC) for start in starts]


def plan_1997(days, **asked):
    """The calendar of a plan from 2 September 1997 in New York, for so many dates."""
    channel = Channel()
    channel.id = "alk"
    channel.daily_ul, channel.doses = 1000, 1
    channel.at = ((9 * 3600, 1),)
    channel.least_ul, channel.most_ul, channel.cap_ul = 1, 1000, 10000
    channel.run_most_s, channel.grace_s, channel.speed_cps = 60, 300, 500
    channel.start_date = first = days_of(1997, 9, 2)
    for name, value in asked.items():
        setattr(channel, name, value)
    setup = Setup(Zone(parse(NEW_YORK_1997)), [channel])
    dates = timetables.dates(setup, [(1000, 1000, 0)], range(first, first + days))
    return calendar_file.calendar("reef", list(dates), 0)


def recurrences(rule, days):
    """What dateutil makes of an RFC 5545 rule from the same start, within so many local dates."""
    end = START.date() + datetime.timedelta(days=days)
    local = rrule.rrulestr(f"DTSTART:{START:%Y%m%dT%H%M%S}\nRRULE:{rule}")
    found = [start for start in local if start.date() < end]
    return [start.replace(tzinfo=NEW_YORK).astimezone(UTC) for start in found]


HOURS = "9,10,11,12,13,14,15,16"
# Rule, dates looked at, how many instants the RFC lists (None: by dateutil alone), the plan.
EXAMPLES = {
    "daily for 10 occurrences": ("FREQ=DAILY;COUNT=10", 10, 10, {}),
    "daily until 24 December 1997": ("FREQ=DAILY;UNTIL=19971223T235959", 113, 113, {}),
    "every other day": ("FREQ=DAILY;INTERVAL=2;COUNT=47", 93, 47, {"every": 2}),
    "every 10 days, 5 occurrences": ("FREQ=DAILY;INTERVAL=10;COUNT=5", 41, 5, {"every": 10}),
    "weekly for 10 occurrences": ("FREQ=WEEKLY;COUNT=10", 64, 10, {"weekdays": TUESDAY}),
    "weekly on Tuesday and Thursday for five weeks": (
        *("FREQ=WEEKLY;COUNT=10;WKST=SU;BYDAY=TU,TH", 31, 10),
        {"weekdays": TUESDAY | THURSDAY},
    ),
    "every 3 hours from 9:00 to 17:00 on a day": (
        *("FREQ=HOURLY;INTERVAL=3;UNTIL=19970902T170000", 1, 3),
        {"at": None, "from_s": 9 * 3600, "span_s": 9 * 3600, "doses": 3},
    ),
    "every 15 minutes for 6 occurrences": (
        *("FREQ=MINUTELY;INTERVAL=15;COUNT=6", 1, 6),
        {"at": None, "from_s": 9 * 3600, "span_s": 90 * 60, "doses": 6},
    ),
    "every hour and a half for 4 occurrences": (
        *("FREQ=MINUTELY;INTERVAL=90;COUNT=4", 1, 4),
        {"at": None, "from_s": 9 * 3600, "span_s": 6 * 3600, "doses": 4},
    ),
    "every 20 minutes from 9:00 to 16:40 every day": (
        *(f"FREQ=DAILY;BYHOUR={HOURS};BYMINUTE=0,20,40;COUNT=1440", 60, 24 * 60),
        {"at": None, "from_s": 9 * 3600, "span_s": 8 * 3600, "doses": 24},
    ),
}


@pytest.mark.parametrize("name", EXAMPLES)
def test_a_plan_gives_the_instants_of_the_rfc_5545_example(name):
    """RFC 5545, section 3.8.5.3: DTSTART;TZID=America/New_York:19970902T090000 and its rules.

    Every 10 days and COUNT=10 are in the project's reference values; the others are written down
    from memory of that section, and dateutil says what they mean.
    """
    rule, days, count, asked = EXAMPLES[name]
    expected = recurrences(rule, days)
    assert len(expected) == count
    assert instants(plan_1997(days, **asked)) == expected


def test_every_ten_days_is_2_12_22_september_and_2_12_october():
    """RFC 5545, section 3.8.5.3, spelled out: all at 9:00 EDT, which is 13:00 UTC."""
    starts = instants(plan_1997(41, every=10))
    assert [(s.month, s.day, s.hour) for s in starts] == [
        *((9, 2, 13), (9, 12, 13), (9, 22, 13), (10, 2, 13), (10, 12, 13)),
    ]


def test_the_plan_keeps_nine_o_clock_across_the_end_of_summer_time():
    """Daily until 24 December: 2 September to 25 October EDT, then EST (RFC 5545, 3.8.5.3)."""
    starts = instants(plan_1997(113))
    assert {(s.hour, s.date() < datetime.date(1997, 10, 26)) for s in starts} == {
        *((13, True), (14, False)),
    }


HEAD = """
timezone = "{zone}"
[[channel]]
id = "alk"
cap_ml = 40
dose_most_ml = 10
calibration = {{ counts = 12800, ml = 10.02 }}
"""
EVEN = HEAD + 'daily_ml = 24\nfrom = "00:30"\n'
LISTED = HEAD + (
    'at = [{{ time = "02:30", ml = 3 }}, {{ time = "14:00", ml = 7 }}]\n'
    "every_days = 3\nstart_date = 2026-01-01\n"
)


@pytest.fixture
def both(tmp_path, capsys):
    """both(text, zone, date, days): instants of the command's JSON, and its calendar."""

    def make(text, zone, date, days):
        file, ics = tmp_path / "tank.toml", tmp_path / "doses.ics"
        file.write_text(text.format(zone=zone))
        asked = ["--date", date, "--days", str(days), "--json", "--ics", str(ics)]
        assert cli.run(["timetable", str(file), *asked]) == 0
        document = json.loads(capsys.readouterr().out)
        doses = [dose for day in document["days"] for dose in day["doses"]]
        return [datetime.datetime.fromisoformat(dose["utc"]) for dose in doses], ics.read_bytes()

    return make


@pytest.mark.parametrize(
    ("zone", "date"),
    [
        ("Europe/Berlin", "2026-03-27"),
        ("Europe/Berlin", "2026-10-23"),
        ("Australia/Lord_Howe", "2026-04-03"),
        ("Australia/Lord_Howe", "2026-10-02"),
        ("America/St_Johns", "2026-11-01"),
        ("Asia/Kolkata", "2026-06-01"),
    ],
)
def test_the_file_read_back_has_the_instants_of_zoneinfo(both, zone, date):
    """Listed times by fold 0 and the end of a gap (PEP 495), even ones by a day's real length."""
    there, first = ZoneInfo(zone), datetime.date.fromisoformat(date)
    for text, expected in ((EVEN, evenly(there, first, 6)), (LISTED, by_list(there, first, 6))):
        listed, data = both(text, zone, date, 6)
        assert instants(data) == listed == expected


def midnight(zone, date):
    return datetime.datetime.combine(date, datetime.time(), zone).astimezone(UTC)


def evenly(zone, first, days):
    """24 doses over the real time of the day, from 00:30, the last ones before half past midnight.

    The window runs past midnight by half an hour, which stands in the morning of its own date; no
    clock of these zones changes before 01:00.
    """
    starts = []
    for n in range(days):
        date = first + datetime.timedelta(days=n)
        begin = midnight(zone, date)
        seconds = (midnight(zone, date + datetime.timedelta(days=1)) - begin).total_seconds()
        times = [1800 + int(i * seconds // 24) for i in range(24)]
        wrapped = [t - int(seconds) if t >= seconds else t for t in times]
        starts += [begin + datetime.timedelta(seconds=t) for t in sorted(wrapped)]
    return starts


def by_list(zone, first, days):
    """02:30 and 14:00 on every third date from 1 January 2026."""
    starts = []
    for n in range(days):
        date = first + datetime.timedelta(days=n)
        if (date - datetime.date(2026, 1, 1)).days % 3 == 0:
            starts += [wall(zone, date, 2, 30), wall(zone, date, 14, 0)]
    return starts


def wall(zone, date, hour, minute):
    """The instant of a local time; one that does not exist is the end of the gap."""
    local = datetime.datetime.combine(date, datetime.time(hour, minute), zone)
    instant = local.astimezone(UTC)
    while instant.astimezone(zone).replace(tzinfo=None) > local.replace(tzinfo=None):
        before = instant - datetime.timedelta(minutes=1)
        if before.astimezone(zone).utcoffset() != instant.astimezone(zone).utcoffset():
            return instant
        instant = before
    return instant


def test_a_planted_shift_of_a_minute_is_seen(both):
    """The check above can fail: a calendar with one event a minute off does not pass it."""
    listed, data = both(LISTED, "Europe/Berlin", "2026-03-26", 4)
    moved = data.replace(b"T120000Z\r\nDURATION", b"T120100Z\r\nDURATION", 1)
    assert instants(data) == listed
    assert instants(moved) != listed


def test_a_dose_that_is_trimmed_away_is_still_one_of_those_that_come():
    """As an EXDATE uses up a COUNT (RFC 5545, section 3.8.5.1): the board skips the third of five
    and gives nothing in its place."""
    text = HEAD.format(zone="America/New_York")
    text += 'at = [{ time = "09:00", ml = 3 }]\nevery_days = 10\nstart_date = 2026-09-02\n'
    start = datetime.datetime(2026, 9, 2, 9, 0)
    wanted = rrule.rruleset()
    wanted.rrule(rrule.rrule(rrule.DAILY, interval=10, count=5, dtstart=start))
    wanted.exdate(start + datetime.timedelta(days=20))
    loaded = set_up(text)
    epoch = datetime.datetime(2000, 1, 1, tzinfo=UTC)
    board = DeskBoard(loaded, (datetime.datetime(2026, 9, 1, tzinfo=UTC) - epoch).days * 86400)
    board.until(board.wall_w + 15 * 86400)
    board.act(acts.trim, 0, 100, 1)
    board.until(board.wall_w + 30 * 86400)
    ran = [epoch + datetime.timedelta(seconds=run[0]) for run in board.runs]
    assert ran == [s.replace(tzinfo=NEW_YORK).astimezone(UTC) for s in wanted]
    assert len(ran) == 4
