"""From mass against time to flow error: start-up graph and trumpet curve.

The method is borrowed from IEC 60601-2-24, which defines it for infusion pumps: flow from the mass
every half minute, and the largest and smallest mean error over windows of several lengths in the
second hour. It describes how even a pump is. It makes no medical claim, and this is no test by
that standard.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import numpy as np

from aliquot_host.regression import Array

SAMPLE_MIN = 0.5
WINDOWS_MIN = (2, 5, 11, 19, 31)
FROM_MIN, LENGTH_MIN = 60.0, 60.0
READINGS_LEAST = 3
# A month of half minutes; a slip in a time must not ask for more memory than there is.
LONGEST_MIN = 31 * 24 * 60.0
# A gap longer than so many samples hides what the pump did in it.
GAP_MOST = 4


@dataclasses.dataclass(frozen=True)
class Window:
    """Of all windows of `minutes`: the largest and the smallest mean flow error in percent."""

    minutes: int
    most_pct: float
    least_pct: float


@dataclasses.dataclass(frozen=True)
class Curve:
    """minutes: the end of each sample from the first reading on; flow_ml_h: in it. rate_ml_h: set
    or, where none was, the mean. mean_pct: flow error over the analysed time, from_min on.

    falling: the container that was drawn from stood on the balance. evaporation_g_h: added back,
    below zero where the mass rose while nothing ran. gap_min, longest_gap_min: between two
    readings, the median and the longest."""

    minutes: list[float]
    flow_ml_h: list[float]
    rate_ml_h: float
    mean_pct: float
    windows: list[Window]
    from_min: float
    until_min: float
    falling: bool
    evaporation_g_h: float
    gap_min: float
    longest_gap_min: float


def curve(
    minutes: Sequence[float],
    grams: Sequence[float],
    *,
    ml_per_g: float = 1.0,
    rate_ml_h: float | None = None,
    evaporation_g_h: float | None = None,
    idle_min: float = 0.0,
    from_min: float = FROM_MIN,
    length_min: float = LENGTH_MIN,
) -> Curve:
    """Flow error of readings in the order of time, minutes and grams.

    idle_min: so long nothing ran at the start; what was lost in it is taken for evaporation, and
    time begins after it. ValueError: too few readings, times that do not rise, a run that is too
    short or longer than LONGEST_MIN."""
    t, w = np.asarray(minutes, float), np.asarray(grams, float)
    if len(t) < READINGS_LEAST or (np.diff(t) <= 0).any():
        raise ValueError("three readings or more are needed, each later than the one before")
    if t[-1] - t[0] > LONGEST_MIN:
        raise ValueError(f"the readings are more than {LONGEST_MIN / 1440:g} days apart")
    loss = _idle(t, w, idle_min) if evaporation_g_h is None else evaporation_g_h
    t, w = _after(t, w, float(t[0]) + idle_min)
    if len(t) < READINGS_LEAST:
        raise ValueError("nothing is left after the idle time")
    falling = bool(w[-1] < w[0])
    # A vessel that is filled loses to the air what would have been weighed; one that is drawn
    # from loses more than the pump took.
    moved = (w[0] - w) - loss * t / 60 if falling else (w - w[0]) + loss * t / 60
    ends, flow = _flow(t, moved * ml_per_g)
    until = from_min + length_min
    inside = (ends > from_min + 1e-9) & (ends <= until + 1e-9)
    wanted = round(length_min / SAMPLE_MIN)
    if int(inside.sum()) < wanted:
        raise ValueError(
            f"the run is {ends[-1] if len(ends) else 0:.1f} minutes long, and minutes "
            f"{from_min:g} to {until:g} are analysed"
        )
    own = flow[inside]
    rate = float(own.mean()) if rate_ml_h is None else rate_ml_h
    if rate <= 0:
        raise ValueError("no flow is seen in the time that is analysed")
    error = 100 * (own - rate) / rate
    windows = [_window(error, minutes) for minutes in WINDOWS_MIN if minutes <= length_min]
    return Curve(
        [float(end) for end in ends],
        [float(one) for one in flow],
        rate,
        float(error.mean()),
        windows,
        from_min,
        until,
        falling,
        loss,
        float(np.median(np.diff(t))),
        float(np.diff(t).max()),
    )


def _idle(t: Array, w: Array, idle_min: float) -> float:
    """Grams an hour lost while nothing ran; 0.0 without such a time."""
    if not idle_min:
        return 0.0
    keep = t <= t[0] + idle_min
    if keep.sum() < READINGS_LEAST:
        raise ValueError("three readings or more are needed in the idle time")
    slope = float(np.polyfit(t[keep], w[keep], 1)[0])
    return -60 * slope


def _after(t: Array, w: Array, start: float) -> tuple[Array, Array]:
    """The readings from `start` on, in time since then. Where none stands there, the first is
    taken from the line between its neighbours: else the run would seem to begin late."""
    keep = t >= start
    at: Array = np.interp([start], t, w)
    if not keep.any() or t[keep][0] == start:
        return t[keep] - start, w[keep]
    return np.concatenate([[0.0], t[keep] - start]), np.concatenate([at, w[keep]])


def _flow(t: Array, ml: Array) -> tuple[Array, Array]:
    """(end of each half minute, flow in it in mL/h), the mass taken in a line between readings."""
    samples = math.floor(t[-1] / SAMPLE_MIN + 1e-9)
    grid: Array = np.array([i * SAMPLE_MIN for i in range(samples + 1)])
    at: Array = np.interp(grid, t, ml)
    return grid[1:], np.diff(at) * 60 / SAMPLE_MIN


def _window(error: Array, minutes: int) -> Window:
    """The largest and smallest mean error over windows of so many minutes: Ep(max), Ep(min)."""
    size = round(minutes / SAMPLE_MIN)
    total = np.concatenate([[0.0], np.cumsum(error)])
    means = (total[size:] - total[:-size]) / size
    return Window(minutes, float(means.max()), float(means.min()))
