"""The commands that run a pump at the user's word: prime and calibrate.

Each run is the board's own, with its limits; here it is only asked for, watched and ended. A pump
that was never calibrated must first be seen to turn, the right one and the right way.
"""

from __future__ import annotations

import importlib
import os
import select
import sys
import time
from collections.abc import Callable
from typing import Any

import click
from rich.progress import BarColumn, Progress, TextColumn

from aliquot.core.amounts import to_counts, to_ul
from aliquot.core.ledger import FAULT, USER
from aliquot_host import errors, output, parts
from aliquot_host.board_talk import (
    ML,
    agreed,
    at_the_tank,
    channel_of,
    connect,
    done,
    person,
    sure,
)
from aliquot_host.line import Client, Reply, plain_ml

LOOK_S = 0.2
# A run that is asked for begins within ten minutes or never: others may be under way. None is
# longer than a quarter of an hour.
BEGIN_S, RUN_MOST_S = 600, 900
LIVE_S = 30
KEY = "Enter"
# Further from the last calibration than this is more often a slip than a pump.
ODD_PCT = 20
ASKED_MOST = 5


def key() -> bool:
    """Whether somebody pressed Enter."""
    if not person():
        return False
    if os.name == "nt":  # select takes no console there
        msvcrt: Any = importlib.import_module("msvcrt")
        pressed = bool(msvcrt.kbhit())
        if pressed:
            msvcrt.getch()
        return pressed
    ready = bool(select.select([sys.stdin], [], [], 0)[0])
    if ready:
        sys.stdin.readline()
    return ready


def run(client: Client, own: dict[str, Any], do: str, turns: int, **words: object) -> Reply:
    """Ask for a run and follow it to its end, which a key may bring; the status after it.

    own: the channel's status. turns: how many counts it will be."""
    name = str(own["id"])
    before = client.ask("status")["last"]
    bar = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn(f"{{task.completed:.0f}}/{{task.total:.0f}} counts; {KEY} ends it"),
        console=output.console(err=True),
        transient=True,
        disable=not sys.stderr.isatty(),
    )
    with bar:
        task = bar.add_task(f"{name}: {do}", total=turns)
        try:
            client.ask(do, channel=name, **words)
            exact = 0 if do == "prime" else turns
            status = _follow(
                client, name, before, exact, lambda given: bar.update(task, completed=given)
            )
        except KeyboardInterrupt:
            status = _end(client, name, before)
    last = status["last"]
    if last and last[3] == USER:
        output.note("Ended early.")
    if not last or last[0] != name or not last[2]:
        raise errors.Finding("The pump gave nothing; `aliquot status` says why.")
    if last[3] == FAULT:
        raise errors.Finding(
            f"The motor failed after {last[2]} counts; `aliquot status` says why."
        )
    return status


def _follow(
    client: Client, name: str, before: object, exact: int, given: Callable[[int], object]
) -> Reply:
    """Wait for the end of a run of `exact` counts, 0 for any; a dose that came first is none."""
    asked = time.monotonic()
    ran = False
    while time.monotonic() - asked < (BEGIN_S + RUN_MOST_S if ran else BEGIN_S):
        status = client.ask("status")
        last = status["last"]
        if status["running"] == name:
            ran = True
            given(status["given"])
        elif last and last[0] == name and (ran or last != before):
            if exact in (0, last[1]):
                return status
            ran, before = False, last
        if key():
            return _end(client, name, before)
        time.sleep(LOOK_S)
    raise errors.Finding("The run did not begin; `aliquot status` says why.")


def _end(client: Client, name: str, before: object) -> Reply:
    """End a run, or take it back where it has not begun."""
    client.ask("cancel", channel=name)
    if client.ask("status")["running"] == name:
        client.ask("end")
    asked = time.monotonic()
    while (status := client.ask("status"))["running"] == name:
        if time.monotonic() - asked > BEGIN_S:
            raise errors.Finding("The pump does not end: switch its supply off.")
        time.sleep(LOOK_S)
    if status["last"] == before:
        raise errors.Finding("Taken back before it began.")
    return status


def line_back(client: Client, name: str, yes: bool) -> None:
    """The line goes from the cup back into the tank; then the channel is free again."""
    output.note("Put the line back: its outlet above the water, as it was.")
    try:
        back = agreed("Is it back?", yes)
    except click.Abort:
        output.note("")  # below the question
        back = False
    if back:
        client.ask("release", channel=name, what=1)
    else:
        held(name)


def held(name: str) -> None:
    """What is to be done after a run into a cup that nobody saw to the end."""
    output.note(f"{name} is held until its line is back: aliquot release {name} --line-back")


@click.command("prime")
@click.argument("channel")
@click.argument("ml", type=ML, required=False)
@click.option(
    "--into",
    type=click.Choice(("cup", "tank")),
    default="cup",
    show_default=True,
    help="Where the outlet is.",
)
@click.option("--planned", is_flag=True, help="Into the tank it may use the room of doses.")
@click.option(
    "--bore-um",
    type=click.IntRange(200, 20000),
    default=parts.Assumed.bore_um,
    show_default=True,
    help="Inner diameter of the line, in micrometres.",
)
@click.option(
    "--line-cm",
    type=click.IntRange(1, 10000),
    default=parts.Assumed.line_cm,
    show_default=True,
    help="Length of the line.",
)
@at_the_tank
def prime(
    channel: str,
    ml: int | None,
    into: str,
    planned: bool,
    bore_um: int,
    line_cm: int,
    port: str | None,
    yes: bool,
    as_json: bool,
) -> None:
    """Fill the line of CHANNEL with ML, or with what a tube of --bore-um and --line-cm holds.

    Into a cup: the channel is held until the line is back. Into the tank it counts towards the
    cap. Enter or Ctrl-C ends it at once.
    """
    ul = parts.line_ul(bore_um, line_cm) if ml is None else ml
    with connect(port) as client:
        own = channel_of(client.ask("status"), channel)
        where = "Is the end of the line in a cup?" if into == "cup" else "Into the tank?"
        sure(f"{plain_ml(ul)} mL. {where}", yes)
        counts, cal_ul, offset = own["cal"]
        wanted = to_counts(ul, counts, cal_ul, 0) + offset if counts else 0
        status = run(client, own, "prime", wanted, ul=ul, into=into, planned=int(planned))
        given = int(status["last"][2])
        if into == "cup":
            line_back(client, channel, yes)
    moved = to_ul(max(0, given - offset), counts, cal_ul, 0)
    reply = {"done": 1, "seq": status["seq"]}
    done(reply, f"{channel}: {plain_ml(moved)} mL moved.", as_json, counts=given, ul=moved)


@click.command("calibrate")
@click.argument("channel")
@click.option("--live", is_flag=True, help="Run the pump into a cup, and ask what it gave.")
@click.option("--counts", type=click.IntRange(1, 10_000_000), help="Counts of the run.")
@click.option(
    "--seconds", type=click.IntRange(1, 900), help=f"Of a --live run; default: {LIVE_S} or less."
)
@click.option("--ml", type=ML, help="What the run gave, measured.")
@click.option("--offset", type=click.IntRange(0, 60000), default=0, help="A timed motor's ms.")
@at_the_tank
def calibrate(
    channel: str,
    live: bool,
    counts: int | None,
    seconds: int | None,
    ml: int | None,
    offset: int,
    port: str | None,
    yes: bool,
    as_json: bool,
) -> None:
    """Tell the board what the pump of CHANNEL gives: so many counts, so many mL.

    With --live the board runs the pump into a cup, by default for half a minute, and you say what
    is in it. Measure by weight or with a narrow cylinder; 10 mL or more are worth the time. Before
    its first calibration each pump turns for a second, so that you see that it is the right one
    and turns the right way.
    """
    _fitting(live, counts, seconds, ml)
    with connect(port) as client:
        own = channel_of(client.ask("status"), channel)
        if live:
            try:
                counts, ml = _live(client, own, counts, seconds, yes)
                reply = _take(client, own, counts, ml, offset, yes)
            except (errors.BadInput, errors.Finding, click.Abort) as left:
                if isinstance(left, click.Abort):
                    output.note("")  # below the question
                if channel_of(client.ask("status"), channel)["cup"]:
                    held(channel)
                raise
            line_back(client, channel, yes)
        else:
            counts, ml = counts or 0, ml or 0
            reply = _take(client, own, counts, ml, offset, yes)
    said = f"{channel}: {counts} counts give {plain_ml(ml)} mL."
    done(reply, said, as_json, counts=counts, ul=ml)


def _fitting(live: bool, counts: int | None, seconds: int | None, ml: int | None) -> None:
    """Bad input where the options do not go together."""
    if not live and (counts is None or ml is None or seconds is not None):
        advice = "Say what was measured, or let the board run the pump."
        raise errors.bad("--live", limit="--counts and --ml, or --live", advice=advice)
    if live and ml is not None:
        advice = "It is asked for after the run: leave it out."
        raise errors.bad("--ml", plain_ml(ml), limit="not beside --live", advice=advice)
    if counts is not None and seconds is not None:
        advice = "Say one of the two."
        raise errors.bad("--seconds", seconds, limit="not beside --counts", advice=advice)
    if live and not person():
        advice = "In a script: aliquot calibrate CHANNEL --counts N --ml V"
        raise errors.bad("--live", limit="a person who measures", advice=advice)


def _live(
    client: Client, own: dict[str, Any], counts: int | None, seconds: int | None, yes: bool
) -> tuple[int, int]:
    """Run into a cup; what it truly turned, and what the user measured."""
    name, speed_cps = str(own["id"]), int(own["speed_cps"])
    if counts is None:
        counts = (seconds or min(LIVE_S, int(own["run_most_s"]))) * speed_cps
    sure(f"Is the end of the line of {name} in a cup?", yes)
    if not own["seen"]:
        output.note(f"First {name} turns for one second. Look at the pumps.")
        run(client, own, "turn", speed_cps)
        question = f"Did the pump of {name} turn, and the right way, from container to outlet?"
        # Nobody but a person who looks can say so, whatever else goes without questions.
        if not agreed(question, yes=False):
            raise errors.Finding("Put wiring or `reverse` right, and begin again.")
        client.ask("right", channel=name)
        sure(f"Is the cup empty again? {name} now turns {counts} counts.", yes)
    given = int(run(client, own, "cup", counts, counts=counts)["last"][2])
    output.note(
        f"It turned {given} counts. You may also measure in peace, and then say:",
        f"aliquot calibrate {name} --counts {given} --ml V",
    )
    for _ in range(ASKED_MOST):
        text = click.prompt("How many mL are in the cup", err=True)
        try:
            ul = ML.convert(text, None, None)
        except errors.BadInput as wrong:
            output.problems(wrong.problems)
            continue
        return given, ul
    raise errors.bad("ML", limit="millilitres", advice="Begin again when you have measured.")


def _take(
    client: Client, own: dict[str, Any], counts: int, ul: int, offset: int, yes: bool
) -> Reply:
    """Hand a measured pair to the board; one that is far from the last one is asked about."""
    old_counts, old_ul, _ = own["cal"]
    if old_counts and ul:
        pct = (100 * ul * old_counts - 100 * old_ul * counts) // (old_ul * counts)
        if abs(pct) > ODD_PCT:
            than = f"{abs(pct)} % {'more' if pct > 0 else 'less'}"
            sure(f"That is {than} than at the last calibration. Is it right?", yes)
    return client.ask("calibrate", channel=own["id"], counts=counts, ul=ul, offset=offset)
