"""The plot of a calibration: each run against the fit, and its distance from it.

It draws numbers that were worked out elsewhere.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from aliquot_host.calibrating import Calibration
from aliquot_host.plot_file import FIRST, SOFT, WARM, Target


def draw(target: Target, found: Calibration, channel: str) -> None:
    """Left the runs with the line, right how far each lies from it, with the interval's band."""
    counts = np.array([float(run.counts) for run in found.runs])
    ml = np.array([run.ml for run in found.runs])
    per_count = 1 / found.k_counts_ml
    expected = (counts - found.offset) * per_count
    off_pct = 100 * (ml - expected) / expected

    def both(figure: Any) -> None:
        left, right = figure.subplots(1, 2)
        x = [found.offset, float(counts.max()) * 1.05]
        line = [(one - found.offset) * per_count for one in x]
        left.plot(x, line, color=SOFT, linewidth=1.2)
        left.plot(counts, ml, "o", color=FIRST, markersize=5)
        left.locator_params(axis="x", nbins=5)
        left.set_xlabel("counts")
        left.set_ylabel("mL")
        left.set_title(f"{channel}: {found.k_counts_ml:.2f} counts/mL")
        if found.k_low and found.k_high:
            low = 100 * (found.k_counts_ml / found.k_high - 1)
            high = 100 * (found.k_counts_ml / found.k_low - 1)
            right.axhspan(low, high, color=FIRST, alpha=0.18, linewidth=0)
        right.axhline(0, color=SOFT, linewidth=1)
        colours = [FIRST] * len(ml)
        if found.outlier and found.outlier.beyond:
            colours[found.outlier.index] = WARM
        right.scatter(range(1, len(ml) + 1), off_pct, c=colours, s=28, zorder=3)
        right.set_xlabel("run")
        right.xaxis.get_major_locator().set_params(integer=True)
        right.set_title("off the fit, %, with the interval of the mean")

    target.save(both, 380)
