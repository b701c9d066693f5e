"""`aliquot diff`: two set-ups side by side in what they mean. It changes nothing."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import click

from aliquot_host import errors, output, set_up_diff, setup_file


@click.command("diff")
@click.argument("a", type=click.Path(path_type=Path))
@click.argument("b", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
@click.pass_context
def command(ctx: click.Context, a: Path, b: Path, as_json: bool) -> None:
    """Show what differs between the set-ups A and B: volumes, times, limits.

    Spelling, comments and order of fields do not count; either may be TOML or JSON. The exit code
    is 1 where they differ.
    """
    before, after = setup_file.load(a), setup_file.load(b)
    changes = set_up_diff.compare(before.data, after.data)
    if as_json:
        payload = {
            "a": {"file": str(a), "sha256": before.digest},
            "b": {"file": str(b), "sha256": after.digest},
            "same": not changes,
            "changes": [dataclasses.asdict(change) for change in changes],
        }
        output.print_json("aliquot-diff", payload)
    elif changes:
        rows = [(c.where or "set-up", c.what, c.before or "-", c.after or "-") for c in changes]
        output.table(("channel", "what", str(a), str(b)), rows)
    else:
        output.say("The two set-ups mean the same.")
    ctx.exit(errors.FOUND if changes else errors.FINE)
