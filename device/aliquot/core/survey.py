"""Lays out the days that matter: what comes closest together on them, and what finds no room.

It answers for `consistent.py` and for the default of grace; it decides nothing and keeps nothing.
On the board it is imported when needed and dropped.
"""

from aliquot.core.plan import Setup
from aliquot.core.timetable import Day, Timetable
from aliquot.core.window import BUCKET_S

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Iterator
    from typing import Any

YEARS_DAYS = 1827
_ORDINARY_DAYS = 400
_ORDINARY_MOST = 40
_DAY_S = 86400
_SLICE = 32  # dates


def survey(
    setup: Setup, cals: "list[Any]", date: int
) -> "tuple[list[int], list[int], tuple[int, ...]]":
    """Lay out the days that matter: those with a clock change in five years, and ordinary ones.

    Returns per channel the shortest seconds between two doses, the most microlitres that fall into
    one place of the cap's window, and () or (date, channel) of the first day without room."""
    for found in steps(setup, cals, date):
        if found:
            return found
    raise ValueError("no day was looked at")


def steps(
    setup: Setup, cals: "list[Any]", date: int
) -> "Iterator[tuple[list[int], list[int], tuple[int, ...]] | None]":
    """The same in slices: None, so that a board can do other work, at last what was found."""
    table = Timetable(setup, cals)
    n = len(setup.channels)
    gaps = [_DAY_S] * n
    buckets = [0] * n
    chosen: list[int] = []
    yield from _dates(table, date, chosen)
    for day_date in chosen:
        pair: list[Day] = []
        for one in (day_date, day_date + 1):
            for day in table.steps(one):
                if day:
                    pair.append(day)
                yield None
            if pair[0].late:
                yield gaps, buckets, (day_date, pair[0].late[0])
                return
        length = setup.zone.day_length(day_date)
        for i in range(n):
            _close(gaps, buckets, i, pair[0], pair[1], length)
            yield None
    yield gaps, buckets, ()


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


def _dates(table: Timetable, date: int, chosen: "list[int]") -> "Iterator[None]":
    """Choose dates around every clock change of five years, and of each kind of ordinary day."""
    zone = table.setup.zone
    fullest = table.totals(date)
    for d in range(date, date + _ORDINARY_DAYS):
        if d % _SLICE == 0:
            yield None
        fullest = tuple([max(a, b) for a, b in zip(fullest, table.totals(d))])
    changes: list[int] = []
    kinds: list[tuple[int, ...]] = []
    patterns: list[list[bool]] = []
    for d in range(date, date + YEARS_DAYS):
        if d % _SLICE == 0:
            yield None
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
    chosen += changes
