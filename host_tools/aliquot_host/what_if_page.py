"""The HTML report of `aliquot what-if`: both plans, day by day.

It shows what was worked out elsewhere, in the manners of the other reports.
"""

from __future__ import annotations

from typing import Any

from aliquot.core.decimals import date_text
from aliquot_host import plots, report
from aliquot_host.daybook import Daybook
from aliquot_host.plots import CHANNELS, INK, Plot
from aliquot_host.report import esc
from aliquot_host.setup_file import Loaded
from aliquot_host.what_if import WhatIf
from aliquot_host.what_if_words import rows, said

TEXT = (
    "Bars are what would have gone in under the new plan, dots what really did. Both went through "
    "the same power cuts, the same times without a clock, and the same orders."
)


def page(found: WhatIf, loaded: Loaded) -> str:
    """The whole page."""
    lead = f"{date_text(found.first)} to {date_text(found.last)}, {loaded.data['timezone']}."
    cells = "".join(
        f'<tr><th scope="row">{esc(name)}: {esc(what)}</th><td data-name="as it was">{esc(a)}</td>'
        f'<td data-name="would have been">{esc(b)}</td></tr>\n'
        for name, what, a, b in rows(found)
    )
    head = '<th scope="col">as it was</th><th scope="col">would have been</th>'
    listed = "".join(f"<li>{esc(line)}</li>\n" for line in said(found))
    inner = (
        f'<table class="sums"><thead><tr><td></td>{head}</tr></thead><tbody>\n{cells}</tbody>'
        f"</table>\n<ul>\n{listed}</ul>"
    )
    parts = [
        '<header>\n<p class="brand">Aliquot <span>what if</span></p>\n'
        f'<h1>The same weeks, another plan</h1>\n<p class="lead">{esc(lead)}</p>\n</header>',
        report.section("days", "Day by day", TEXT, [delivered(found)]),
        report.wrap("sums", "In all", "", inner),
        report.foot(f"set-up {loaded.digest[:12]}."),
    ]
    return report.shell("what-if", "The same weeks, another plan", "\n".join(parts))


def delivered(found: WhatIf) -> Plot:
    """A panel a channel: both sides of each date."""
    ids = list(dict.fromkeys([*found.would.ids, *found.was.ids]))
    dates = list(range(found.first, found.last + 1))

    def given(book: Daybook, name: str) -> list[float]:
        own = [book.days.get((date, name)) for date in dates]
        return [day.given_ul / 1000 if day else 0.0 for day in own]

    def draw(figure: Any, wide: bool) -> None:
        for row, name in enumerate(ids):
            ax = plots.panel(figure, wide, row, len(ids))
            colour = CHANNELS[row % len(CHANNELS)]
            ax.bar(dates, given(found.would, name), width=0.8, color=colour, linewidth=0)
            ax.plot(dates, given(found.was, name), "o", color=INK, markersize=3)
            ax.set_title(f"{name}, mL")
            plots.date_axis(ax, dates, wide, row == len(ids) - 1)

    alt = "What went in each day, and what would have: " + ", ".join(ids) + "."
    return plots.both("what-if", plots.heights(len(ids)), draw, alt)
