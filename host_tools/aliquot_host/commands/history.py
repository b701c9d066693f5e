"""`aliquot history`: what went in, day by day, and all that happened, from a journal.

It reads and writes tables; it explains no dose (that is `why`) and changes nothing.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import click

from aliquot.core.decimals import date_text, text_of
from aliquot_host import archive, errors, output, setup_file
from aliquot_host.commands.why import tell_findings
from aliquot_host.daybook import Day
from aliquot_host.looking_back import (
    COLUMNS,
    Looked,
    fills,
    look,
    lost,
    measured,
    outages,
    reasons,
    reservoirs,
    table,
)
from aliquot_host.report import may_write

ROWS_MOST = 62


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


def show(looked: Looked) -> None:
    """Totals, days and reservoirs for a person."""
    first, last = date_text(looked.first), date_text(looked.last)
    output.say(f"{first} to {last}, {looked.name}", style="bold")
    columns = ("channel", "given", "at least", "extra", "made up", "left out", "missed", "refused")
    sums = looked.book.sums(looked.first, looked.last)
    rows = [_sums(name, day) for name, day in sums.items()]
    output.table(columns, rows, title="In all, mL", numbers=columns[1:])
    for name, day in sums.items():
        output.say(
            f"{name}: {day.done} doses as planned, {day.partial} in part, "
            f"{day.uncertain} uncertain"
        )
    dates = looked.last - looked.first + 1
    if dates <= ROWS_MOST:
        ids = looked.book.ids
        dated = [
            (date_text(date), *(_cell(looked.book.days.get((date, name))) for name in ids))
            for date in range(looked.first, looked.last + 1)
        ]
        output.table(("date", *(f"{name}, mL" for name in ids)), dated,
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
        text_of(day.refused_ul),
    )  # fmt: skip


def _cell(day: Day | None) -> str:
    if day is None:
        return "-"
    open_ul = day.given_ul - day.low_ul
    return text_of(day.given_ul) + (f" (-{text_of(open_ul)})" if open_ul else "")


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
