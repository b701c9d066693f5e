"""What a set-up asks for on a date, from `zoneinfo` and `fractions` alone: for `checks.py`.

Totals, volumes and the wanted times of one set-up's channels, worked out from canonical data
without a line of Aliquot's core. How doses make way for each other is not worked out here: a dose
may be later than wanted, and `tests/outside` looks at by how much.
"""

from __future__ import annotations

import datetime
import functools
import math
import zoneinfo
from fractions import Fraction
from typing import Any

DAY_S = 86400
HALF = Fraction(1, 2)
_EPOCH = datetime.datetime(2000, 1, 1)
_EPOCH_UTC = datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC)
_FIRST = _EPOCH.toordinal()


class Calendar:
    """The plan of one set-up; dates are days since 2000-01-01, instants UTC seconds since then."""

    def __init__(self, data: dict[str, Any]) -> None:
        self.channels: list[dict[str, Any]] = data["channel"]
        self.ids: list[str] = [c["id"] for c in self.channels]
        self.groups: list[dict[str, Any]] = data["group"]
        self.separate: list[dict[str, Any]] = data["separate"]
        self.carry_on_s: int = data["clock"]["carry_on_s"]
        self.zone = zoneinfo.ZoneInfo(data["timezone"])
        self._starts: dict[int, int] = {}
        self._wanted: dict[tuple[int, int, int], tuple[int, ...]] = {}
        self._volumes: dict[tuple[int, int], tuple[int, ...]] = {}
        self._totals: dict[tuple[int, int], int] = {}

    def start(self, date: int) -> int:
        """The first instant of a local date."""
        found = self._starts.get(date)
        if found is None:
            found = self._starts[date] = reached(self.zone, date, 0)
        return found

    def total(self, ch: int, date: int, over: list[tuple[int, int, int]]) -> int:
        """The microlitres of a date; over: (microlitres more, first date, days)."""
        ul = self._totals.get((ch, date))
        if ul is None:
            ul = self._totals[ch, date] = self._total(ch, date)
        if ul >= 0 and over:
            ul += sum(more for more, first, days in over if first <= date < first + days)
        return max(0, ul)

    def _total(self, ch: int, date: int) -> int:
        """Without overrides; -1 for a date that has no doses whatever the overrides."""
        c = self.channels[ch]
        first: int = c["start_date"] or 0
        weekday = datetime.date.fromordinal(_FIRST + date).weekday()
        if not c["weekdays"] >> weekday & 1 or date < first or (date - first) % c["every_days"]:
            return -1
        ul: int = c["daily_ul"]
        if c["ramp"]:
            low, begin, days = (c["ramp"][key] for key in ("from_ul", "start_date", "days"))
            if date < begin + days:
                ul = low + math.floor(Fraction((ul - low) * max(0, date - begin), days))
        return ul

    def volumes(self, ch: int, total: int) -> tuple[int, ...]:
        """The microlitres of each dose of a day of `total`, in order."""
        found = self._volumes.get((ch, total))
        if found is None:
            found = self._volumes[ch, total] = tuple(ul for _, ul in self._doses(ch, total))
        return found

    def _doses(self, ch: int, total: int) -> list[tuple[int, int]]:
        """(second of the day, or nothing that matters; microlitres) of each dose."""
        c = self.channels[ch]
        if not c["at"]:
            n = min(c["doses"], total // c["dose_least_ul"])
            return [(0, ul) for ul in divided(total, [1] * n)]
        weights = [d["share"] if "share" in d else d["ul"] for d in c["at"]]
        found: list[tuple[int, int]] = []
        small = 0
        for dose, ul in zip(c["at"], divided(total, weights), strict=True):
            small += ul
            if small >= c["dose_least_ul"]:
                found.append((dose["time_s"], small))
                small = 0
        if small and found:
            found[-1] = (found[-1][0], found[-1][1] + small)
        return found

    def wanted(self, ch: int, date: int, total: int) -> tuple[int, ...]:
        """When the doses of a date are wanted, in seconds after its start, rising."""
        start, after = self.start(date), self.start(date + 1)
        key = (ch, total, -1 if after - start == DAY_S else date)
        found = self._wanted.get(key)
        if found is None:
            found = self._wanted[key] = tuple(self._times(ch, date, total))
        return found

    def _times(self, ch: int, date: int, total: int) -> list[int]:
        c = self.channels[ch]
        start, end = self.start(date), self.start(date + 1)
        if c["at"]:
            out: list[int] = []
            for second, _ in self._doses(ch, total):
                at = reached(self.zone, date, second) - start
                out.append(out[-1] + 60 if out and at <= out[-1] else at)
            return out
        n = len(self.volumes(ch, total))
        first = reached(self.zone, date, c["from_s"])
        until = c["from_s"] + c["span_s"]
        if until <= DAY_S:
            pieces = [(first, reached(self.zone, date, until))]
        else:
            pieces = [(first, end), (start, reached(self.zone, date, until - DAY_S))]
        length = sum(b - a for a, b in pieces)
        out = []
        for i in range(n):
            at = math.floor(Fraction(i * length, n))
            if at < pieces[0][1] - pieces[0][0]:
                out.append(first + at - start)
            else:
                out.append(pieces[1][0] + at - (pieces[0][1] - pieces[0][0]) - start)
        return sorted(out)


def divided(total: int, weights: list[int]) -> list[int]:
    """Whole parts of `total` by weight, whose running sum is the nearest to the line."""
    out: list[int] = []
    passed = given = 0
    whole = sum(weights)
    for weight in weights:
        passed += weight
        line = math.floor(Fraction(total * passed, whole) + HALF)
        out.append(line - given)
        given = line
    return out


@functools.lru_cache(maxsize=20000)
def reached(zone: zoneinfo.ZoneInfo, date: int, second: int) -> int:
    """The first instant at which the local clock has reached a second of a date; it may be more
    than a day's."""
    naive = _EPOCH + datetime.timedelta(days=date, seconds=second)
    at = naive.replace(tzinfo=zone)
    found = round((at - _EPOCH_UTC).total_seconds())
    there = (_EPOCH_UTC + datetime.timedelta(seconds=found)).astimezone(zone)
    if there.replace(tzinfo=None) == naive:
        return found
    # In a gap: the first instant after it, by halving. At `found` the gap is over.
    low, high = found - DAY_S, found
    east = at.utcoffset()
    while high - low > 1:
        middle = (low + high) // 2
        there = (_EPOCH_UTC + datetime.timedelta(seconds=middle)).astimezone(zone)
        if there.utcoffset() == east:
            low = middle
        else:
            high = middle
    return high
