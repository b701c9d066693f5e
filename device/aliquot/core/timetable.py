"""The doses of one local date, all channels, spaced so that one pump runs at a time.

What a date holds depends on the set-up, the day totals and the date alone, so a table can be
worked out anywhere, at any time, and again. Ordinary days with the same totals share one. How a
date is laid out stands in `layout.py`, imported on demand. Nothing here looks at what happened.
"""

from aliquot.core.demand import forget
from aliquot.core.plan import Setup, day_ul

TYPE_CHECKING = False
if TYPE_CHECKING:
    from array import array
    from collections.abc import Iterator

_NONE: list[int] = []


class Day:
    """A date's table: per channel the volume, the rising times of the day, its longest run."""

    def __init__(self, totals: "tuple[int, ...]") -> None:
        self.totals = totals
        self.times: list[array[int]] = []
        self.listed: list[tuple[tuple[int, int], ...] | None] = []
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

    def totals(self, date: int, over: "list[list[int]] | None" = None) -> "tuple[int, ...]":
        """The channels' volumes on a date; `over` holds each channel's overrides."""
        channels = self.setup.channels
        return tuple([day_ul(c, date, over[i] if over else _NONE) for i, c in enumerate(channels)])

    def day(self, date: int, over: "list[list[int]] | None" = None) -> Day:
        """Return the table of a date, ready to use."""
        return next(found for found in self.steps(date, over) if found)

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
        from aliquot.core import layout

        day = Day(totals)
        tail = Day(before)
        from_s = layout.tail_s(self, date - 1)
        for i in range(len(totals)):
            yield None
            layout.place(self, tail, i, date - 1, [], from_s)
        ends = layout.ends_s(self, date - 1, tail)
        for i in range(len(totals)):
            yield None
            layout.place(self, day, i, date, ends, 0)
        forget("aliquot.core.layout")
        if key:
            if len(self.cache) >= self.keep:
                del self.cache[next(iter(self.cache))]
            self.cache[key] = day
        yield day
