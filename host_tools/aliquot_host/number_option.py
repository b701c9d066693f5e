"""Numbers on the command line that are numbers, and options that several commands share.

It knows no command.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import click


class Finite(click.FloatRange):
    """`click.FloatRange` without `nan`, which Python reads as a number and every range lets
    through, because each comparison with it is false."""

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        number = float(super().convert(value, param, ctx))
        if not math.isfinite(number):
            self.fail(f"{value!r} is no number.", param, ctx)
        return number


def finite(text: str) -> float:
    """A text as a number; NaN where it is none, or not finite."""
    try:
        value = float(text)
    except ValueError:
        return math.nan
    return value if math.isfinite(value) else math.nan


CONFIDENCE = click.option(
    "--confidence",
    type=Finite(50, 99.9),
    default=95.0,
    show_default=True,
    metavar="PCT",
    help="Of the intervals.",
)
DENSITY = click.option("--density", type=Finite(0.5, 3), metavar="G_ML", help="Of the liquid.")
PLOT = click.option(
    "--plot", type=click.Path(path_type=Path), metavar="FILE", help="Draw it: PNG or SVG."
)
