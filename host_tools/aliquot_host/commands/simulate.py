"""`aliquot simulate`: a set-up lives through some days in the small world, in seconds.

The engine is the one that runs on a board; pumps, power, clock and water are the world's. No board
is needed, and no set-up is changed.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import NoReturn

import click

from aliquot_host import acts_file, errors, output, setup_file, simulation, story, timetables
from aliquot_host.acts_file import Script
from aliquot_host.setup_file import Loaded
from aliquot_host.simulation import Outcome

COLUMNS = (
    "channel",
    "planned mL",
    "commanded mL",
    "true mL",
    "missed mL",
    "raised mL",
    "lapsed mL",
    "skipped mL",
    "refused mL",
    "uncertain mL",
    "extra mL",
    "true against commanded %",
)
SHOWN = ("planned", "commanded", "true", "missed", "raised", "lapsed", "skipped", "refused")
EVENTS_SHOWN = 24


@click.command(
    "simulate",
    epilog="\b\nActs in a file, each an [[act]] with day, time and do:\n"
    + "\n".join("  " + line for line in acts_file.told().splitlines()),
)
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--days",
    type=click.IntRange(1, simulation.DAYS_MOST),
    default=30,
    show_default=True,
    help="How many local dates.",
)
@click.option("--start", metavar="DATE", help="First date; default: today, at the tank.")
@click.option(
    "--seed",
    type=click.IntRange(0, simulation.SEED_MOST),
    default=1,
    show_default=True,
    help="The same seed gives the same rehearsal, to the byte.",
)
@click.option(
    "--outages",
    type=click.IntRange(0, simulation.OUTAGES_MOST),
    default=0,
    show_default=True,
    help="How often the power goes, at any moment.",
)
@click.option(
    "--acts",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="What people do meanwhile; see below.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
@click.option(
    "--report",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Write a report for people: one HTML file.",
)
@click.option(
    "--journal",
    metavar="FOLDER",
    type=click.Path(path_type=Path),
    help="Write the board's files, for `aliquot replay` and `aliquot why`.",
)
@click.option("--force", is_flag=True, help="Let --report write over any file.")
@click.option(
    "--inject",
    metavar="FAULT",
    help="Plant a defect and show that a rule finds it; an unknown one lists them all.",
)
def command(
    file: Path,
    days: int,
    start: str | None,
    seed: int,
    outages: int,
    acts: Path | None,
    as_json: bool,
    report: Path | None,
    journal: Path | None,
    force: bool,
    inject: str | None,
) -> None:
    """Rehearse set-up FILE: the board's own engine, with pumps that are a little off and wear.

    Planned is what the timetable asked for. Commanded is what the engine counts as given, true
    what really left the pumps: a board never knows that. Exit code 1 where a rule did not hold.
    """
    loaded = setup_file.load(file)
    date = (
        timetables.today(loaded.setup)
        if start is None
        else timetables.date_given(start, days, "--start")
    )
    simulation.date_checked(date, days)
    if inject is not None:
        others = {"--acts": acts, "--report": report, "--journal": journal, "--outages": outages}
        inject_only(inject, loaded, date, days, seed, others, as_json)
    script = acts_file.load(acts, loaded, date, days) if acts else Script()
    if script.beyond:
        many = "1 act falls" if script.beyond == 1 else f"{script.beyond} acts fall"
        output.note(f"{many} behind the last day and will not come.")
    if report is not None:
        from aliquot_host.report import may_write

        may_write(report, "simulation", force)
    weather = simulation.drawn(seed, days, outages)
    outcome = simulation.live(loaded, date, days, seed, weather, script)
    if report is not None:
        from aliquot_host.report import write

        write(report, outcome, "simulation", f"{file.name}, rehearsed")
        output.note(f"The report is in {errors.printable(str(report), most=0)}.")
    if journal is not None:
        many = simulation.export(outcome, journal)
        where = errors.printable(str(journal), most=0)
        output.note(f"{many} files of the board are in {where}.")
    if as_json:
        output.print_json("aliquot-simulation", simulation.payload(outcome))
    else:
        show(outcome)
    if outcome.world.violations:
        raise errors.Finding(*([] if not as_json else [simulation.verdict(outcome)]))


def inject_only(
    name: str,
    loaded: Loaded,
    date: int,
    days: int,
    seed: int,
    others: Mapping[str, object],
    as_json: bool,
) -> NoReturn:
    """Rehearse with a defect planted; always ends the command: 1 where a rule finds it."""
    from aliquot_host import injection

    for option, value in others.items():
        if value:
            advice = "A planted defect brings what it needs to show: leave this option out."
            raise errors.bad(option, str(value), limit="not beside --inject", advice=advice)
    found = injection.shown(name, loaded, date, days, seed)
    lines = injection.told(name, found, loaded)
    if as_json:
        output.print_json("aliquot-injection", injection.payload(name, found))
    else:
        output.say(*lines)
    raise errors.Finding()


def show(outcome: Outcome) -> None:
    """The outcome for a person: a row a channel, the events, the verdict."""
    days = len(outcome.days)
    many = "1 day" if days == 1 else f"{days} days"
    title = f"{many} from {story.day_text(outcome.date, year=True)}, seed {outcome.seed}"
    sums_table(outcome, title)
    events(outcome)
    output.say(simulation.verdict(outcome), style="bold")


def sums_table(outcome: Outcome, title: str) -> None:
    """What came of each channel, in millilitres; columns in which nothing is are left out."""
    totals = outcome.totals()
    keys = [f"{word}_ul" for word in (*SHOWN, "uncertain", "extra")]
    kept = [i for i, key in enumerate(keys) if i < 3 or any(sums[key] for sums in totals.values())]
    columns = [COLUMNS[0], *(COLUMNS[1 + i] for i in kept), COLUMNS[-1]]
    rows = [
        [
            name,
            *(cell(sums[keys[i]]) for i in kept),
            simulation.difference(sums),
        ]
        for name, sums in totals.items()
    ]
    output.table(columns, rows, title=title, numbers=columns[1:])


def cell(ul: int) -> str:
    """Microlitres as millilitres with two places, so that columns line up."""
    return f"{ul / 1000:.2f}"


def events(outcome: Outcome) -> None:
    """What happened, one line each; only the first where there is much."""
    happened = outcome.events
    for event in happened[:EVENTS_SHOWN]:
        output.say(
            f"  {simulation.local(outcome.zone, event.at_w)}  {story.sentence(outcome, event)}"
        )
    if len(happened) > EVENTS_SHOWN:
        output.say(f"  and {len(happened) - EVENTS_SHOWN} more events; --report tells more.")
    if happened:
        output.say("")
