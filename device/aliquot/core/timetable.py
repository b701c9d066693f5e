"""The doses of one local date, all channels, spaced so that one pump runs at a time.

Channels come in order: the first keeps its times, a later one moves a dose later by the least
amount that keeps it clear of the runs and separations of those before it, never to or past its
own next dose. What a date holds depends on the set-up, the day totals and the date alone, so a
table can be worked out anywhere, at any time, and again. Ordinary days with the same totals share
one table. Nothing here looks at what has happened.
"""

from array import array

from aliquot.core.plan import Setup, day_ul, largest_ul, longest_s, nominal, volumes

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Iterator

_NONE: list[int] = []
_TAIL_S = 7200


class Day:
    """A date's table: per channel the volume, the rising times after `start_w`, its longest run."""

    def __init__(self, totals: "tuple[int, ...]") -> None:
        self.totals = totals
        self.times: list[array] = []
        self.listed: "list[tuple[tuple[int, int], ...] | None]" = []
        self.run_s: list[int] = []
        self.late: list[int] = []  # channels with a dose that could not be spaced

    def ul(self, channel: int, i: int) -> int:
        """The planned volume of a channel's dose `i`."""
        listed = self.listed[channel]
        if listed:
            return listed[i][1]
        n = len(self.times[channel])
        total = self.totals[channel]
        return (2 * (i + 1) * total + n) // (2 * n) - (2 * i * total + n) // (2 * n)


class Timetable:
    """Tables by date. `cals` holds (counts, ul) per channel, for the length of runs; `keep` is how
    many ordinary tables are kept."""

    def __init__(self, setup: Setup, cals: "list[tuple[int, int]]", keep: int = 2) -> None:
        self.setup = setup
        self.cals = cals
        self.keep = keep
        self.cache: dict[tuple[int, ...], Day] = {}
        n = len(setup.channels)
        self.gaps = [[setup.gap_s(a, b) for b in range(n)] for a in range(n)]

    def totals(self, date: int, over: "list[list[int]] | None" = None) -> "tuple[int, ...]":
        """The channels' volumes on a date; `over` holds each channel's overrides."""
        channels = self.setup.channels
        return tuple(
            [day_ul(c, date, over[i] if over else _NONE) for i, c in enumerate(channels)]
        )

    def day(self, date: int, over: "list[list[int]] | None" = None) -> Day:
        """Return the table of a date, ready to use."""
        steps = self.steps(date, over)
        for found in steps:
            if found:
                return found
        raise ValueError("no table")

    def steps(self, date: int, over: "list[list[int]] | None" = None) -> "Iterator[Day | None]":
        """Work a table out in slices: yields None after each slice, the table last."""
        totals = self.totals(date, over)
        before = self.totals(date - 1, over)
        zone = self.setup.zone
        key = ()
        if zone.ordinary(date) and zone.ordinary(date - 1):
            key = totals + before
            found = self.cache.get(key)
            if found:
                yield found
                return
        length = self._length(date - 1)
        tail = self._space(date - 1, before, _NONE, length - self._reach())
        ends = [t[-1] + r - length if t else -length for t, r in zip(tail.times, tail.run_s)]
        yield None
        day = Day(totals)
        for i in range(len(totals)):
            self._place(day, i, date, ends, 0)
            yield None
        if key:
            if len(self.cache) >= self.keep:
                del self.cache[next(iter(self.cache))]
            self.cache[key] = day
        yield day

    def _length(self, date: int) -> int:
        return self.setup.zone.day_start(date + 1) - self.setup.zone.day_start(date)

    def _reach(self) -> int:
        # How far back from midnight the doses before can still matter.
        return _TAIL_S + 2 * max([s for _, _, s in self.setup.separate] or [0])

    def _space(self, date: int, totals: "tuple[int, ...]", ends: list[int], from_s: int) -> Day:
        day = Day(totals)
        for i in range(len(totals)):
            self._place(day, i, date, ends, from_s)
        return day

    def _place(self, day: Day, me: int, date: int, ends: list[int], from_s: int) -> None:
        """Add channel `me`, its doses from `from_s` on, clear of the channels already placed."""
        setup = self.setup
        c = setup.channels[me]
        total = day.totals[me]
        day.listed.append(volumes(c, total) if c.at else None)
        counts, ul = self.cals[me]
        run = longest_s(c, largest_ul(c, total), counts, ul) if total and ul else 0
        day.run_s.append(run)
        times = nominal(c, setup.zone, date, total) if total else array("i")
        day.times.append(times)
        if from_s > 0:
            times = day.times[me] = array("i", [t for t in times if t >= from_s])
        n = len(times)
        if not n:
            return
        gaps = self.gaps[me]
        first = max([e + max(1, gaps[i]) for i, e in enumerate(ends)] or [0])
        others = [
            (day.times[i], day.run_s[i] + max(1, gaps[i]), run + max(1, gaps[i]))
            for i in range(me)
            if len(day.times[i])
        ]
        at = [0] * len(others)
        last = self._length(date)
        for i in range(n):
            t = wish = times[i]
            limit = times[i + 1] if i + 1 < n else last
            if t < first:
                t = first
            moved = True
            while moved:
                moved = False
                for k, (taken, after, ahead) in enumerate(others):
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

    def nominal(self, channel: int, date: int, ul: int) -> array:
        """A channel's times on a date before spacing."""
        return nominal(self.setup.channels[channel], self.setup.zone, date, ul)

    def check(self, date: int, over: "list[list[int]] | None" = None) -> str:
        """Return what keeps a date from being spaced, or an empty text."""
        day = self.day(date, over)
        if not day.late:
            return ""
        names = [self.setup.channels[i].id for i in day.late]
        return "no room between the doses of the other channels for " + ", ".join(names)
