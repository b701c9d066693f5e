"""Writes one plot into a file of its own: PNG, SVG or PDF, by the name that it is given.

For commands with `--plot`. A page's plots are in `plots.py`. An existing file that is no plot is
never written over.
"""

from __future__ import annotations

import dataclasses
import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import matplotlib
from matplotlib.figure import Figure

from aliquot_host import plots
from aliquot_host.errors import bad

SUFFIXES = (".png", ".svg", ".pdf")
HEADS = (b"\x89PNG", b"<?xml", b"<svg", b"%PDF")
INK, SOFT, FAINT = "#1d2b33", "#5b6b74", "#d9e0e3"
FIRST, SECOND, THIRD, WARM = "#1b6e8c", "#8a5a9e", "#3c8054", "#b3541e"
STYLE: dict[str, Any] = {
    **{
        key: {plots.INK: INK, plots.SOFT: SOFT, plots.FAINT: FAINT}.get(value, value)
        if isinstance(value, str)
        else value
        for key, value in plots.STYLE.items()
    },
    "font.size": 10.5,
    "axes.titlesize": 10.5,
    "figure.facecolor": "white",
    "axes.spines.left": True,
    "axes.grid": True,
    "legend.frameon": False,
}
LIBRARY: Any = matplotlib
WIDE_PX = 900


@dataclasses.dataclass(frozen=True)
class Target:
    """Where a plot goes, seen to be usable before long work begins."""

    path: Path

    def save(self, draw: Callable[[Any], None], height_px: int = 420, title: str = "") -> None:
        """Let `draw` put axes on a matplotlib Figure, and write it. BadInput: it cannot be."""
        with LIBRARY.rc_context({**STYLE, "svg.hashsalt": "aliquot"}):
            size = (WIDE_PX / 100, height_px / 100)
            figure: Any = Figure(figsize=size, dpi=100, layout="constrained")
            draw(figure)
            if title:
                figure.suptitle(title, x=0.01, ha="left", color=INK, fontsize=12)
            out = io.BytesIO()
            kind = self.path.suffix.lower()[1:]
            nothing = {"png": {}, "svg": {"Date": None}, "pdf": {"CreationDate": None}}[kind]
            figure.savefig(out, format=kind, metadata=nothing)
        try:
            self.path.write_bytes(out.getvalue())
        except OSError as error:
            advice = f"{error.strerror}: name another file."
            raise bad("--plot", str(self.path), limit="can be written", advice=advice) from None


def target(path: Path | None) -> Target | None:
    """Check the file of `--plot`, None for none. BadInput: its kind, or what stands there."""
    if path is None:
        return None
    if path.suffix.lower() not in SUFFIXES:
        advice = "Give it one of these endings."
        raise bad("--plot", str(path), limit=" ".join(SUFFIXES), advice=advice)
    if path.is_dir() or not path.parent.is_dir():
        advice = "Name a file in a folder that is there."
        raise bad("--plot", str(path), limit="a file", advice=advice)
    if path.exists():
        with path.open("rb") as stream:
            head = stream.read(8)
        if head and not head.startswith(HEADS):
            advice = "What stands there is no plot: name another file."
            raise bad("--plot", str(path), limit="a new file, or a plot", advice=advice)
    return Target(path)
