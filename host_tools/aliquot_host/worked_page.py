"""How the demo shows its desk side: a table and a verdict for people, a section of the report.

It words and draws what `worked_month` found, and works out nothing.
"""

from __future__ import annotations

from typing import Any

from aliquot_host import output, plots, report
from aliquot_host.consuming import Range
from aliquot_host.plots import INK, Plot
from aliquot_host.water_tests import DAY_S
from aliquot_host.worked_month import WEEKS_DAYS, Verdict, Worked

TITLE = "From tests to the next four weeks"
LEAD = (
    "Every second evening the water was tested with made-up kits that err. From those tests and "
    "the journal came what the tank uses, from that a plan, and under the plan the same pumps "
    "went on for four quiet weeks, measured anew and with full containers. Dots are tests, the "
    "line is the truth, which no keeper knows; the band is what was stated before."
)


def show(worked: Worked) -> None:
    """The desk side in the terminal."""
    output.say("", TITLE, style="bold")
    tests = sum(one.n for one in worked.told)
    output.say(f"{tests} made-up tests and the journal gave the use, the use gave a plan:")
    output.say(*(f"  {line}" for line in plan_lines(worked)))
    rows = [
        (
            f"{v.what}, {v.unit}",
            f"{v.stated.value:.4g}",
            _span(v.stated),
            f"{v.truth:.4g}",
            _held(v),
        )
        for v in worked.verdicts
    ]
    columns = ("what was stated", "estimate", "95 % interval", "truth", "inside")
    output.table(columns, rows, numbers=columns[1:4])
    output.say(verdict(worked), style="bold")


def plan_lines(worked: Worked) -> list[str]:
    """What the proposal changed, a line a channel."""
    lines: list[str] = []
    for p in worked.found:
        now, new = f"{p.daily_ul / 1000:g}", f"{p.new_daily_ul / 1000:g}"
        text = f"{p.channel}: {now} mL a day " + (f"becomes {new}" if now != new else "is kept")
        if p.extra_days:
            text += f", and {p.extra_ul / 1000:+g} mL a day for {p.extra_days} days"
        lines.append(text)
    return lines


def verdict(worked: Worked) -> str:
    """Whether the truth lay where it was said to lie."""
    held = sum(v.holds for v in worked.verdicts)
    whole = len(worked.verdicts)
    swing = worked.swing.get("alkalinity", 0.0)
    return (
        f"The truth lay inside {held} of {whole} stated intervals (one in twenty may miss); "
        f"alkalinity moved by {swing:.2g} dKH within a day at most."
    )


def payload(worked: Worked) -> dict[str, object]:
    """The desk side for programs."""
    return {
        "plan": plan_lines(worked),
        "verdicts": [
            {
                "what": v.what,
                "unit": v.unit,
                "estimate": v.stated.value,
                "low": v.stated.low,
                "high": v.stated.high,
                "truth": v.truth,
                "holds": v.holds,
            }
            for v in worked.verdicts
        ],
        "most_within_a_day": worked.swing,
        "verdict": verdict(worked),
    }


def section(worked: Worked) -> str:
    """The part of the report."""
    head = "".join(
        f'<th scope="col">{word}</th>' for word in ("estimate", "95 % interval", "truth", "inside")
    )
    rows = "".join(
        f'<tr><th scope="row">{report.esc(v.what)}, {report.esc(v.unit)}</th>'
        f'<td data-name="estimate">{v.stated.value:.4g}</td>'
        f'<td data-name="95 % interval">{report.esc(_span(v.stated))}</td>'
        f'<td data-name="truth">{v.truth:.4g}</td><td data-name="inside">{_held(v)}</td></tr>\n'
        for v in worked.verdicts
    )
    lines = "".join(f"<li>{report.esc(line)}</li>\n" for line in plan_lines(worked))
    inner = (
        f"{report.figure(drawn(worked), '')}\n<ul>\n{lines}</ul>\n"
        f'<table class="sums"><thead><tr><td></td>{head}</tr></thead><tbody>\n{rows}</tbody>'
        f"</table>\n<p>{report.esc(verdict(worked))}</p>"
    )
    return report.wrap("desk", TITLE, LEAD, inner)


def drawn(worked: Worked) -> Plot:
    """A panel a value: tests, truth and what was stated, over the month and the weeks after."""
    outcome = worked.later
    change = outcome.date + len(worked.first.days)
    shown = [w for w in outcome.waters if w.name in worked.forecasts]

    def draw(figure: Any, wide: bool) -> None:
        for row, one in enumerate(shown):
            ax = plots.panel(figure, wide, row, len(shown))
            own = plots.raiser(outcome, one)
            bands = worked.forecasts[one.name].proposed
            at = [change + i for i in range(WEEKS_DAYS + 1)]
            low, high = [r.low for r in bands], [r.high for r in bands]
            ax.fill_between(at, low, high, color=own, alpha=0.22, linewidth=0)
            hours = [outcome.date + i / 24 for i in range(len(one.hourly))]
            ax.plot(hours, one.hourly, color=own, linewidth=1.1)
            readings = worked.on_desk.tests.readings[one.name]
            x = [plots.date_of(outcome, round(r.at_d * DAY_S)) for r in readings]
            ax.plot(x, [r.value for r in readings], "o", color=INK, markersize=3)
            ax.axvline(change, color=INK, linewidth=0.9, linestyle=(0, (1, 3)))
            ax.set_title(f"{one.name}, {one.unit}")
            plots.date_axis(ax, plots.dates(outcome), wide, row == len(shown) - 1, offset=0.0)

    words = [f"{v.what} {v.truth:.4g}, stated {_span(v.stated)}" for v in worked.verdicts]
    alt = "Tests, truth and stated bands: " + "; ".join(words) + "."
    return plots.both("desk", plots.heights(len(shown)), draw, alt)


def _span(one: Range) -> str:
    return f"{one.low:.4g} to {one.high:.4g}"


def _held(one: Verdict) -> str:
    return "yes" if one.holds else "no"
