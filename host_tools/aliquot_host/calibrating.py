"""From measured runs of a pump to its calibration, and how far that can be trusted.

Runs of one size give a mean with an interval; runs of several sizes a line through the origin, for
timed motors with a dead time. The pair that goes into a set-up is whole counts and whole
microlitres. Nothing here runs a pump or writes a file.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence

import numpy as np

from aliquot_host import regression, samples
from aliquot_host.regression import Array
from aliquot_host.samples import Outlier, Summary

# Runs count as of one size where their counts differ by no more.
SAME = 0.02
COUNTS_MOST, UL_MOST, OFFSET_MOST = 10_000_000, 10_000_000, 60_000
# Terms of API 675 (which is about reciprocating pumps): linearity within 3 % of the rated flow.
LINEARITY_PCT = 3.0
ERROR_PCT = 10.0
ALONE = 1e-6


@dataclasses.dataclass(frozen=True)
class Run:
    """Counts that a pump was given (of a timed motor: ms), and the mL that came."""

    counts: int
    ml: float


@dataclasses.dataclass(frozen=True)
class Linearity:
    """The largest distance from the best-fit line, in percent of the largest volume, and the
    turndown: largest over smallest size."""

    worst_pct: float
    turndown: float

    @property
    def holds(self) -> bool:
        """Whether it is within the 3 % that API 675 asks of its pumps."""
        return self.worst_pct <= LINEARITY_PCT


@dataclasses.dataclass(frozen=True)
class Calibration:
    """counts for ul, after offset counts of dead time: what goes into a set-up.

    k_counts_ml: the K-factor, with its interval (None for a single run) of confidence percent.
    offset_counts: of the fitted line, with its interval, where it was asked for; one below zero
    is told but not kept. same: mean and spread where all runs
    are of one size; smallest: those of the smallest size, where it was repeated. least_ul: the
    least dose whose volume stays within error_pct at that spread, in 95 of 100 doses."""

    runs: tuple[Run, ...]
    counts: int
    ul: int
    offset: int
    k_counts_ml: float
    k_low: float | None
    k_high: float | None
    offset_counts: float | None
    offset_low: float | None
    offset_high: float | None
    same: Summary | None
    smallest: Summary | None
    outlier: Outlier | None
    linearity: Linearity | None
    more_to_halve: int | None
    least_ul: int | None
    error_pct: float
    systematic_pct: float | None
    confidence: float


def calibrate(
    runs: Sequence[Run],
    *,
    timed: bool = False,
    offset: int = 0,
    stated_ml: float | None = None,
    error_pct: float = ERROR_PCT,
    confidence: float = 95.0,
) -> Calibration:
    """Work out a calibration of one run or more.

    timed: the motor has a dead time, which runs of several sizes show; offset: the dead time to
    take where they cannot. stated_ml: what each run should have given. ValueError: no runs, or
    runs that make no sense together."""
    if not runs:
        raise ValueError("no runs were measured")
    groups = sizes(runs)
    several = len(groups) > 1
    fitted = several and timed
    dead, dead_range, whole_offset = float(offset), None, offset
    if fitted:
        (ml_per_count, half), dead, dead_range = _line(runs, confidence)
        if ml_per_count <= 0:
            raise ValueError("more counts gave less: look at the runs")
        whole_offset = round(min(max(0.0, dead), OFFSET_MOST, min(r.counts for r in runs) - 1))
        if whole_offset != round(dead):  # what no dead time can be: its slope would mislead too
            ml_per_count, half = _origin(runs, whole_offset, several, confidence)
    else:
        ml_per_count, half = _origin(runs, offset, several, confidence)
    counts, ul = _pair(runs, ml_per_count, whole_offset, several)
    ratios = [run.ml / max(1, run.counts - whole_offset) for run in runs]
    smallest = groups[0]
    repeated = samples.summary([r.ml for r in smallest], confidence) if len(smallest) > 1 else None
    one_size = None if several else repeated
    outlier = samples.grubbs(ratios) if not several else None
    return Calibration(
        runs=tuple(runs),
        counts=counts,
        ul=ul,
        offset=whole_offset,
        k_counts_ml=1 / ml_per_count,
        k_low=None if half is None else 1 / (ml_per_count + half),
        k_high=None if half is None or half >= ml_per_count else 1 / (ml_per_count - half),
        offset_counts=dead if fitted else None,
        offset_low=dead_range[0] if dead_range else None,
        offset_high=dead_range[1] if dead_range else None,
        same=one_size,
        smallest=repeated,
        outlier=outlier,
        linearity=_linearity(runs, timed) if several else None,
        more_to_halve=repeated.more_to_halve if one_size and repeated else None,
        least_ul=_least_ul(repeated, error_pct),
        error_pct=error_pct,
        systematic_pct=samples.systematic_pct(float(np.mean([run.ml for run in runs])), stated_ml)
        if stated_ml
        else None,
        confidence=confidence,
    )


def sizes(runs: Sequence[Run]) -> list[list[Run]]:
    """The runs by size, smallest first."""
    groups: list[list[Run]] = []
    for run in sorted(runs, key=lambda run: run.counts):
        if groups and run.counts <= groups[-1][0].counts * (1 + SAME):
            groups[-1].append(run)
        else:
            groups.append([run])
    return groups


def _origin(
    runs: Sequence[Run], offset: int, several: bool, confidence: float
) -> tuple[float, float | None]:
    """mL a count through the origin, and half its interval; None for a single run.

    Of one size: the mean of the ratios, because each run errs alike. Of several: all mL over all
    counts, which is what _weighted makes of a single column."""
    x = np.array([float(run.counts - offset) for run in runs])
    y = np.array([run.ml for run in runs])
    if x.min() <= 0:
        raise ValueError("a run is no longer than the dead time")
    if not several:
        ratio = y / x
        if len(runs) < 2:
            return float(ratio[0]), None
        found = samples.summary(list(ratio), confidence)
        return found.mean, found.high - found.mean
    beta, spread, df = _weighted(x[:, None], y, x)
    q = regression.quantile(confidence, df)
    return float(beta[0]), q * spread(np.array([1.0]))


def _line(
    runs: Sequence[Run], confidence: float
) -> tuple[tuple[float, float | None], float, tuple[float, float] | None]:
    """((mL a count, half its interval), dead time in counts, its interval) with an offset."""
    x = np.array([float(run.counts) for run in runs])
    y = np.array([run.ml for run in runs])
    beta, spread, df = _weighted(np.column_stack([np.ones(len(x)), x]), y, x)
    intercept, slope = (float(value) for value in beta)
    dead = -intercept / slope if slope else math.nan
    if df < 1 or slope <= 0:
        return (slope, None), dead, None
    q = regression.quantile(confidence, df)
    # The error of a ratio, by its derivatives (the delta method).
    half = q * spread(np.array([-1 / slope, intercept / slope**2]))
    return (slope, q * spread(np.array([0.0, 1.0]))), dead, (dead - half, dead + half)


def _weighted(X: Array, y: Array, size: Array) -> tuple[Array, Callable[[Array], float], int]:
    """Least squares with variances that grow with the size: (parameters, error of a sum of them,
    degrees of freedom).

    A part of the spread is the reading's and the same for every run, a part is the pump's and
    grows with the run; this lies between the two. Because it may still be wrong, the error is the
    larger of the model's own and the one that each residual tells for itself (HC3: MacKinnon and
    White 1985, J. Econometrics 29:305), so that an interval is rather too wide than too narrow."""
    root = 1 / np.sqrt(size)
    fit = regression.fit(X * root[:, None], y * root)
    rows = fit.rows
    room = 1 - np.einsum("ij,ji->i", fit.X, rows)
    # A run that the fit must go through tells nothing about its own error.
    free = np.where(room > ALONE, fit.residuals / np.maximum(room, ALONE), 0.0)

    def spread(of: Array) -> float:
        own = math.sqrt(float(of @ fit.cov1 @ of)) * fit.s
        return max(own, math.sqrt(float((((of @ rows) * free) ** 2).sum())))

    return fit.beta, spread, fit.df


def _pair(runs: Sequence[Run], ml_per_count: float, offset: int, several: bool) -> tuple[int, int]:
    """Whole counts and whole microlitres for the set-up.

    As many counts as all runs together, without the dead time, which the engine adds to every
    run: so rounding to a microlitre moves the ratio by less than a hundred-thousandth."""
    counts = sum(run.counts - offset for run in runs)
    ml = sum(run.ml for run in runs) if not several else counts * ml_per_count
    most = min(COUNTS_MOST / counts, UL_MOST / max(1.0, ml * 1000))
    if most < 1:
        counts, ml = math.floor(counts * most), ml * most
    return counts, max(1, round(ml * 1000))


def _linearity(runs: Sequence[Run], timed: bool) -> Linearity:
    x = np.array([float(run.counts) for run in runs])
    y = np.array([run.ml for run in runs])
    X = np.column_stack([np.ones(len(x)), x]) if timed else x[:, None]
    fit = regression.fit(X, y)
    worst = 100 * float(np.abs(fit.residuals).max()) / float(y.max())
    return Linearity(worst, float(x.max() / x.min()))


def _least_ul(repeated: Summary | None, error_pct: float) -> int | None:
    """The least dose: its spread is taken to be that of the smallest size that was repeated. That
    is too large rather than too small, because part of a spread grows with the volume, and part
    is the reading's own."""
    if repeated is None:
        return None
    away = regression.quantile(95, repeated.n - 1) * repeated.sd
    return math.ceil(1000 * away * 100 / error_pct)
