"""`aliquot pull`: the journal of a running board into a folder, what is new of it."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from aliquot_host import archive, errors, output, pulling
from aliquot_host.board_talk import connect
from aliquot_host.line import port_option


@click.command("pull")
@click.argument("archive", type=click.Path(path_type=Path))
@port_option
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
def command(archive: Path, port: str | None, as_json: bool) -> None:
    """Read the board's journal into the folder ARCHIVE; the next time only what is new.

    Pull often enough that the board does not drop what was not read: some weeks at most doses.
    Then `aliquot replay ARCHIVE` and `aliquot why` look into it. Exit code 1 where records are
    missing.
    """
    if archive.exists() and not archive.is_dir():
        raise errors.bad("ARCHIVE", str(archive), limit="a folder", advice="Name a folder.")
    with connect(port) as client:
        done = pulled(client, archive)
    found = read(archive)
    gaps = [finding.text for finding in found.findings if finding.lost]
    first, last = (found.records[0].seq, found.records[-1].seq) if found.records else (0, 0)
    if as_json:
        payload: dict[str, object] = {
            "archive": str(archive),
            "read_bytes": done.read,
            "new_segments": done.segments,
            "first": first,
            "last": last,
            "records": len(found.records),
            "gaps": gaps,
        }
        output.print_json("aliquot-pull", payload)
    else:
        output.say(
            f"{done.read} bytes read, {done.segments} new segments.",
            f"{archive}: {len(found.records)} records, #{first} to #{last}.",
        )
    if gaps:
        raise errors.Finding(*([] if as_json else gaps))


def read(folder: Path) -> archive.Archive:
    """The archive that was pulled."""
    return archive.read_archive(folder)


def pulled(client: pulling.Board, folder: Path) -> pulling.Pulled:
    """Pull, with a bar on stderr where that is a terminal."""
    from rich.progress import Progress

    done = pulling.Pulled()
    with Progress(
        console=output.console(err=True), transient=True, disable=not sys.stderr.isatty()
    ) as bar:
        task = bar.add_task("Reading", total=None)
        for at, whole, did in pulling.pull(client, folder):
            done = did
            bar.update(task, completed=at, total=whole)
    return done
