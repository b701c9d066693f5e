"""A journal looked back at: days, reasons, refills, outages, as sentences and as a CSV.

The command `history` and its page share it. It words what `daybook` and `intake` found, and works
out nothing.
"""

from __future__ import annotations

import csv
import dataclasses
import io
from collections import Counter

from aliquot.core.decimals import date_of_text, date_text, text_of
from aliquot.core.ledger import ABSENT, CAP, CUP_OUT, EMPTY, FAULT, HOLD, LOST, QUEUE, TRIMMED
from aliquot.core.zone import Zone
from aliquot.core.zone_text import parse
from aliquot_host import daybook, errors, intake
from aliquot_host.archive import Archive
from aliquot_host.daybook import Daybook
from aliquot_host.intake import Fill, Intake
from aliquot_host.setup_file import Loaded
from aliquot_host.water_tests import date_of, days_of

REASONS = {
    ABSENT: "no power or no clock",
    HOLD: "on hold",
    CUP_OUT: "line over a cup",
    FAULT: "fault",
    CAP: "cap full",
    EMPTY: "container empty",
    QUEUE: "others took too long",
    LOST: "records lost",
    TRIMMED: "trimmed",
}
# Column of the CSV -> what stands in it, in the order of the file.
COLUMNS: tuple[tuple[str, str], ...] = (
    ("given_ml", "given_ul"),
    ("lower_ml", "low_ul"),
    ("doses_ml", "dose_ul"),
    ("extra_ml", "extra_ul"),
    ("into_cup_ml", "cup_ul"),
    ("made_up_ml", "raised_ul"),
    ("trimmed_ml", "trimmed_ul"),
    ("left_out_ml", "skipped_ul"),
    ("missed_ml", "missed_ul"),
    ("refused_ml", "refused_ul"),
    ("done_doses", "done"),
    ("partial_doses", "partial"),
    ("uncertain_doses", "uncertain"),
    ("left_out_doses", "skipped"),
    ("missed_doses", "missed"),
    ("refused_doses", "refused"),
)


@dataclasses.dataclass(frozen=True)
class Looked:
    """What a command has in hand. labels: channel -> what people call it."""

    found: Intake
    book: Daybook
    zone: Zone
    name: str
    labels: dict[str, str]
    first: int
    last: int

    def when(self, at_w: float) -> str:
        """A wall second as local time."""
        return date_of(days_of(at_w), self.name).strftime("%Y-%m-%d %H:%M")

    def inside(self, at_w: int) -> bool:
        """Whether a moment lies between the dates that are asked for."""
        return self.first <= self.zone.date_of(at_w) <= self.last


def look(
    read: Archive, loaded: Loaded | None, from_text: str | None, until_text: str | None
) -> Looked:
    """Read an archive as days. BadInput: a date that is none, or none of the journal's."""
    found = intake.read(read)
    zone = loaded.setup.zone if loaded else Zone(parse("UTC0"))
    name = str(loaded.data["timezone"]) if loaded else "UTC"
    book = daybook.book(found, zone)
    labels = (
        {c["id"]: str(c["label"] or c["id"]) for c in loaded.data["channel"]} if loaded else {}
    )
    first = _date("--from", from_text, book) if from_text else book.first
    last = _date("--until", until_text, book) if until_text else book.last
    if first > last:
        raise errors.bad("--until", until_text, limit=f"{date_text(first)} or later",
                         advice="Name a later date.")  # fmt: skip
    return Looked(found, book, zone, name, labels, first, last)


def _date(option: str, text: str, book: Daybook) -> int:
    limit = f"{date_text(book.first)} to {date_text(book.last)}, the dates of the journal"
    try:
        date = date_of_text(text)
    except ValueError:
        raise errors.bad(option, text, limit="a date such as 2026-03-10",
                         advice="Write year, month and day.") from None  # fmt: skip
    if not book.first <= date <= book.last:
        raise errors.bad(option, text, limit=limit, advice="Name one of them.")
    return date


def table(looked: Looked) -> str:
    """The CSV: a row a date and channel. A text that a spreadsheet would run gets a quote."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(("date", "channel", *(name for name, _ in COLUMNS), "known_from"))
    for day in looked.book.rows(looked.first, looked.last):
        values = [
            text_of(getattr(day, field)) if field.endswith("_ul") else getattr(day, field)
            for _, field in COLUMNS
        ]
        source = "day sums" if day.kept else "records"
        writer.writerow((date_text(day.date), safe(day.channel), *values, source))
    return out.getvalue()


def safe(text: str) -> str:
    """A text that no spreadsheet takes for a formula."""
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t") else text


def reasons(looked: Looked) -> list[str]:
    """Why doses did not run, counted."""
    counted: Counter[tuple[str, str, int]] = Counter()
    volume: Counter[tuple[str, str, int]] = Counter()
    for passed in looked.found.passed:
        if looked.first <= passed.last and passed.first <= looked.last:
            key = (passed.channel, passed.ending, passed.reason)
            counted[key] += passed.number
            volume[key] += passed.ul
    return [
        f"{name}: {number} {'dose' if number == 1 else 'doses'} {_ending(ending)}, "
        f"{text_of(volume[name, ending, reason])} mL: {REASONS.get(reason, f'reason {reason}')}"
        for (name, ending, reason), number in sorted(counted.items())
    ]


def _ending(ending: str) -> str:
    return "left out" if ending == "skipped" else ending


def measured(looked: Looked) -> list[str]:
    """Calibrations and new tubing."""
    return [
        f"{looked.when(one.at_w)} {one.text}"
        for one in looked.found.told
        if one.kind in "KN" and looked.inside(one.at_w)
    ]


def reservoirs(looked: Looked) -> list[str]:
    """Each refill beside what the books said was left."""
    return [
        f"{fill.channel}: {looked.when(fill.at_w)} {text_of(fill.ul)} mL in its container, "
        f"{text_of(fill.expected_ul)} mL by the books before"
        for fill in fills(looked)
        if fill.expected_ul >= 0
    ]


def fills(looked: Looked) -> list[Fill]:
    """The fills between the dates that are asked for."""
    return [fill for fill in looked.found.fills if looked.inside(fill.at_w)]


def outages(looked: Looked) -> list[str]:
    """When the board had no power, or no clock."""
    words = {"off": "no power", "unset": "no clock"}
    return [
        f"{words[dark.kind]} from {looked.when(dark.from_w)} for "
        f"{(dark.until_w - dark.from_w) / 60:.0f} min"
        for dark in looked.found.dark
        if dark.until_w - dark.from_w >= 60 and looked.inside(dark.from_w)
    ]


def lost(looked: Looked) -> list[str]:
    """Where records are missing."""
    return [
        f"records are missing from {looked.when(gap.from_w)} to {looked.when(gap.until_w)}: what "
        "went in there is not known"
        for gap in looked.found.lost
    ]
