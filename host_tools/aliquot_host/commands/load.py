"""`aliquot load`: a set-up file onto a running board, checked here and there, with its difference.

The board takes it over in one go, or keeps the one that it has; doses go on meanwhile.
"""

from __future__ import annotations

import dataclasses
import datetime
from pathlib import Path
from typing import Any

import click

from aliquot_host import advice, errors, output, set_up_diff, setup_file
from aliquot_host.board_talk import ML, at_the_tank, connect, done, person, sure
from aliquot_host.errors import BadInput
from aliquot_host.line import Client, Reply, plain_ml

PIECE = 700
READ = 768
NAME = "setup.json"
UNKNOWN, UNKNOWN_UL = "unknown", -1


class Given(click.ParamType):  # pyright: ignore[reportMissingTypeArgument]
    """A volume in mL, or `unknown`."""

    name = "ML|unknown"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """µL, or -1 where nobody knows."""
        if value in (UNKNOWN, UNKNOWN_UL):
            return UNKNOWN_UL
        return ML.convert(value, param, ctx)


def board_set_up(client: Client) -> setup_file.Loaded:
    """The set-up that a board has, read as a file is; BadInput where it has none."""
    text = on_board(client)
    if text is None:
        raise errors.bad("board", limit="a set-up", advice="It has none: aliquot load FILE")
    return setup_file.load(text)


def on_board(client: Client) -> bytes | None:
    """The canonical text of the set-up that a board has."""
    sizes = dict(client.ask("files")["files"])
    if NAME not in sizes:
        return None
    data = b""
    while len(data) < sizes[NAME]:
        piece = bytes.fromhex(client.ask("read", name=NAME, at=len(data), most=READ)["hex"])
        if not piece:
            return None
        data += piece
    return data


def send(client: Client, text: bytes, given_ul: int, digest: str) -> Reply:
    """All pieces, then the order to take it over."""
    starts = list(range(0, len(text), PIECE))
    for at in output.progress(starts, "Sending"):
        client.ask("load", at=at, hex=text[at : at + PIECE].hex())
    return client.ask("adopt", hash=digest, given_ul=given_ul)


@click.command("load")
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--given",
    type=Given(),
    help="What each channel gave in the last 24 h, in mL, or `unknown`; asked of a new journal.",
)
@at_the_tank
def command(file: Path, given: int | None, port: str | None, yes: bool, as_json: bool) -> None:
    """Check the set-up FILE, show what differs from the one on the board, and load it.

    A board with a new journal does not know what entered the tank in the last 24 hours: where you
    do not know either, it counts a full day, and gives no extras and no catch-up for a day.
    """
    today = datetime.date.today()
    loaded = setup_file.load(file, today=today)
    output.problems(advice.warnings(loaded, today))
    with connect(port) as client:
        status = client.ask("status")
        there = on_board(client)
        if there is not None and status.get("hash") == loaded.digest:
            done({"done": 1}, "The board has this set-up already.", as_json)
            return
        changes = _changes(there, loaded)
        for one in changes or ():
            where = one.where or "set-up"
            output.note(f"{where}: {one.what}: {one.before or '-'} -> {one.after or '-'}")
        if changes == []:
            output.note(f"{file} differs from the board's set-up in nothing that doses.")
        elif changes is None and there is not None:
            output.note("The board's own set-up cannot be read: no difference is shown.")
        if given is None:
            given = _given(status, yes)
        sure(f"Load {file} onto the board?", yes)
        try:
            reply = send(client, loaded.canonical, given, loaded.digest)
        except BadInput as wrong:
            raise BadInput(wrong.problems, str(file)) from None
    said = f"{file} is loaded. `aliquot status` shows what comes next."
    told = None if changes is None else [dataclasses.asdict(one) for one in changes]
    done(reply, said, as_json, sha256=loaded.digest, changes=told)


def _changes(there: bytes | None, new: setup_file.Loaded) -> list[set_up_diff.Change] | None:
    """What differs from the board's set-up; None where it has none that can be read."""
    own = {new.board["name"]: new.board} if new.board else None
    try:
        return (
            set_up_diff.compare(setup_file.load(there, own=own).data, new.data) if there else None
        )
    except BadInput:
        return None


def _given(status: Reply, yes: bool) -> int:
    """What was given in the last 24 h, where the board cannot know."""
    # A board with a set-up has a past of its own.
    if "channels" in status or yes:
        return UNKNOWN_UL
    if not person():
        raise errors.bad(
            "--given", limit="mL, or unknown", advice="The board is new: say what was given today."
        )
    text = click.prompt(
        "mL that each channel gave into the tank in the last 24 h (or unknown)", err=True
    )
    ul = Given().convert(text, None, None)
    output.note("A full day counts as given." if ul < 0 else f"{plain_ml(ul)} mL count as given.")
    return ul
