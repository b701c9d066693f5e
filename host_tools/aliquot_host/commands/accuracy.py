"""`aliquot accuracy`: how even a pump runs, from the readings of a balance.

It reads a file and draws; it knows no board.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import click

from aliquot_host import csv_file, output, plot_file, trumpet, weighing
from aliquot_host.errors import bad
from aliquot_host.number_option import DENSITY, PLOT, Finite
from aliquot_host.trumpet import Curve

# What a balance on a desk shows, and more; a slip of the keyboard is beyond it.
GRAMS_MOST = 1e6
TIMES = {"time_s": 1 / 60, "time_min": 1.0, "time_h": 60.0}
CLAIM = (
    "The method is borrowed from IEC 60601-2-24, which is for infusion pumps. It says how even "
    "this pump is; it is no test by that standard, and no medical claim."
)


@click.command("accuracy")
@click.argument("readings", metavar="READINGS.csv", type=click.Path(path_type=Path))
@click.option("--rate", type=Finite(0.001, 1e6), metavar="ML_H", help="The rate set.")
@click.option("--water", type=Finite(0, 100), metavar="C", help="It is water of that temperature.")
@DENSITY
@click.option("--evaporation", type=Finite(0, 1000), metavar="G_H", help="Lost to the air.")
@click.option(
    "--idle",
    type=Finite(0, 1000),
    default=0.0,
    metavar="MIN",
    help="So long nothing ran at the start: gives the evaporation.",
)
@click.option(
    "--from",
    "from_min",
    type=Finite(0, 10_000),
    default=trumpet.FROM_MIN,
    show_default=True,
    metavar="MIN",
    help="Where the analysed time begins.",
)
@click.option(
    "--for",
    "length_min",
    type=Finite(2, 10_000),
    default=trumpet.LENGTH_MIN,
    show_default=True,
    metavar="MIN",
    help="How long it is.",
)
@PLOT
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
def command(
    readings: Path,
    rate: float | None,
    water: float | None,
    density: float | None,
    evaporation: float | None,
    idle: float,
    from_min: float,
    length_min: float,
    plot: Path | None,
    as_json: bool,
) -> None:
    """Turn mass against time into flow error: start-up graph and trumpet curve.

    READINGS.csv has a column time_s (or time_min, time_h) and mass_g, one reading a row, every
    half minute or oftener. The vessel on the balance may be the one that is filled or the one that
    is drawn from. Without --rate the error is told against the mean.
    """
    target = plot_file.target(plot)
    factor = weighing.factor(water, density) or 1.0
    if evaporation is not None and idle:
        raise bad("--evaporation", evaporation, limit="not beside --idle", advice="Leave one out.")
    minutes, grams = _read(readings)
    try:
        found = trumpet.curve(
            minutes,
            grams,
            ml_per_g=factor,
            rate_ml_h=rate,
            evaporation_g_h=evaporation,
            idle_min=idle,
            from_min=from_min,
            length_min=length_min,
        )
    except ValueError as wrong:
        said = str(wrong)
        advice = f"{said[:1].upper()}{said[1:]}: weigh for longer, or see --from and --for."
        limit = "readings of two hours, or of the time that is asked for"
        raise bad(str(readings), limit=limit, advice=advice) from None
    if target:
        draw(target, found)
    if as_json:
        payload = {**dataclasses.asdict(found), "warnings": warnings(found, water, density, rate)}
        output.print_json("aliquot-accuracy", {**payload, "claim": CLAIM})
        return
    show(found, warnings(found, water, density, rate))


def _read(path: Path) -> tuple[list[float], list[float]]:
    """(minutes, grams) of a file. BadInput: a column, a cell, an order that cannot be used."""
    table = csv_file.read(path)
    column = csv_file.need(table, TIMES)
    csv_file.need(table, ("mass_g",))
    minutes: list[float] = []
    grams: list[float] = []
    for row in table.rows:
        at, mass = row.number(column), row.number("mass_g", -GRAMS_MOST, GRAMS_MOST)
        if at is None or mass is None:
            empty = column if at is None else "mass_g"
            raise bad(row.at(empty), limit="a number", advice="Fill it in, or take the row out.")
        at *= TIMES[column]
        if minutes and at <= minutes[-1]:
            advice = "Two readings stand at the same time, or out of order."
            limit = "later than the row before"
            raise bad(row.at(column), row.text(column), limit=limit, advice=advice)
        if minutes and at - minutes[0] > trumpet.LONGEST_MIN:
            limit = f"{trumpet.LONGEST_MIN / 1440:g} days after the first reading"
            raise bad(row.at(column), row.text(column), limit=limit, advice="Look for a slip.")
        minutes.append(at)
        grams.append(mass)
    return minutes, grams


def warnings(
    found: Curve, water: float | None, density: float | None, rate: float | None
) -> list[str]:
    """What the figures rest on and that was not said."""
    told: list[str] = []
    if water is None and density is None:
        told.append("A gram was taken for a millilitre: say --water or --density.")
    if rate is None:
        told.append("Without --rate the mean is taken for the rate: its own error is not told.")
    # What balance and air do by themselves is far below a thousandth of what a pump gives.
    if found.evaporation_g_h < -found.rate_ml_h / 1000:
        told.append(
            f"The mass rose by {-found.evaporation_g_h:.3g} g/h while nothing ran: the line "
            "drips, the pump ran, or the balance drifts. That was taken off."
        )
    if found.gap_min > 1.01 * trumpet.SAMPLE_MIN:
        told.append(
            f"The readings are {found.gap_min:.2g} minutes apart, and flow is looked at every "
            "half minute: the short windows look better than the pump is."
        )
    if found.longest_gap_min > trumpet.SAMPLE_MIN * trumpet.GAP_MOST:
        told.append(
            f"{found.longest_gap_min:.1f} minutes lie between two readings: what happened in them "
            "is drawn as a straight line."
        )
    return told


def show(found: Curve, told: list[str]) -> None:
    """The figures for a person."""
    output.say(
        f"rate {found.rate_ml_h:.4g} mL/h, mean error {found.mean_pct:+.2f} % in minutes "
        f"{found.from_min:g} to {found.until_min:g}",
        style="bold",
    )
    columns = ("window, min", "largest mean error, %", "smallest mean error, %")
    rows = [(w.minutes, f"{w.most_pct:+.3f}", f"{w.least_pct:+.3f}") for w in found.windows]
    output.table(columns, rows, numbers=columns)
    stood = "drawn from" if found.falling else "filled"
    air = f"evaporation of {found.evaporation_g_h:.3g} g/h" if found.evaporation_g_h else "nothing"
    output.say(f"the vessel on the balance is {stood}; {air} is allowed for")
    for line in told:
        output.say(f"! {line}", style="yellow")
    output.say(CLAIM)


def draw(target: plot_file.Target, found: Curve) -> None:
    """Left the flow from the start on, right the trumpet."""

    def both(figure: Any) -> None:
        left, right = figure.subplots(1, 2, width_ratios=(3, 2))
        left.step(found.minutes, found.flow_ml_h, where="pre", color=plot_file.FIRST, linewidth=1)
        left.axhline(found.rate_ml_h, color=plot_file.SOFT, linewidth=1)
        left.axvspan(found.from_min, found.until_min, color=plot_file.FIRST, alpha=0.08)
        left.set_xlabel("minutes")
        left.set_title("flow, mL/h; shaded: what is analysed")
        x = [w.minutes for w in found.windows]
        right.plot(x, [w.most_pct for w in found.windows], "o-", color=plot_file.FIRST)
        right.plot(x, [w.least_pct for w in found.windows], "o-", color=plot_file.WARM)
        right.axhline(found.mean_pct, color=plot_file.SOFT, linewidth=1, linestyle="--")
        right.axhline(0, color=plot_file.INK, linewidth=0.8)
        right.set_xticks(x)
        right.set_xlabel("window, minutes; dashed: all of it")
        right.set_title("largest and smallest mean error, %")

    target.save(both, 400)
