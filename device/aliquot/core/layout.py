"""Laying out one local date: the times of each channel's doses, and how they make way.

Channels come in order: the first keeps its times, a later one moves a dose later by the least
amount that keeps it clear of the runs and separations of those before it, never to or past its
own next dose. Nothing here looks at what has happened. The board imports it once or twice a day.
"""

from array import array

from aliquot.core.amounts import run_s, to_counts
from aliquot.core.plan import Channel, Setup, count, volumes
from aliquot.core.timetable import Day
from aliquot.core.zone import Zone

TYPE_CHECKING = False
if TYPE_CHECKING:
    from aliquot.core.timetable import Timetable

_DAY_S = 86400
_TAIL_S = 7200


def tail_s(table: "Timetable", date: int) -> int:
    """The second of a date after which doses can still matter to the next one."""
    farthest_s = max([s for _, _, s in table.setup.separate] or [0])
    return length_s(table.setup, date) - _TAIL_S - 2 * farthest_s


def ends_s(table: "Timetable", date: int, tail: Day) -> list[int]:
    """When each channel's last run of a date ends, in seconds after the start of the next one."""
    length = length_s(table.setup, date)
    return [t[-1] + r - length if t else -length for t, r in zip(tail.times, tail.run_s)]


def length_s(setup: Setup, date: int) -> int:
    """The seconds of a local date."""
    return setup.zone.day_start(date + 1) - setup.zone.day_start(date)


def place(table: "Timetable", day: Day, me: int, date: int, ends: list[int], from_s: int) -> None:
    """Add channel `me`, its doses from `from_s` on, clear of the channels already placed."""
    setup = table.setup
    run = _begin(table, day, me, date, from_s)
    times = day.times[me]
    n = len(times)
    if not n:
        return
    gaps = [setup.gap_s(me, i) for i in range(len(setup.channels))]
    first = max([e + max(1, gaps[i]) for i, e in enumerate(ends)] or [0])
    others = [
        (day.times[i], day.run_s[i] + max(1, gaps[i]), run + max(1, gaps[i]))
        for i in range(me)
        if len(day.times[i])
    ]
    at = [0] * len(others)
    last = length_s(setup, date)
    for i in range(n):
        wish = times[i]
        t = max(wish, first)
        limit = times[i + 1] if i + 1 < n else last
        moved = True
        while moved:
            moved = False
            for k in range(len(others)):
                taken, after, ahead = others[k]
                j = at[k]
                end = len(taken)
                while j < end and taken[j] + after <= t:
                    j += 1
                at[k] = j
                if j < end and taken[j] < t + ahead:
                    t = taken[j] + after
                    moved = True
        if t >= limit:
            t = wish
            if me not in day.late:
                day.late.append(me)
        times[i] = t
        first = t + run + 1


def _begin(table: "Timetable", day: Day, me: int, date: int, from_s: int) -> int:
    """Add a channel with its times as planned; returns the seconds of its longest run."""
    c = table.setup.channels[me]
    total = day.totals[me]
    day.listed.append(volumes(c, total) if c.at else None)
    counts, ul = table.cals[me]
    run = longest_s(c, largest_ul(c, total), counts, ul) if total and ul else 0
    day.run_s.append(run)
    times: array[int] = array("i")
    if total:
        times = nominal(c, table.setup.zone, date, total)
    if from_s > 0:
        times = array("i", [t for t in times if t >= from_s])
    day.times.append(times)
    return run


def nominal(c: Channel, zone: Zone, date: int, ul: int) -> "array[int]":
    """Return the rising times of a day's doses in seconds after the day's start, before spacing.

    Evenly spread doses divide the real time of the window, whatever the clocks do in it; what runs
    past midnight wraps to the morning of the same date. Listed times go by the wall clock."""
    start = zone.day_start(date)
    if c.at:
        times = array("i", [zone.wall(date, s) - start for s, _ in volumes(c, ul)])
        for i in range(1, len(times)):
            if times[i] <= times[i - 1]:
                times[i] = times[i - 1] + 60
        return times
    n = count(c, ul)
    first = zone.wall(date, c.from_s) - start
    late = c.from_s + c.span_s - _DAY_S
    if late <= 0:
        length = zone.wall(date, c.from_s + c.span_s) - start - first
        early = 0
    else:
        early = zone.wall(date, late) - start
        length = zone.day_start(date + 1) - start - first + early
    length = max(length, n)  # a window that a clock change swallows: the table finds it too narrow
    # Doses at and after `length - early` of the window belong to the morning.
    turn = (n * (length - early) + length - 1) // length if n else 0
    times = array("i", [i * length // n - length + early for i in range(turn, n)])
    for i in range(turn):
        times.append(first + i * length // n)
    return times


def largest_ul(c: Channel, ul: int) -> int:
    """Return the volume of the largest dose of a day of `ul`."""
    if c.at:
        return max([v for _, v in volumes(c, ul)] or [0])
    n = count(c, ul)
    return (ul + n - 1) // n if n else 0


def longest_s(c: Channel, ul: int, cal_counts: int, cal_ul: int) -> int:
    """Return the seconds of the longest run that a dose of at most `ul` can need, fully raised."""
    ul = min(c.most_ul, ul + ul * c.raise_pct // 100)
    return run_s(to_counts(ul, cal_counts, cal_ul, 0) + 1 + c.offset, c.speed_cps)
