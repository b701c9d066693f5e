"""What went in, day by day and channel by channel, and what did not, from a journal.

Sums of records, by the local date at the tank; lower and upper bounds differ where power went in a
run or records are lost. It adds up and explains nothing.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator

from aliquot.core.amounts import part
from aliquot.core.zone import Zone
from aliquot_host.intake import Intake


@dataclasses.dataclass
class Day:
    """One channel on one local date; volumes in µL, by the calibrations of that time.

    dose and extra: what the timetable gave and what went in besides, low and high bound. cup: ran
    into a cup. done: runs of the timetable that ended as planned; partial, uncertain: the others.
    trimmed_ul: off doses that ran; raised_ul: of them, made up for earlier ones. kept: only the
    board's own sum of the day is known, not its runs."""

    date: int
    channel: str
    dose_low_ul: int = 0
    dose_ul: int = 0
    extra_low_ul: int = 0
    extra_ul: int = 0
    cup_ul: int = 0
    done: int = 0
    partial: int = 0
    uncertain: int = 0
    missed: int = 0
    missed_ul: int = 0
    refused: int = 0
    refused_ul: int = 0
    skipped: int = 0
    skipped_ul: int = 0
    trimmed_ul: int = 0
    raised_ul: int = 0
    kept: bool = False

    @property
    def given_ul(self) -> int:
        """All that may have entered the tank."""
        return self.dose_ul + self.extra_ul

    @property
    def low_ul(self) -> int:
        """What entered it for certain."""
        return self.dose_low_ul + self.extra_low_ul


@dataclasses.dataclass
class Daybook:
    """All days of all channels, in order of date, then of channel; whole: the first and the last
    date that the records cover from end to end, the first later than the last where none is."""

    ids: list[str]
    first: int
    last: int
    days: dict[tuple[int, str], Day]
    whole: tuple[int, int]

    def rows(self, first: int | None = None, last: int | None = None) -> Iterator[Day]:
        """The days between two dates, each channel in its order."""
        for date in range(self.first if first is None else first,
                          (self.last if last is None else last) + 1):  # fmt: skip
            for name in self.ids:
                yield self.days.get((date, name), Day(date, name))

    def sums(self, first: int | None = None, last: int | None = None) -> dict[str, Day]:
        """The sums of each channel between two dates, as one Day of date 0."""
        found = {name: Day(0, name) for name in self.ids}
        for day in self.rows(first, last):
            whole = found[day.channel]
            for field in NUMBERS:
                setattr(whole, field, getattr(whole, field) + getattr(day, field))
        return found


NUMBERS = tuple(
    field.name
    for field in dataclasses.fields(Day)
    if field.name not in ("date", "channel", "kept")
)
# An hour without a record is a board at rest.
IDLE_S = 3700


def book(found: Intake, zone: Zone) -> Daybook:
    """Every local date from the first sum or record to the last."""
    days: dict[tuple[int, str], Day] = {}

    def day(date: int, name: str) -> Day:
        return days.setdefault((date, name), Day(date, name))

    for run in found.runs:
        own = day(zone.date_of(run.start_w), run.channel)
        if run.into == "cup":
            own.cup_ul += run.high_ul
        elif run.into == "extra":
            own.extra_low_ul += run.low_ul
            own.extra_ul += run.high_ul
        else:
            own.dose_low_ul += run.low_ul
            own.dose_ul += run.high_ul
            own.trimmed_ul += run.trim_ul
            own.raised_ul += run.raise_ul
            word = run.ending if run.ending in ("done", "partial") else "uncertain"
            setattr(own, word, getattr(own, word) + 1)
    for passed in found.passed:
        dates = passed.last - passed.first + 1
        for i in range(dates):
            own = day(passed.first + i, passed.channel)
            number, ul = part(passed.number, dates, i), part(passed.ul, dates, i)
            setattr(own, passed.ending, getattr(own, passed.ending) + number)
            field = f"{passed.ending}_ul"
            setattr(own, field, getattr(own, field) + ul)
    first, last = zone.date_of(found.first_w), zone.date_of(found.last_w)
    for date, sums in found.kept_days.items():
        if date < first:
            for name, (given, low, high) in sums.items():
                days[date, name] = Day(
                    date, name, dose_low_ul=low, dose_ul=max(given, high), kept=True
                )
    dates = [date for date, _ in days] or [first]
    ids = list(dict.fromkeys([*found.ids, *(name for _, name in days)]))
    # A board begins a little after midnight, and says nothing for an hour before it.
    begin = first if found.first_w <= zone.day_start(first) + 60 else first + 1
    end = last if found.last_w >= zone.day_start(last + 1) - IDLE_S else last - 1
    return Daybook(ids, min(dates), max(last, *dates), days, (begin, end))


def fullest(found: Intake, channel: str, from_w: int, until_w: int) -> int:
    """The most µL that may have entered through a channel in 24 hours, between two wall times."""
    within = [run for run in found.into_tank(channel) if from_w <= run.start_w < until_w]
    runs = sorted(within, key=lambda run: run.start_w)
    most = total = 0
    start = 0
    for run in runs:
        total += run.high_ul
        while runs[start].start_w <= run.start_w - 86400:
            total -= runs[start].high_ul
            start += 1
        most = max(most, total)
    return most
