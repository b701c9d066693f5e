"""The plots of a report: matplotlib draws, and the SVG is made fit to stand in a page.

Every plot comes twice, wide for a desk and narrow for a phone. Colours in it are names of the
page's own, so that one drawing serves light, dark and paper; texts stay texts. The same outcome
gives the same bytes: no dates, no chance, ids from a fixed salt. Nothing is written to disk.
"""

from __future__ import annotations

import dataclasses
import io
import itertools
import re
from collections.abc import Callable, Sequence
from math import nan
from typing import Any

import matplotlib
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from aliquot.core.decimals import date_text
from aliquot.core.setup import build
from aliquot_host import timetables
from aliquot_host.happenings import doses, ml
from aliquot_host.simulation import Outcome, hours_of
from aliquot_host.story import day_text
from aliquot_host.tank import Water

# Stand-ins that no plot uses otherwise -> the page's names for them.
INK, SOFT, FAINT, PAPER = "#010101", "#020202", "#030303", "#040404"
CHANNELS = tuple(f"#0a0a{i:02x}" for i in range(8))
NAMES = {
    INK: "--ink",
    SOFT: "--soft",
    FAINT: "--faint",
    PAPER: "--paper",
    **{stand_in: f"--c{i}" for i, stand_in in enumerate(CHANNELS)},
}
WIDE, NARROW = 880, 360
FONT = 12.5
BARS_MOST = 62
HOURLY_MOST = 100
POINTS_MOST = 400
HOUR_S = 3600

STYLE: dict[str, Any] = {
    "svg.fonttype": "none",
    "font.size": FONT,
    "axes.edgecolor": SOFT,
    "axes.labelcolor": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.spines.left": False,
    "axes.linewidth": 0.8,
    "axes.titlesize": FONT,
    "axes.titlelocation": "left",
    "axes.titlecolor": INK,
    "axes.unicode_minus": True,
    "axes.formatter.useoffset": False,
    "text.color": INK,
    "xtick.color": SOFT,
    "ytick.color": SOFT,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "ytick.major.size": 0,
    "grid.color": FAINT,
    "grid.linewidth": 0.8,
    "axes.axisbelow": True,
    "figure.facecolor": "none",
    "axes.facecolor": "none",
    "path.simplify": False,
}


@dataclasses.dataclass(frozen=True)
class Plot:
    """A plot for a page: both drawings, and what they show in words."""

    wide: str
    narrow: str
    alt: str


# matplotlib's own types are not whole; what it draws on is Any to a type checker.
Draw = Callable[[Any, bool], None]
LIBRARY: Any = matplotlib


def colour(outcome: Outcome, name: str) -> str:
    """The colour of a channel, by its place."""
    return CHANNELS[outcome.ids.index(name) % len(CHANNELS)]


def both(name: str, heights: tuple[float, float], draw: Draw, alt: str) -> Plot:
    """Draw a plot in both widths; heights in pixels, the wide one first."""
    drawn: list[str] = []
    for wide, height in zip((True, False), heights, strict=True):
        salt = f"{name}-{'wide' if wide else 'narrow'}"
        with LIBRARY.rc_context({**STYLE, "svg.hashsalt": salt}):
            figure: Any = Figure(figsize=((WIDE if wide else NARROW) / 72, height / 72), dpi=72)
            FigureCanvasSVG(figure)
            draw(figure, wide)
            out = io.StringIO()
            nothing = dict.fromkeys(("Date", "Creator", "Format", "Type"))
            figure.savefig(out, format="svg", metadata=nothing)
        drawn.append(fit(out.getvalue(), salt))
    return Plot(drawn[0], drawn[1], alt)


def fit(svg: str, salt: str) -> str:
    """Make matplotlib's SVG a part of a page: no header, no links out, ids of its own."""
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>\s*", "", svg, flags=re.DOTALL)
    svg = re.sub(r' xmlns(:\w+)?="[^"]*"', "", svg, count=8)
    svg = svg.replace("xlink:href", "href")
    svg = re.sub(r'<svg width="[^"]*" height="[^"]*"', "<svg", svg)
    named = set(re.findall(r'href="#([^"]+)"|url\(#([^)]+)\)', svg))
    used = {name for pair in named for name in pair}

    def kept(match: re.Match[str]) -> str:
        return f' id="{salt}-{match[1]}"' if match[1] in used else ""

    svg = re.sub(r'\s+id="([^"]+)"', kept, svg)
    svg = re.sub(r'href="#([^"]+)"', rf'href="#{salt}-\1"', svg)
    svg = re.sub(r"url\(#([^)]+)\)", rf"url(#{salt}-\1)", svg)
    for stand_in, own in NAMES.items():
        svg = svg.replace(stand_in, f"var({own})")
    return re.sub(r"\s*\n\s*", "\n", svg).strip()


# One date


def ribbon(outcome: Outcome, date: int) -> Plot:
    """A date, a lane a channel: a stroke for each run, at its time, as high as its volume."""
    lanes = _lanes(outcome, date)
    zone = outcome.zone
    start_w = zone.day_start(date)
    length = zone.day_start(date + 1) - start_w
    above = 0.45 if length != 86400 else 0.0  # room for what is said about the clocks

    def draw(figure: Any, wide: bool) -> None:
        ax = _axes(figure, wide, left=96 if wide else 12, bottom=26, top=8 if wide else 4)
        ax.set_xlim(-0.15, length / HOUR_S + 0.15)
        ax.set_ylim(len(lanes) - 0.06, (0.06 if wide else -0.22) - above)
        for row, lane in enumerate(lanes):
            floor = row + 0.78
            own = colour(outcome, lane.name)
            ax.axhspan(floor - 0.62, floor, color=own, alpha=0.1, linewidth=0)
            ax.hlines(floor, 0, length / HOUR_S, color=own, linewidth=0.8)
            most = max([ul for _, ul in lane.runs] or [1])
            for kind, width in (("runs", 2.6 if wide else 1.9), ("extras", 2.6)):
                shown = lane.runs if kind == "runs" else lane.extras
                hours = [(at_w - start_w) / HOUR_S for at_w, _ in shown]
                tops = [floor - 0.6 * min(1.0, ul / most) for _, ul in shown]
                style = "solid" if kind == "runs" else (0, (1, 0.8))
                ax.vlines(hours, floor, tops, color=own, linewidth=width, linestyle=style)
            for at_w in lane.lost:
                hour = (at_w - start_w) / HOUR_S
                ax.plot(hour, floor - 0.2, "x", color=INK, markersize=5, markeredgewidth=1.2)
            label = outcome.label(lane.name)
            if wide:
                ax.text(-0.4, floor - 0.31, label, ha="right", va="center")
            else:
                ax.text(0, floor - 0.7, label, ha="left", va="bottom")
        _clock_axis(ax, outcome, date, 3 if wide else 6)
        ax.set_yticks([])

    n = len(lanes)
    alt = f"{day_text(date)}: " + "; ".join(lane.words(outcome) for lane in lanes) + "."
    heights = (54.0 * (n + above) + 30, 58.0 * (n + above) + 34)
    return both(f"ribbon-{date_text(date)}", heights, draw, alt)


@dataclasses.dataclass(frozen=True)
class _Lane:
    """A channel on a date: (time, µL) of doses and of extras, times of doses that did not run."""

    name: str
    runs: list[tuple[int, int]]
    extras: list[tuple[int, int]]
    lost: list[int]

    def words(self, outcome: Outcome) -> str:
        parts = [doses(len(self.runs))]
        if self.runs:
            zone = outcome.zone
            first, last = (_clock(outcome, self.runs[at][0]) for at in (0, -1))
            parts[0] += f" between {first} and {last}" if zone and len(self.runs) > 1 else ""
            parts[0] += f", {ml(sum(ul for _, ul in self.runs))}"
        if self.extras:
            parts.append(f"{len(self.extras)} besides the plan")
        if self.lost:
            parts.append(f"{len(self.lost)} did not run")
        return f"{outcome.label(self.name)} {', '.join(parts)}"


def _clock(outcome: Outcome, at_w: int) -> str:
    second = (at_w + outcome.zone.offset(at_w)) % 86400
    return f"{second // HOUR_S:02}:{second // 60 % 60:02}"


def _lanes(outcome: Outcome, date: int) -> list[_Lane]:
    world, zone = outcome.world, outcome.zone
    start_w, end_w = zone.day_start(date), zone.day_start(date + 1)
    lanes = [_Lane(name, [], [], []) for name in outcome.ids]
    for run in world.runs:
        if start_w <= run.start_w < end_w and run.into != "cup":
            lane = lanes[run.channel]
            (lane.runs if run.into == "dose" else lane.extras).append((run.start_w, run.ul))
    data = [data for at_w, data in world.setups if at_w < end_w][-1]
    setup = build(data)
    day = timetables.table_of(setup, timetables.calibrations(data)).day(date)
    for passing in world.passed:
        name = outcome.ids[passing.channel]
        place = next((i for i, c in enumerate(setup.channels) if c.id == name), -1)
        if place < 0 or not passing.first[0] <= date <= passing.last[0]:
            continue
        for at, second in enumerate(timetables.times(day, place)):
            if passing.first <= (date, at) <= passing.last:
                lanes[passing.channel].lost.append(start_w + second)
    return lanes


def _clock_axis(ax: Any, outcome: Outcome, date: int, step: int) -> None:
    """Ticks at hours of the wall clock; where the clocks change, a line that says so."""
    zone = outcome.zone
    start_w, end_w = zone.day_start(date), zone.day_start(date + 1)
    ticks = [(zone.wall(date, hour * HOUR_S) - start_w) / HOUR_S for hour in range(0, 24, step)]
    ax.set_xticks([*ticks, (end_w - start_w) / HOUR_S])
    ax.set_xticklabels([*(f"{hour:02}:00" for hour in range(0, 24, step)), "24:00"])
    for at_w in range(start_w + 60, end_w, 60):
        before, after = zone.offset(at_w - 60), zone.offset(at_w)
        if before != after:
            x = (at_w - start_w) / HOUR_S
            ax.axvline(x, color=INK, linewidth=1, linestyle=(0, (2, 2)))
            said = f"{_hm(at_w + before)} becomes {_hm(at_w + after)}"
            _, top = ax.get_ylim()
            ax.text(x + 0.15, top, said, va="top", ha="left", fontsize=FONT - 1)


def _hm(wall_s: int) -> str:
    return f"{wall_s % 86400 // HOUR_S:02}:{wall_s % HOUR_S // 60:02}"


# By date


def buckets(days: int) -> list[range]:
    """Dates in groups, each but a short last one of as many: one each, or a few hundred in all."""
    size = -(-days // POINTS_MOST)
    return [range(at, min(at + size, days)) for at in range(0, days, size)]


def delivered(outcome: Outcome) -> Plot:
    """A panel a channel: planned, commanded and truly given, date by date."""
    n = len(outcome.ids)
    groups = buckets(len(outcome.days))
    x = [outcome.date + (group[0] + group[-1]) / 2 for group in groups]

    def means(values: list[float]) -> list[float]:
        return [sum(values[i] for i in group) / len(group) / 1000 for group in groups]

    def draw(figure: Any, wide: bool) -> None:
        for row, name in enumerate(outcome.ids):
            ax = panel(figure, wide, row, n)
            place = outcome.ids.index(name)
            planned = means([float(day.planned_ul[place]) for day in outcome.days])
            commanded = means([float(day.commanded_ul[place]) for day in outcome.days])
            true = means([day.true_ul[place] for day in outcome.days])
            own = colour(outcome, name)
            if len(x) <= BARS_MOST:
                ax.bar(x, commanded, width=0.72, color=own, alpha=0.45, linewidth=0)
                dosed = [(d, ml_) for d, ml_ in zip(x, planned, strict=True) if ml_]
                left, right = [d - 0.44 for d, _ in dosed], [d + 0.44 for d, _ in dosed]
                ax.hlines([ml_ for _, ml_ in dosed], left, right, color=INK, linewidth=1.2)
                size = 2.8 if wide else 2
                dots = [value or nan for value in true]
                ax.plot(x, dots, linestyle="none", marker="o", color=own, markersize=size)
            else:
                ax.fill_between(x, commanded, step="mid", color=own, alpha=0.45, linewidth=0)
                ax.plot(x, planned, drawstyle="steps-mid", color=INK, linewidth=0.8)
                ax.plot(x, true, drawstyle="steps-mid", color=own, linewidth=0.8)
            ax.set_ylim(0, 1.12 * max([*planned, *commanded, *true, 0.001]))
            ax.set_title(f"{outcome.label(name)}, mL a day")
            date_axis(ax, dates(outcome), wide, row == n - 1)

    words = [
        f"{outcome.label(name)} planned {ml(sums['planned_ul'])}, commanded "
        f"{ml(sums['commanded_ul'])}, truly given {ml(sums['true_ul'])}"
        for name, sums in outcome.totals().items()
    ]
    alt = f"By date, over {len(outcome.days)} dates: " + "; ".join(words) + "."
    return both("delivered", heights(n), draw, alt)


def water(outcome: Outcome) -> Plot:
    """A panel a value of the water: hour by hour, in the band of each date."""
    shown = outcome.waters
    groups = buckets(len(outcome.days))
    x = [float(outcome.date + group[0]) for group in groups]
    ends = [*x, outcome.date + groups[-1][-1] + 1.0]

    def draw(figure: Any, wide: bool) -> None:
        for row, one in enumerate(shown):
            ax = panel(figure, wide, row, len(shown))
            own = raiser(outcome, one)
            spans = [
                one.span(hours_of(outcome, group[0])[0], hours_of(outcome, group[-1])[1])
                for group in groups
            ]
            low = [span[0] for span in spans]
            high = [span[2] for span in spans]
            ax.fill_between(
                ends, [*low, low[-1]], [*high, high[-1]], step="post", color=own, alpha=0.22,
                linewidth=0,
            )  # fmt: skip
            if len(outcome.days) <= HOURLY_MOST:
                hours = [x[0] + i / 24 for i in range(len(one.hourly))]
                ax.plot(hours, one.hourly, color=own, linewidth=1.1)
            else:
                middles = [(a + b) / 2 for a, b in itertools.pairwise(ends)]
                ax.plot(middles, [span[1] for span in spans], color=own, linewidth=1)
            ax.axhline(one.hourly[0], color=INK, linewidth=0.9, linestyle=(0, (1, 3)))
            # No closer than two hundredths of the value: what is steady must look it.
            least = max(0.02 * max(high), 0.02)
            room = max(0.15 * (max(high) - min(low)), (least - max(high) + min(low)) / 2)
            ax.set_ylim(min(low) - room, max(high) + room)
            ax.set_title(f"{one.name}, {one.unit}")
            date_axis(ax, dates(outcome), wide, row == len(shown) - 1, offset=0.0)

    words = [f"{one.name} {_span_words(one)}" for one in shown]
    alt = "The water hour by hour: " + "; ".join(words) + "."
    return both("water", heights(len(shown)), draw, alt)


def raiser(outcome: Outcome, one: Water) -> str:
    """The colour of the channel that raises a value, or of none."""
    for _, data in reversed(outcome.world.setups):
        for c in data["channel"]:
            if c["strength"] and c["strength"]["water"] == one.name:
                return colour(outcome, c["id"])
    return SOFT


def _span_words(one: Water) -> str:
    least, _, most = one.span(0, len(one.hourly) - 1)
    first, last = one.hourly[0], one.hourly[-1]
    return (
        f"{value_text(least)} to {value_text(most)} {one.unit}, "
        f"from {value_text(first)} at first to {value_text(last)} at last"
    )


def value_text(value: float) -> str:
    """A value of the water in about three digits."""
    return f"{value:.2f}" if abs(value) < 99.995 else f"{value:.0f}"


def reservoirs(outcome: Outcome) -> Plot:
    """A panel a container: what the board counts as left, and what is truly in it."""
    names = [name for name in outcome.ids if any(name in left for left in outcome.left)]
    ends = [group[-1] for group in buckets(len(outcome.days))]

    def draw(figure: Any, wide: bool) -> None:
        for row, name in enumerate(names):
            ax = panel(figure, wide, row, len(names))
            own = colour(outcome, name)
            points = [
                (outcome.date + i + 1.0, outcome.left[i][name])
                for i in ends
                if name in outcome.left[i]
            ]
            for at_w, filled, before, after in outcome.world.fills:
                if filled == name:
                    at = date_of(outcome, at_w)
                    points += [(at, before), (at + 0.001, after)]
            points.sort(key=lambda point: point[0])
            days = [day for day, _ in points]
            counted = [left[0] / 1000 for _, left in points]
            true = [left[1] / 1000 for _, left in points]
            ax.fill_between(days, counted, color=own, alpha=0.22, linewidth=0)
            ax.plot(days, counted, color=own, linewidth=1.4)
            ax.plot(days, true, color=INK, linewidth=0.9, linestyle=(0, (1, 2)))
            low = next((c.low_ul for c in outcome.world.setup.channels if c.id == name), 0)
            if low:
                ax.axhline(low / 1000, color=INK, linewidth=0.9, linestyle=(0, (5, 3)))
                last = outcome.date + ends[-1] + 1
                ax.text(last, low / 1000, "low ", va="bottom", ha="right", fontsize=FONT - 1)
            ax.set_ylim(0, 1.12 * max([*counted, *true, low / 1000, 0.001]))
            ax.set_title(f"{outcome.label(name)}, mL left")
            date_axis(ax, dates(outcome), wide, row == len(names) - 1, offset=0.0)

    words = [
        f"{outcome.label(name)} {ml(outcome.left[-1][name][0])} left at last by the count"
        for name in names
        if name in outcome.left[-1]
    ]
    return both("reservoirs", heights(len(names)), draw, "Containers: " + "; ".join(words) + ".")


# Shared


def date_of(outcome: Outcome, at_w: int) -> float:
    """A true time as a date and its fraction."""
    date = outcome.zone.date_of(at_w)
    return date + (at_w - outcome.zone.day_start(date)) / 86400


def heights(n: int) -> tuple[float, float]:
    """The heights of a plot of n panels, wide and narrow, in pixels."""
    return 108.0 * n + 30, 104.0 * n + 30


def _axes(figure: Any, wide: bool, left: float, bottom: float, top: float) -> Any:
    """One axes with margins in pixels."""
    width, height = (float(v) * 72 for v in figure.get_size_inches())
    right = 14 if wide else 16
    box = (left / width, bottom / height, 1 - (left + right) / width, 1 - (bottom + top) / height)
    return figure.add_axes(box)


def panel(figure: Any, wide: bool, row: int, n: int) -> Any:
    """One of `n` panels above each other, margins in pixels."""
    width, height = (float(v) * 72 for v in figure.get_size_inches())
    each = (height - 30) / n
    left, right = (46, 12) if wide else (38, 8)
    bottom = 26 + (n - 1 - row) * each
    box = (left / width, bottom / height, 1 - (left + right) / width, (each - 32) / height)
    ax: Any = figure.add_axes(box)
    ax.grid(axis="y")
    ax.locator_params(axis="y", nbins=4)
    return ax


def date_axis(ax: Any, dates: Sequence[int], wide: bool, last: bool, offset: float = -0.5) -> None:
    """Dates below; ticks at sensible ones, labels under the last panel alone."""
    ax.set_xlim(dates[0] + offset - 0.1, dates[-1] + 1 + offset + 0.1)
    most = 9 if wide else 4
    step = next(
        (s for s in (1, 2, 5, 7, 14, 28, 91, 182, 365, 730) if len(dates) / s <= most), 1000
    )
    ticks = list(dates[::step])
    ax.set_xticks(ticks)
    texts = [_tick(date, len(dates)) for date in ticks]
    ax.set_xticklabels(texts if last else ["" for _ in ticks])
    for label in ax.get_xticklabels()[:1]:
        label.set_horizontalalignment("left")


def dates(outcome: Outcome) -> list[int]:
    """The dates of an outcome."""
    return [day.date for day in outcome.days]


def _tick(date: int, days: int) -> str:
    text = date_text(date)
    if days > 400:
        return text[:7]
    _, day, month = day_text(date).split(" ")
    return f"{day} {month[:3]}"
