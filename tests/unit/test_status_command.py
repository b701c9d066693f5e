"""`aliquot status` and `aliquot logs`: what needs a person, what happened, both in words."""

import json

import pytest

from aliquot.core import events, ledger
from aliquot.core.faults import TABLE
from aliquot_host import cli, record_texts
from aliquot_host.commands import logs
from aliquot_host.commands import status as command
from aliquot_host.line import local_text
from aliquot_host.memory_files import MemoryFiles
from app_files import NOON_W, load
from app_rig import Board, Life
from set_ups import canonical, channel

TANK = {"size_ul": 500000, "left_ul": 400000, "dead_ul": 0, "low_pct": 10}


class Desk:
    """A board's program without a line."""

    def __init__(self, *channels, clock=True):
        self.life = Life(Board(MemoryFiles()))
        self.number = 100
        if channels:
            assert load(self.life, canonical(*channels))["ok"]
        if clock and channels:
            assert self.life.ask(do="clock", wall_w=NOON_W, id=8)["ok"]

    @property
    def app(self):
        return self.life.app

    def tell(self, do, **words):
        self.number += 1
        return json.loads(json.dumps(self.life.ask(do=do, id=self.number, **words)))

    ask = tell

    def needs(self):
        return command.needs(self.ask("status"))

    def __enter__(self):
        return self

    def __exit__(self, *error):
        pass


@pytest.fixture
def desk():
    return Desk(channel(reservoir=TANK), channel("ca", 2))


@pytest.fixture
def run(desk, monkeypatch, capsys):
    """run("status") gives (exit code, stdout)."""
    for module in (command, logs):
        monkeypatch.setattr(module, "connect", lambda port: desk)

    def call(*words):
        code = cli.run(list(words))
        return code, capsys.readouterr().out

    return call


def test_a_board_on_which_all_is_well_needs_nobody(run, desk):
    desk.life.run(3 * 3600)
    code, out = run("status")
    assert (code, desk.needs()) == (0, [])
    for text in ("Nothing needs you.", "clock trusted", "all motors rest", "not verified"):
        assert text in out
    given = desk.app.engine.state.channels[0].tot[ledger.COMMANDED]
    (row,) = [line for line in out.splitlines() if line.split()[:1] == ["alk"]]
    assert f"{given / 1000:.2f} mL" in row
    assert row.rstrip().endswith("doses")


@pytest.mark.parametrize("code", sorted(TABLE))
def test_every_fault_of_the_table_is_told_with_its_advice(desk, code):
    _, scope, latched, alert, advice = TABLE[code]
    who = ledger.ALL if scope == "all" else 1
    events.fault(desk.app.engine, desk.app.now_s(), who, code, latched)
    (line,) = desk.needs()
    assert alert in line
    assert advice in line
    assert line.startswith("ca: ") == (who == 1)
    scope_name = "ca" if who == 1 else "all"
    assert (f"aliquot clear-fault {scope_name}" in line) == (who == 1 or bool(latched))


def test_a_fault_that_is_newer_than_this_program_needs_a_person_too(run, desk):
    desk.app.engine.state.channels[0].fault = max(TABLE) + 1
    code, out = run("status")
    assert code == 1
    assert f"alk: Fault {max(TABLE) + 1}, which this version does not know" in out


@pytest.mark.parametrize(
    ("order", "text"),
    [
        ({"do": "stop"}, "All channels are held: aliquot release all"),
        ({"do": "hold", "channel": "ca", "until_w": 0}, "ca is held: aliquot release ca"),
        ({"do": "tubing", "channel": "alk"}, "new tubing since): aliquot calibrate alk --live"),
        ({"do": "refill", "channel": "alk", "ul": 5000}, "alk runs low, 5.00 mL left"),
        ({"do": "cup", "channel": "alk", "counts": 500}, "aliquot release alk --line-back"),
    ],
)
def test_what_a_person_did_and_has_to_end_is_told(desk, order, text):
    assert desk.ask(**order)["ok"]
    desk.life.run(10)
    assert any(text in line for line in desk.needs()), desk.needs()


def test_a_hold_that_ends_by_itself_says_when(run, desk):
    until_w = desk.ask("status")["wall_w"] + 7200
    assert desk.ask("hold", channel="ca", until_w=until_w)["ok"]
    assert desk.needs() == [f"ca is held until {local_text(until_w)}: aliquot release ca"]
    assert desk.ask("hold", channel="all", until_w=until_w)["ok"]
    assert f"All channels are held until {local_text(until_w)}: aliq" in "".join(desk.needs())


def test_an_extra_that_was_taken_back_is_told_as_such(run, desk):
    desk.life.run(86400)
    assert desk.ask("extra", channel="alk", ul=500, planned=1)["ok"]
    assert desk.ask("cancel", channel="alk")["done"] == 1
    code, out = run("logs", "-n", "1")
    assert code == 0
    assert "alk: 0.50 mL besides the plan not given: taken back" in out


def test_a_trim_in_force_stands_beside_the_state(run, desk):
    assert desk.ask("trim", channel="alk", percent=40, doses=6)["ok"]
    code, out = run("status")
    assert (code, desk.needs()) == (0, [])
    assert "doses; next 6: 40 % less" in " ".join(out.split())


def test_lost_records_an_unset_clock_and_no_calibration_are_told(capsys):
    unset = Desk(channel(), clock=False)
    assert unset.needs() == ["The clock is unset: aliquot set-clock"]
    command.show(unset.ask("status"), [])
    (row,) = [line for line in capsys.readouterr().out.splitlines() if "alk" in line]
    assert row.rstrip().endswith("waits for the clock")
    desk = Desk(channel())
    state = desk.app.engine.state
    state.gap = 3
    assert desk.needs() == ["Records are lost: dosing is held. aliquot release all --lost-records"]
    state.gap = 0
    state.channels[0].cal_sig += 1
    assert desk.needs() == ["alk is not calibrated: aliquot calibrate alk --live"]


@pytest.mark.parametrize(
    ("damage", "text"),
    [
        ({}, "no set-up was ever adopted. Load a set-up: aliquot load FILE"),
        ({"j00000003.txt": b"S damaged\n1 0 B\n"}, "aliquot begin-anew"),
    ],
)
def test_a_board_without_an_engine_says_why_and_what_helps(damage, text):
    desk = Desk()
    desk.life = Life(Board(MemoryFiles(damage)))
    (line,) = desk.needs()
    assert line.startswith("It doses nothing: ")
    assert text in line


def test_a_status_as_json_has_what_the_board_says_and_what_it_needs(run, desk):
    desk.app.findings = ["tail j00000001.txt"]
    desk.ask("stop")
    code, out = run("status", "--json")
    said = json.loads(out)
    assert (code, said["format"], said["needs"]) == (1, "aliquot-status", desk.needs())
    assert [one["id"] for one in said["channels"]] == ["alk", "ca"]
    assert {"re", "ok"}.isdisjoint(said)
    assert "it found: tail j00000001.txt" in run("status")[1]


def test_logs_tell_the_last_records_oldest_first_and_no_more_than_asked(run, desk):
    desk.life.run(2 * 3600)
    desk.ask("note", channel="alk", text="looked at it")
    code, out = run("logs", "--json", "-n", "4")
    rows = json.loads(out)["records"]
    assert (code, len(rows)) == (0, 4)
    assert [row["seq"] for row in rows] == sorted(row["seq"] for row in rows)
    assert rows[-1]["seq"] == desk.app.journal.state.seq
    assert rows[-1]["text"] == "note: looked at it"
    assert rows[-1]["at_w"] == NOON_W + 2 * 3600
    lines = run("logs", "-n", "4")[1].splitlines()
    assert len(lines) == 4
    assert lines[-1].endswith(f"#{desk.app.journal.state.seq}  note: looked at it")


def test_logs_follow_what_comes_until_they_are_ended(run, desk, monkeypatch):
    desk.ask("note", channel="all", text="before")
    naps = []

    def nap(seconds):
        naps.append(seconds)
        if len(naps) == 3:
            raise KeyboardInterrupt
        desk.ask("note", channel="all", text=f"after {len(naps)}")

    monkeypatch.setattr(logs.time, "sleep", nap)
    code, out = run("logs", "-n", "1", "--follow")
    assert code == 130
    assert [line.split("note: ")[1] for line in out.splitlines()] == [
        "before",
        "after 1",
        "after 2",
    ]


def test_every_record_of_acts_faults_and_doses_has_a_sentence_or_is_quiet(desk, tmp_path):
    desk.ask("trim", channel="alk", percent=50, doses=3)
    desk.ask("override", channel="ca", ul=1000, days=2)
    desk.ask("extra", channel="alk", ul=1000, planned=1)
    desk.life.run(600)
    desk.ask("cancel", channel="alk")
    desk.ask("hold", channel="all", until_w=0)
    desk.ask("release", channel="all", what=0)
    events.fault(desk.app.engine, desk.app.now_s(), 1, 3, 1)
    desk.ask("see", channel="ca")
    desk.ask("clear", channel="ca")
    desk.ask("cup", channel="alk", counts=500)
    desk.life.run(10)
    desk.ask("release", channel="alk", what=1)
    desk.ask("calibrate", channel="alk", counts=12800, ul=10000, offset=0)
    desk.ask("tubing", channel="alk")
    desk.ask("refill", channel="alk", ul=300000)
    desk.life.run(3 * 3600)
    seen = {}
    for seq, _, kind, text in logs._lines(desk, tmp_path):
        seen[kind] = text
        assert text
        # A sentence, and not the bare fields that stand for a kind without one.
        assert not text.startswith(f"{kind} "), (seq, text)
    assert {"C", "T", "B", "P", "D", "J", "H", "h", "Z", "z", "K", "N", "F", "I", "O"} <= set(seen)
    assert set("tV") == record_texts.QUIET
