"""`aliquot replay`: the fold against the board's own state, its accounts, odd journals."""

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aliquot.core import acts
from aliquot.core.decimals import text_of
from aliquot.core.ledger import PLANNED
from aliquot_host import archive, cli, errors, replaying
from unit.desk_board import ALK, TANK, DeskBoard, at, eventful_life, set_up


@pytest.fixture(scope="module")
def life(tmp_path_factory):
    """(folder of the journal, the board that wrote it) after six eventful days."""
    folder = tmp_path_factory.mktemp("life") / "journal"
    board, *_ = eventful_life()
    return board.pull(folder), board


@pytest.fixture(scope="module")
def short(tmp_path_factory):
    """The same of one quiet day: one segment."""
    folder = tmp_path_factory.mktemp("short") / "journal"
    tank = set_up(TANK)
    board = DeskBoard(tank, at(tank, "2026-03-24 00:00"))
    board.until(at(tank, "2026-03-24 12:00"))
    return board.pull(folder), board


@pytest.fixture
def document(capsys):
    """document(code, path, options...) runs the command with --json."""

    def get(code, path, *options):
        assert cli.run(["replay", str(path), "--json", *options]) == code
        return json.loads(capsys.readouterr().out)

    return get


def test_it_comes_to_the_state_that_the_board_has(life, document):
    folder, board = life
    found = document(0, folder)
    assert (found["format"], found["version"]) == ("aliquot-replay", 1)
    state = board.state
    assert found["records"] == found["last_record"] == state.seq
    assert found["snapshot_sha256"] == replaying.fingerprint(state)
    assert found["setup_sha256"] == state.hash
    assert list(found["channels"]) == state.ids
    for name, c in zip(state.ids, state.channels, strict=True):
        shown = found["channels"][name]
        assert list(shown["totals"].values()) == c.tot
        assert shown["totals"]["planned_ul"] == c.tot[PLANNED] > 0
        assert shown["remainder"] == c.rem
        assert shown["window_ul"] == c.ring.used_ul(state.now_s)
        assert shown["calibration"]["counts"] == c.cal_counts
        assert all(balance["holds"] for balance in shown["balances"])
    assert found["findings"] == []


def test_it_tells_days_starts_and_what_stands(life, document):
    """Six days and an hour in Berlin, two power cuts, a start without a clock."""
    found = document(0, life[0])
    assert found["first_utc"] == "2026-03-23T23:00:00Z"
    assert found["days"] == 7
    assert found["starts"] == 4
    assert found["clock"] == "trusted"
    assert found["channels"]["cal"]["reservoir"]["filled_ul"] == 900000
    assert found["channels"]["alk"]["reservoir"] is None
    assert found["running"] is None


def test_a_fold_to_a_number_is_the_same_from_every_beginning(life, document, tmp_path):
    """Two machines compare what they have of a journal: all of it, and its later segments."""
    folder, _ = life
    (tmp_path / "part").mkdir()
    later = sorted(folder.glob("j*.txt"))[1:]
    assert later
    for file in later:
        (tmp_path / "part" / file.name).write_bytes(file.read_bytes())
    whole = document(0, folder)
    part = document(0, tmp_path / "part")
    assert part["snapshot_sha256"] == whole["snapshot_sha256"]
    assert part["first_record"] > whole["first_record"] == 1
    number = str(part["first_record"] + 7)
    assert (
        document(0, tmp_path / "part", "--until", number)["snapshot_sha256"]
        == document(0, folder, "--until", number)["snapshot_sha256"]
        != whole["snapshot_sha256"]
    )


def test_every_number_to_stop_at_balances_even_while_a_pump_runs(life):
    """Law: after each record of the eventful days, both accounts of every channel hold."""
    read = archive.read_archive(life[0])
    running = 0
    for record, state in read.walk():
        odd = [(n, a) for n, a in replaying.accounts(state) if not a.holds]
        assert odd == [], record
        running += bool(state.open)
    assert running > 200


@settings(deadline=None, max_examples=25)
@given(st.data())
def test_an_account_that_is_off_by_anything_does_not_balance(life, data):
    """The law above can fail: one total changed by any amount breaks one of the two accounts."""
    state = archive.read_archive(life[0]).state()
    c = state.channels[data.draw(st.integers(0, 2))]
    place = data.draw(st.sampled_from([i for i in range(12) if i not in (2, 8)]))
    c.tot[place] += data.draw(st.integers(1, 1000)) * data.draw(st.sampled_from([1, -1]))
    assert not all(balance.holds for balance in replaying.balances(c))


def test_an_account_that_does_not_balance_is_a_finding(life, monkeypatch, capsys):
    monkeypatch.setattr(
        replaying, "balances", lambda *_: (replaying.Balance("this = that", 2000, 1999),) * 2
    )
    assert cli.run(["replay", str(life[0])]) == 1
    out, err = capsys.readouterr()
    assert "alk: this = that: DOES NOT BALANCE" in out
    assert "account: alk: this = that: 2000 µL against 1999 µL" in err


def test_a_hold_a_trim_an_override_and_a_waiting_extra_are_shown(tmp_path, document, capsys):
    tank = set_up(TANK)
    board = DeskBoard(tank, at(tank, "2026-03-24 00:00"))
    board.until(at(tank, "2026-03-24 03:00"))
    board.act(acts.trim, ALK, 40, 3)
    board.act(acts.override, ALK, -1500, 4)
    board.act(acts.hold, 1, at(tank, "2026-03-25 08:00"))
    board.act(acts.hold, 255)
    folder = board.pull(tmp_path / "journal")
    found = document(0, folder)
    assert found["hold"] == "until released"
    alk = found["channels"]["alk"]
    assert alk["trim"] == {"pct": 40, "doses": 3}
    assert alk["overrides"] == [{"ul_a_day": -1500, "from": "2026-03-24", "days": 4}]
    assert found["channels"]["cal"]["hold"] == "2026-03-25T07:00:00Z"
    assert cli.run(["replay", str(folder)]) == 0
    out = capsys.readouterr().out
    assert "on hold until released" in out
    assert "  trim: 40 % off the next 3 doses" in out
    assert "  override: -1.5 mL a day, 4 dates from 2026-03-24" in out


def test_a_run_whose_outcome_is_missing_is_said(tmp_path, document):
    tank = set_up(TANK)
    board = DeskBoard(tank, at(tank, "2026-03-24 00:00"))
    board.until_intent()
    found = document(0, board.pull(tmp_path / "journal"))
    assert found["running"] == {"channel": "alk", "ul": 1521, "counts": 1943, "into": "dose"}


def damaged(folder, target, change):
    """A copy of a journal whose first segment went through `change`."""
    target.mkdir()
    for file in folder.glob("j*.txt"):
        data = file.read_bytes()
        (target / file.name).write_bytes(change(data) if file.name == "j00000001.txt" else data)
    return target


@pytest.mark.parametrize(
    ("change", "word", "lost"),
    [
        (lambda data: data[:-9], "tail", 1),
        (lambda data: data + b"12 what is this", "tail", 0),
        (lambda data: data.replace(b"\n20 ", b"\n21 ", 1), "gap", 1),
        (lambda data: data.replace(b" I 1 ", b" I 2 ", 1), "gap", 1),
        (lambda data: data.replace(b"\n30 ", b"\nno line of ours\n30 ", 1), "stray", 0),
    ],
)
def test_a_bad_line_is_a_finding_and_the_rest_is_folded(
    short, tmp_path, capsys, change, word, lost
):
    folder = damaged(short[0], tmp_path / "journal", change)
    assert cli.run(["replay", str(folder), "--json"]) == 1
    out, err = capsys.readouterr()
    found = json.loads(out)
    assert err == ""
    assert word in [finding["word"] for finding in found["findings"]]
    assert found["records"] == short[1].state.seq - lost
    assert cli.run(["replay", str(folder)]) == 1
    assert f"{word}: j00000001.txt: " in capsys.readouterr().err


@settings(deadline=None, max_examples=80)
@given(st.data())
def test_a_changed_bit_is_told_or_changes_nothing(short, tmp_path_factory, data):
    """Law: never a silent wrong state, whichever bit of a segment is turned."""
    folder, board = short
    good = (folder / "j00000001.txt").read_bytes()
    place = data.draw(st.integers(0, len(good) - 1))
    bit = data.draw(st.integers(0, 7))
    bad = good[:place] + bytes([good[place] ^ 1 << bit]) + good[place + 1 :]
    file = tmp_path_factory.mktemp("bit") / "j00000001.txt"
    file.write_bytes(bad)
    try:
        found = replaying.replay(archive.read_archive(file))
    except errors.BadInput:
        return
    if not found.odd:
        assert found.sha256 == replaying.fingerprint(board.state)


@pytest.mark.parametrize("number", ["0", "-1", "100000"])
def test_a_number_that_no_record_has_ends_with_2_and_says_which_there_are(short, capsys, number):
    folder, board = short
    assert cli.run(["replay", str(folder), "--until", number]) == 2
    err = capsys.readouterr().err
    assert "--until" in err
    assert f"1 to {board.state.seq}, the records that are there" in err


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (None, "no such"),
        (b"", "at least one segment"),
        (b"timezone = 'Europe/Berlin'\n", "at least one segment"),
        (bytes(range(256)) * 64, "at least one segment"),
        (b"S aliquot-journal 9 1 0 00000000\n", ""),
        (b"S aliquot-journal 1 1 0 00000000\n1 0 t 00000000\n", "opening"),
    ],
)
def test_what_is_no_journal_ends_with_2(tmp_path, capsys, content, words):
    file = tmp_path / "j00000001.txt"
    if content is not None:
        file.write_bytes(content)
    for path in (file, tmp_path / "none"):
        assert cli.run(["replay", str(path)]) == 2
        err = capsys.readouterr().err
        assert "Traceback" not in err
        assert "mistake in Aliquot" not in err
        assert path != file or words.lower() in err.lower()


def test_people_see_totals_in_millilitres_and_the_state_of_each_channel(life, capsys):
    folder, board = life
    assert cli.run(["replay", str(folder)]) == 0
    out = capsys.readouterr().out
    lines = out.splitlines()
    assert lines[0] == f"{board.state.seq} records, #1 to #{board.state.seq}"
    assert f"state {replaying.fingerprint(board.state)}" in lines
    rows = [line.split() for line in lines if line.split()[:1] == ["mg"] and len(line.split()) > 9]
    mg, cal = board.state.channels[2], board.state.channels[1]
    assert [row[1:3] for row in rows] == [[text_of(mg.tot[0]), text_of(mg.tot[1])]]
    left = text_of(cal.fill_ul - cal.taken_ul)
    assert f"  reservoir: {left} mL of {text_of(cal.fill_ul)} mL left" in lines
