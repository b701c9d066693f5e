"""The commands at the tank against a board on a desk, through a real socket."""

import datetime
import json
from types import SimpleNamespace

import pytest
from serial.urlhandler import protocol_socket

from aliquot.core.amounts import to_ul
from aliquot_host import archive, board_talk, cli, line, setup_file
from aliquot_host.commands import calibrate, pump_runs, status
from aliquot_host.commands import load as load_command
from aliquot_host.memory_files import MemoryFiles
from app_files import NOON_W, load
from app_rig import Board, Life
from set_ups import TOML, canonical, channel
from socket_board import SocketBoard

TWO = (channel(reservoir={"size_ul": 500000, "dead_ul": 0, "low_pct": 10, "left_ul": 400000}),)


@pytest.fixture
def board(monkeypatch):
    with SocketBoard() as found:
        data = canonical(*TWO, channel("ca", 2))
        assert load(found.life, data)["ok"]
        assert found.life.ask(do="clock", wall_w=NOON_W)["ok"]
        monkeypatch.setenv(line.ENVIRONMENT, found.url)
        monkeypatch.setattr(line, "WAKE_S", 0)
        # pyserial waits after it has closed a socket, for slow servers.
        monkeypatch.setattr(protocol_socket, "time", SimpleNamespace(sleep=lambda _: None))
        monkeypatch.setattr(line, "PAUSE_S", 0)
        monkeypatch.setattr(pump_runs, "LOOK_S", 0.01)
        yield found


@pytest.fixture
def run(board, capsys):
    """run("hold", "alk") gives (exit code, stdout, stderr)."""

    def command(*words):
        code = cli.run([str(word) for word in words])
        said = capsys.readouterr()
        return code, said.out, said.err

    command.board = board
    return command


def state_of(run, ch=0):
    state = run.board.life.app.engine.state
    return state, state.channels[ch]


@pytest.mark.parametrize(
    ("words", "attribute", "value"),
    [
        (("hold", "alk", "--yes"), "hold_w", 0),
        (("skip", "alk"), "trim_n", 1),
        (("skip", "alk", "3"), "trim_pct", 100),
        (("trim", "alk", "40", "6"), "trim_pct", 40),
        (("refill", "alk", "250.5"), "fill_ul", 250500),
        (("refill", "alk", "400", "--left", "120"), "fill_ul", 400000),
        (("refill", "alk", "--left", "120"), "fill_ul", 120000),
        (("calibrate", "alk", "--counts", "12800", "--ml", "10.1"), "cal_ul", 10100),
    ],
)
def test_an_order_changes_what_it_says(run, words, attribute, value):
    code, out, _ = run(*words)
    assert code == 0
    assert out.startswith("alk: ")
    assert getattr(state_of(run)[1], attribute) == value


def test_an_override_may_be_less_and_is_taken_back(run):
    assert run("override", "alk", "-2.5", "3")[0] == 0
    assert state_of(run)[1].over[0] == -2500
    code, out, _ = run("override", "alk", "0", "0")
    assert (code, out) == (0, "alk: the plan alone.\n")


def test_stop_holds_everything_and_release_ends_it(run):
    code, out, _ = run("stop", "--json")
    said = json.loads(out)
    assert (code, said["format"], said["done"]) == (0, "aliquot-order", 1)
    assert state_of(run)[0].hold_w == 0
    assert run("status")[0] == 1
    assert run("release", "all")[0] == 0
    assert state_of(run)[0].hold_w == -1


def test_an_extra_runs_and_counts(run):
    assert run("extra", "alk", "1.5", "--planned", "--yes")[0] == 0
    while not run.board.board.runs:
        run("status")
    assert state_of(run)[1].tot[9] == 1500 or run("status")
    assert run("extra", "alk")[0] == 2
    assert run("extra", "alk", "1", "--cancel")[0] == 2
    assert run("extra", "ca", "--cancel")[1] == "There was nothing to do.\n"


def test_prime_into_a_cup_holds_until_the_line_is_back(run):
    code, out, err = run("prime", "alk", "2", "--yes")
    assert code == 0
    assert "2 mL moved" in out
    assert "Put the line back" in err
    assert state_of(run)[1].cup == 0
    assert state_of(run)[1].tot[1] == 0  # nothing into the tank


@pytest.fixture
def answers(monkeypatch):
    """A person at the keyboard: `questions` is what was asked; `no` are parts of questions that
    are denied; `texts` are what is typed, in order; `keys` how often Enter is not yet pressed."""
    seen = SimpleNamespace(questions=[], no=[], texts=[], keys=None)

    def confirm(question, **_):
        seen.questions.append(question)
        return not any(part in question for part in seen.no)

    def key():
        if seen.keys is None:
            return False
        seen.keys -= 1
        return seen.keys < 0

    monkeypatch.setattr(board_talk, "person", lambda: True)
    monkeypatch.setattr(pump_runs, "person", lambda: True)
    monkeypatch.setattr(calibrate, "person", lambda: True)
    monkeypatch.setattr(load_command, "person", lambda: True)
    monkeypatch.setattr(pump_runs, "key", key)
    monkeypatch.setattr(board_talk.click, "confirm", confirm)
    monkeypatch.setattr(calibrate.click, "prompt", lambda *_, **__: seen.texts.pop(0))
    return seen


def uncalibrated(run):
    c = state_of(run)[1]
    c.cal_counts = c.cal_ul = 0


def test_a_first_calibration_needs_a_look_at_the_pump(run, answers):
    uncalibrated(run)
    answers.texts = ["8,61", "8.61"]
    code, out, err = run("calibrate", "alk", "--live")
    assert code == 0, err
    assert [text for text in answers.questions if "Did the pump of alk turn" in text]
    assert "Write a point, not a comma" in err
    assert out == "alk: 11000 counts give 8.61 mL.\n"
    assert [counts for _, counts in run.board.board.truth] == [500, 11000]
    c = state_of(run)[1]
    assert (c.cal_counts, c.cal_ul, c.cup) == (11000, 8610, 0)
    answers.questions.clear()
    answers.texts = ["1.18"]
    assert run("calibrate", "alk", "--live", "--seconds", "3")[0] == 0
    assert not [text for text in answers.questions if "Did the pump" in text]
    assert run.board.board.truth[-1] == (0, 1500)


def test_the_wrong_pump_is_not_calibrated_and_the_way_on_is_told(run, answers):
    uncalibrated(run)
    answers.no = ["Did the pump"]
    # --yes does not answer this question.
    code, out, err = run("calibrate", "alk", "--live", "--yes")
    assert (code, out) == (1, "")
    assert "Put wiring or `reverse` right" in err
    assert "aliquot release alk --line-back" in err
    assert [counts for _, counts in run.board.board.truth] == [500]
    c = state_of(run)[1]
    assert (c.cal_counts, bool(c.cup)) == (0, True)
    assert run("release", "alk", "--line-back")[1] == "alk: its line is back.\n"
    assert not state_of(run)[1].cup


def test_a_calibration_far_from_the_last_one_is_asked_about(run, answers):
    answers.no = ["than at the last calibration"]
    code, _, err = run("calibrate", "alk", "--counts", "12800", "--ml", "13")
    assert code == 1
    assert "Nothing was changed." in err
    assert answers.questions == ["That is 29 % more than at the last calibration. Is it right?"]
    assert state_of(run)[1].cal_ul == 10020
    assert run("calibrate", "alk", "--counts", "12800", "--ml", "13", "--yes")[0] == 0
    assert state_of(run)[1].cal_ul == 13000


def test_a_calibration_counts_what_turned_until_the_key(run, answers):
    answers.texts, answers.keys = ["1"], 20
    code, out, err = run("calibrate", "alk", "--live", "--yes")
    assert code == 0, err
    assert "Ended early." in err
    (given,) = [counts for _, counts in run.board.board.truth]
    assert 0 < given < 11000
    assert out == f"alk: {given} counts give 1 mL.\n"
    assert state_of(run)[1].cal_counts == given


def test_a_run_that_has_not_begun_is_taken_back_at_the_key(run, answers, monkeypatch):
    monkeypatch.setattr(type(run.board.life.app.engine), "poll", lambda self, now_s: None)
    answers.keys = 2
    code, out, err = run("prime", "alk", "2", "--yes")
    assert (code, out) == (1, "")
    assert "Taken back before it began." in err
    assert not state_of(run)[1].extra


def test_ctrl_c_ends_a_run_and_the_line_is_asked_for(run, answers, monkeypatch):
    def pressed():
        if run.board.board.pumping:
            raise KeyboardInterrupt
        return False

    monkeypatch.setattr(pump_runs, "key", pressed)
    code, out, err = run("prime", "alk", "6", "--yes")
    assert code == 0, err
    assert not run.board.board.pumping
    (given,) = [counts for _, counts in run.board.board.truth]
    assert 0 < given < 7665
    assert out == f"alk: {line.plain_ml(to_ul(given, 12800, 10020, 0))} mL moved.\n"


def test_a_run_whose_line_nobody_put_back_leaves_the_channel_held(run, answers):
    answers.no = ["Is it back?"]
    code, out, err = run("prime", "alk", "2")
    assert (code, out) == (0, "alk: 2 mL moved.\n")
    assert "aliquot release alk --line-back" in err
    assert state_of(run)[1].cup


def test_a_motor_that_fails_calibrates_nothing(run, answers):
    run.board.board.stall = 0
    code, out, err = run("calibrate", "alk", "--live", "--counts", "1000")
    assert (code, out) == (1, "")
    assert "The motor failed after" in err
    assert "aliquot release alk --line-back" in err
    assert state_of(run)[1].cal_counts == 12800


def test_a_dose_that_comes_first_is_not_taken_for_the_run(monkeypatch):
    monkeypatch.setattr(pump_runs, "LOOK_S", 0)

    def status(running, last):
        return {"running": running, "last": last, "given": 1}

    before, dose, ours = ["alk", 5, 5, 0], ["alk", 1943, 1943, 0], ["alk", 500, 480, 11]
    replies = [
        status("", before),
        status("ca", before),
        status("alk", ["ca", 500, 500, 0]),
        status("", dose),
        status("alk", dose),
        status("", ours),
    ]
    client = SimpleNamespace(ask=lambda do: replies.pop(0))
    found = pump_runs._follow(client, "alk", before, 500, lambda given: None)
    assert found["last"] == ours
    assert not replies


def test_calibrate_wants_a_person_and_options_that_go_together(run):
    for words, said in (
        (("--live",), "a person who measures"),
        (("--live", "--ml", "5"), "not beside --live"),
        (("--live", "--counts", "5", "--seconds", "5"), "not beside --counts"),
        (("--counts", "5", "--ml", "1", "--seconds", "5"), "--counts and --ml, or --live"),
    ):
        code, out, err = run("calibrate", "alk", *words)
        assert (code, out) == (2, "")
        assert said in err
    assert not run.board.board.runs


def test_prime_into_the_tank_counts_and_takes_the_lines_volume_by_itself(run):
    assert run("prime", "alk", "--into", "tank", "--yes")[0] == 2  # 6.283 mL are no dose
    code, out, _ = run("prime", "alk", "--into", "tank", "--line-cm", "50", "--planned", "--yes")
    assert (code, out) == (0, "alk: 1.571 mL moved.\n")
    assert state_of(run)[1].tot[9] == 1571
    assert not state_of(run)[1].cup


def test_a_latched_fault_takes_two_acts(run):
    from aliquot.core import events

    life = run.board.life
    events.fault(life.app.engine, life.app.now_s(), 0, 3, 1)
    code, _, err = run("status")
    assert code == 1
    assert run("clear-fault", "alk")[0] == 2  # nobody answers
    code, out, err = run("clear-fault", "alk", "--yes")
    assert (code, out) == (0, "alk: the fault is over.\n")
    assert "counts than it was told" in err
    assert state_of(run)[1].fault == 0
    assert run("clear-fault", "alk", "--yes")[0] == 2


def test_what_is_owed_is_shown_and_asked_about(run):
    life = run.board.life
    life.app.engine.act(life.app.now_s(), "M", (0, 1, 1, 1, 1000, 0, 0, 1000, 1))
    code, _, err = run("trim", "alk", "50", "2")
    assert code == 2
    assert "1 mL are owed to alk" in err
    assert run("trim", "alk", "50", "2", "--keep")[0] == 0
    assert sum(state_of(run)[1].owed[1::2]) == 1000
    assert run("trim", "alk", "50", "3", "--yes")[0] == 0
    assert not state_of(run)[1].owed


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("hold", "nope", "--yes"), "alk, ca, all"),
        (("trim", "all", "5", "5"), "alk, ca"),
        (("refill", "alk"), "Say ML, --left ML, or both"),
        (("refill", "alk", "1.2345"), "at most 3 digits"),
        (("refill", "alk", "many"), "millilitres"),
        (("refill", "alk", "600"), "0 to 500 mL"),
        (("refill", "alk", "--", "-5"), "Write the number without a sign"),
        (("override", "alk", "900", "3"), "mL"),
        (("hold", "alk", "--until", "25:99"), "HH:MM"),
        (("hold", "alk", "--until", "2020-01-01"), "from 2026 to 2099"),
        (("hold", "alk", "--until", "2026-01-01"), "later than now"),
        (("calibrate", "alk"), "--live"),
        (("calibrate", "alk", "--counts", "5"), "--live"),
        (("extra", "alk", "900", "--yes"), "0.1 to 4 mL"),
        (("note", "alk", "x" * 300), "1 to 200"),
        (("note", "alk", "x" * 3000), "1 to 200"),
        (("note", ""), "Say what to write down"),
        (("note", "alk"), "aliquot note alk TEXT"),
        (("note", "alk", "two", "words"), "in quotes"),
        (("note", "alk", "half \udcff"), "UTF-8"),
        (("note", "alk", "two\nlines"), "one line"),
        (("release", "x" * 3000), "Write less"),
        (("release", "\udcff"), "UTF-8"),
        (("set-clock", "2020-01-01", "--yes"), "2026"),
        (("load", "not-there.toml"), "not-there.toml"),
    ],
)
def test_bad_input_says_what_is_wrong_and_changes_nothing(run, words, said):
    before = state_of(run)[0].seq
    code, out, err = run(*words)
    assert (code, out) == (2, "")
    assert said in err
    assert "Traceback" not in err
    assert state_of(run)[0].seq == before


def test_notes_tests_tubing_and_the_clock_are_written_down(run):
    assert run("note", "all", "looked at it")[0] == 0
    assert run("note", "good \U0001f44d")[0] == 0
    assert run("note", "alk", "8.1 dKH", "--test")[0] == 0
    assert run("new-tubing", "alk")[0] == 0
    assert run("set-clock", "--yes")[0] == 0
    assert abs(run.board.life.ask(do="status")["wall_w"] - line.now_w()) < 120
    code, out, _ = run("logs", "-n", "9")
    assert code == 0
    for part in (
        "note: looked at it",
        "note: good \U0001f44d",
        "water test: 8.1 dKH",
        "alk: new tubing",
        "by the user",
    ):
        assert part in out
    rows = json.loads(run("logs", "--json", "-n", "2")[1])["records"]
    assert len(rows) == 2


def test_status_names_what_a_person_has_to_do(run):
    code, out, _ = run("status")
    assert (code, "Nothing needs you." in out) == (0, True)
    assert "commanded, not verified" in out
    run("hold", "alk", "--yes")
    run("refill", "alk", "3")
    code, out, _ = run("status")
    assert code == 1
    assert "alk is held: aliquot release alk" in out
    assert "alk runs low" in out
    said = json.loads(run("status", "--json")[1])
    assert said["format"] == "aliquot-status"
    assert len(said["needs"]) == 2


def test_a_set_up_is_loaded_with_its_difference_shown(run, tmp_path):
    file = tmp_path / "two.toml"
    file.write_text(TOML.replace("36.5", "30") + "doses = 24\n")
    code, _, err = run("load", file)
    assert code == 2  # nobody says yes
    assert "30 mL" in err
    code, _, err = run("load", file, "--yes")
    assert code == 0, err
    assert state_of(run)[0].hash == setup_file.load(file).digest
    assert run("load", file, "--yes")[1] == "The board has this set-up already.\n"


def test_a_new_board_asks_what_was_given(monkeypatch, tmp_path, capsys):
    file = tmp_path / "one.toml"
    file.write_text(TOML)
    with SocketBoard() as board:
        monkeypatch.setenv(line.ENVIRONMENT, board.url)
        assert cli.run(["status"]) == 1
        assert "aliquot load" in capsys.readouterr().out
        assert cli.run(["load", str(file)]) == 2
        assert "--given" in capsys.readouterr().err
        assert cli.run(["load", str(file), "--given", "12.5", "--yes"]) == 0
        state = board.life.app.engine.state
        assert state.channels[0].ring.total_ul == 12500
        assert state.fresh_s == 0


def test_a_restart_is_asked_for_and_begin_anew_takes_the_users_word(run):
    assert run("restart", "--yes")[0] == 0
    while run.board.life.app.journal.state.quality:
        run("status")
    code, _, err = run("begin-anew", "--yes")
    assert code == 2
    assert "the board reads its journal" in err


def test_begin_anew_warns_asks_and_begins_beside_a_journal_that_cannot_be_read(run, answers):
    board = run.board
    for name in list(board.board.files.names()):
        if name.startswith("j"):
            board.board.files.write(name, b"no journal\n" * 9)
    board.life = Life(board.board)
    assert "cannot be read" in board.life.app.why
    answers.no = ["Begin a new journal?"]
    code, _, err = run("begin-anew")
    assert code == 1
    assert "Pull the old journal first" in err
    assert board.life.app.journal is None
    code, out, _ = run("begin-anew", "--yes")
    assert (code, out) == (0, "A new journal. Load the set-up next: aliquot load FILE\n")
    assert board.life.app.journal


def test_pull_adds_what_is_new_and_the_archive_replays(run, tmp_path):
    folder = tmp_path / "archive"
    assert run("pull", folder)[0] == 0
    first = archive.read_archive(folder)
    assert run("note", "all", "later")[0] == 0
    code, out, _ = run("pull", folder, "--json")
    said = json.loads(out)
    assert (code, said["new_segments"], said["gaps"]) == (0, 0, [])
    assert said["last"] == first.records[-1].seq + 1
    assert run("replay", folder)[0] == 0


def test_pull_goes_over_rotations_and_a_broken_line(run, tmp_path, monkeypatch):
    from aliquot_host import pulling

    folder = tmp_path / "archive"
    life = run.board.life

    def write(many):
        for n in range(many):
            assert life.ask(do="note", channel="all", text=f"note {n} " + "x" * 150)["ok"]

    write(150)
    read = pulling._piece
    reads = []

    def breaks(*args):
        reads.append(args)
        if len(reads) == 12:
            raise KeyboardInterrupt
        return read(*args)

    with monkeypatch.context() as patch:
        patch.setattr(pulling, "_piece", breaks)
        assert run("pull", folder)[0] == 130
    assert run("pull", folder)[0] == 0
    write(200)
    assert run("pull", folder)[0] == 0
    found = archive.read_archive(folder)
    numbers = [record.seq for record in found.records]
    assert numbers == list(range(1, run.board.life.app.journal.state.seq + 1))
    assert len(list(folder.glob("j*.txt"))) >= 4
    assert not list(folder.glob("*.part"))


def test_pull_tells_a_gap_and_refuses_another_boards_journal(run, tmp_path):
    folder = tmp_path / "archive"
    life = run.board.life
    for n in range(250):
        assert life.ask(do="note", channel="all", text=f"note {n} " + "x" * 150)["ok"]
    assert run("pull", folder)[0] == 0
    middle = sorted(folder.glob("j*.txt"))[1]
    run.board.board.files.remove(middle.name)
    middle.unlink()
    code, _, err = run("pull", folder)
    assert code == 1
    assert "are lost" in err
    other = MemoryFiles()
    assert load(Life(Board(other)), canonical(channel("mg")))["ok"]
    for path in folder.iterdir():
        path.unlink()
    for name in other.names():
        (folder / name).write_bytes(other.read(name))
    code, _, err = run("pull", folder)
    assert code == 2
    assert "into a new folder" in err
    assert (folder / "j00000001.txt").read_bytes() == other.read("j00000001.txt")


def test_every_command_at_the_tank_shows_its_help(capsys):
    names = [n for n, entry in cli.COMMANDS.items() if entry.section == cli.AT_THE_TANK]
    assert len(names) >= 20
    for name in names:
        assert cli.run([name, "--help"]) == 0
        assert "--port" in capsys.readouterr().out


def test_what_a_status_of_a_dead_board_needs_is_a_set_up():
    life = Life(Board(MemoryFiles()))
    (found,) = status.needs(life.ask(do="status"))
    assert "no set-up was ever adopted" in found


def test_an_act_says_what_it_cancelled(run):
    life = run.board.life
    life.app.engine.act(life.app.now_s(), "M", (0, 1, 1, 1, 1000, 0, 0, 1000, 1))
    code, out, err = run("hold", "all", "--yes")
    assert code == 0
    assert "1 mL are owed to all" in err
    assert out.splitlines()[1] == "1 mL that were owed are cancelled."
    assert json.loads(run("skip", "alk", "--json")[1])["owed_ul"] == 0


def test_an_extra_beyond_the_free_room_is_told_how_to_use_the_planned_one(run):
    c = state_of(run)[1]
    c.ring.total_ul += 33000  # of 55 mL; half a day of the plan is still to come
    code, _, err = run("extra", "alk", "3.9", "--yes")
    assert code == 2
    assert "--planned" in err
    assert run("extra", "alk", "3.9", "--planned", "--yes")[0] == 0


def test_a_refusal_names_the_channel_and_not_its_number(run):
    assert run("hold", "ca", "--yes")[0] == 0
    code, _, err = run("extra", "ca", "1", "--planned", "--yes")
    assert code == 2
    assert 'channel = "ca"' in err
    assert "limit: free to run" in err


def test_a_script_without_yes_is_told_so(run):
    for words in (("extra", "alk", "1"), ("prime", "alk"), ("restart",)):
        code, out, err = run(*words)
        assert (code, out) == (2, "")
        assert "Say --yes in a script" in err


def test_a_load_as_json_names_what_changed(run, tmp_path):
    file = tmp_path / "reef.toml"
    file.write_text(TOML.replace("36.5", "30"))
    code, out, _ = run("load", file, "--yes", "--json")
    said = json.loads(out)
    assert (code, said["done"]) == (0, 1)
    assert said["sha256"] == setup_file.load(file).digest
    assert {"where", "what", "before", "after"} == set(said["changes"][0])
    assert [one for one in said["changes"] if one["where"] == "ca" and not one["after"]]


def test_a_set_up_on_the_board_that_cannot_be_read_is_replaced(run, tmp_path):
    file = tmp_path / "reef.toml"
    file.write_text(TOML)
    run.board.board.files.write("setup.json", b'{"format": "aliquot-setup", "version"')
    run.board.life = Life(run.board.board)
    assert run.board.life.app.why
    code, _, err = run("load", file, "--given", "unknown", "--yes")
    assert code == 0, err
    assert "cannot be read: no difference is shown" in err
    assert not run.board.life.app.why


NOW = datetime.datetime(2026, 6, 1, 12, 0)


@pytest.mark.parametrize(
    ("kind", "text", "found"),
    [
        (board_talk.TIME, "12:30", NOW + datetime.timedelta(minutes=30)),
        (board_talk.TIME, "11:59", NOW + datetime.timedelta(hours=23, minutes=59)),
        (board_talk.TIME, "2026-06-03", datetime.datetime(2026, 6, 3)),
        (board_talk.TIME, "2026-06-03T01:02", datetime.datetime(2026, 6, 3, 1, 2)),
        (board_talk.NEAREST, "11:59", NOW - datetime.timedelta(minutes=1)),
        (board_talk.NEAREST, "12:00:05", NOW + datetime.timedelta(seconds=5)),
        (board_talk.NEAREST, "23:59", datetime.datetime(2026, 6, 1, 23, 59)),
        (board_talk.NEAREST, "2026-06-01 08:00:01", datetime.datetime(2026, 6, 1, 8, 0, 1)),
    ],
)
def test_a_time_of_day_is_the_next_one_or_for_a_clock_the_nearest(monkeypatch, kind, text, found):
    class Fixed(datetime.datetime):
        @classmethod
        def now(cls, tz=None):
            return cls(2026, 6, 1, 12, 0)

    monkeypatch.setattr(board_talk.datetime, "datetime", Fixed)
    assert kind.convert(text, None, None) == board_talk.wall_of(found)


def test_away_asks_the_board_where_no_file_is_given(run):
    # By the plan 3 mL last for a few hours.
    assert run("refill", "alk", "3")[0] == 0
    code, out, err = run("away", "--from", "2026-06-02", "--until", "2026-06-20")
    assert code == 1, err
    assert "First to fail: alk" in out
    assert run("refill", "alk", "500")[0] == 0
    assert run("hold", "ca", "--yes")[0] == 0
    said = json.loads(run("away", "--from", "2026-06-02", "--until", "2026-06-10", "--json")[1])
    assert [one for one in said["problems"] if one["channel"] == "ca"]


def test_a_water_test_that_nothing_can_read_is_written_down_with_a_hint(run):
    code, out, err = run("note", "alk", "looked fine", "--test")
    assert (code, out) == (0, "Written down.\n")
    assert "alkalinity 8.1 dKH, calcium 425 mg/L" in err
    assert run("note", "alk", "8.1 dKH", "--test")[2] == ""


def test_several_live_runs_make_one_calibration_with_its_spread(run, answers):
    answers.texts = ["2.34", "2.36", "2.35"]
    code, out, err = run("calibrate", "alk", "--live", "--repeat", "3", "--counts", "3000")
    assert code == 0, err
    assert [counts for _, counts in run.board.board.truth] == [3000, 3000, 3000]
    assert "Run 3 of 3" in err
    assert "95 % interval" in err
    assert out == "alk: 9000 counts give 7.05 mL.\n"
    c = state_of(run)[1]
    assert (c.cal_counts, c.cal_ul, c.cup) == (9000, 7050, 0)


def test_live_runs_are_weighed_or_measured_and_every_number_is_for_programs_too(run, answers):
    answers.texts = ["2.34g", "2.36 g", "0", "2.35"]
    words = ("--live", "--repeat", "3", "--counts", "3000", "--water", "20", "--json")
    code, out, err = run("calibrate", "alk", *words)
    assert code == 0, err
    assert "more than 0 mL" in err
    told = json.loads(out)["calibration"]
    assert [one["ml"] for one in told["runs"]] == pytest.approx([2.3467, 2.3667, 2.35], abs=2e-4)
    assert told["same"]["n"] == 3
    assert told["k_low"] < told["k_counts_ml"] < told["k_high"]
    answers.texts = ["2.34g"] + ["2.34"] * 2
    code, _, err = run("calibrate", "alk", "--live", "--counts", "3000", "--yes")
    assert code == 0, err
    assert "next time --water" in err


def test_live_runs_of_several_lengths_find_the_dead_time(run, answers):
    speed = run.board.life.app.engine.setup.channels[0].speed_cps
    answers.texts = [f"{(s * speed - 100) / 1277:.3f}" for s in (2, 4, 8)]
    seconds = [word for s in ("2", "4", "8") for word in ("--seconds", s)]
    code, _, err = run("calibrate", "alk", "--live", "--timed", *seconds, "--yes")
    assert code == 0, err
    assert "dead time 100 ms" in err
    c = state_of(run)[1]
    assert c.cal_offset == pytest.approx(100, abs=2)
    assert c.cal_counts / c.cal_ul == pytest.approx(1.277, rel=1e-3)
    # The next one of a single length keeps it.
    answers.texts = ["2.35"]
    assert run("calibrate", "alk", "--live", "--counts", "3000", "--yes")[0] == 0
    kept = c.cal_offset
    c = state_of(run)[1]
    assert (c.cal_counts, c.cal_ul, c.cal_offset) == (3000 - kept, 2350, kept)


def test_a_set_up_that_cannot_be_written_is_found_before_a_pump_turns(run, answers):
    code, _, err = run("calibrate", "alk", "--live", "--write", "none.toml", "--yes")
    assert code == 2
    assert "no such file" in err.lower()
    assert run.board.board.truth == []


def test_measured_runs_go_to_the_board_when_told(run, answers):
    words = ("calibrate", "alk", "--run", "12800:10.01", "--run", "12800:10.03")
    assert run(*words)[0] == 0
    assert state_of(run)[1].cal_ul == 10020
    code, _, err = run(*words, "--to-board")
    assert code == 0
    assert "The board has it" in err
    c = state_of(run)[1]
    assert (c.cal_counts, c.cal_ul) == (25600, 20040)


def test_the_dead_time_is_no_part_of_the_counts_that_moved(run, answers):
    words = ("calibrate", "alk", "--counts", "12845", "--ml", "10.1", "--offset", "45", "--yes")
    code, out, err = run(*words)
    assert (code, out) == (0, "alk: 12800 counts give 10.1 mL.\n"), err
    c = state_of(run)[1]
    assert (c.cal_counts, c.cal_ul, c.cal_offset) == (12800, 10100, 45)
    assert run("calibrate", "alk", "--counts", "45", "--ml", "10.1", "--offset", "45")[0] == 2
