"""The plot of `drift`: each look beside what was expected of it, and the calibrations.

It draws numbers that were worked out elsewhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from aliquot_host.containers import ALARM, Drift
from aliquot_host.intake import Intake
from aliquot_host.plot_file import FIRST, SECOND, SOFT, WARM, Target
from aliquot_host.water_tests import date_of, days_of


def draw(target: Target, told: Sequence[Drift], found: Intake, zone: str) -> None:
    """A panel a channel with looks: delivery over its calibration, by date."""
    shown = [one for one in told if one.looks] or list(told)[:1]

    def at(at_w: float) -> Any:
        return date_of(days_of(at_w), zone).replace(tzinfo=None)

    def panels(figure: Any) -> None:
        from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

        axes = figure.subplots(len(shown), 1, squeeze=False)[:, 0]
        for ax, one in zip(axes, shown, strict=True):
            x = [at(look.interval.until_w) for look in one.looks]
            middle = [100 * look.forecast for look in one.looks]
            reach = [100 * ALARM * look.error for look in one.looks]
            low = [m - r for m, r in zip(middle, reach, strict=True)]
            high = [m + r for m, r in zip(middle, reach, strict=True)]
            ax.fill_between(x, low, high, color=FIRST, alpha=0.15, linewidth=0, label="expected")
            ax.plot(x, middle, color=FIRST, linewidth=1)
            colours = [WARM if look.alarm else FIRST for look in one.looks]
            ax.scatter(x, [100 * look.ratio for look in one.looks], c=colours, s=26, zorder=3)
            for cal in found.calibrations:
                if cal.channel == one.channel and x and at(cal.at_w) >= x[0]:
                    ax.axvline(at(cal.at_w), color=SECOND, linewidth=1, linestyle=":")
            ax.axhline(100, color=SOFT, linewidth=0.9)
            ax.set_title(f"{one.channel}: drawn, % of what the counts say")
            locator: Any = AutoDateLocator(maxticks=8)
            ax.xaxis.set_major_locator(locator)
            ax.xaxis.set_major_formatter(ConciseDateFormatter(locator))

    target.save(panels, 60 + 240 * len(shown))
