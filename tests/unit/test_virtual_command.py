"""`aliquot virtual`: what it prints, keeps and refuses, and how it ends."""

import json
import os
import signal
import socket
import subprocess
import sys

import pytest

from aliquot_host import cli, virtual_view
from aliquot_host.commands import virtual
from aliquot_host.virtual_board import Memory
from aliquot_host.virtual_life import Desk
from set_ups import TOML

START = "2026-03-20T23:59"
TOTALS = [
    "doses",
    "planned_ul",
    "commanded_ul",
    "commanded_counts",
    "skipped_ul",
    "missed_ul",
    "raised_ul",
    "lapsed_ul",
    "refused_ul",
    "uncertain_ul",
    "extra_ul",
    "true_ul",
]


@pytest.fixture
def place(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "reef.toml").write_text(TOML)
    return tmp_path


@pytest.fixture
def run(place, capsys):
    """Runs the command on reef.toml at full speed: (exit code, stdout, stderr)."""

    def run(*arguments, file="reef.toml"):
        start = [] if "--start" in arguments else ["--start", START]
        speed = [] if "--speed" in arguments else ["--speed", "max"]
        code = cli.run(["virtual", file, *start, *speed, *arguments])
        told = capsys.readouterr()
        return code, told.out, told.err

    return run


def test_the_json_has_these_keys_and_no_others_in_this_order(run):
    code, out, err = run("--for", "3h", "--outage", "62s,30m", "--json")
    document = json.loads(out)
    assert code == 0
    assert list(document) == [
        "format", "version", "start", "end", "totals", "starts", "faults", "why"
    ]  # fmt: skip
    assert document["format"] == "aliquot-virtual"
    assert list(document["totals"]["alk"]) == TOTALS
    assert document["starts"] == {"power": 2, "watchdog": 0, "program": 0}
    assert [fault["kind"] for fault in document["faults"]] == ["outage", "uncertain"]
    assert document["start"] == "2026-03-20T23:59:00+01:00"
    assert document["end"] == "2026-03-21T02:59:00+01:00"
    assert "socket://127.0.0.1:" in err


def test_the_lines_tell_what_happens_and_what_came_of_it(run):
    code, out, err = run("--for", "3h", "--press", "stop@90m", "--outage", "30m,5m")
    assert (code, err) == (0, "")
    assert out.startswith("The virtual board listens on socket://127.0.0.1:")
    assert "2026-03-21 00:29:00  The power is off for 5 min" in out
    assert "true mL" in out
    assert "The board started 2 times." in out


def test_at_the_speed_of_life_every_dose_has_a_line(run):
    code, out, _ = run("--speed", "100", "--for", "2m")
    assert code == 0
    assert "alk: 1.52 mL, 1,943 of 1,943 counts" in out


def test_the_same_seed_gives_the_same_document_and_another_one_other_pumps(run):
    def told(seed):
        return json.loads(run("--for", "1h", "--seed", seed, "--json")[1])["totals"]

    assert told("3") == told("3") != told("9")


def test_without_a_network_nothing_is_dosed(run):
    totals = json.loads(run("--for", "2h", "--no-network", "--json")[1])["totals"]
    assert totals["alk"]["doses"] == 0


def test_a_folder_keeps_the_journal_for_replay_and_for_the_next_time(run, capsys):
    assert run("--for", "2h", "--flash", "flash")[0] == 0
    more = run("--for", "1h", "--flash", "flash", "--start", "2026-03-21T05:00", "--json")
    totals = json.loads(more[1])["totals"]["alk"]
    assert totals["missed_ul"] > 0
    assert totals["commanded_ul"] > 3000
    assert cli.run(["replay", "flash"]) == 0


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--speed", "0"], "--speed"),
        (["--speed", "nan"], "--speed"),
        (["--speed", "fast"], "max leaves all waiting out"),
        (["--for", "0s"], "--for"),
        (["--for", "soon"], "90s, 20m, 6h or 1d12h"),
        (["--for", "9999d"], "--for"),
        (["--start", "2026-13-01"], "--start"),
        (["--start", "2026-03-21T25:00"], "--start"),
        (["--start", "2025-01-01"], "2026 to 2099"),
        (["--outage", "6h"], "AT,LENGTH"),
        (["--outage", "6h,"], "--outage"),
        (["--press", "leak"], "leak@6h,20m"),
        (["--press", "door@6h"], "one of float, leak, supply, stop, reset"),
        (["--press", "stop@6h,x"], '"stop@6h,x"'),
        (["--flash", "reef.toml"], "a folder"),
        (["--flash", "none/such"], "make it first"),
        (["--seed", "-1"], "--seed"),
        (["--port", "70000"], "--port"),
    ],
)
def test_what_cannot_be_used_is_refused_with_limit_and_advice(run, arguments, words):
    code, out, err = run("--for", "1s", *arguments)
    assert code == 2
    assert words in err
    assert out == ""


def test_a_port_that_is_taken_is_refused(run):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        number = str(taken.getsockname()[1])
        code, _, err = run("--for", "1s", "--port", number)
    assert code == 2
    assert f"--port = {number}" in err


def test_a_set_up_that_is_not_valid_is_refused(run, place):
    (place / "bad.toml").write_text(TOML.replace("36.5", "-1"))
    assert run("--for", "1s", file="bad.toml")[0] == 2


@pytest.mark.skipif(os.name == "nt", reason="signals")
def test_ctrl_c_ends_it_with_motors_first_and_an_outcome_on_record(place, root):
    path = os.pathsep.join(str(root / part) for part in ("device", "host_tools"))
    command = [sys.executable, "-m", "aliquot_host", "virtual", "reef.toml", "--speed", "20"]
    child = subprocess.Popen(
        [*command, "--start", START, "--flash", "flash", "--json"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": path},
        text=True,
    )
    # The first dose is due a minute after the start; it is in its journal before it runs.
    journal = place / "flash" / "j00000001.txt"
    for _ in range(600):
        if journal.exists() and b" I 0 " in journal.read_bytes():
            break
        try:
            child.wait(0.05)
        except subprocess.TimeoutExpired:
            continue
        break
    child.send_signal(signal.SIGINT)
    out, err = child.communicate(timeout=20)
    assert child.returncode == 0, err
    totals = json.loads(out)["totals"]["alk"]
    assert 0 < totals["commanded_counts"] <= 1943
    assert totals["uncertain_ul"] == 0
    assert "Traceback" not in err


def test_lengths_of_time_are_sums_of_days_hours_minutes_and_seconds():
    assert virtual.duration("--for", "1d2h3m4s") == 93784
    assert virtual.duration("--for", "90m") == 5400


@pytest.fixture
def desk(place):
    from aliquot_host import setup_file

    own = setup_file.load(place / "reef.toml")
    one = Desk(own, Memory(), start_w=827280000 - 60, speed=0, for_s=70)
    yield one
    one.close()


def test_the_picture_shows_state_channel_and_events_and_stands_after_the_end(desk):
    from rich.console import Console

    view = virtual_view.Picture(err=False)
    desk.said = view.heard
    seen = []
    desk.loop.call_later(
        62, lambda: seen.append((virtual_view.word(desk), virtual_view.rows(desk)))
    )
    with view.shown(desk):
        desk.live()
    ((word, (row,)),) = seen
    assert word == "runs alk"
    assert row[0] == "alk"
    assert row[4].endswith("of 1,943 counts")
    console = Console(width=100, record=True, file=open(os.devnull, "w"))  # noqa: SIM115
    console.print(virtual_view.picture(desk, view.last))
    text = console.export_text()
    console.file.close()
    assert "the board doses by the plan" in text
    assert "alk: 1.52 mL, 1,943 of 1,943 counts" in text
    assert "The time asked for is over" in text


def test_a_board_without_power_has_no_rows(desk):
    assert virtual_view.word(desk) == "is off"
    assert virtual_view.rows(desk) == []
