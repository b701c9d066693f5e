"""The HTML report of `aliquot history`: one page, plots in both widths, no links out.

It shows what `daybook` added up, in the manners of the other reports.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from aliquot.core.decimals import date_text, text_of
from aliquot_host import plots, report
from aliquot_host.happenings import ml
from aliquot_host.looking_back import Looked, lost, reasons, reservoirs
from aliquot_host.plots import CHANNELS, FAINT, INK, SOFT, Plot
from aliquot_host.report import esc

EVENTS_MOST = 400
DAYS_MOST = 800
BELIEF = (
    "Counting steps is not measuring flow: this is what the board gave by its calibrations. "
    "The command drift holds it against what was left in the containers."
)


def page(looked: Looked) -> str:
    """The whole page."""
    first, last = date_text(looked.first), date_text(looked.last)
    lead = f"{first} to {last}, {looked.name}. {BELIEF}"
    parts = [
        f'<header>\n<p class="brand">Aliquot <span>history</span></p>\n<h1>What went in</h1>\n'
        f'<p class="lead">{esc(lead)}</p>\n</header>',
        report.section("days", "Day by day", DAY_TEXT, [delivered(looked)]),
        _containers(looked),
        _sums(looked),
        _events(looked),
    ]
    body = "\n".join(part for part in parts if part)
    made = f"from the records {looked.found.told[0].seq if looked.found.told else 0} on."
    return report.shell("history", "What went in", f"{body}\n{report.foot(made)}")


DAY_TEXT = (
    "Bars are what may have entered the tank on a date; a pale top is what nobody knows, because "
    "power went in a run. Grey days had no power or no clock for a while."
)


def _label(looked: Looked, name: str) -> str:
    return looked.labels.get(name, name)


def _colour(looked: Looked, name: str) -> str:
    return CHANNELS[looked.book.ids.index(name) % len(CHANNELS)]


def _dates(looked: Looked) -> list[int]:
    return list(range(max(looked.first, looked.last - DAYS_MOST + 1), looked.last + 1))


def delivered(looked: Looked) -> Plot:
    """A panel a channel: what went in on each date, with its lower bound."""
    ids, dates = looked.book.ids, _dates(looked)

    def draw(figure: Any, wide: bool) -> None:
        for row, name in enumerate(ids):
            ax = plots.panel(figure, wide, row, len(ids))
            own = [looked.book.days.get((date, name)) for date in dates]
            low = [day.low_ul / 1000 if day else 0.0 for day in own]
            high = [day.given_ul / 1000 if day else 0.0 for day in own]
            for date in _dark(looked):
                ax.axvspan(date - 0.5, date + 0.5, color=FAINT, linewidth=0)
            ax.bar(dates, high, width=0.8, color=_colour(looked, name), alpha=0.35, linewidth=0)
            ax.bar(dates, low, width=0.8, color=_colour(looked, name), linewidth=0)
            ax.set_title(f"{_label(looked, name)}, mL")
            plots.date_axis(ax, dates, wide, row == len(ids) - 1)

    sums = looked.book.sums(looked.first, looked.last)
    words = [f"{_label(looked, name)} {ml(day.given_ul)}" for name, day in sums.items()]
    return plots.both("history", plots.heights(len(ids)), draw,
                      "What went in each day, in all: " + "; ".join(words) + ".")  # fmt: skip


def _dark(looked: Looked) -> list[int]:
    """Dates with ten minutes or more without power or clock."""
    found = {
        looked.zone.date_of(at_w)
        for dark in looked.found.dark
        if dark.until_w - dark.from_w >= 600
        for at_w in range(dark.from_w, dark.until_w, 43200)
    }
    return sorted(date for date in found if looked.first <= date <= looked.last)


def levels(looked: Looked, name: str) -> tuple[list[float], list[float]]:
    """(dates, mL by the books) of a container, from its first fill on."""
    runs = [run for run in looked.found.runs if run.channel == name]
    events: list[tuple[int, int, float]] = [
        (fill.seq, fill.at_w, fill.ul) for fill in looked.found.fills if fill.channel == name
    ]
    events += [(run.seq, run.start_w, -run.high_ul) for run in runs]
    x: list[float] = []
    y: list[float] = []
    left: float | None = None
    filled = {fill.seq for fill in looked.found.fills if fill.channel == name}
    for seq, at_w, ul in sorted(events):
        if seq in filled and ul >= 0:
            left = ul
        elif left is not None:
            left = max(0.0, left + ul)
        date = looked.zone.date_of(at_w)
        if left is not None and looked.first <= date <= looked.last:
            x.append(date + (at_w - looked.zone.day_start(date)) / 86400)
            y.append(left / 1000)
    return x, y


def _containers(looked: Looked) -> str:
    lines = {name: levels(looked, name) for name in looked.book.ids}
    shown = [name for name, (x, _) in lines.items() if x]
    if not shown:
        return ""
    dates = _dates(looked)

    def draw(figure: Any, wide: bool) -> None:
        for row, name in enumerate(shown):
            ax = plots.panel(figure, wide, row, len(shown))
            x, y = lines[name]
            ax.step(x, y, where="post", color=_colour(looked, name), linewidth=1.1)
            ax.fill_between(
                x, y, step="post", color=_colour(looked, name), alpha=0.18, linewidth=0
            )
            for fill in looked.found.fills:
                if fill.channel == name and fill.expected_ul >= 0 and looked.inside(fill.at_w):
                    date = looked.zone.date_of(fill.at_w)
                    at = date + (fill.at_w - looked.zone.day_start(date)) / 86400
                    ax.plot([at], [fill.ul / 1000], "o", color=INK, markersize=3.5)
            ax.set_ylim(bottom=0)
            ax.axhline(0, color=SOFT, linewidth=0.8)
            ax.set_title(f"{_label(looked, name)}, mL left by the books")
            plots.date_axis(ax, dates, wide, row == len(shown) - 1, offset=0.0)

    listed = "".join(f"<li>{esc(line)}</li>\n" for line in reservoirs(looked))
    alt = "What is left in each container by the books: " + ", ".join(shown) + "."
    plot = plots.both("levels", plots.heights(len(shown)), draw, alt)
    inner = report.figure(plot, "") + (f"\n<ul>\n{listed}</ul>" if listed else "")
    text = "Dots are refills and looks: there somebody said what the container holds."
    return report.wrap("containers", "The containers", text, inner)


SUMS: Sequence[tuple[str, str]] = (
    ("given_ul", "given"),
    ("low_ul", "at least"),
    ("extra_ul", "of it extra"),
    ("raised_ul", "made up"),
    ("missed_ul", "missed"),
    ("refused_ul", "refused"),
    ("cup_ul", "into a cup"),
)


def _sums(looked: Looked) -> str:
    head = "".join(f'<th scope="col">{word}</th>' for _, word in SUMS)
    rows = ""
    for name, day in looked.book.sums(looked.first, looked.last).items():
        place = looked.book.ids.index(name) % len(CHANNELS)
        cells = "".join(
            f'<td data-name="{word}">{text_of(getattr(day, field))}</td>' for field, word in SUMS
        )
        rows += (
            f'<tr><th scope="row"><i style="background:var(--c{place})"></i>'
            f"{esc(_label(looked, name))}</th>{cells}</tr>\n"
        )
    listed = "".join(f"<li>{esc(line)}</li>\n" for line in [*reasons(looked), *lost(looked)])
    inner = (
        f'<table class="sums"><thead><tr><td></td>{head}</tr></thead><tbody>\n{rows}</tbody>'
        "</table>"
    ) + (f"\n<ul>\n{listed}</ul>" if listed else "")
    return report.wrap("sums", "In all, mL", "", inner)


def _events(looked: Looked) -> str:
    told = [one for one in looked.found.told if looked.inside(one.at_w)]
    rows = "".join(
        f'<tr><th scope="row">{esc(looked.when(one.at_w))}</th><td>{esc(one.text)}</td></tr>\n'
        for one in told[-EVENTS_MOST:]
    )
    if not rows:
        return ""
    before = len(told) - EVENTS_MOST
    more = f"<p>And {before} before them, which this page leaves out.</p>" if before > 0 else ""
    return report.wrap(
        "events",
        "What happened",
        "",
        '<table class="story"><thead><tr><th scope="col">When</th><th scope="col">What</th></tr>'
        f"</thead><tbody>\n{rows}</tbody></table>{more}",
    )
