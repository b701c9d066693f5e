"""What local time must be, worked out without a line of Aliquot: zoneinfo and datetime alone.

Instants are seconds since 2000-01-01T00:00Z, dates are datetime.date.
"""

from __future__ import annotations

import datetime
import io
import struct
import zoneinfo
from collections.abc import Iterator

EPOCH = datetime.datetime(2000, 1, 1)
UNIX_2000 = 946684800
DAY_S = 86400


def of_posix(text: str) -> zoneinfo.ZoneInfo:
    """zoneinfo's own reading of a POSIX string: a TZif file of nothing else (RFC 9636, 3)."""
    block = struct.pack(">4s1s15x6L", b"TZif", b"2", 0, 0, 0, 0, 1, 4) + b"\0\0\0\0\0\0UTC\0"
    # One change long ago, because what comes before the first one is not the footer's business.
    late = struct.pack(">4s1s15x6L", b"TZif", b"2", 0, 0, 0, 1, 1, 4)
    late += struct.pack(">qB", -4_000_000_000, 0) + b"\0\0\0\0\0\0UTC\0"
    return zoneinfo.ZoneInfo.from_file(io.BytesIO(block + late + b"\n" + text.encode() + b"\n"))


def second_of(date: datetime.date) -> int:
    """Midnight UTC of a date."""
    return (date - EPOCH.date()).days * DAY_S


def offset(zone: datetime.tzinfo, instant: int) -> int:
    """Seconds east of UTC."""
    utcoffset = datetime.datetime.fromtimestamp(instant + UNIX_2000, zone).utcoffset()
    assert utcoffset is not None
    return round(utcoffset.total_seconds())


def transitions(
    zone: datetime.tzinfo, first: int, last: int, step: int = 10 * DAY_S
) -> Iterator[int]:
    """The instants at which the offset changes, found by looking every `step` seconds."""
    for low in range(first, last, step):
        yield from _change(zone, low, min(low + step, last))


def _change(zone: datetime.tzinfo, low: int, high: int) -> list[int]:
    before = offset(zone, low)
    if before == offset(zone, high):
        return []
    while high - low > 1:
        middle = (low + high) // 2
        if offset(zone, middle) == before:
            low = middle
        else:
            high = middle
    return [high]


def wall(zone: datetime.tzinfo, date: datetime.date, second: int) -> int:
    """The instant of a local time by the folds and gaps of PEP 495.

    Twice: the first (fold=0). Never: the instant at which the gap ends.
    """
    naive = datetime.datetime.combine(date, datetime.time()) + datetime.timedelta(seconds=second)
    local = round((naive - EPOCH).total_seconds())
    first, second_time = (
        round(naive.replace(tzinfo=zone, fold=fold).utcoffset().total_seconds()) for fold in (0, 1)
    )
    if first >= second_time:
        return local - first
    (end_of_gap,) = _change(zone, local - second_time - 1, local - first)
    return end_of_gap


class Rule:
    """A POSIX rule spelled out with datetime: two offsets, and a start and an end by year.

    A date is ("M", month, week, weekday with 0 for Sunday), ("J", n) or ("", n); then the seconds.
    """

    def __init__(
        self, standard: int, summer: int, start: tuple, start_s: int, end: tuple, end_s: int
    ) -> None:
        self.standard, self.summer = standard, summer
        self.start, self.start_s, self.end, self.end_s = start, start_s, end, end_s
        self._known: dict[int, tuple[int, int]] = {}

    @property
    def text(self) -> str:
        """The rule as a POSIX string."""
        std = f"<STD>{_time(-self.standard)}<DST>{_time(-self.summer)}"
        return f"{std},{self._date(self.start)}/{_time(self.start_s)},{self._date(self.end)}" + (
            f"/{_time(self.end_s)}"
        )

    @staticmethod
    def _date(date: tuple) -> str:
        return date[0] + ".".join(map(str, date[1:]))

    def _moment(self, date: tuple, second: int, year: int) -> int:
        if date[0] == "M":
            _, month, week, weekday = date
            days = [
                day
                for day in (
                    datetime.date(year, month, 1) + datetime.timedelta(n) for n in range(31)
                )
                if day.month == month and day.isoweekday() % 7 == weekday
            ]
            day = days[min(week, len(days)) - 1]
        elif date[0] == "J":
            # The day of that number in a year without a 29 February has the same name in all.
            named = datetime.date(2001, 1, 1) + datetime.timedelta(date[1] - 1)
            day = named.replace(year=year)
        else:
            day = datetime.date(year, 1, 1) + datetime.timedelta(date[1])
        return second_of(day) + second

    def changes(self, year: int) -> tuple[int, int]:
        """(start, end) by that year's rule, in UTC."""
        if year not in self._known:
            self._known[year] = (
                self._moment(self.start, self.start_s, year) - self.standard,
                self._moment(self.end, self.end_s, year) - self.summer,
            )
        return self._known[year]

    def offset(self, instant: int) -> int:
        """Summer time from a start to the next end by the rule of its year or a later one."""
        year = (EPOCH + datetime.timedelta(seconds=instant)).year
        for each in range(year - 2, year + 2):
            start = self.changes(each)[0]
            ends = (self.changes(each + n)[1] for n in (0, 1, 2))
            if start <= instant < next(end for end in ends if end > start):
                return self.summer
        return self.standard

    def wall(self, date: datetime.date, second: int) -> int:
        """The first instant whose local time has reached `second` after midnight of `date`.

        The first can only be where one of the offsets meets it, or where the clock changes.
        """
        local = second_of(date) + second
        found = [local - self.standard, local - self.summer]
        for year in range(date.year - 1, date.year + 2):
            found += self.changes(year)
        return min(c for c in found if c + self.offset(c) >= local)


def _time(seconds: int) -> str:
    sign = "-" if seconds < 0 else ""
    hours, rest = divmod(abs(seconds), 3600)
    return f"{sign}{hours}:{rest // 60:02}:{rest % 60:02}"
