"""What the doses of a date must be, from zoneinfo and fractions alone, without a line of Aliquot.

A channel here is a plain dict: daily_ul, doses, from_s, span_s, weekdays (bit 0 Monday), every,
start (a date), at (pairs of second of the day and weight, or None), least_ul. Instants are whole
UTC seconds since 2000, dates are datetime.date.
"""

from __future__ import annotations

import datetime
import functools
import itertools
import math
from fractions import Fraction

from outside import zone_oracle as oracle

DAY_S = 86400
HALF = Fraction(1, 2)


def has_doses(channel: dict, date: datetime.date) -> bool:
    """By the calendar: the weekday, and every so many days from the first."""
    on = channel["weekdays"] >> date.weekday() & 1
    days = (date - channel["start"]).days
    return bool(on) and days >= 0 and days % channel["every"] == 0


def volumes(channel: dict) -> list[int]:
    """The whole microlitres of each dose of a day, in order."""
    total = channel["daily_ul"]
    if channel["at"] is None:
        n = min(channel["doses"], total // channel["least_ul"])
        weights = [1] * n
    else:
        weights = [weight for _, weight in channel["at"]]
    out = []
    passed = given = 0
    for weight in weights:
        passed += weight
        line = math.floor(Fraction(total * passed, sum(weights)) + HALF)
        out.append(line - given)
        given = line
    return out


@functools.cache
def even(length: int, n: int) -> list[int]:
    """Where n doses stand in so many seconds: each at the whole second of its share."""
    return [math.floor(Fraction(i * length, n)) for i in range(n)]


def day(zone: datetime.tzinfo, date: datetime.date) -> tuple[int, int]:
    """The first instant of a local date and that of the next."""
    return oracle.wall(zone, date, 0), oracle.wall(zone, date + datetime.timedelta(1), 0)


def instants(zone: datetime.tzinfo, channel: dict, date: datetime.date) -> list[int]:
    """When the doses are wanted, before they make way for each other."""
    start, end = day(zone, date)
    if channel["at"] is not None:
        out: list[int] = []
        for second, _ in channel["at"]:
            instant = oracle.wall(zone, date, second)
            if out and instant <= out[-1]:
                instant = out[-1] + 60
            out.append(instant)
        return out
    n = min(channel["doses"], channel["daily_ul"] // channel["least_ul"])
    first = oracle.wall(zone, date, channel["from_s"])
    until = channel["from_s"] + channel["span_s"]
    if until <= DAY_S:
        pieces = [(first, oracle.wall(zone, date, until))]
    else:
        # Wrapped inside its own date: the evening, then the morning.
        pieces = [(first, end), (start, oracle.wall(zone, date, until - DAY_S))]
    out = []
    for offset in even(sum(b - a for a, b in pieces), n):
        for a, b in pieces:
            if offset < b - a:
                out.append(a + offset)
                break
            offset -= b - a
    return sorted(out)


class Spacing:
    """Looks at given times: they rise, keep apart, and moved no later than they had to.

    `gaps` are {(i, j): seconds} between channels, `runs` the longest run of each channel's doses.
    The dose before, of any channel and over midnight, is kept from date to date."""

    def __init__(self, gaps: dict, runs: list[int]) -> None:
        self.gaps, self.runs = gaps, runs
        self.before: list[tuple[int, int]] = []
        self.seen: dict[tuple, tuple] = {}

    def _apart(self, i: int, j: int) -> int:
        """The least seconds from the end of a run of one to the start of one of the other."""
        return max(1, self.gaps.get((i, j), 0), self.gaps.get((j, i), 0))

    def _fits(self, channel: int, start: int, others: list[tuple[int, int]]) -> bool:
        end = start + self.runs[channel]
        return all(
            start >= s + self.runs[j] + self._apart(channel, j)
            or end + self._apart(channel, j) <= s
            for s, j in others
        )

    def look(self, wanted: list[list[int]], found: list[list[int]], start: int = 0) -> list[str]:
        """What is wrong with a date: `wanted` and `found` hold each channel's instants. A date
        that is, in seconds from its `start`, one looked at before is not looked at again."""
        key = (
            tuple((time - start, channel) for time, channel in self.before),
            *(tuple(time - start for time in times) for times in [*wanted, *found]),
        )
        if key not in self.seen:
            wrong = self._look(wanted, found)
            self.seen[key] = wrong, [(time - start, channel) for time, channel in self.before]
        wrong, before = self.seen[key]
        self.before = [(time + start, channel) for time, channel in before]
        return wrong

    def _look(self, wanted: list[list[int]], found: list[list[int]]) -> list[str]:
        wrong = []
        placed = list(self.before)
        for channel, times in enumerate(found):
            if len(times) != len(wanted[channel]):
                wrong.append(f"{channel}: {len(times)} doses, {len(wanted[channel])} wanted")
                continue
            if any(b <= a for a, b in itertools.pairwise(times)):
                wrong.append(f"{channel}: does not rise")
            own: list[tuple[int, int]] = []
            for wish, time in zip(wanted[channel], times, strict=True):
                near = [(s, j) for s, j in placed + own if abs(s - time) < 4 * 3600]
                if time < wish:
                    wrong.append(f"{channel}: {wish - time} s early")
                elif not self._fits(channel, time, near):
                    wrong.append(f"{channel}: at {time} too near to another")
                elif time > wish:
                    # Earlier starts that could be free: the wish, and the ends of the others.
                    ends = [s + self.runs[j] + self._apart(channel, j) for s, j in near]
                    free = [
                        t
                        for t in [wish, *ends]
                        if wish <= t < time and self._fits(channel, t, near)
                    ]
                    if free:
                        wrong.append(f"{channel}: {time - min(free)} s later than it had to be")
                own.append((time, channel))
            placed += own
        last: dict[int, int] = {}
        for time, channel in sorted(placed):
            last[channel] = time
        self.before = [(time, channel) for channel, time in last.items()]
        return wrong
