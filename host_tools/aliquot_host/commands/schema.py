"""`aliquot schema`: the JSON Schema of set-up files, for editors. It reads no file."""

from __future__ import annotations

import json

import click

from aliquot_host import json_schema


@click.command("schema")
@click.option("--canonical", is_flag=True, help="The schema of the JSON that the board keeps.")
def command(canonical: bool) -> None:
    """Print the JSON Schema (2020-12) of a set-up in TOML.

    Save it and name it to your editor, or put `#:schema FILE` into the first line of a set-up.
    """
    click.echo(json.dumps(json_schema.make(canonical), ensure_ascii=False, indent=2))
