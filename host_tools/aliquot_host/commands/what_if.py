"""`aliquot what-if`: the last weeks of a journal under another set-up, side by side.

It rehearses; nothing goes to a board.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from aliquot.core.decimals import date_text
from aliquot_host import errors, output, setup_file, simulation, what_if
from aliquot_host.archive import read_archive
from aliquot_host.commands.why import tell_findings
from aliquot_host.daybook import Daybook
from aliquot_host.report import may_write
from aliquot_host.what_if import WhatIf
from aliquot_host.what_if_words import rows, said

DAYS = 30


@click.command("what-if")
@click.argument("journal", type=click.Path(path_type=Path))
@click.argument("setup", metavar="NEW.toml", type=click.Path(path_type=Path))
@click.option(
    "--days",
    type=click.IntRange(1, 366),
    default=DAYS,
    show_default=True,
    help="How many whole dates back.",
)
@click.option(
    "--report", type=click.Path(path_type=Path), metavar="FILE", help="One HTML page with plots."
)
@click.option("--force", is_flag=True, help="Write over a file that is no such report.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
def command(
    journal: Path, setup: Path, days: int, report: Path | None, force: bool, as_json: bool
) -> None:
    """Live the last month of JOURNAL through again, under NEW.toml.

    The same power cuts, the same times without a clock and the same orders, with the engine of the
    board: what would have gone in, what would have been missed, how near to its cap each channel
    would have come.
    """
    if report:
        may_write(report, "what-if", force)
    read = read_archive(journal)
    loaded = setup_file.load(setup)
    found = what_if.what_if(read, loaded, days)
    if report:
        from aliquot_host import what_if_page

        try:
            report.write_bytes(what_if_page.page(found, loaded).encode())
        except OSError as error:
            advice = f"{error.strerror}: name another file."
            raise errors.bad("--report", str(report), limit="can be written",
                             advice=advice) from None  # fmt: skip
        output.note(f"{errors.printable(str(report), most=0)} is written.")
    if as_json:
        output.print_json("aliquot-what-if", payload(found))
    else:
        show(found)
    tell_findings(read)
    if found.outcome.world.violations:
        raise errors.Finding(simulation.verdict(found.outcome))


def show(found: WhatIf) -> None:
    """Both sides for a person."""
    dates = f"{date_text(found.first)} to {date_text(found.last)}"
    output.say(f"{dates}, once as it was and once under the new plan", style="bold")
    columns = ("channel", "", "as it was", "would have been")
    output.table(columns, rows(found), numbers=columns[2:])
    for line in said(found):
        output.say(line)


def payload(found: WhatIf) -> dict[str, Any]:
    """What --json prints under its format and version."""

    def side(book: Daybook) -> dict[str, Any]:
        return {
            name: {
                "given_ml": day.given_ul / 1000,
                "made_up_ml": day.raised_ul / 1000,
                "missed_ml": day.missed_ul / 1000,
                "refused_ml": day.refused_ul / 1000,
                "left_out_ml": (day.skipped_ul + day.trimmed_ul) / 1000,
            }
            for name, day in book.sums(found.first, found.last).items()
        }

    return {
        "first": date_text(found.first),
        "last": date_text(found.last),
        "was": side(found.was),
        "would": side(found.would),
        "left_out": found.left_out,
        "refused": found.refused,
        "approximate": found.approximate,
        "violations": found.outcome.world.violations,
    }
