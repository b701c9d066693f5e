"""`aliquot test`: hands its arguments to pytest in the checkout. It chooses and hides no test."""

from __future__ import annotations

import subprocess
import sys

import click

from aliquot_host import errors, resources


@click.command(
    "test",
    context_settings={"ignore_unknown_options": True, "help_option_names": []},
    add_help_option=False,
)
@click.argument("arguments", nargs=-1, type=click.UNPROCESSED)
@click.pass_context
def command(ctx: click.Context, arguments: tuple[str, ...]) -> None:
    """Run the tests of this checkout. Every argument goes to pytest."""
    root = resources.checkout()
    if root is None:
        raise errors.bad(
            "aliquot test",
            advice="The tests are not in the installed package: "
            "run `python3 host_tools test` in a checkout.",
        )
    done = subprocess.run([sys.executable, "-m", "pytest", *arguments], cwd=root, check=False)
    # A test run that a signal ended has a negative code, which no shell understands.
    ctx.exit(done.returncode if done.returncode >= 0 else 128 - done.returncode)
