"""`aliquot consumption`: how much the tank uses a day, from dated tests and from what went in.

It reads and tells; what to do about it is `propose`'s affair.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import click

from aliquot_host import desk, errors, output, plot_file, water_tests
from aliquot_host.consuming import Estimate
from aliquot_host.desk import Choice, Desk
from aliquot_host.number_option import CONFIDENCE, PLOT, Finite, finite

LIMITS = (
    "One well-mixed tank, the same use every hour. A kit whose readings drift looks like use; "
    "a kit that always reads too high does not change the use."
)


def tests_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """The options that say which tests count and how sure they are."""
    options = (
        click.option(
            "--journal",
            type=click.Path(path_type=Path),
            help="The board's journal: what went in.",
        ),
        click.option(
            "--kit-error",
            "kit_errors",
            metavar="WATER=ERROR",
            multiple=True,
            help="Standard deviation of one test; may be given several times. Default: from the "
            "tests themselves.",
        ),
        click.option(
            "--intake-error",
            type=Finite(0, 50),
            default=1.0,
            show_default=True,
            metavar="PCT",
            help="How far the pumps' true volumes may be off, as a standard deviation.",
        ),
        CONFIDENCE,
        click.option(
            "--salinity",
            type=Finite(1, 60),
            help="Correct tests that have a salinity to this one; default: their mean.",
        ),
        click.option("--since", metavar="DATE", help="Leave out earlier tests."),
        click.option("--until", metavar="DATE", help="Leave out later tests."),
        PLOT,
    )
    for option in reversed(options):
        command = option(command)
    return command


@click.command("consumption")
@click.argument("tests", metavar="[TESTS.csv]", type=click.Path(path_type=Path), required=False)
@click.option("--setup", type=click.Path(path_type=Path), help="Strengths, units and time zone.")
@tests_options
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
def command(
    tests: Path | None,
    setup: Path | None,
    journal: Path | None,
    plot: Path | None,
    as_json: bool,
    **asked: Any,
) -> None:
    """Work out what the tank uses a day, with an interval, from dated tests.

    TESTS.csv has a column `time` (or `day`, a number), then one for each value with its unit:
    time,alkalinity_dKH,calcium_mg/L. Beside them may stand salinity, kit, change_l (a water
    change, with change_alkalinity_dKH of the new water), added_alkalinity_dKH (put in by hand, as
    its rise). With --journal and --setup all that was dosed meanwhile is taken into account, and
    test records of the journal count too.
    """
    target = plot_file.target(plot)
    on_desk = desk.gather(tests, journal, setup)
    picked = choice(on_desk, **asked)
    told, short = desk.estimate_all(on_desk, picked)
    if target and told:
        from aliquot_host import desk_plots

        desk_plots.uses(target, told, on_desk)
    if as_json:
        both = desk.ratio(told)
        payload = {
            "waters": [desk.payload(one) for one in told],
            "without": [*short, *on_desk.notes],
            "calcium_beside_alkalinity": both and {"agrees": both.agrees, "text": both.text},
        }
        output.print_json("aliquot-consumption", payload)
    else:
        show(on_desk, told, short)
    if not told:
        raise errors.Finding(*([] if as_json else ["No value has tests enough."]))


def choice(
    on_desk: Desk,
    kit_errors: Sequence[str],
    intake_error: float,
    confidence: float,
    salinity: float | None,
    since: str | None,
    until: str | None,
) -> Choice:
    """The options as the estimate takes them. BadInput: one that says nothing usable."""
    waters = on_desk.tests.readings
    errors_by: dict[str, float] = {}
    for text in kit_errors:
        name, value = named_value("--kit-error", text, list(waters))
        if value <= 0:
            raise errors.bad("--kit-error", text, limit="more than 0", advice="Look for a slip.")
        errors_by[name] = value
    return Choice(
        confidence=confidence,
        kit_errors=errors_by,
        intake_pct=intake_error,
        salinity=salinity or 0.0,
        since_d=_day(on_desk, "--since", since),
        until_d=_day(on_desk, "--until", until),
    )


def named_value(option: str, text: str, names: Sequence[str]) -> tuple[str, float]:
    """NAME=VALUE of an option. BadInput: another shape, an unknown name, no number."""
    name, _, value = text.partition("=")
    known = next((one for one in names if one.lower() == name.strip().lower()), None)
    if known is None:
        limit = ", ".join(names) or "a value with tests"
        raise errors.bad(option, text, limit=limit, advice=f"Write {option} NAME=VALUE.")
    number = finite(value)
    if not abs(number) < water_tests.VALUE_MOST:
        raise errors.bad(option, text, limit="a number", advice=f"Write {option} {known}=VALUE.")
    return known, number


def _day(on_desk: Desk, option: str, text: str | None) -> float | None:
    if text is None:
        return None
    if on_desk.tests.counted:
        day = finite(text)
        if math.isnan(day):
            advice = "The file counts days: say a number."
            raise errors.bad(option, text, limit="a number of days", advice=advice)
        return day
    return water_tests.day_of_text(text, on_desk.zone, option)


def show(on_desk: Desk, told: Sequence[Estimate], short: Sequence[str]) -> None:
    """A table, then what each estimate rests on."""
    if told:
        rows = [
            (
                f"{one.water}, {one.unit}" if one.unit else one.water,
                one.n,
                f"{one.use.value:.4g}",
                f"{one.use.low:.4g} to {one.use.high:.4g}",
                f"{one.added:.4g}",
                f"{one.level.value:.4g} ± {one.level.half:.2g}",
            )
            for one in told
        ]
        columns = (
            "water", "tests", "used a day", f"{told[0].confidence:g} % interval", "dosed a day",
            "at the last test",
        )  # fmt: skip
        output.table(columns, rows, title="What the tank uses", numbers=columns[1:])
    for one in told:
        first, last = on_desk.when(one.first_d), on_desk.when(one.last_d)
        source = "stated" if one.sigma_from == "kit" else "by their scatter"
        lines = [
            f"{one.n} tests from {first} to {last}; error of one test "
            f"{f'{one.sigma:.3g} {one.unit}'.strip()} ({source})",
            f"the median of all pairs of tests says {one.theil_sen.value:.4g} a day",
            _more(one),
        ]
        output.say(one.water, style="bold")
        output.say(*(f"  {line}" for line in lines if line))
        for warned in one.warnings:
            output.say(f"  ! {warned.text}", style="yellow")
    both = desk.ratio(told)
    if both:
        output.say("", both.text, style=None if both.agrees else "yellow")
    for line in [*short, *on_desk.notes]:
        output.note(f"left out: {line}", style="yellow")
    output.say("", LIMITS)


def _more(one: Estimate) -> str:
    if one.use.low <= 0 <= one.use.high:
        return ""
    if one.more_tests == 0:
        return "known to ±10 % or better"
    if one.more_tests is None:
        return "more tests alone will not bring it to ±10 %: calibrate, or use a better kit"
    word = "test" if one.more_tests == 1 else "tests"
    return f"{one.more_tests} more {word} at this spacing would bring it to ±10 %"
