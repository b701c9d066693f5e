"""`aliquot soak`: lives full of trouble, seed after seed on all cores, every rule looked at.

What is drawn, run and looked at belongs to `soak.py`; here are the options, the bar, the words.
"""

from __future__ import annotations

import contextlib
import math
import os
import sys
import time
from collections.abc import Callable, Generator

import click

from aliquot_host import defects, errors, output, soak, trouble_case
from aliquot_host.errors import bad
from aliquot_host.number_option import Finite
from aliquot_host.soak import Shrunk, Total

MINUTES_MOST = 7 * 24 * 60.0
RUNS = 300
FLASHES = ("memory", "esp32", "rp2")
CORES = os.cpu_count() or 1
FORMAT = "aliquot-soak"


@click.command("soak")
@click.option(
    "--runs",
    type=click.IntRange(1, soak.RUNS_MOST),
    help=f"How many seeds; default: {RUNS}, or as many as --minutes allows.",
)
@click.option(
    "--seed",
    type=click.IntRange(0, soak.SEED_MOST),
    default=1,
    show_default=True,
    help="The first seed; the next ones follow.",
)
@click.option(
    "--jobs",
    type=click.IntRange(1, 4096),
    help="How many at a time; default: one for each core.",
)
@click.option("--minutes", type=Finite(0), help="Begin no seed after so many minutes.")
@click.option(
    "--flash",
    type=click.Choice(FLASHES),
    help="Where the board keeps its files; default: as the seed says, littlefs in one of ten.",
)
@click.option("--inject", metavar="FAULT", default="", help="Plant a defect, to see it found.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
def command(
    runs: int | None,
    seed: int,
    jobs: int | None,
    minutes: float | None,
    flash: str | None,
    inject: str,
    as_json: bool,
) -> None:
    """Let boards live through power cuts, bad clocks and bad luck, and look at every rule.

    Each seed draws a set-up, a date, some days and what goes wrong in them. Exit code 1 where a
    rule did not hold: the line that runs that seed again is printed, and the case made small.
    """
    if minutes is not None and not (0 < minutes <= MINUTES_MOST and math.isfinite(minutes)):
        raise bad("--minutes", minutes, limit=f"above 0, at most {MINUTES_MOST:.0f}")
    if inject:
        defects.chosen(inject)
    many = runs if runs is not None or minutes is not None else RUNS
    if many is not None and seed + many - 1 > soak.SEED_MOST:
        advice = "Begin with a lower --seed, or run fewer."
        raise bad("--runs", many, limit=f"seeds up to {soak.SEED_MOST}", advice=advice)
    until = None if minutes is None else time.monotonic() + minutes * 60
    board = None if flash is None else "" if flash == "memory" else flash
    with bar(many, "Living through trouble") as advance:
        total = soak.run(
            seed, many, min(jobs or CORES, many or CORES * 64), until, board, inject,
            lambda now: advance(now.runs, f"{now.days:,.0f} days"),
        )  # fmt: skip
    small: Shrunk | None = None
    found = total.violation
    if (found and found.number != soak.CRASH) or (found and found.at_s):
        with bar(soak.TRIES_MOST, "Making the case small") as advance:
            case = trouble_case.drawn(found.seed, board)
            with contextlib.suppress(KeyboardInterrupt):
                small = soak.shrunk(case, found, inject, lambda tried: advance(tried, ""))
    replay = "" if not found else again(found.seed, flash, inject)
    if as_json:
        output.print_json(FORMAT, payload(total, small, replay, inject))
    else:
        show(total, small, replay, inject)
    if total.violation:
        raise errors.Finding()
    if total.ended == "interrupted":
        raise KeyboardInterrupt


def again(seed: int, flash: str | None, inject: str) -> str:
    """The command that runs one seed again."""
    line = f"aliquot soak --seed {seed} --runs 1"
    line += f" --flash {flash}" if flash else ""
    return line + (f" --inject {inject}" if inject else "")


def payload(total: Total, small: Shrunk | None, replay: str, inject: str) -> dict[str, object]:
    """What `--json` prints under its format and version."""
    found = total.violation
    violations: list[dict[str, object]] = []
    if found:
        violations.append(
            {
                "seed": found.seed,
                "invariant": found.number,
                "invariants": list(found.numbers),
                "text": found.text,
                "at_s": found.at_s,
                "replay": replay,
                "shrunk": soak.story(small, inject) if small else [],
            }
        )
    return {
        "runs": total.runs,
        "first_seed": total.first,
        "ended": total.ended,
        "violations": violations,
        "simulated_days": round(total.days),
        "doses": total.doses,
        "records": total.records,
        "replays": total.looks,
        "seconds": round(total.seconds, 1),
        "faults": dict(sorted(total.faults.items())),
        "acts": dict(sorted(total.acts.items())),
    }


def show(total: Total, small: Shrunk | None, replay: str, inject: str) -> None:
    """What came of it, for a person."""
    if total.faults:
        rows = sorted(total.faults.items(), key=lambda row: (-row[1], row[0]))
        output.table(["what went wrong", "times"], rows, numbers=["times"])
    seeds = "1 seed" if total.runs == 1 else f"{total.runs:,} seeds"
    days = f"{total.days:,.0f} days, {total.doses:,} runs and {total.records:,} records"
    output.say(f"{seeds} from {total.first} on: {days} in {total.seconds:,.0f} s.")
    found = total.violation
    if not found:
        ended = {"time": " when the time was over", "interrupted": " before it was interrupted"}
        output.say(f"Every rule held{ended.get(total.ended, '')}.", style="bold")
        return
    told = " and ".join(found.numbers)
    output.say(f"Seed {found.seed} breaks {told}: {errors.printable(found.text, most=0)}")
    output.say(f"Run it again: {replay}", style="bold")
    if small:
        now = small.violation
        output.say(f"Made small in {small.tried} tries: {errors.printable(now.text, most=0)}")
        for line in soak.story(small, inject):
            output.say("  " + errors.printable(line, most=150))


@contextlib.contextmanager
def bar(many: int | None, what: str) -> Generator[Callable[[int, str], None]]:
    """A progress bar on stderr where that is a terminal: call it with how many, and a word."""
    if not sys.stderr.isatty():
        yield lambda done, word: None
        return
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeRemainingColumn,
    )

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.fields[word]}"),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=output.console(err=True), transient=True) as progress:
        task = progress.add_task(what, total=many, word="")

        def advance(done: int, word: str) -> None:
            progress.update(task, completed=done, word=word)

        yield advance
