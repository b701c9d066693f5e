"""`aliquot logs`: the last records of a running board's journal, in words."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import click

from aliquot_host import archive, errors, output, pulling, record_texts
from aliquot_host.board_talk import connect
from aliquot_host.line import Client, local_text, port_option

Line = tuple[int, int | None, str, str]
FOLLOW_S = 2.0


@click.command("logs")
@click.option("-n", "count", type=click.IntRange(1, 10_000), default=20, show_default=True)
@click.option("--follow", is_flag=True, help="Go on and show what comes, until Ctrl-C.")
@port_option
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
def command(count: int, follow: bool, port: str | None, as_json: bool) -> None:
    """Show the last records of the board's journal in words, with local times.

    It reads the two newest segments; `aliquot pull` brings all of it.
    """
    if follow and as_json:
        raise errors.bad("--json", limit="without --follow", advice="JSON is one document.")
    with connect(port) as client, tempfile.TemporaryDirectory() as folder:
        lines = _lines(client, Path(folder))
        if as_json:
            rows = [
                {"seq": seq, "at_w": at_w, "kind": kind, "text": text}
                for seq, at_w, kind, text in lines[-count:]
            ]
            output.print_json("aliquot-logs", {"records": rows})
            return
        _say(lines[-count:])
        last = lines[-1][0] if lines else 0
        while follow:
            time.sleep(FOLLOW_S)
            new = [line for line in _lines(client, Path(folder)) if line[0] > last]
            _say(new)
            last = new[-1][0] if new else last


def _say(lines: list[Line]) -> None:
    for seq, at_w, _, text in lines:
        when = local_text(at_w) if at_w is not None else "clock unset        "
        output.say(f"{when}  #{seq}  {text}")


def _lines(client: Client, folder: Path) -> list[Line]:
    """What the newest segments tell, as (number, wall second or None, kind, sentence)."""
    pulling.pull(pulling.Newest(client), folder)
    if not any(folder.glob("j*.txt")):
        return []
    found: list[Line] = []
    for record, state in archive.read_archive(folder).walk():
        text = record_texts.text(record, state)
        if text:
            at_w = record.now_s + state.offset if state.quality else None
            found.append((record.seq, at_w, record.kind, text))
    return found
