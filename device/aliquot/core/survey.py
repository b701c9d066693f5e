"""Lays out the days that matter: what comes closest together on them, and what finds no room.

It answers for `consistent.py` and for the default of grace; it decides nothing and keeps nothing.
On the board it is imported when needed and dropped.
"""

from aliquot.core.plan import Setup
from aliquot.core.timetable import Day, Timetable
from aliquot.core.window import BUCKET_S

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

YEARS_DAYS = 1827
_ORDINARY_DAYS = 400
_ORDINARY_MOST = 40
_DAY_S = 86400


def survey(
    setup: Setup, cals: "list[Any]", date: int
) -> "tuple[list[int], list[int], tuple[int, ...]]":
    """Lay out the days that matter: those with a clock change in five years, and ordinary ones.

    Returns per channel the shortest seconds between two doses, the most microlitres that fall into
    one place of the cap's window, and () or (date, channel) of the first day without room."""
    table = Timetable(setup, cals)
    n = len(setup.channels)
    gaps = [_DAY_S] * n
    buckets = [0] * n
    for day_date in _dates(table, date):
        day = table.day(day_date)
        if day.late:
            return gaps, buckets, (day_date, day.late[0])
        after = table.day(day_date + 1)
        length = setup.zone.day_length(day_date)
        for i in range(n):
            _close(gaps, buckets, i, day, after, length)
    return gaps, buckets, ()


def _close(
    gaps: "list[int]", buckets: "list[int]", i: int, day: Day, after: Day, length: int
) -> None:
    """Take the doses of a date and of the next into the shortest gap and the fullest bucket."""
    times: list[int] = list(day.times[i]) + [length + t for t in after.times[i]]
    n = len(day.times[i])
    uls = [day.ul(i, j) for j in range(n)] + [after.ul(i, j) for j in range(len(times) - n)]
    first = total = 0
    for j in range(len(times)):
        if j and times[j] - times[j - 1] < gaps[i]:
            gaps[i] = times[j] - times[j - 1]
        total += uls[j]
        while times[j] - times[first] > BUCKET_S:
            total -= uls[first]
            first += 1
        if total > buckets[i]:
            buckets[i] = total


def _dates(table: Timetable, date: int) -> "list[int]":
    """Dates around every clock change of five years, and one of each kind of ordinary day."""
    zone = table.setup.zone
    fullest = table.totals(date)
    for d in range(date, date + _ORDINARY_DAYS):
        fullest = tuple([max(a, b) for a, b in zip(fullest, table.totals(d))])
    chosen: list[int] = []
    changes: list[int] = []
    kinds: list[tuple[int, ...]] = []
    patterns: list[list[bool]] = []
    for d in range(date, date + YEARS_DAYS):
        if not zone.ordinary(d):
            changes += [d - 1, d]
        elif d < date + _ORDINARY_DAYS:
            now = table.totals(d)
            kind = table.totals(d - 1) + now
            pattern = [a == b for a, b in zip(now, fullest)]
            if pattern not in patterns or (kind not in kinds and len(kinds) < _ORDINARY_MOST):
                patterns.append(pattern)
                kinds.append(kind)
                chosen.append(d)
    return chosen + changes
