"""`aliquot pull` with small segments: cuts anywhere, gaps, full disks, damage, other boards."""

import contextlib
import errno
import json
from types import SimpleNamespace

import pytest

from aliquot import questions
from aliquot.core import snapshot
from aliquot.core.acts import Refused
from aliquot.store import segment
from aliquot.store.config import hash_of
from aliquot.store.recover import open_journal
from aliquot_host import archive, cli, errors, line, pulling, replaying
from aliquot_host.commands import pull as pull_command
from aliquot_host.memory_files import MemoryFiles
from store_cases import (
    act_numbers,
    day_sums,
    dumps,
    flipped,
    journal_names,
    put,
    small_segments,
    stream,
)
from unit.desk_board import TANK, DeskBoard, at, set_up

RECORDS = stream(400)
DUMPS = dumps(RECORDS)


class Desk:
    """A board that answers `files` and `read`, by the board's own code, and can be cut off.

    before: called before each answer with its number from 0 on. took: name -> bytes read.
    """

    def __init__(self, kept=99):
        self.files = MemoryFiles()
        self.log, _ = open_journal(self.files)
        self.log.kept = kept
        self.before = lambda n: None
        self.setup_hash = ""
        self.forget()

    def forget(self):
        self.asked, self.took = 0, {}

    def live(self, last):
        put(self.log, RECORDS[:last])

    def tell(self, do, **order):
        self.before(self.asked)
        self.asked += 1
        if do == "status":
            return {"ok": 1, "hash": self.setup_hash}
        app = SimpleNamespace(hw=SimpleNamespace(files=self.files))
        try:
            reply = getattr(questions, do)(app, order)
        except Refused as no:
            return dict(zip(("field", "value", "limit", "advice"), no.args, strict=True), ok=0)
        if do == "read":
            name = order["name"]
            self.took[name] = self.took.get(name, 0) + len(reply["hex"]) // 2
        return reply

    def ask(self, do, **order):
        reply = self.tell(do, **order)
        if not reply["ok"]:
            raise line.refused(reply)
        return reply

    def cut_at(self, place, how):
        """Break the line once, before answer number `place`."""

        def before(n):
            if n == place:
                raise how

        self.before = before


@pytest.fixture(name="small")
def small_files(monkeypatch):
    small_segments(monkeypatch)


@pytest.fixture(name="desk")
def desk_board(small, monkeypatch):
    desk = Desk()

    def connect(port):
        return contextlib.nullcontext(desk)

    monkeypatch.setattr(pull_command, "connect", connect)
    return desk


@pytest.fixture(name="run")
def runner(capsys, tmp_path):
    """run() pulls into tmp_path/archive; (exit code, JSON document or None, stderr)."""

    def run():
        code = cli.run(["pull", str(tmp_path / "archive"), "--json"])
        out, err = capsys.readouterr()
        return code, json.loads(out) if out else None, err

    run.folder = tmp_path / "archive"
    return run


def silent():
    return errors.bad("--port", advice="Nothing answers.")


def whole(folder, last, first=1):
    """The folder holds the records first to last once each, and comes to the board's state."""
    found = archive.read_archive(folder)
    assert found.findings == []
    assert [record.seq for record in found.records] == list(range(first, last + 1))
    assert snapshot.dump(found.state()) == DUMPS[last]
    assert not list(folder.glob("*.part"))
    return found


def test_the_first_pull_brings_every_segment_as_it_is_on_the_board(desk, run):
    desk.live(400)
    code, said, err = run()
    assert (code, err, said["gaps"], said["odd"]) == (0, "", [], [])
    assert (said["first"], said["last"], said["records"]) == (1, 400, 400)
    assert said["new_segments"] == desk.log.number > 6
    whole(run.folder, 400)
    for name in journal_names(desk.files):
        assert (run.folder / name).read_bytes() == desk.files.read(name)


def test_what_was_pulled_in_parts_replays_to_the_boards_own_state(tmp_path, capsys, monkeypatch):
    """A journal of the engine's own, whose accounts must balance: five days of three pumps."""
    small_segments(monkeypatch, size=6000, kept=99)
    tank = set_up(TANK)
    board = DeskBoard(tank, at(tank, "2026-03-24 00:00"))
    desk = Desk()
    desk.files = board.files
    for day in range(25, 30):
        board.until(at(tank, f"2026-03-{day} 00:00"))
        desk.cut_at(desk.asked + 5, silent())
        with contextlib.suppress(errors.BadInput):
            pulling.pull(desk, tmp_path)
    desk.before = lambda n: None
    pulling.pull(desk, tmp_path)
    assert len(pulling.held(tmp_path)) > 1
    assert cli.run(["replay", str(tmp_path), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["records"] == found["last_record"] == board.state.seq
    assert found["snapshot_sha256"] == replaying.fingerprint(board.state)


def test_a_second_pull_reads_what_is_new_and_the_end_of_what_is_known(desk, run):
    desk.live(200)
    run()
    before = {name: len(desk.files.read(name)) for name in journal_names(desk.files)}
    desk.live(203)
    desk.forget()
    code, said, _ = run()
    new = sum(len(desk.files.read(n)) - before.get(n, 0) for n in journal_names(desk.files))
    assert (code, said["read_bytes"]) == (0, new)
    assert sum(desk.took.values()) == new + pulling.SAME
    whole(run.folder, 203)


def test_a_pull_of_nothing_new_reads_one_piece_and_writes_nothing(desk, run):
    desk.live(200)
    run()
    times = {path: path.stat().st_mtime_ns for path in run.folder.iterdir()}
    desk.forget()
    code, said, _ = run()
    assert (code, said["read_bytes"], said["last"]) == (0, 0, 200)
    assert sum(desk.took.values()) == pulling.SAME
    assert {path: path.stat().st_mtime_ns for path in run.folder.iterdir()} == times


def test_segments_that_the_board_put_away_since_stay_and_nothing_else_is_read(desk, run):
    desk.log.kept = 4
    last = 0
    for last in range(20, 401, 20):
        desk.live(last)
        desk.forget()
        assert run()[0] == 0
        assert not [name for name in desk.took if name[0] != "j"]
    assert len(segment.numbers(desk.files)) <= 5
    whole(run.folder, last)


@pytest.mark.parametrize("how", [silent, KeyboardInterrupt], ids=["silence", "ctrl_c"])
def test_a_pull_that_is_cut_anywhere_keeps_whole_records_and_the_next_goes_on(desk, tmp_path, how):
    desk.live(160)
    pulling.pull(desk, tmp_path / "all")
    all_bytes = sum(desk.took.values())
    known = 0
    for place in range(1, desk.asked):
        folder = tmp_path / str(place)
        desk.forget()
        desk.cut_at(place, how())
        with pytest.raises(type(how())):
            pulling.pull(desk, folder)
        if pulling.held(folder):
            found = archive.read_archive(folder)
            assert found.findings == []
            last = found.records[-1].seq if found.records else 0
            assert last >= known, "a later cut leaves no fewer records"
            known = last
            whole(folder, last)
            kept = sum(path.stat().st_size for path in folder.glob("j*.txt"))
            assert sum(desk.took.values()) - kept <= pulling.READ, "an opening or a line at most"
        desk.before = lambda n: None
        pulling.pull(desk, folder)
        whole(folder, 160)
        # Read twice at most: a piece, an opening, the end of what was known.
        assert sum(desk.took.values()) < all_bytes + 2 * pulling.READ + 2560
    assert known > 100


def test_a_late_first_pull_that_is_cut_anywhere_still_comes_to_all_acts_and_days(desk, tmp_path):
    desk.log.kept = 4
    desk.live(400)
    pulling.pull(desk, tmp_path / "all")
    first = archive.read_archive(tmp_path / "all").records[0].seq
    places = range(1, desk.asked)
    for place in places:
        desk.forget()
        desk.cut_at(place, silent())
        with pytest.raises(errors.BadInput):
            pulling.pull(desk, tmp_path / str(place))
        desk.before = lambda n: None
        pulling.pull(desk, tmp_path / str(place))
        found = whole(tmp_path / str(place), 400, first)
        assert [act[0] for act in found.kept_acts] == act_numbers(RECORDS, first - 1)
        assert found.kept_days == day_sums(RECORDS, first - 1)


def test_a_file_is_replaced_whole_so_that_who_reads_it_meanwhile_has_the_old_one(desk, run):
    desk.live(100)
    run()
    path = run.folder / journal_names(desk.files)[-1]
    old = path.read_bytes()
    with path.open("rb") as reader:
        desk.live(110)
        run()
        assert path.read_bytes() != old
        assert reader.read() == old


def test_a_cut_pull_says_that_what_came_is_kept_and_how_it_ended(desk, run):
    desk.live(160)
    desk.cut_at(9, silent())
    code, said, err = run()
    assert (code, said) == (2, None)
    assert "Nothing answers" in err
    assert "pull again to go on" in err
    desk.cut_at(desk.asked + 2, KeyboardInterrupt())
    code, said, err = run()
    assert (code, said) == (130, None)
    assert "pull again to go on" in err
    desk.before = lambda n: None
    assert run()[0] == 0
    whole(run.folder, 160)


def test_a_full_disk_leaves_every_file_as_it_was(desk, run, monkeypatch):
    desk.live(100)
    run()
    before = {path.name: path.read_bytes() for path in run.folder.iterdir()}
    desk.live(160)

    def full(_):
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("os.fsync", full)
        code, _, err = run()
    assert code == 2
    assert "Make room" in err
    assert {path.name: path.read_bytes() for path in run.folder.iterdir()} == before
    assert run()[0] == 0
    whole(run.folder, 160)


def test_what_the_board_writes_during_a_pull_comes_with_it(desk, run):
    """Three records before every answer, rotations among them; nothing is put away."""
    desk.live(100)
    first = desk.log.number

    def before(n):
        if desk.log.state.seq < 135:
            desk.live(min(135, desk.log.state.seq + 3))

    desk.before = before
    assert run()[0] == 0
    assert desk.log.number > first
    whole(run.folder, 135)


@pytest.mark.parametrize("place", range(1, 16))
def test_a_segment_put_away_while_it_is_read_costs_its_rest_and_is_told(desk, run, place):
    """Whatever is missing from the records is then in the acts and day totals."""
    desk.live(200)

    def before(n):
        if n == place:
            desk.log.kept = 4
            desk.live(300)

    desk.before = before
    code, said, err = run()
    desk.before = lambda n: None
    assert err == ""
    found = archive.read_archive(run.folder)
    assert found.records[-1].seq == said["last"] == 300
    there = {record.seq for record in found.records}
    missing = set(range(1, 301)) - there
    first = min(there)
    assert code == (1 if [seq for seq in missing if seq > first] else 0)
    assert bool(said["gaps"]) == bool(code)
    kept = {act[0] for act in found.kept_acts}
    assert {seq for seq in act_numbers(RECORDS, 300) if seq in missing} <= kept
    assert snapshot.dump(found.state()) == DUMPS[300]


def test_a_gap_between_pulls_is_told_each_time_and_its_acts_and_days_are_read_once(desk, run):
    desk.live(100)
    run()
    last = archive.read_archive(run.folder).records[-1].seq
    desk.log.kept = 4
    desk.live(400)
    oldest = segment.name_of(segment.numbers(desk.files)[0])
    opened = segment.sequence(desk.files, oldest)
    assert opened > last
    code, said, _ = run()
    assert (code, said["last"]) == (1, 400)
    (gap,) = said["gaps"]
    assert f"records {last + 1} to {opened} are lost" in gap
    found = archive.read_archive(run.folder)
    assert [act[0] for act in found.kept_acts] == act_numbers(RECORDS, opened)
    assert found.kept_days == day_sums(RECORDS, opened)
    assert snapshot.dump(found.state()) == DUMPS[400]
    desk.forget()
    code, again, _ = run()
    assert (code, again["gaps"]) == (1, said["gaps"])
    assert sum(desk.took.values()) == pulling.SAME


def test_a_person_reads_of_a_gap_on_stderr(desk, run, capsys):
    desk.live(100)
    run()
    desk.log.kept = 4
    desk.live(400)
    assert cli.run(["pull", str(run.folder)]) == 1
    out, err = capsys.readouterr()
    assert "records, #1 to #400." in out
    assert "are lost" in err


def test_a_first_pull_that_comes_late_takes_acts_and_days_of_what_was_put_away(desk, run, capsys):
    desk.log.kept = 4
    desk.live(400)
    code, said, _ = run()
    before = said["first"] - 1
    assert (code, said["gaps"]) == (0, [])
    assert before > 100
    found = whole(run.folder, 400, said["first"])
    assert [act[0] for act in found.kept_acts] == act_numbers(RECORDS, before)
    assert found.kept_days == day_sums(RECORDS, before)
    assert cli.run(["pull", str(run.folder)]) == 0
    assert f"put away what was before #{before + 1}" in capsys.readouterr().err


def test_another_boards_journal_is_refused_and_the_folder_stays(desk, run):
    desk.live(100)
    run()
    before = {path.name: path.read_bytes() for path in run.folder.iterdir()}
    desk.files = MemoryFiles()
    desk.log, _ = open_journal(desk.files)
    # Younger than the folder, as old, and older by more than a board keeps.
    for last in (3, 20, 40, 60, 80, 100, 399):
        while desk.log.state.seq < last:
            now, kind, fields, text, _ = RECORDS[desk.log.state.seq]
            desk.log.put(now, kind, fields, "another tank" * 5 if kind == "E" else text)
        code, _, err = run()
        assert code == 2
        assert "into a new folder" in err
        assert {path.name: path.read_bytes() for path in run.folder.iterdir()} == before


def test_a_board_that_is_younger_than_the_folder_is_refused_whatever_else_is_there(desk, run):
    desk.live(100)
    run()
    for name in journal_names(desk.files)[:-1]:
        (run.folder / name).unlink()
    desk.files = MemoryFiles()
    desk.log, _ = open_journal(desk.files)
    desk.live(3)
    assert run()[0] == 2
    assert pulling.held(run.folder) == [pulling.held(run.folder)[-1]]


@pytest.mark.parametrize("where", ["board", "folder"])
def test_a_bit_that_turned_makes_it_no_other_board(desk, run, where):
    desk.live(100)
    run()
    name = journal_names(desk.files)[-1]
    bad = flipped(desk.files.read(name), 8 * (len(desk.files.read(name)) - 20))
    if where == "board":
        desk.files.files[name] = bytearray(bad)
    else:
        (run.folder / name).write_bytes(bad)
    desk.live(160)
    assert run()[0] == 0
    whole(run.folder, 160)


def test_a_segment_whose_creation_was_cut_is_read_anew(desk, run):
    desk.live(100)
    number = desk.log.number + 1
    name = segment.name_of(number)
    desk.files.write(name, bytes(20))
    run()
    assert (run.folder / name).stat().st_size == 20
    desk.log, _ = open_journal(desk.files)
    assert desk.files.size(name) > 20
    desk.live(130)
    assert run()[0] == 0
    whole(run.folder, 130)


def test_the_set_up_is_read_again_only_where_the_board_has_another(desk, run):
    desk.live(20)
    for text in (b'{"one": 1}', b'{"one": 2}'):
        desk.files.write(pulling.SETUP, text)
        desk.setup_hash = hash_of(text)
        run()
        assert (run.folder / pulling.SETUP).read_bytes() == text
        desk.forget()
        run()
        assert pulling.SETUP not in desk.took


def test_a_set_up_that_is_cut_off_leaves_the_one_before(desk, run):
    desk.live(20)
    old, new = (b'{"one": "%s"}' % (letter * 2000) for letter in (b"a", b"b"))
    desk.files.write(pulling.SETUP, old)
    run()
    desk.files.write(pulling.SETUP, new)
    desk.cut_at(desk.asked + 5, silent())
    assert run()[0] == 2
    assert (run.folder / pulling.SETUP).read_bytes() == old
    desk.before = lambda n: None
    run()
    assert (run.folder / pulling.SETUP).read_bytes() == new


def test_a_board_without_a_journal_is_a_finding(desk, run):
    code, said, err = run()
    assert (code, said) == (1, None)
    assert "no journal yet" in err


def test_a_file_in_place_of_the_folder_is_refused_unread(desk, run):
    desk.live(20)
    run.folder.write_bytes(b"mine")
    code, _, err = run()
    assert code == 2
    assert "a folder" in err
    assert (desk.asked, run.folder.read_bytes()) == (0, b"mine")


def test_a_refusal_other_than_of_the_name_ends_the_pull(desk, run):
    desk.live(100)
    tell = desk.tell

    def full(do, **order):
        if do == "read" and desk.asked > 5:
            return {"ok": 0, "field": "memory", "value": "used up", "limit": "", "advice": ""}
        return tell(do, **order)

    desk.tell = full
    code, _, err = run()
    assert code == 2
    assert "memory used up" in err
    desk.tell = tell
    assert run()[0] == 0
    whole(run.folder, 100)
