"""`aliquot demo`: a month of a made-up tank, told as a story and written as a report.

Set-up and acts are examples of the package; the seed decides when the power goes and how the pumps
differ. Nothing of the person's own is read.
"""

from __future__ import annotations

import datetime
import random
from pathlib import Path

import click

from aliquot.core.decimals import date_of_text
from aliquot_host import (
    acts_file,
    errors,
    output,
    resources,
    setup_file,
    simulation,
    story,
    worked_month,
    worked_page,
)
from aliquot_host.acts_file import Script
from aliquot_host.commands.simulate import sums_table
from aliquot_host.report import may_write, write
from aliquot_host.setup_file import Loaded
from aliquot_host.simulation import Outcome
from aliquot_host.worked_month import Worked
from aliquot_host.world import Weather

EXAMPLE = "demo_reef"
START = "2026-03-10"
DAYS = 31
OUTAGES = 6
REPORT = "aliquot-demo.html"
HOUR_S = 3600
# So many days give tests enough for the desk side.
DESK_DAYS = 10
# Alkalinity runs so long after every full hour.
DOSE_S = 300


@click.command("demo")
@click.option(
    "--seed",
    type=click.IntRange(0, simulation.SEED_MOST),
    default=1,
    show_default=True,
    help="Another seed is another month.",
)
@click.option(
    "--days",
    type=click.IntRange(2, 366),
    default=DAYS,
    show_default=True,
    help="How many dates.",
)
@click.option(
    "--report",
    metavar="FILE",
    type=click.Path(path_type=Path),
    default=REPORT,
    show_default=True,
    help="Where the report is written: one HTML file.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
@click.option("--force", is_flag=True, help="Write over a file that is no report of a demo.")
def command(seed: int, days: int, report: Path, as_json: bool, force: bool) -> None:
    """A month of a made-up tank: four liquids, six outages, a clock change, a lost clock.

    The engine is the one that runs on a board. Writes a report and tells the month as a story,
    then does the desk side: made-up tests, the use from them, a plan, and four weeks under it.
    Exit code 1 where a rule did not hold.
    """
    may_write(report, "demo", force)
    outcome = month(seed, days)
    beats = story.tell(outcome)
    worked = desk_side(outcome) if days >= DESK_DAYS else None
    more = [worked_page.section(worked)] if worked else []
    write(report, outcome, "demo", "A month of a reef by the window", more)
    where = errors.printable(str(report), most=0)
    if as_json:
        told = [{"when": beat.when, "kind": beat.kind, "text": beat.text} for beat in beats]
        payload = {"seed": seed, "story": told, **simulation.payload(outcome), "report": where}
        payload["desk"] = worked_page.payload(worked) if worked else None
        output.print_json("aliquot-demo", payload)
    else:
        show(beats, outcome)
        if worked:
            worked_page.show(worked)
        else:
            output.note(f"The desk side needs tests of {DESK_DAYS} days or more: left out.")
        output.say(f"The report is in {where}: open it in a browser.")
    if worked and worked.later.world.violations:
        raise errors.Finding(simulation.verdict(worked.later))
    if outcome.world.violations:
        raise errors.Finding(*([] if not as_json else [simulation.verdict(outcome)]))


def month(seed: int, days: int = DAYS) -> Outcome:
    """The made-up tank's month."""
    date = date_of_text(START)
    file = resources.examples()[EXAMPLE]
    today = datetime.date.fromisoformat(START)
    loaded = setup_file.load(file.read_bytes(), where=file.name, today=today)
    return simulation.live(loaded, date, days, seed, weather(seed, days), acts(loaded, days))


def acts(loaded: Loaded, days: int) -> Script:
    """What the keeper does in it."""
    return acts_file.load(resources.acts()[EXAMPLE], loaded, date_of_text(START), days)


def desk_side(outcome: Outcome) -> Worked:
    """From made-up tests of that month to four weeks under the plan that follows from them."""
    days = len(outcome.days)
    script, file = acts(outcome.loaded, days), resources.examples()[EXAMPLE]
    today = datetime.date.fromisoformat(START)
    return worked_month.work(outcome, file, script, weather(outcome.seed, days), today)


def weather(seed: int, days: int) -> Weather:
    """Six outages: one comes in the middle of a dose, and after another one nobody tells the
    board the time for some hours."""
    outages = simulation.drawn(seed, days, OUTAGES).outages
    rng = random.Random(f"silence {seed}")
    middle, silent = rng.sample(range(len(outages)), 2)
    at, length = outages[middle]
    outages[middle] = (at - at % HOUR_S + DOSE_S + 1, length)
    at, length = outages[silent]
    return Weather(outages, [(at, length + rng.randrange(4 * HOUR_S, 11 * HOUR_S))])


def show(beats: list[story.Beat], outcome: Outcome) -> None:
    """The story, a table, and whether everything held."""
    from rich.table import Table
    from rich.text import Text

    grid = Table.grid(padding=(0, 2))
    grid.add_column(no_wrap=True, style="bold")
    grid.add_column(max_width=96)
    for beat in beats:
        grid.add_row(Text(beat.when), Text(beat.text))
    output.console().print(grid)
    output.say("")
    sums_table(outcome, "What came of it")
    output.say(simulation.verdict(outcome), style="bold")
