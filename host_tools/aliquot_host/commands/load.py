"""`aliquot load`: a set-up file onto a running board, checked here and there, with its difference.

The board takes it over in one go, or keeps the one that it has; doses go on meanwhile.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from aliquot_host import errors, output, set_up_diff, setup_file
from aliquot_host.board_talk import ML, at_the_tank, connect, done, sure
from aliquot_host.errors import BadInput
from aliquot_host.line import Client, Reply, plain_ml

PIECE = 700
READ = 768
NAME = "setup.json"
UNKNOWN = "unknown"


class Given(click.ParamType):  # pyright: ignore[reportMissingTypeArgument]
    """A volume in mL, or `unknown`."""

    name = "ML|unknown"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """µL, or -1 where nobody knows."""
        return -1 if value in (UNKNOWN, -1) else ML.convert(value, param, ctx)


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
    loaded = setup_file.load(file)
    with connect(port) as client:
        status = client.ask("status")
        there = on_board(client)
        if there is not None and status.get("hash") == loaded.digest:
            done({"done": 1}, "The board has this set-up already.", as_json)
            return
        if there is not None:
            _tell(json.loads(there), loaded.data, file)
        if given is None:
            given = _given(status, yes)
        sure(f"Load {file} onto the board?", yes)
        try:
            reply = send(client, loaded.canonical, given, loaded.digest)
        except BadInput as wrong:
            raise BadInput(wrong.problems, str(file)) from None
    done(reply, f"{file} is loaded. `aliquot status` shows what comes next.", as_json)


def _tell(there: dict[str, Any], new: dict[str, Any], file: Path) -> None:
    changes = set_up_diff.compare(there, new)
    rows = [(c.where or "set-up", c.what, c.before or "-", c.after or "-") for c in changes]
    for where, what, before, after in rows:
        output.note(f"{where}: {what}: {before} -> {after}")
    if not rows:
        output.note(f"{file} differs from the board's set-up in nothing that doses.")


def _given(status: Reply, yes: bool) -> int:
    """What was given in the last 24 h, where the board cannot know."""
    if status.get("seq") or yes:
        return -1
    import sys

    if not sys.stdin.isatty():
        raise errors.bad(
            "--given", limit="mL, or unknown", advice="The board is new: say what was given today."
        )
    text = click.prompt(
        "mL that each channel gave into the tank in the last 24 h (or unknown)", err=True
    )
    ul = Given().convert(text, None, None)
    output.note("A full day counts as given." if ul < 0 else f"{plain_ml(ul)} mL count as given.")
    return ul
