"""`aliquot bench`: what it makes of the figures; the benchmarks themselves are in tests/bench."""

import json
import subprocess

import pytest

from aliquot_host import cli
from aliquot_host.commands import bench


def row(reached):
    return {
        "name": "bytes of an idle poll",
        "value": 0 if reached else 8,
        "unit": "B",
        "reach": "≤ 0",
        "reached": reached,
        "how": "10,000 polls",
    }


TIMING = {
    "name": "test_year",
    "group": "year",
    "rounds": 21,
    "median_s": 0.25,
    "least_s": 0.2,
    "most_s": 0.3,
}


@pytest.mark.parametrize(
    ("code", "figures", "ends", "words"),
    [
        (0, [row(True)], 0, ""),
        (1, [row(False)], 1, "not reached: bytes of an idle poll."),
        (1, [row(True)], 1, "a benchmark failed its own checks"),
        (2, [], 1, "the figures are not complete"),
        (-9, [row(True)], 1, "the figures are not complete"),
        (5, [], 2, "There is no such benchmark."),
    ],
)
@pytest.mark.parametrize("as_json", [False, True])
def test_the_exit_code_tells_whether_all_figures_reach(
    monkeypatch, capsys, code, figures, ends, words, as_json
):
    monkeypatch.setattr(bench, "measure", lambda *_: (code, figures, [TIMING]))
    assert cli.run(["bench", *(["--json"] if as_json else [])]) == ends
    out, err = capsys.readouterr()
    assert words in err
    if code == bench.NO_TESTS:
        assert out == ""
    elif as_json:
        told = json.loads(out)
        assert (told["figures"], told["timings"]) == (figures, [TIMING])
        assert told["passed"] == (code == 0)
        assert set(told["machine"]) == {"system", "machine", "cores", "python", "implementation"}
    else:
        assert "250" in out
        assert ("MISSED" in out) == any(not figure["reached"] for figure in figures)


def test_figures_and_timings_of_the_run_are_read(monkeypatch, tmp_path, root):
    def stand_in(command, *, env, **_):
        timings = next(part for part in command if part.startswith("--benchmark-json="))
        stats = {"rounds": 21, "median": 0.25, "min": 0.2, "max": 0.3}
        benchmark = {"name": "test_year", "group": "year", "stats": stats}
        with open(timings.split("=", 1)[1], "w") as file:
            json.dump({"benchmarks": [benchmark]}, file)
        with open(env["ALIQUOT_FIGURES"], "w") as file:
            file.write(json.dumps(row(True)) + "\n")
        return subprocess.CompletedProcess(command, 0)

    monkeypatch.setattr(bench.subprocess, "run", stand_in)
    assert bench.measure(root, tmp_path, None) == (0, [row(True)], [TIMING])


def test_a_run_that_leaves_nothing_behind_gives_no_figures(monkeypatch, tmp_path, root):
    gone = subprocess.CompletedProcess([], 4)
    monkeypatch.setattr(bench.subprocess, "run", lambda *_, **__: gone)
    assert bench.measure(root, tmp_path, "x") == (4, [], [])
