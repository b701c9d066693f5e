"""`aliquot pull`: the journal of a running board into a folder, what is new of it.

It asks and never orders: nothing on the board changes.
"""

from __future__ import annotations

import sys
from pathlib import Path

import click

from aliquot_host import archive, errors, output, pulling
from aliquot_host.board_talk import connect
from aliquot_host.line import port_option

KEPT = "What came until then is kept in {}: pull again to go on."


@click.command("pull")
@click.argument("folder", metavar="ARCHIVE", type=click.Path(path_type=Path))
@port_option
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
def command(folder: Path, port: str | None, as_json: bool) -> None:
    """Read the board's journal into the folder ARCHIVE; the next time only what is new.

    Pull often enough that the board does not drop what was not read: some weeks at most doses.
    Then `aliquot replay ARCHIVE` and `aliquot why` look into it. Exit code 1 where records are
    missing.
    """
    if folder.exists() and not folder.is_dir():
        raise errors.bad("ARCHIVE", str(folder), limit="a folder", advice="Name a folder.")
    with connect(port) as client:
        done = pulled(client, folder)
    if not pulling.held(folder):
        raise errors.Finding("The board has no journal yet: load a set-up first.")
    found = archive.read_archive(folder)
    gaps = [finding.text for finding in found.findings if finding.lost]
    _tell(folder, done, found, as_json)
    if gaps:
        raise errors.Finding(*([] if as_json else gaps))


def _tell(folder: Path, done: pulling.Pulled, found: archive.Archive, as_json: bool) -> None:
    odd = [finding.text for finding in found.findings if not finding.lost]
    first, last = (found.records[0].seq, found.records[-1].seq) if found.records else (0, 0)
    if as_json:
        payload: dict[str, object] = {
            "archive": str(folder),
            "read_bytes": done.read,
            "new_segments": done.segments,
            "first": first,
            "last": last,
            "records": len(found.records),
            "gaps": [finding.text for finding in found.findings if finding.lost],
            "odd": odd,
        }
        output.print_json("aliquot-pull", payload)
        return
    output.say(
        f"{done.read} bytes read, {done.segments} new segments.",
        f"{folder}: {len(found.records)} records, #{first} to #{last}.",
    )
    if first > 1:
        output.note(
            f"The board had put away what was before #{first}; its acts and day totals are kept."
        )
    output.note(*odd)


def pulled(client: pulling.Board, folder: Path) -> pulling.Pulled:
    """Pull, with a bar on stderr where that is a terminal."""
    from rich.progress import Progress

    with Progress(
        console=output.console(err=True), transient=True, disable=not sys.stderr.isatty()
    ) as bar:
        task = bar.add_task("Reading", total=None)
        try:
            return pulling.pull(
                client, folder, lambda at, whole: bar.update(task, completed=at, total=whole)
            )
        except (errors.BadInput, KeyboardInterrupt):
            if pulling.held(folder):
                output.note(KEPT.format(folder))
            raise
