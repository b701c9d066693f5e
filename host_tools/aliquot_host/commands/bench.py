"""`aliquot bench`: runs tests/bench and puts each figure beside what it must reach.

It measures nothing itself. A benchmark hands its figures over through the fixture `figure` of
tests/bench/conftest.py, one JSON object a line; the absolute times come from pytest-benchmark.
"""

from __future__ import annotations

import json
import os
import platform
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from aliquot_host import errors, output, resources

# Exit code of pytest for a run in which no test was found.
NO_TESTS = 5


@click.command("bench")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document on stdout.")
@click.option("-k", "only", metavar="WORDS", help="Only benchmarks whose name matches, as pytest.")
@click.pass_context
def command(ctx: click.Context, as_json: bool, only: str | None) -> None:
    """Measure speed and memory against what must be reached.

    Each baseline runs beside our own code in the same run, so the ratios hold on any machine; the
    absolute times are this machine's. Exit code 1: a figure misses its reach, or a check failed.
    """
    root = resources.checkout()
    if root is None:
        raise errors.bad(
            "aliquot bench",
            advice="The benchmarks are not in the installed package: "
            "run `python3 host_tools bench` in a checkout.",
        )
    with tempfile.TemporaryDirectory(prefix="aliquot-bench-") as folder:
        code, figures, timings = measure(root, Path(folder), only)
    if code == NO_TESTS:
        raise errors.bad(
            "-k" if only else "tests/bench", only, advice="There is no such benchmark."
        )
    misses = [figure for figure in figures if not figure["reached"]]
    if as_json:
        output.print_json(
            "aliquot-bench",
            {"machine": machine(), "figures": figures, "timings": timings, "passed": code == 0},
        )
    else:
        show(figures, timings)
    if code > 1 or code < 0:
        raise errors.Finding(f"pytest ended with code {code}: the figures are not complete.")
    if misses or code:
        names = ", ".join(str(figure["name"]) for figure in misses)
        raise errors.Finding(
            *([f"not reached: {names}."] if misses else []),
            *(["a benchmark failed its own checks (see above)."] if code else []),
        )
    ctx.exit(errors.FINE)


def measure(
    root: Path, folder: Path, only: str | None
) -> tuple[int, list[dict[str, Any]], list[dict[str, Any]]]:
    """Run the benchmarks; pytest's exit code, the figures, the timings. pytest talks on stderr."""
    figures, timings = folder / "figures.jsonl", folder / "timings.json"
    arguments = ["tests/bench", "-q", f"--benchmark-json={timings}", "--benchmark-disable-gc"]
    done = subprocess.run(
        [sys.executable, "-m", "pytest", *arguments, *(["-k", only] if only else [])],
        cwd=root,
        env={**os.environ, "ALIQUOT_FIGURES": str(figures)},
        stdout=2,
        check=False,
    )
    lines = figures.read_text("utf-8").splitlines() if figures.exists() else []
    # pytest-benchmark leaves an empty file where nothing was timed.
    text = timings.read_text("utf-8") if timings.exists() else ""
    rows = [timing(row) for row in json.loads(text)["benchmarks"]] if text.strip() else []
    return done.returncode, [json.loads(line) for line in lines], rows


def timing(row: Mapping[str, Any]) -> dict[str, Any]:
    """One line of pytest-benchmark's report: what ran, how often, how long."""
    stats = row["stats"]
    return {
        "name": row["name"],
        "group": row["group"] or "",
        "rounds": stats["rounds"],
        "median_s": stats["median"],
        "least_s": stats["min"],
        "most_s": stats["max"],
    }


def machine() -> dict[str, object]:
    """What the absolute times were measured on."""
    return {
        "system": platform.system(),
        "machine": platform.machine(),
        "cores": os.cpu_count(),
        "python": platform.python_version(),
        "implementation": platform.python_implementation(),
    }


def show(figures: list[dict[str, Any]], timings: list[dict[str, Any]]) -> None:
    """Both tables, and the machine they were measured on."""
    output.table(
        ["figure", "measured", "unit", "reach", "", "how"],
        [
            (
                figure["name"],
                f"{figure['value']:.4g}"
                if isinstance(figure["value"], float)
                else figure["value"],
                figure["unit"],
                figure["reach"],
                "reached" if figure["reached"] else "MISSED",
                figure["how"],
            )
            for figure in figures
        ],
        title="Figures",
        numbers=["measured"],
    )
    if timings:
        output.table(
            ["what", "group", "rounds", "median ms", "least ms", "most ms"],
            [
                (
                    row["name"],
                    row["group"],
                    row["rounds"],
                    *(f"{row[key] * 1000:.4g}" for key in ("median_s", "least_s", "most_s")),
                )
                for row in timings
            ],
            title="Times",
            numbers=["rounds", "median ms", "least ms", "most ms"],
        )
    output.say(", ".join(f"{key} {value}" for key, value in machine().items()))
