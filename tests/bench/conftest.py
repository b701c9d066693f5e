"""What the benchmarks share: figures with their reach, and two functions timed side by side."""

import gc
import json
import os
import statistics
import time

import pytest

# The issue asks for medians of at least 20.
ROUNDS_LEAST = 20


@pytest.fixture
def figure():
    """Record a figure: figure(name, value, unit, most=8); the test fails where one misses.

    `most` or `least` is the reach; `how` says in a few words what was measured. `aliquot bench`
    shows the figures, and those that miss. All are recorded before the test fails.
    """
    misses = []

    def record(name, value, unit="", *, most=None, least=None, how=""):
        assert (most is None) != (least is None), "a figure has one reach: most or least"
        reached = value <= most if least is None else value >= least
        reach = f"≤ {most}" if least is None else f"≥ {least}"
        row = {
            "name": name,
            "value": value,
            "unit": unit,
            "reach": reach,
            "reached": bool(reached),
            "how": how,
        }
        path = os.environ.get("ALIQUOT_FIGURES")
        if path:
            with open(path, "a", encoding="utf-8") as file:
                file.write(json.dumps(row) + "\n")
        if not reached:
            misses.append(f"{name}: {value} {unit}, must be {reach}")

    yield record
    assert misses == []


@pytest.fixture
def side_by_side():
    """Time two functions in turn; their medians in seconds: side_by_side(ours, baseline).

    They alternate, so that a change of the machine's speed meets both; garbage is collected
    between the rounds and not during them.
    """

    def once(function):
        gc.collect()
        gc.disable()
        start = time.perf_counter()
        function()
        taken = time.perf_counter() - start
        gc.enable()
        return taken

    def medians(ours, baseline, rounds=ROUNDS_LEAST + 1):
        assert rounds >= ROUNDS_LEAST
        once(ours), once(baseline)
        pairs = [(once(ours), once(baseline)) for _ in range(rounds)]
        return tuple(statistics.median(column) for column in zip(*pairs, strict=True))

    return medians
