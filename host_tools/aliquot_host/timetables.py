"""The timetable of a set-up as plain rows: which dose, when, how much, how many counts, how long.

The times and volumes are the board's own (`core/timetable.py`); the counts are those of a board
whose remainder is 0 before the first row and that gives every dose as planned. Nothing here has
happened: what really went in stands in a journal.
"""

from __future__ import annotations

import dataclasses
import datetime
from collections.abc import Iterable, Iterator
from typing import Any

from aliquot.core import layout
from aliquot.core.amounts import to_counts
from aliquot.core.dates import ymd
from aliquot.core.decimals import LAST_YEAR, date_of_text, stamp_text
from aliquot.core.plan import Setup
from aliquot.core.timetable import Day, Timetable
from aliquot_host import errors
from aliquot_host.setup_file import Data

DAYS_MOST = 366
# Where the board's seconds count from.
EPOCH = datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC)
# A set-up file is the first plan that a board can have.
REVISION = 1

# Counts, microlitres, and the dead time in counts that every run of a timed motor needs besides.
Calibration = tuple[int, int, int]


@dataclasses.dataclass(frozen=True)
class Dose:
    """One planned dose. wall_s: UTC seconds since 2000; east_s: seconds east of UTC at that time;
    remainder: carried in, in parts of 1/(the calibration's microlitres) of a count."""

    channel: str
    revision: int
    index: int
    wall_s: int
    east_s: int
    volume_ul: int
    counts: int
    run_ms: int
    remainder: int

    @property
    def local(self) -> str:
        """Local time as RFC 3339 text, with its distance from UTC."""
        return stamp_text(self.wall_s, self.east_s)

    @property
    def utc(self) -> str:
        """The same instant as RFC 3339 text in UTC."""
        return stamp_text(self.wall_s)

    def as_json(self) -> dict[str, object]:
        """The shape of a dose in `timetable --json`."""
        return {
            "channel": self.channel,
            "revision": self.revision,
            "index": self.index,
            "local": self.local,
            "utc": self.utc,
            "volume_ul": self.volume_ul,
            "counts": self.counts,
            "run_ms": self.run_ms,
        }


@dataclasses.dataclass(frozen=True)
class Date:
    """The doses of one local date in the order of their times; channels with a dose that found no
    room between the others are in `late`."""

    date: int
    length_s: int
    doses: tuple[Dose, ...]
    late: tuple[str, ...]


def calibrations(data: Data) -> list[Calibration]:
    """The calibration of every channel as a set-up file states it."""
    listed = [channel["calibration"] for channel in data["channel"]]
    return [(c["counts"], c["ul"], c["offset"]) for c in listed]


def table_of(setup: Setup, cals: list[Calibration]) -> Timetable:
    """The board's timetable, worked out with these calibrations."""
    return Timetable(setup, [(counts, ul) for counts, ul, _ in cals])


def dates(setup: Setup, cals: list[Calibration], which: Iterable[int]) -> Iterator[Date]:
    """Yield the rows of consecutive dates, the remainder carried in due order from 0."""
    table = table_of(setup, cals)
    remainders = [0] * len(setup.channels)
    for date in which:
        yield _date(setup, cals, table.day(date), date, remainders)


def _date(
    setup: Setup, cals: list[Calibration], day: Day, date: int, remainders: list[int]
) -> Date:
    zone = setup.zone
    start_w = zone.day_start(date)
    rows: list[tuple[int, int, Dose]] = []
    for place, channel in enumerate(setup.channels):
        cal_counts, cal_ul, offset = cals[place]
        for index, second in enumerate(times(day, place)):
            ul = day.ul(place, index)
            before = remainders[place]
            counts = to_counts(ul, cal_counts, cal_ul, before) + offset
            remainders[place] += ul * cal_counts - (counts - offset) * cal_ul
            wall_s = start_w + second
            dose = Dose(
                channel.id,
                REVISION,
                index,
                wall_s,
                zone.offset(wall_s),
                ul,
                counts,
                run_ms(counts, channel.speed_cps),
                before,
            )
            rows.append((wall_s, place, dose))
    rows.sort(key=lambda row: row[:2])
    late = tuple(setup.channels[place].id for place in day.late)
    return Date(date, zone.day_length(date), tuple(dose for *_, dose in rows), late)


def times(day: Day, place: int) -> list[int]:
    """A channel's times on a date, in seconds after the start of the date, rising."""
    laid: Any = day
    return list(laid.times[place])


def nominal(table: Timetable, place: int, date: int, ul: int) -> list[int]:
    """The same for a day of `ul`, before other channels come into it."""
    laid: Any = layout
    return list(laid.nominal(table.setup.channels[place], table.setup.zone, date, ul))


def run_ms(counts: int, speed_cps: int) -> int:
    """The milliseconds that a run takes at full speed, rounded up."""
    return -(-counts * 1000 // speed_cps)


def now_s() -> int:
    """This moment in UTC seconds since 2000."""
    return (datetime.datetime.now(datetime.UTC) - EPOCH) // datetime.timedelta(seconds=1)


def instant(wall_s: int) -> datetime.datetime:
    """A UTC second since 2000 as an aware datetime."""
    return EPOCH + datetime.timedelta(seconds=wall_s)


def today(setup: Setup) -> int:
    """Today's date where the tank stands, whatever zone this computer is in."""
    return setup.zone.date_of(now_s())


def date_given(text: str, days: int = 1, option: str = "--date") -> int:
    """The date that a person wrote; BadInput unless it and the dates after it can be laid out."""
    try:
        date = date_of_text(text)
    except ValueError as wrong:
        reason = str(wrong).rpartition('": ')[2]
        raise errors.bad(option, text, advice=f"{reason[:1].upper()}{reason[1:]}.") from wrong
    if ymd(date + days)[0] > LAST_YEAR:
        limit = f"dates before the last day of {LAST_YEAR}"
        raise errors.bad(option, text, limit=limit, advice="Name an earlier date, or fewer days.")
    return date
