"""The commands that run a pump at the user's word: prime and calibrate.

Each run is the board's own, with its limits; here it is only asked for, watched and ended. A pump
that was never calibrated must first be seen to turn, the right one and the right way.
"""

from __future__ import annotations

import select
import sys
import time
from typing import Any

import click

from aliquot_host import errors, output, parts
from aliquot_host.board_talk import ML, at_the_tank, channel_of, connect, done, sure
from aliquot_host.line import Client, Reply, plain_ml

LOOK_S = 0.2
# A run that is asked for begins within ten minutes or never: others may be under way.
BEGIN_S = 600
KEY = "Enter"
RUN_S = 30  # of a calibration, where the pump may run for so long


def _key() -> bool:
    """Whether somebody pressed Enter."""
    if not sys.stdin.isatty():
        return False
    ready = select.select([sys.stdin], [], [], 0)[0]
    if ready:
        sys.stdin.readline()
    return bool(ready)


def watched(client: Client, name: str, counts: int, what: str) -> Reply:
    """Follow a run that was asked for to its end; Enter or Ctrl-C ends it early. Its `last`."""
    before = client.ask("status")["last"]
    try:
        return _follow(client, name, counts, what, before)
    except KeyboardInterrupt:
        client.ask("end")
        output.note("Ended.")
        return _ended(client, name)


def _follow(client: Client, name: str, counts: int, what: str, before: object) -> Reply:
    from rich.progress import BarColumn, Progress, TextColumn

    bar = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn(f"{{task.completed:.0f}}/{{task.total:.0f}} counts; {KEY} ends it"),
        console=output.console(err=True),
        transient=True,
        disable=not sys.stderr.isatty(),
    )
    until = time.monotonic() + BEGIN_S
    ran = False
    with bar:
        task = bar.add_task(what, total=counts)
        while True:
            status = client.ask("status")
            running = status["running"] == name
            ran = ran or running
            if running:
                bar.update(task, completed=status["given"])
                if _key():
                    client.ask("end")
            elif ran or status["last"] != before:
                return status
            elif time.monotonic() > until:
                raise errors.Finding("The run did not begin; `aliquot status` says why.")
            time.sleep(LOOK_S)


def _ended(client: Client, name: str) -> Reply:
    while (status := client.ask("status"))["running"] == name:
        time.sleep(LOOK_S)
    return status


def line_back(client: Client, name: str, yes: bool) -> None:
    """The line goes from the cup back into the tank; then the channel is free again."""
    output.note("Put the line back: its outlet above the water, as it was.")
    if yes or (sys.stdin.isatty() and click.confirm("Is it back?", default=False, err=True)):
        client.ask("release", channel=name, what=1)
    else:
        output.note(f"{name} is held until you say so: aliquot release {name} --line-back")


@click.command("prime")
@click.argument("channel")
@click.argument("ml", type=ML, required=False)
@click.option("--into", type=click.Choice(("cup", "tank")), default="cup", show_default=True)
@click.option("--planned", is_flag=True, help="Into the tank it may use the room of doses.")
@click.option("--bore-um", type=click.IntRange(200, 20000), default=parts.Assumed.bore_um)
@click.option("--line-cm", type=click.IntRange(1, 10000), default=parts.Assumed.line_cm)
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
    cap. Enter ends it at once.
    """
    ul = parts.line_ul(bore_um, line_cm) if ml is None else ml
    with connect(port) as client:
        own = channel_of(client.ask("status"), channel)
        where = "Is the end of the line in a cup?" if into == "cup" else "Into the tank?"
        sure(f"{plain_ml(ul)} mL. {where}", yes)
        status = _run(client, own, "prime", ul=ul, into=into, planned=int(planned))
        given = status["last"][2]
        if into == "cup":
            line_back(client, channel, yes)
    moved = round(given * own["cal"][1] / own["cal"][0]) if own["cal"][0] else 0
    done(status, f"{channel}: {plain_ml(moved)} mL moved.", as_json, counts=given, ul=moved)


def _run(client: Client, own: dict[str, Any], do: str, **words: object) -> Reply:
    """Ask for a run and follow it."""
    counts, ul = own["cal"][0], own["cal"][1]
    wanted = words.get("counts") or round(int(str(words.get("ul", 0))) * counts / max(1, ul))
    before = client.ask("status")["last"]
    client.ask(do, channel=own["id"], **words)
    try:
        status = _follow(client, own["id"], int(str(wanted)), f"{own['id']}: {do}", before)
    except KeyboardInterrupt:
        client.ask("end")
        status = _ended(client, own["id"])
    return status


@click.command("calibrate")
@click.argument("channel")
@click.option("--live", is_flag=True, help="Run the pump into a cup, and ask what it gave.")
@click.option("--counts", type=click.IntRange(1, 10_000_000), help="Counts of the run.")
@click.option("--ml", type=ML, help="What the run gave, measured.")
@click.option("--offset", type=click.IntRange(0, 60000), default=0, help="A timed motor's ms.")
@at_the_tank
def calibrate(
    channel: str,
    live: bool,
    counts: int | None,
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
    if not live and (counts is None or ml is None):
        raise errors.bad(
            "--counts and --ml", limit="both, or --live", advice="Say what was measured."
        )
    with connect(port) as client:
        own = channel_of(client.ask("status"), channel)
        if live:
            counts, ml = _live(client, own, counts, yes)
        assert counts is not None
        assert ml is not None
        words = {"counts": counts, "ul": ml, "offset": offset}
        reply = client.ask("calibrate", channel=channel, **words)
        if live:
            line_back(client, channel, yes)
    said = f"{channel}: {counts} counts give {plain_ml(ml)} mL."
    done(reply, said, as_json, counts=counts, ul=ml)


def _live(client: Client, own: dict[str, Any], counts: int | None, yes: bool) -> tuple[int, int]:
    """Run into a cup; what it truly turned, and what the user measured."""
    name = str(own["id"])
    sure(f"Is the end of the line of {name} in a cup?", yes)
    if not own["seen"]:
        output.note(f"First {name} turns for one second. Look at the pumps.")
        _run(client, own, "turn", counts=own["speed_cps"])
        sure(f"Did the pump of {name} turn, and the right way, from container to outlet?", yes)
        client.ask("right", channel=name)
    counts = counts or min(RUN_S, int(own["run_most_s"])) * int(own["speed_cps"])
    status = _run(client, own, "cup", counts=counts)
    given = int(status["last"][2])
    if not given:
        raise errors.Finding("The pump gave nothing; `aliquot status` says why.")
    if not sys.stdin.isatty():
        raise errors.bad(
            "--live",
            limit="a person who measures",
            advice=f"The pump turned {given} counts. Then: aliquot calibrate {name} "
            f"--counts {given} --ml V",
        )
    text = click.prompt(f"{given} counts. How many mL are in the cup", err=True)
    return given, ML.convert(text, None, None)
