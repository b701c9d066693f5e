"""`aliquot history`: what went in, day by day, and all that happened, from a journal.

It reads and writes tables; it explains no dose (that is `why`) and changes nothing.
"""

from __future__ import annotations

import csv
import dataclasses
import io
from collections import Counter
from pathlib import Path
from typing import Any

import click

from aliquot.core.decimals import date_of_text, date_text, text_of
from aliquot.core.ledger import ABSENT, CAP, CUP_OUT, EMPTY, FAULT, HOLD, LOST, QUEUE, TRIMMED
from aliquot.core.zone import Zone
from aliquot.core.zone_text import parse
from aliquot_host import archive, daybook, errors, intake, output, setup_file
from aliquot_host.commands.why import tell_findings
from aliquot_host.daybook import Day, Daybook
from aliquot_host.intake import Fill, Intake
from aliquot_host.report import may_write
from aliquot_host.setup_file import Loaded
from aliquot_host.water_tests import date_of, days_of

ROWS_MOST = 62
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


@click.command("history")
@click.argument("journal", type=click.Path(path_type=Path))
@click.option("--setup", type=click.Path(path_type=Path), help="Its time zone and labels.")
@click.option("--from", "from_text", metavar="DATE", help="The first date; default: all.")
@click.option("--until", "until_text", metavar="DATE", help="The last date.")
@click.option("--csv", "csv_file", type=click.Path(path_type=Path), metavar="FILE",
              help="A row a day and channel, units in the heading.")  # fmt: skip
@click.option("--report", type=click.Path(path_type=Path), metavar="FILE",
              help="One HTML page with plots.")  # fmt: skip
@click.option("--force", is_flag=True, help="Write over files that are none of these.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
def command(
    journal: Path,
    setup: Path | None,
    from_text: str | None,
    until_text: str | None,
    csv_file: Path | None,
    report: Path | None,
    force: bool,
    as_json: bool,
) -> None:
    """Show what went in through each channel of JOURNAL, day by day, and what did not.

    JOURNAL is a folder of segments or a pulled archive. Dates are local with --setup, UTC without
    it. Lower and upper bound differ where power went in a run.
    """
    if report:
        may_write(report, "history", force)
    if csv_file:
        _may_write(csv_file, force)
    read = archive.read_archive(journal)
    looked = look(read, setup_file.load(setup) if setup else None, from_text, until_text)
    if csv_file:
        _put(csv_file, table(looked))
        output.note(f"{errors.printable(str(csv_file), most=0)} is written.")
    if report:
        from aliquot_host import history_page

        _put(report, history_page.page(looked))
        output.note(f"{errors.printable(str(report), most=0)} is written.")
    if as_json:
        output.print_json("aliquot-history", payload(looked))
    else:
        show(looked)
    tell_findings(read)


def look(
    read: archive.Archive, loaded: Loaded | None, from_text: str | None, until_text: str | None
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


def _may_write(path: Path, force: bool) -> None:
    """BadInput where a CSV would go over something else."""
    if path.is_dir() or not path.parent.is_dir():
        raise errors.bad("--csv", str(path), limit="a file", advice="Name a file in a folder.")
    if path.exists() and not force:
        with path.open("rb") as there:
            head = there.read(5)
        if head not in (b"", b"date,"):
            advice = "There is another file: choose another name, or --force."
            raise errors.bad("--csv", str(path), limit="a new file, or such a CSV", advice=advice)


def _put(path: Path, text: str) -> None:
    try:
        path.write_bytes(text.encode())
    except OSError as error:
        advice = f"{error.strerror}: name another file."
        raise errors.bad(str(path), limit="can be written", advice=advice) from None


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


def show(looked: Looked) -> None:
    """Totals, days and reservoirs for a person."""
    first, last = date_text(looked.first), date_text(looked.last)
    output.say(f"{first} to {last}, {looked.name}", style="bold")
    columns = (
        "channel", "given mL", "lower", "of it extra", "made up", "left out", "missed", "refused",
        "done", "partial", "uncertain",
    )  # fmt: skip
    sums = looked.book.sums(looked.first, looked.last)
    output.table(columns, [_sums(name, day) for name, day in sums.items()], numbers=columns[1:])
    dates = looked.last - looked.first + 1
    if dates <= ROWS_MOST:
        ids = looked.book.ids
        rows = [
            (date_text(date), *(_cell(looked.book.days.get((date, name))) for name in ids))
            for date in range(looked.first, looked.last + 1)
        ]
        output.table(("date", *(f"{name}, mL" for name in ids)), rows,
                     numbers=[f"{name}, mL" for name in ids])  # fmt: skip
    else:
        output.say(f"{dates} dates: --csv or --report shows each of them.")
    for line in [
        *reasons(looked),
        *measured(looked),
        *reservoirs(looked),
        *outages(looked),
        *lost(looked),
    ]:
        output.say(line)


def _sums(name: str, day: Day) -> tuple[object, ...]:
    trimmed = day.skipped_ul + day.trimmed_ul
    return (
        name, text_of(day.given_ul), text_of(day.low_ul), text_of(day.extra_ul),
        text_of(day.raised_ul), text_of(trimmed), text_of(day.missed_ul),
        text_of(day.refused_ul), day.done, day.partial, day.uncertain,
    )  # fmt: skip


def _cell(day: Day | None) -> str:
    if day is None:
        return "-"
    open_ul = day.given_ul - day.low_ul
    return text_of(day.given_ul) + (f" (-{text_of(open_ul)})" if open_ul else "")


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


def payload(looked: Looked) -> dict[str, Any]:
    """What --json prints under its format and version; volumes in mL as numbers with unit."""

    def row(day: Day) -> dict[str, Any]:
        return {
            name: getattr(day, field) / 1000 if field.endswith("_ul") else getattr(day, field)
            for name, field in COLUMNS
        }

    days = [
        {"date": date_text(day.date), "channel": day.channel, **row(day), "kept": day.kept}
        for day in looked.book.rows(looked.first, looked.last)
    ]
    sums = looked.book.sums(looked.first, looked.last)
    return {
        "zone": looked.name,
        "first": date_text(looked.first),
        "last": date_text(looked.last),
        "totals": {name: row(day) for name, day in sums.items()},
        "days": days,
        "not_run": reasons(looked),
        "fills": [dataclasses.asdict(fill) for fill in fills(looked)],
        "dark": [dataclasses.asdict(one) for one in looked.found.dark],
        "lost": [dataclasses.asdict(one) for one in looked.found.lost],
        "events": [
            {"at": looked.when(one.at_w), "seq": one.seq, "channel": one.channel,
             "text": one.text}
            for one in looked.found.told
            if looked.inside(one.at_w)
        ],
    }  # fmt: skip
