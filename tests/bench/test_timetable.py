"""A year's timetable, 4 channels of 24 doses in Berlin with two separations."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from aliquot.core.setup import build
from aliquot.core.timetable import Timetable
from aliquot.core.zone import Zone
from aliquot.core.zone_text import parse
from bench import baselines
from bench.baselines import DAYS, FIRST
from conformance.tank import canonical

CALS = [(12800 + i, 10020) for i in range(baselines.CHANNELS)]
EPOCH = datetime(2000, 1, 1, tzinfo=UTC)
# The zones of the reference values: POSIX TZ string -> name in the IANA database.
ZONES = {
    "CET-1CEST,M3.5.0,M10.5.0/3": "Europe/Berlin",
    "EST5EDT,M3.2.0,M11.1.0": "America/New_York",
    "NST3:30NDT,M3.2.0,M11.1.0": "America/St_Johns",
    "<+1030>-10:30<+11>-11,M10.1.0,M4.1.0": "Australia/Lord_Howe",
    "NZST-12NZDT,M9.5.0,M4.1.0/3": "Pacific/Auckland",
    "IST-5:30": "Asia/Kolkata",
    "IST-1GMT0,M10.5.0,M3.5.0/1": "Europe/Dublin",
    "IST-2IDT,M3.4.4/26,M10.5.0": "Asia/Jerusalem",
}


def year(setup, days=DAYS):
    """The doses of the first days as (channel, UTC second since 2000, microlitres)."""
    table = Timetable(setup, CALS)
    doses = []
    add = doses.append
    known = None
    volumes = []
    for date in range(FIRST, FIRST + days):
        day = table.day(date)
        start = setup.zone.day_start(date)
        # Ordinary days with the same totals are one object: their volumes are worked out once.
        if day is not known:
            known = day
            volumes = [[day.ul(i, k) for k in range(len(t))] for i, t in enumerate(day.times)]
        for i, times in enumerate(day.times):
            for second, ul in zip(times, volumes[i], strict=True):
                add((i, start + second, ul))
    return doses


def test_a_years_timetable_beside_a_bare_integer_loop(side_by_side, figure):
    setup = build(canonical())
    assert year(setup) == baselines.bare()
    pair = side_by_side(lambda: year(setup), baselines.bare)
    figure("a year's timetable over a bare integer loop", pair.ratio, "×", most=8, how=pair.how())


def test_a_year_of_ever_new_totals_beside_a_bare_integer_loop(side_by_side, figure):
    setup = build(canonical(ramp_days=DAYS))
    assert year(setup) == baselines.bare(ramp=True)
    pair = side_by_side(lambda: year(setup), lambda: baselines.bare(ramp=True))
    figure("the same, every day another total", pair.ratio, "×", most=45, how=pair.how())


def test_a_years_timetable_beside_croniter(side_by_side, figure):
    setup = build(canonical())
    # A cron line goes by the wall clock, so the two days with a clock change are left out.
    around = (baselines.SPRING, baselines.AUTUMN)
    zone = ZoneInfo("Europe/Berlin")
    ours = [(i, EPOCH + timedelta(seconds=s)) for i, s, _ in year(setup)]
    ordinary = [
        sorted((i, at) for i, at in doses if date_of(at.astimezone(zone)) not in around)
        for doses in (ours, baselines.cron(DAYS))
    ]
    assert ordinary[0] == ordinary[1]
    assert len(ordinary[0]) == 4 * 24 * (DAYS - 2)
    pair = side_by_side(lambda: year(setup), lambda: baselines.cron(DAYS))
    figure(
        "croniter with four expressions over a year's timetable",
        1 / pair.ratio, "×", least=100, how=pair.how(),
    )  # fmt: skip


def date_of(at):
    return (at.date() - EPOCH.date()).days


def test_local_days_against_zoneinfo(figure):
    wrong = days = 0
    for text, name in ZONES.items():
        zone = ZoneInfo(name)
        setup = build(canonical(1))
        setup.zone = Zone(parse(text))
        table = Timetable(setup, CALS)
        last = -1
        for date in range(FIRST, FIRST + 5 * 365 + 1):
            begin, end = (second_of(date + k, zone) for k in (0, 1))
            due = [setup.zone.day_start(date) + s for s in table.day(date).times[0]]
            right = [begin + k * (end - begin) // 24 for k in range(24)]
            wrong += due != right or due[0] <= last
            last = due[-1]
            days += 1
    how = f"{days} local days, 8 zones, 24 doses each, by zoneinfo"
    figure(
        "local days 2026–2030 with a wrong, repeated or omitted dose", wrong, "", most=0, how=how
    )


def second_of(date, zone):
    """The first second of a local date, by zoneinfo; none of the zones changes at midnight, or if
    it does, the first instant after the gap is what `astimezone` makes of midnight."""
    midnight = datetime(2000, 1, 1, tzinfo=zone) + timedelta(days=date)
    return int((midnight.astimezone(UTC) - EPOCH).total_seconds())


pytestmark = pytest.mark.benchmark(group="timetable")
