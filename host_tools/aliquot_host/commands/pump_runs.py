"""Runs of a pump at the user's word, and the command `prime`.

Each run is the board's own, with its limits; here it is only asked for, watched and ended.
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
KEY = "Enter"


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
