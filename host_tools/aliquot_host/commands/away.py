"""`aliquot away`: what would fail first in an absence, by plan and board. It changes nothing."""

from __future__ import annotations

from pathlib import Path

import click

from aliquot.core.decimals import date_text
from aliquot.core.plan import Setup
from aliquot_host import absence, errors, output, setup_file, timetables
from aliquot_host.board_talk import connect
from aliquot_host.commands import load
from aliquot_host.line import Reply, port_option
from aliquot_host.meaning import ml

HEADINGS = ("date", "channel", "what", "what to do")
BARS = ("channel", "the absence", "lasts", "then left")
NUMBERS = ("then left",)
BAR_CHARS = 30


@click.command("away")
@click.argument("file", type=click.Path(path_type=Path), required=False)
@port_option
@click.option("--until", metavar="DATE", required=True, help="The date of the return.")
@click.option("--from", "since", metavar="DATE", help="First date; default: today, at the tank.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
@click.pass_context
def command(
    ctx: click.Context,
    file: Path | None,
    port: str | None,
    until: str,
    since: str | None,
    as_json: bool,
) -> None:
    """List what would run out, run low or come due before DATE, and what to do about it.

    With a FILE by that set-up alone: on the first date each reservoir holds what FILE says, every
    dose is given as planned, and pumps and tubing count as calibrated and new on that date.
    Without one the board on the port is asked: its set-up, what is left in its containers, what is
    held or at fault. Exit code 1 where something fails: a reservoir runs out, or a pump was never
    calibrated. What runs low or comes due is listed, and is no failure.
    """
    live: Reply | None = None
    if file:
        loaded = setup_file.load(file)
    else:
        with connect(port) as client:
            live = client.ask("status")
            loaded = load.board_set_up(client)
    first, last = dates(loaded.setup, since, until)
    found = absence.problems(loaded.data, loaded.setup, first, last, live)
    lives = absence.lives(loaded.data, loaded.setup, first, last, live)
    if as_json:
        output.print_json(
            "aliquot-away",
            {
                "timezone": str(loaded.data["timezone"]),
                "from": date_text(first),
                "until": date_text(last),
                "problems": [problem.as_json() for problem in found],
                "reservoirs": [life.as_json() for life in lives],
            },
        )
    else:
        show(found, lives, first, last)
    ctx.exit(errors.FOUND if any(problem.fails for problem in found) else errors.FINE)


def dates(setup: Setup, since: str | None, until: str) -> tuple[int, int]:
    """(first date, date of the return) as a person wrote them; BadInput where they are no dates,
    not in this order, or too far apart."""
    first = timetables.today(setup)
    if since is not None:
        first = timetables.date_given(since, timetables.DAYS_MOST, "--from")
    last = timetables.date_given(until, absence.BEYOND_DAYS, "--until")
    most = first + timetables.DAYS_MOST
    if not first < last <= most:
        limit = f"{date_text(first + 1)} to {date_text(most)}"
        raise errors.bad("--until", until, limit=limit, advice="Name the date of your return.")
    return first, last


def show(found: list[absence.Problem], lives: list[absence.Life], first: int, last: int) -> None:
    """For a person: what happens, then a bar a reservoir."""
    days = last - first
    title = f"{date_text(first)} to {date_text(last)}, {days} day{'' if days == 1 else 's'} away"
    if found:
        rows = [
            (date_text(one.date), one.channel or "all", mark(one) + one.what, one.advice)
            for one in found
        ]
        output.table(HEADINGS, rows, title=title)
    else:
        output.say(title, style="bold")
    output.table(BARS, [bar_row(life, first, last) for life in lives], numbers=NUMBERS)
    failing = [problem for problem in found if problem.fails]
    if failing:
        one = failing[0]
        output.say(f"First to fail: {one.channel or 'all'}, on {date_text(one.date)}.")
    else:
        output.say("By the plan nothing fails before then.")
    output.say("This is by the plan: nothing here senses a blocked line, air or a leak.")


def mark(problem: absence.Problem) -> str:
    """What stands before a problem that stops doses, so that it shows without colours."""
    return "! " if problem.fails else ""


def bar_row(life: absence.Life, first: int, last: int) -> tuple[str, str, str, str | None]:
    """A reservoir's life against the absence, which is the whole length of the bar."""
    if life.left_ul < 0:
        return life.channel, "?" * BAR_CHARS, "nobody counts what is left", None
    days, end = last - first, life.empty
    if end is None:
        lasts = f"beyond {date_text(life.seen)}"
    else:
        whole = max(0, end - first)
        lasts = f"{whole} whole day{'' if whole == 1 else 's'}, until {date_text(end)}"
    then = ml(life.left_ul - life.need_ul) if end is None or end >= last else None
    return life.channel, bar(days if end is None else end - first, days), lasts, then


def bar(lasts: int, days: int) -> str:
    """`lasts` of `days` as a bar; full only where it lasts for all of them."""
    filled = min(max(lasts, 0), days) * BAR_CHARS // days
    return "#" * filled + "." * (BAR_CHARS - filled)
