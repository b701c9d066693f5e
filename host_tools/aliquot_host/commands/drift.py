"""`aliquot drift`: what containers and calibrations tell about each pump, and what is due.

It reads a journal and warns; it changes no calibration.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import click

from aliquot_host import containers, desk, errors, intake, output, plot_file, setup_file
from aliquot_host.archive import read_archive
from aliquot_host.containers import Drift, Look
from aliquot_host.intake import Intake
from aliquot_host.number_option import CONFIDENCE, PLOT, Finite
from aliquot_host.water_tests import date_of, days_of

TUBING_DAYS = 365
LESS = (
    "it gives less than it should: a blocked or kinked line, air, worn tubing, or a container "
    "that was topped up without a word. Look at the line, then measure the pump."
)
MORE = (
    "more is gone than it should have given: a leak, a siphon, evaporation, or a wrong look. "
    "Look at the outlet and under the pump now; too much of a liquid kills animals."
)
BLIND = "Between two looks nothing is seen: a look a week finds a blocked line within a week."


@click.command("drift")
@click.argument("journal", type=click.Path(path_type=Path))
@click.option("--channel", "only", metavar="ID", help="Only this channel.")
@click.option("--setup", type=click.Path(path_type=Path), help="Its time zone and reminders.")
@click.option(
    "--error",
    "error_pct",
    type=Finite(0.5, 50),
    default=5.0,
    show_default=True,
    metavar="PCT",
    help="How far a pump may be off before it is to be measured again.",
)
@click.option(
    "--reading-ml",
    type=Finite(0.01, 1000),
    help=f"Standard error of one look; default: from the looks, {containers.READING_ML:g} at "
    "least.",
)
@CONFIDENCE
@PLOT
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
def command(
    journal: Path,
    only: str | None,
    setup: Path | None,
    error_pct: float,
    reading_ml: float | None,
    confidence: float,
    plot: Path | None,
    as_json: bool,
) -> None:
    """Show what each pump of JOURNAL really gives, by what was left at its refills.

    A look is `aliquot refill CHANNEL ML --left ML`. From all looks come counts per mL with an
    interval, the trend, when to measure again, and a sign of a blocked line or a leak: exit code 1
    where the newest look shows one.
    """
    target = plot_file.target(plot)
    found = intake.read(read_archive(journal))
    if only is not None and only not in found.ids:
        raise errors.bad("--channel", only, limit=", ".join(found.ids), advice="Name one.")
    loaded = setup_file.load(setup) if setup else None
    data = loaded.data if loaded else None
    told = [
        containers.drift(
            found, name, reading_ml=reading_ml, error_pct=error_pct, confidence=confidence
        )
        for name in found.ids
        if only in (None, name)
    ]
    zone = str(data["timezone"]) if data else "UTC"
    alarms = [line for one in told for line in alarm(one, zone)]
    if target:
        from aliquot_host import drift_plot

        drift_plot.draw(target, told, found, zone)
    if as_json:
        channels = [payload(one, found, data) for one in told]
        output.print_json("aliquot-drift", {"channels": channels, "alarms": alarms})
    else:
        for one in told:
            show(one, found, zone, data)
        output.say("", BLIND)
    if alarms:
        raise errors.Finding(*([] if as_json else alarms))


def alarm(one: Drift, zone: str) -> list[str]:
    """What the newest look shows, where it is far outside of what was expected."""
    if not one.looks or not one.looks[-1].alarm:
        return []
    look = one.looks[-1]
    pct = 100 * (look.ratio / look.forecast - 1)
    what = LESS if look.alarm == "less" else MORE
    return [
        f"{one.channel}: at the look of {when(look.interval.until_w, zone)} {abs(pct):.0f} % "
        f"{look.alarm} was gone than expected; {what}"
    ]


def when(at_w: float, zone: str) -> str:
    """A wall second as a local time."""
    return date_of(days_of(at_w), zone).strftime("%Y-%m-%d %H:%M")


def show(one: Drift, found: Intake, zone: str, data: Any) -> None:
    """One channel for people."""
    output.say("", one.channel, style="bold")
    rows = [_row(look, zone) for look in one.looks]
    if rows:
        columns = (
            "look", "drawn, mL", "by the counts, mL", "ratio", "expected ratio", "",
        )  # fmt: skip
        output.table(columns, rows, numbers=columns[1:5])
    output.say(*(f"  {line}" for line in sentences(one, found, zone, data)))


def _row(look: Look, zone: str) -> tuple[str, ...]:
    own = look.interval
    odd = {"less": "LESS", "more": "MORE"}.get(look.alarm, "" if look.sharp else "too blunt")
    return (
        when(own.until_w, zone),
        f"{own.drawn_ul / 1000:.0f}",
        f"{own.expected_ul / 1000:.0f}",
        f"{look.ratio:.3f}",
        f"{look.forecast:.3f} ± {containers.ALARM * look.error:.3f}",
        odd,
    )


def sentences(one: Drift, found: Intake, zone: str, data: Any) -> list[str]:
    """What the looks say together, and what is due."""
    cals = [c for c in found.calibrations if c.channel == one.channel]
    lines = [
        f"calibrated {when(c.at_w, zone)}: {1000 * c.counts / c.ul:.2f} counts/mL" for c in cals
    ]
    since = when(one.since_w, zone)
    lines.append(
        f"{one.moved_l:.2f} L through its tubing since {since}, {1000 * one.litres_a_day:.1f} mL "
        "a day"
    )
    if one.k_counts_ml is None or one.off_pct is None:
        few = "its looks tell too little yet" if one.looks else "no looks yet"
        lines.append(f"{few}: say what was left at each refill, with --left")
        return [*lines, *_tubing(one, found, zone, data)]
    k, off = one.k_counts_ml, one.off_pct
    lines.append(f"by its looks {k.value:.1f} counts/mL now ({k.low:.1f} to {k.high:.1f})")
    lines.append(
        f"it gives {off.value:+.1f} % against its calibration ({off.low:+.1f} to {off.high:+.1f})"
    )
    if one.trend_pct_l is not None:
        t = one.trend_pct_l
        lines.append(f"trend {t.value:+.2f} % a litre ({t.low:+.2f} to {t.high:+.2f})")
    source = "by the looks" if one.reading_from == "looks" else "taken"
    lines.append(f"error of one look {one.reading_ml:.1f} mL ({source})")
    if any(look.alarm for look in one.looks):
        lines.append("looks marked LESS or MORE are left out of these figures")
    if any(not look.sharp for look in one.looks):
        lines.append(
            "a look marked too blunt could not show a loss of 30 %: let more be drawn between "
            "looks, or weigh the container"
        )
    lines.append(_due(one, found, zone))
    return [*lines, *_tubing(one, found, zone, data)]


def _due(one: Drift, found: Intake, zone: str) -> str:
    limit = f"{one.error_pct:g} %"
    if one.due_l is None:
        return f"nothing shows that it will be off by {limit}: measure it at the usual time"
    if one.due_l == 0:
        return f"measure it now: it may be off by {limit} or more"
    if one.due_days is None or one.due_days > 3650:
        return f"measure it again after {one.due_l:.1f} L: then it may be off by {limit}"
    at = when(found.last_w + one.due_days * 86400, zone)[:10]
    return f"measure it again by {at}, {one.due_l:.1f} L from now: then it may be off by {limit}"


def _tubing(one: Drift, found: Intake, zone: str, data: Any) -> list[str]:
    """When the tubing should go: by age, by volume, or by what it has lost."""
    c = next((c for c in data["channel"] if c["id"] == one.channel), None) if data else None
    days = c["remind"]["tubing_days"] if c else TUBING_DAYS
    litres = c["remind"]["tubing_ul"] / 1e6 if c else 0.0
    known = any(t.channel == one.channel for t in found.tubings)
    age = (found.last_w - one.since_w) / 86400
    due: list[str] = []
    if one.fallen_pct is not None and one.fallen_pct >= containers.WORN_PCT:
        due.append(f"it gives {one.fallen_pct:.0f} % less than when it was new")
    if days and age >= days:
        due.append(f"it is {age:.0f} days old")
    if litres and one.moved_l >= litres:
        due.append(f"{one.moved_l:.1f} L went through it")
    if due:
        return [f"put new tubing in: {', '.join(due)}"]
    if not days:
        return []
    at = when(one.since_w + days * 86400, zone)[:10]
    guess = "" if known else ", if it was new at the first record"
    return [f"new tubing by {at}{guess}: {days} days (common practice)"]


def payload(one: Drift, found: Intake, data: Any) -> dict[str, object]:
    """One channel for programs."""
    told = desk.plain(dataclasses.asdict(one))
    for out, look in zip(told["looks"], one.looks, strict=True):
        out.update(z=look.z, alarm=look.alarm, sharp=look.sharp)
    cals = [dataclasses.asdict(c) for c in found.calibrations if c.channel == one.channel]
    return {**told, "calibrations": cals, "said": sentences(one, found, "UTC", data)}
