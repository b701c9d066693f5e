"""A number on the command line that is a number: for commands with options that take a range.

It knows no command and no unit.
"""

from __future__ import annotations

import math
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
