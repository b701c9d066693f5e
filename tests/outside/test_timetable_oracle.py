"""Every dose of every date 2026 to 2030, in every zone of the reference values, against an oracle.

timetable_oracle.py works out from zoneinfo and fractions how many doses a date has, how large they
are and when they are wanted, and looks at our spaced times: rising, one pump at a time,
separations kept over midnight too, moved later by the least amount. It knows nothing of Aliquot.
"""

import ast
import datetime
import zoneinfo
from pathlib import Path

import pytest

from aliquot.core.amounts import run_s, to_counts
from aliquot.core.plan import Channel, Setup
from aliquot.core.timetable import Timetable
from aliquot.core.zone import Zone
from aliquot.core.zone_text import parse
from outside import timetable_oracle as oracle

FIRST = datetime.date(2026, 1, 1)
DATES = [FIRST + datetime.timedelta(n) for n in range((datetime.date(2031, 1, 1) - FIRST).days)]
ZERO = datetime.date(2000, 1, 1)
H = 3600
# The POSIX strings of the reference values, each with a zone of the database that keeps it.
ZONES = {
    "Europe/Berlin": "CET-1CEST,M3.5.0,M10.5.0/3",
    "America/New_York": "EST5EDT,M3.2.0,M11.1.0",
    "America/St_Johns": "NST3:30NDT,M3.2.0,M11.1.0",
    "Australia/Lord_Howe": "<+1030>-10:30<+11>-11,M10.1.0,M4.1.0",
    "Pacific/Auckland": "NZST-12NZDT,M9.5.0,M4.1.0/3",
    "Asia/Kolkata": "IST-5:30",
    "Europe/Dublin": "IST-1GMT0,M10.5.0,M3.5.0/1",
    "Asia/Jerusalem": "IST-2IDT,M3.4.4/26,M10.5.0",
}
CAL = (12800, 10000)
SPEED = 500


def plan(daily_ul, doses, from_h=0.0, span_h=24.0, **own):
    return {
        "daily_ul": daily_ul,
        "doses": doses,
        "from_s": round(from_h * H),
        "span_s": round(span_h * H),
        "weekdays": 127,
        "every": 1,
        "start": datetime.date(2025, 12, 1),
        "at": None,
        "least_ul": 100,
    } | own


# The usual tank: four channels, two pairs kept apart; and a mixed one: odd volumes, a night
# window that wraps, listed times in the hours that clock changes take or repeat, days of the
# week, every third day; and one whose last dose of the day moves the first ones of the next.
TANKS = {
    "usual": (
        [plan(36500, 24, 1 / 6), plan(30000, 24, 1 / 6), plan(12007, 24), plan(5003, 24, 0.5)],
        {(0, 1): 1200, (1, 2): 300},
    ),
    "mixed": (
        [
            plan(24001, 48, 0.25),
            plan(7777, 9, 20.5, 9.5),
            plan(9000, 4, at=((0, 1), (2 * H + 1800, 2), (2 * H + 2700, 1), (23 * H + 3000, 3))),
            plan(1000, 10, 8, 3, weekdays=0b1010100),
            plan(12345, 13, every=3),
        ],
        {(0, 2): 420, (1, 3): 900, (0, 4): 600},
    ),
    "midnight": (
        [
            plan(12000, 12, 1 / 12),
            plan(3000, 1, at=((23 * H + 3300, 1),)),
            plan(24000, 24),
        ],
        {(0, 1): 1200, (1, 2): 900},
    ),
}


def compiled(tank, rule):
    """Our set-up of a tank of the oracle."""
    plans, gaps = TANKS[tank]
    channels = []
    for i, p in enumerate(plans):
        c = Channel()
        c.id = "abcdef"[i]
        for key in (
            "daily_ul",
            "doses",
            "from_s",
            "span_s",
            "weekdays",
            "every",
            "at",
            "least_ul",
        ):
            setattr(c, key, p[key])
        c.start_date = (p["start"] - ZERO).days
        c.most_ul, c.cap_ul, c.speed_cps, c.raise_pct = 10**5, 10**6, SPEED, 25
        channels.append(c)
    setup = Setup(Zone(parse(rule)), channels)
    setup.separate = [(a, b, s) for (a, b), s in gaps.items()]
    return setup


def longest_run(p):
    """Seconds of the longest run of a plan's doses, raised by the 25 % that the set-up allows."""
    largest = max(oracle.volumes(p))
    raised = largest + largest * 25 // 100
    return run_s(to_counts(raised, *CAL, 0) + 1, SPEED)


@pytest.mark.parametrize("tank", TANKS)
@pytest.mark.parametrize("name", ZONES)
def test_every_dose_of_every_date_is_there_once_with_its_volume_at_its_time(name, tank):
    zone = zoneinfo.ZoneInfo(name)
    plans, gaps = TANKS[tank]
    setup = compiled(tank, ZONES[name])
    table = Timetable(setup, [CAL] * len(plans), keep=16)
    spacing = oracle.Spacing(gaps, [longest_run(p) for p in plans])
    sizes = [oracle.volumes(p) for p in plans]
    last = [0] * len(plans)
    wrong = []
    doses = 0
    for date in [DATES[0] - datetime.timedelta(1), *DATES]:
        number = (date - ZERO).days
        day = table.day(number)
        start, end = oracle.day(zone, date)
        assert day.late == []
        wanted, found = [], []
        for ch, p in enumerate(plans):
            on = oracle.has_doses(p, date)
            wanted.append(oracle.instants(zone, p, date) if on else [])
            ours = [start + t for t in day.times[ch]]
            found.append(ours)
            if [day.ul(ch, i) for i in range(len(ours))] != (sizes[ch] if on else []):
                wrong.append((date, ch, "volumes"))
            if ours and not (start <= ours[0] and ours[-1] < end and last[ch] < ours[0]):
                wrong.append((date, ch, "outside its date, or before one already given"))
            last[ch] = ours[-1] if ours else last[ch]
            doses += len(ours)
        slips = spacing.look(wanted, found, start)
        if date < FIRST:  # what came before it is not known: only for the midnight after it
            doses = 0
        else:
            wrong += [(date, text) for text in slips]
    assert wrong == []
    assert doses == sum(
        len(sizes[ch]) * sum(oracle.has_doses(p, date) for date in DATES)
        for ch, p in enumerate(plans)
    )


@pytest.mark.parametrize(
    ("spoil", "word"),
    [
        (lambda w, f: f[0].pop(), "doses"),
        (lambda w, f: f[0].insert(1, f[0][1]), "doses"),
        (lambda w, f: f[1].__setitem__(3, f[1][3] + 1), "later than"),
        (lambda w, f: f[1].__setitem__(3, f[1][3] - 1), "too near"),
        (lambda w, f: f[0].__setitem__(0, f[0][0] - 1), "early"),
        (lambda w, f: f[0].__setitem__(2, f[0][1]), "rise"),
    ],
)
def test_the_oracle_finds_what_is_planted(spoil, word):
    """A date of the usual tank with one slip."""
    zone = zoneinfo.ZoneInfo("Europe/Berlin")
    plans, gaps = TANKS["usual"]
    table = Timetable(compiled("usual", ZONES["Europe/Berlin"]), [CAL] * 4)
    date = datetime.date(2026, 3, 29)
    start, _ = oracle.day(zone, date)
    wanted = [oracle.instants(zone, p, date) for p in plans]
    found = [[start + t for t in times] for times in table.day((date - ZERO).days).times]
    spacing = oracle.Spacing(gaps, [longest_run(p) for p in plans])
    assert spacing.look(wanted, found) == []
    spoil(wanted, found)
    spacing.before = []
    assert any(word in text for text in spacing.look(wanted, found))


def test_local_days_have_the_lengths_of_the_reference_values():
    """Berlin 23 and 25 hours, Lord Howe 24.5 and 23.5: by the oracle and by us."""
    for name, date, hours in (
        ("Europe/Berlin", datetime.date(2026, 3, 29), 23),
        ("Europe/Berlin", datetime.date(2026, 10, 25), 25),
        ("Australia/Lord_Howe", datetime.date(2026, 4, 5), 24.5),
        ("Australia/Lord_Howe", datetime.date(2026, 10, 4), 23.5),
    ):
        start, end = oracle.day(zoneinfo.ZoneInfo(name), date)
        ours = Zone(parse(ZONES[name]))
        number = (date - ZERO).days
        assert end - start == hours * H == ours.day_start(number + 1) - ours.day_start(number)


def test_the_oracle_imports_nothing_of_aliquot():
    source = Path(oracle.__file__).read_text("utf-8")
    names = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        if isinstance(node, ast.ImportFrom):
            names.add(f"{node.module}.{node.names[0].name}")
    assert names == {
        "__future__.annotations",
        "datetime",
        "fractions.Fraction",
        "functools",
        "itertools",
        "math",
        "outside.zone_oracle",
    }
