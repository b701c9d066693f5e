"""`aliquot convert`: a set-up from TOML to the board's JSON, and back. It changes no value."""

from __future__ import annotations

from pathlib import Path

import click

from aliquot_host import output, setup_file, toml_text
from aliquot_host.errors import bad


@click.command("convert")
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--to",
    "wanted",
    type=click.Choice(["toml", "json"]),
    help="The spelling to write; default: the other one.",
)
@click.option("-o", "--out", type=click.Path(path_type=Path), help="Write here, not to stdout.")
@click.option("--force", is_flag=True, help="Write over a file that is there.")
def command(file: Path, wanted: str | None, out: Path | None, force: bool) -> None:
    """Turn the set-up FILE into canonical JSON, or back into TOML.

    The JSON is what a board keeps: whole numbers, every default written out. Turned back, defaults
    are left out again; comments are lost, so keep the TOML that you wrote.
    """
    loaded = setup_file.load(file)
    if (wanted or ("json" if loaded.toml else "toml")) == "json":
        content = loaded.canonical
    else:
        content = toml_text.dump(loaded.data).encode()
    if out is None:
        # Bytes, so that no platform turns the line ends.
        click.echo(content, nl=False)
        return
    write(out, content, force)
    output.note(f"{out}: {len(content)} bytes.")


def write(file: Path, content: bytes, force: bool) -> None:
    """Write a file that is not there yet, or with `force` any; BadInput otherwise."""
    try:
        with file.open("wb" if force else "xb") as stream:
            stream.write(content)
    except FileExistsError:
        advice = "Choose another name, or write over it with --force."
        raise bad(str(file), limit="a new file", advice=advice) from None
    except OSError as wrong:
        raise bad(str(file), advice=f"It cannot be written: {wrong.strerror}.") from None
