"""A handful of repeated measurements: mean, spread, interval, and whether one does not belong.

Textbook statistics of normal samples, each with its source. Nothing is thrown away here: a value
that stands out is named, and the person decides.
"""

from __future__ import annotations

import bisect
import dataclasses
import math
from collections.abc import Sequence

import numpy as np
from scipy import stats

from aliquot_host import regression

MORE_MOST = 1000
ALPHA = 0.05


@dataclasses.dataclass(frozen=True)
class Summary:
    """n values; sd with n - 1; cv_pct = 100 sd / mean; low, high: interval of the mean (Student's
    t). more_to_halve: how many further values halve that interval at the same spread."""

    n: int
    mean: float
    sd: float
    cv_pct: float
    low: float
    high: float
    confidence: float
    more_to_halve: int | None


@dataclasses.dataclass(frozen=True)
class Outlier:
    """The value farthest from the mean: its place, Grubbs' G, the critical value, and whether it
    is beyond it."""

    index: int
    g: float
    critical: float
    beyond: bool


def summary(values: Sequence[float], confidence: float = 95.0) -> Summary:
    """Mean and spread of two values or more; ValueError otherwise."""
    n = len(values)
    if n < 2:
        raise ValueError("two values are the least")
    mean = float(np.mean(values))
    sd = float(np.std(values, ddof=1))
    half = half_width(sd, n, confidence)
    more = None
    if sd:
        # The wider the spread's own error, the more: the fewest are found by halving.
        more = 1 + bisect.bisect_left(
            range(1, MORE_MOST),
            True,
            key=lambda m: half_width(sd, n + m, confidence) <= half / 2,
        )
    cv = 100 * sd / mean if mean else math.nan
    return Summary(n, mean, sd, cv, mean - half, mean + half, confidence, more)


def half_width(sd: float, n: int, confidence: float) -> float:
    """Half the interval of a mean of n values."""
    return regression.quantile(confidence, n - 1) * sd / math.sqrt(n)


def systematic_pct(mean: float, stated: float) -> float:
    """Systematic error in percent, es = 100 (V - Vs) / Vs (ISO 8655-6)."""
    return 100 * (mean - stated) / stated


def grubbs(values: Sequence[float], alpha: float = ALPHA) -> Outlier | None:
    """Grubbs' test for one outlier on either side (Grubbs 1969, Technometrics 11:1; ISO 5725-2,
    7.3.4). None for fewer than three values, or where all are the same."""
    n = len(values)
    sd = float(np.std(values, ddof=1)) if n > 1 else 0.0
    if n < 3 or sd == 0:
        return None
    away = np.abs(np.asarray(values) - np.mean(values))
    index = int(np.argmax(away))
    g = float(away[index]) / sd
    critical = grubbs_critical(n, alpha)
    return Outlier(index, g, critical, g > critical)


def grubbs_critical(n: int, alpha: float = ALPHA) -> float:
    """The two-sided critical value of Grubbs' G for n values."""
    t2 = float(stats.t.ppf(1 - alpha / (2 * n), n - 2)) ** 2
    return (n - 1) / math.sqrt(n) * math.sqrt(t2 / (n - 2 + t2))
