"""Plots of the desk side: tests with what the line says, and what a proposal would do.

They draw numbers that were worked out elsewhere, and work out none.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from aliquot_host import regression, water_tests
from aliquot_host.consuming import Estimate
from aliquot_host.desk import Desk
from aliquot_host.plot_file import FIRST, INK, SECOND, SOFT, WARM, Target
from aliquot_host.proposing import Forecast

PANEL_PX = 300


def times(desk: Desk, days: Sequence[float]) -> list[Any]:
    """Day counts as a time axis takes them."""
    if desk.tests.counted:
        return list(days)
    return [water_tests.date_of(day, desk.zone).replace(tzinfo=None) for day in days]


def uses(target: Target, told: Sequence[Estimate], desk: Desk) -> None:
    """Of each value: the tests, the fitted water, and the tests less what was dosed with the
    line of use and its band."""

    def draw(figure: Any) -> None:
        grid = figure.subplots(len(told), 2, squeeze=False)
        for (left, right), one in zip(grid, told, strict=True):
            x = times(desk, one.times)
            left.plot(x, one.values, "o", color=FIRST, markersize=4.5, label="tests")
            left.plot(x, one.fitted, color=SOFT, linewidth=1.2, label="by use and doses")
            left.set_title(f"{one.water}, {one.unit}: in the tank")
            _line(right, x, one)
            for ax in (left, right):
                for at in one.breaks:
                    ax.axvline(times(desk, [at.at_d])[0], color=WARM, linewidth=1, linestyle="--")
                ax.legend(fontsize=9, loc="best")
                _dates(ax, desk)

    target.save(draw, 40 + PANEL_PX * len(told))


def _line(ax: Any, x: list[Any], one: Estimate) -> None:
    """Tests less doses, with the line of least squares and its band."""
    at = np.array(one.times)
    plain = one.intercept + one.slope * (at - one.origin_d)
    ax.plot(x, one.without, "o", color=FIRST, markersize=4.5, label="tests less doses")
    if not one.breaks:
        q = regression.quantile(one.confidence, one.df)
        away = (at - at.mean()) * one.slope_error
        middle = one.sigma / np.sqrt(one.n)
        half = q * np.sqrt(middle**2 + away**2)
        ax.fill_between(x, plain - half, plain + half, color=FIRST, alpha=0.18, linewidth=0)
        text = f"{one.use.value:.3g} a day ({one.use.low:.3g} to {one.use.high:.3g})"
        ax.plot(x, plain, color=FIRST, linewidth=1.2, label=text)
    ax.set_title("as if nothing had been dosed")


def ahead(
    target: Target,
    told: Sequence[Estimate],
    forecasts: Mapping[str, Forecast],
    desk: Desk,
    targets: Mapping[str, float],
) -> None:
    """Of each value: the tests, then what comes with the proposal, as now, and without doses."""

    def draw(figure: Any) -> None:
        axes = figure.subplots(len(told), 1, squeeze=False)[:, 0]
        for ax, one in zip(axes, told, strict=True):
            found = forecasts[one.water]
            ax.plot(times(desk, one.times), one.values, "o", color=SOFT, markersize=4)
            x = times(desk, [one.last_d + found.since.days + day for day in found.days])
            ways = (
                ("with the proposal", found.proposed, FIRST, "-"),
                ("as now", found.unchanged, SECOND, "--"),
                ("without doses", found.without, WARM, ":"),
            )
            for name, ranges, colour, style in ways:
                middle = [r.value for r in ranges]
                ax.plot(x, middle, color=colour, linestyle=style, linewidth=1.5, label=name)
                low, high = [r.low for r in ranges], [r.high for r in ranges]
                ax.fill_between(x, low, high, color=colour, alpha=0.15, linewidth=0)
            if one.water in targets:
                ax.axhline(targets[one.water], color=INK, linewidth=0.9, linestyle=(0, (1, 3)))
            ax.set_ylim(*_room(one, found))
            ax.set_title(f"{one.water}, {one.unit}")
            ax.legend(fontsize=9, loc="best")
            _dates(ax, desk)

    target.save(draw, 40 + PANEL_PX * len(told))


def _room(one: Estimate, found: Forecast) -> tuple[float, float]:
    """Limits of an axis: without doses a value soon leaves what is worth looking at."""
    kept = [r for ranges in (found.proposed, found.unchanged) for r in ranges]
    values = [*one.values, *(r.low for r in kept), *(r.high for r in kept)]
    wide = max(values) - min(values)
    return min(values) - wide * 0.5, max(values) + wide * 0.1


def _dates(ax: Any, desk: Desk) -> None:
    """A time axis with few dates."""
    if desk.tests.counted:
        ax.set_xlabel("day")
        return
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    locator: Any = AutoDateLocator(maxticks=7)
    ax.xaxis.set_major_locator(locator)
    ax.xaxis.set_major_formatter(ConciseDateFormatter(locator))
