"""`aliquot propose`: a daily volume for each channel from tests, journal and target.

It shows what would change and writes the set-up only with --write. A cap is changed only where
--cap names it.
"""

from __future__ import annotations

import dataclasses
import datetime
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import click

from aliquot.core.decimals import date_of_text
from aliquot_host import chemistry, desk, editing, errors, output, plot_file, proposing
from aliquot_host.board_talk import ML
from aliquot_host.commands import consumption
from aliquot_host.consuming import Estimate, Range
from aliquot_host.desk import Desk
from aliquot_host.editing import Edit, Edited
from aliquot_host.errors import BadInput
from aliquot_host.proposing import CHANGE, STEADY, Forecast, Proposal, Wish

DAYS = 28


def _repeated(name: str, text: str) -> Any:
    return click.option(name, metavar="WATER=VALUE", multiple=True, help=text)


def usual(limits: Mapping[str, float]) -> str:
    """Limits of proposing.py in words, for the help."""
    units = {"alkalinity": "dKH"}
    listed = [f"{name} {value:g} {units.get(name, 'mg/L')}" for name, value in limits.items()]
    return ", ".join(listed) + " (common practice)"


@click.command("propose")
@click.argument("setup", metavar="SETUP.toml", type=click.Path(path_type=Path))
@click.argument("tests", metavar="[TESTS.csv]", type=click.Path(path_type=Path), required=False)
@_repeated("--target", "Where a value should be; several times. Without: it stays as it is.")
@_repeated("--change", f"The most that a value may move in a day. Default: {usual(CHANGE)}.")
@_repeated("--steady", f"The most that it may move within a day. Default: {usual(STEADY)}.")
@click.option(
    "--cap",
    "caps",
    metavar="CHANNEL=ML",
    multiple=True,
    help="Confirm another cap for a channel: the most in any 24 h.",
)
@click.option(
    "--days",
    type=click.IntRange(1, 366),
    default=DAYS,
    show_default=True,
    help="How far to look ahead.",
)
@click.option("--write", is_flag=True, help="Write the plan into SETUP.toml, comments kept.")
@consumption.tests_options
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
def command(
    setup: Path,
    tests: Path | None,
    target: tuple[str, ...],
    change: tuple[str, ...],
    steady: tuple[str, ...],
    caps: tuple[str, ...],
    days: int,
    write: bool,
    journal: Path | None,
    plot: Path | None,
    as_json: bool,
    **asked: Any,
) -> None:
    """Propose a plan for SETUP.toml from dated tests and from what went in.

    The plan covers what the tank uses. A value that is off its --target is moved there by an
    override beside the plan, spread over days so that no day moves it by more than --change. The
    file is written only with --write; a cap only where --cap names it.
    """
    drawn = plot_file.target(plot)
    on_desk = desk.gather(tests, journal, setup)
    picked = consumption.choice(on_desk, **asked)
    told, short = desk.estimate_all(on_desk, picked)
    wish = wished(on_desk, target, change, steady, caps)
    today = datetime.date.today()
    data = on_desk.loaded.data if on_desk.loaded else {}
    to_now = desk.since(on_desk, told)
    found = proposing.propose(data, told, wish, date_of_text(today.isoformat()), to_now)
    if not found:
        output.note(*(f"left out: {line}" for line in [*short, *on_desk.notes]), style="yellow")
        advice = "Give a channel a strength, and test what it raises."
        limit = "tests of a value that a channel raises"
        raise errors.bad(str(tests or journal), limit=limit, advice=advice)
    comment = f"proposed {today} from {sum(one.n for one in told)} tests"
    made = proposing.edits(data, found, comment, told)
    edited, problems = _edited(setup, made, today)
    ahead = {one.water: proposing.forecast(one, found, days, to_now[one.water]) for one in told}
    if drawn:
        from aliquot_host import desk_plots

        shown = [one for one in told if any(p.water == one.water for p in found)]
        desk_plots.ahead(drawn, shown, ahead, on_desk, wish.target)
    if as_json:
        output.print_json("aliquot-propose", payload(told, found, edited, problems, ahead, short))
    else:
        consumption.show(on_desk, told, short)
        show(found, edited, ahead)
    if edited is None:
        raise BadInput(problems, str(setup))
    if write and edited.changes:
        editing.write(setup, edited)
        output.note(f"{errors.printable(str(setup), most=0)} is written.")
    if not as_json:
        _next(setup, found, edited, write)


def wished(
    on_desk: Desk,
    target: Sequence[str],
    change: Sequence[str],
    steady: Sequence[str],
    caps: Sequence[str],
) -> Wish:
    """The options as the proposal takes them. BadInput: one that says nothing usable."""
    waters = list(on_desk.tests.readings)

    def by_name(option: str, texts: Sequence[str]) -> dict[str, float]:
        found: dict[str, float] = {}
        for text in texts:
            name, value = consumption.named_value(option, text, waters)
            if value <= 0:
                raise errors.bad(option, text, limit="more than 0", advice="Look for a slip.")
            found[name] = value
        return found

    ids = [c["id"] for c in on_desk.loaded.data["channel"]] if on_desk.loaded else []
    caps_ul: dict[str, int] = {}
    for text in caps:
        name, _, ml = text.partition("=")
        if name not in ids:
            advice = "Write --cap CHANNEL=ML."
            raise errors.bad("--cap", text, limit="one of " + ", ".join(ids), advice=advice)
        caps_ul[name] = ML.convert(ml, None, None)
    return Wish(
        by_name("--target", target), by_name("--change", change), by_name("--steady", steady),
        caps_ul,
    )  # fmt: skip


def _edited(
    setup: Path, made: list[Edit], today: datetime.date
) -> tuple[Edited | None, tuple[errors.Problem, ...]]:
    """The file as it would be, or what keeps it from being valid."""
    try:
        return editing.preview(setup, made, today), ()
    except BadInput as wrong:
        return None, tuple(_with_cap(problem) for problem in wrong.problems)


def _with_cap(problem: errors.Problem) -> errors.Problem:
    """A cap that is too small is the keeper's to raise."""
    if not problem.path.endswith("cap_ml"):
        return problem
    own = "Nothing raises it but you: --cap CHANNEL=ML, or a group's in the file."
    advice = f"{problem.advice} {own}"
    return dataclasses.replace(problem, advice=advice)


def show(found: Sequence[Proposal], edited: Edited | None, ahead: dict[str, Forecast]) -> None:
    """The proposal for a person: a table, then the reasons of each channel."""
    rows = [
        (
            p.channel,
            f"{p.daily_ul / 1000:g}",
            f"{p.new_daily_ul / 1000:g}",
            p.new_doses,
            f"{p.extra_ul / 1000:+g} for {p.extra_days} days" if p.extra_days else "-",
        )
        for p in found
    ]
    columns = ("channel", "now, mL a day", "proposed", "doses", "correction, mL a day")
    output.table(columns, rows, title="Proposed", numbers=columns[1:])
    for p in found:
        output.say(p.channel, style="bold")
        output.say(*(f"  {line}" for line in [*_figures(p), *p.said]))
        for line in p.warnings:
            output.say(f"  ! {line}", style="yellow")
        one = ahead[p.water]
        last = one.days[-1]
        output.say(
            f"  in {last} days {p.water} stands at {_range(one.proposed[-1])} {p.unit} with it, "
            f"at {_range(one.unchanged[-1])} with the present plan, at "
            f"{_range(one.without[-1])} without doses"
        )
    if edited and edited.changes:
        output.say("", "In the set-up it would change:", style="bold")
        output.say(*(f"  {line}" for line in edited.lines()))
    elif edited:
        output.say("", "The set-up stays as it is.")
    if any(chemistry.kind(p.water, p.unit) == chemistry.ALKALINITY for p in found):
        output.say("", proposing.CLEAR)
    output.say(proposing.SLOWER)


def _figures(p: Proposal) -> list[str]:
    """The figures of a proposal that the table has no room for."""
    lines = [f"within a day {p.water} moves by {p.swing:.3g} {p.unit} at most"]
    if p.extra_days and p.change_most:
        lines.append(
            f"the correction moves it by {p.change:.3g} {p.unit} a day at most, of "
            f"{p.change_most:g} allowed"
        )
    if p.reservoir_days is not None:
        lines.append(f"a full container lasts {p.reservoir_days} days")
    return lines


def _range(one: Range) -> str:
    return f"{one.value:.4g} ({one.low:.4g} to {one.high:.4g})"


def _next(setup: Path, found: Sequence[Proposal], edited: Edited, written: bool) -> None:
    """What to do now."""
    commands = [p.command() for p in found if p.extra_days]
    name = errors.printable(str(setup), most=0)
    output.say("")
    if edited.changes and not written:
        output.say("Nothing is written. With --write it is.")
    elif edited.changes:
        output.say(f"To the board with: aliquot load {name}")
    if commands:
        output.say("The correction, once the plan is on the board:")
        output.say(*(f"  {line}" for line in commands))


def payload(
    told: Sequence[Estimate],
    found: Sequence[Proposal],
    edited: Edited | None,
    problems: Sequence[errors.Problem],
    ahead: dict[str, Forecast],
    short: Sequence[str],
) -> dict[str, object]:
    """What --json prints under its format and version."""
    return {
        "waters": [desk.payload(one) for one in told],
        "channels": [{**desk.plain(dataclasses.asdict(p)), "command": p.command()} for p in found],
        "changes": [dataclasses.asdict(c) for c in edited.changes] if edited else [],
        "problems": [problem.as_json() for problem in problems],
        "forecast": {water: desk.plain(dataclasses.asdict(one)) for water, one in ahead.items()},
        "without": list(short),
    }
