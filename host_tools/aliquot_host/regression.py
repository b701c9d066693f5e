"""Least squares with honest intervals: a line, its scatter, and whether it is one line at all.

Plain linear algebra on a design matrix; what the columns mean is the caller's affair. Intervals
are exact where the errors are normal and even. A test of many candidates has its chance worked out
by drawing errors (a Monte Carlo test, Barnard 1963), with a seed of its own: the same data always
give the same answer.
"""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import stats

Array = NDArray[np.float64]

DRAWS = 1999
SEED = 20000101
SURE = 0.01
# Of a column that the others almost make up nothing can be told.
THIN = 1e-9
ROUNDING = 1e-12


@dataclasses.dataclass(frozen=True)
class Fit:
    """Least squares of y on the columns of X.

    beta, cov1: the parameters, and their covariance for an error of 1. residuals, rss: y less the
    fit. df: n less the number of columns. rows: what makes the parameters out of y (p x n)."""

    X: Array
    beta: Array
    cov1: Array
    rows: Array
    residuals: Array
    rss: float
    df: int

    @property
    def s(self) -> float:
        """Standard deviation of the residuals, n - p degrees of freedom; NaN without any."""
        return math.sqrt(self.rss / self.df) if self.df > 0 else math.nan


def fit(X: Array, y: Array) -> Fit:
    """Fit y (n) on X (n x p), p <= n. ValueError: the columns are not independent."""
    q, r = np.linalg.qr(X)
    size = np.abs(np.diag(r))
    if X.shape[0] < X.shape[1] or size.min() <= THIN * np.linalg.norm(X, axis=0).max():
        raise ValueError("the columns are not independent")
    inverse = np.linalg.inv(r)
    rows: Array = inverse @ q.T
    beta: Array = rows @ y
    # One step of refinement: the certified digits of a reference set need it.
    beta = beta + rows @ (y - X @ beta)
    residuals: Array = y - X @ beta
    rss = float(residuals @ residuals)
    if rss <= ROUNDING**2 * float(y @ y):  # nothing but the last digits of the arithmetic
        rss = 0.0
    df = X.shape[0] - X.shape[1]
    return Fit(X, beta, inverse @ inverse.T, rows, residuals, rss, df)


def quantile(confidence: float, df: float) -> float:
    """Half width of a two-sided interval in standard errors; df: math.inf for a known error."""
    p = 0.5 + confidence / 200
    found: Any = stats.norm.ppf(p) if math.isinf(df) else stats.t.ppf(p, df)
    return float(found)


def combined_df(parts: Sequence[tuple[float, float]]) -> float:
    """Degrees of freedom of a sum of independent errors (variance, df): Welch-Satterthwaite, as
    in the GUM, JCGM 100:2008, G.4.1."""
    whole = sum(variance for variance, _ in parts)
    below = sum(variance**2 / df for variance, df in parts if math.isfinite(df))
    return whole**2 / below if below else math.inf


def _projector(X: Array) -> Array:
    q, _ = np.linalg.qr(X)
    return q


def _directions(X: Array, candidates: Array) -> Array:
    """The candidates (n x m), free of what X explains, each of length 1; hopeless ones are 0."""
    q = _projector(X)
    free = candidates - q @ (q.T @ candidates)
    size = np.linalg.norm(free, axis=0)
    keep = size > 1e-6 * np.maximum(np.linalg.norm(candidates, axis=0), 1e-30)
    free[:, ~keep] = 0.0
    free[:, keep] /= size[keep]
    return free


@functools.lru_cache(maxsize=64)
def _largest(X_bytes: bytes, free_bytes: bytes, n: int) -> Array:
    """Sorted largest shares of the scatter that a candidate explains where nothing is there."""
    X = np.frombuffer(X_bytes).reshape(n, -1)
    free = np.frombuffer(free_bytes).reshape(n, -1)
    q = _projector(X)
    drawn = np.random.default_rng(SEED).standard_normal((DRAWS, n))
    left = drawn - (drawn @ q) @ q.T
    shares = np.max((left @ free) ** 2, axis=1) / np.sum(left**2, axis=1)
    return np.sort(shares)


@dataclasses.dataclass(frozen=True)
class Best:
    """The candidate that explains most; share: of the scatter; chance: that errors alone do."""

    index: int
    share: float
    chance: float
    shares: Array


def best_of(found: Fit, candidates: Array) -> Best | None:
    """Which further column (n x m) explains most, and the chance that errors alone do as much."""
    n = found.X.shape[0]
    if not candidates.shape[1] or found.df < 2 or found.rss <= 0:
        return None
    free = _directions(found.X, candidates)
    shares: Array = (found.residuals @ free) ** 2 / found.rss
    index = int(np.argmax(shares))
    X, kept = np.ascontiguousarray(found.X), np.ascontiguousarray(free)
    null = _largest(X.tobytes(), kept.tobytes(), n)
    share = float(shares[index])
    above = null.size - int(np.searchsorted(null, share * (1 - 1e-12)))
    return Best(index, share, (1 + above) / (1 + null.size), shares)


@functools.lru_cache(maxsize=64)
def _lags(X_bytes: bytes, n: int) -> Array:
    X = np.frombuffer(X_bytes).reshape(n, -1)
    q = _projector(X)
    drawn = np.random.default_rng(SEED + 1).standard_normal((DRAWS, n))
    left = drawn - (drawn @ q) @ q.T
    return np.sort(np.sum(left[:, 1:] * left[:, :-1], axis=1) / np.sum(left**2, axis=1))


def lag(found: Fit) -> tuple[float, float]:
    """How much each residual is like the one before (lag-1 autocorrelation), and the chance that
    independent errors give so much."""
    n = found.X.shape[0]
    if found.df < 4 or found.rss <= 0:
        return 0.0, 1.0
    e = found.residuals
    r = float(np.sum(e[1:] * e[:-1]) / found.rss)
    null = _lags(np.ascontiguousarray(found.X).tobytes(), n)
    above = null.size - int(np.searchsorted(null, r))
    # What the fit itself does to the residuals of independent errors is taken off.
    return r - float(null.mean()), (1 + above) / (1 + null.size)


def outlier(found: Fit) -> tuple[int, float]:
    """The residual that stands out most, and its chance: the largest externally studentized one,
    with Bonferroni's bound (Cook and Weisberg 1982, Residuals and Influence in Regression)."""
    n, df = found.X.shape[0], found.df
    if df < 3 or found.rss <= 0:
        return -1, 1.0
    leverage = np.einsum("ij,ji->i", found.X, found.rows)
    room = np.maximum(1 - leverage, 1e-12)
    inside = found.residuals**2 / (found.rss * room)
    inside = np.minimum(inside, 1 - 1e-12)
    t = np.sqrt(inside * (df - 1) / (1 - inside))
    index = int(np.argmax(t))
    tail: Any = stats.t.sf(float(t[index]), df - 1)
    return index, min(1.0, 2 * n * float(tail))


def theil_sen(x: Array, y: Array, confidence: float) -> tuple[float, float, float, float]:
    """(slope, low, high, intercept): the median of all pairs' slopes (Sen 1968, JASA 63:1379)."""
    found: Any = stats.theilslopes(y, x, alpha=confidence / 100)
    return float(found[0]), float(found[2]), float(found[3]), float(found[1])
