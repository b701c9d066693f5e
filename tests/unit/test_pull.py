"""Pulling a journal: what is new, through cuts and rotations, until the folder has all of it."""

import json

import pytest

from aliquot.store import segment
from aliquot_host import archive, cli, errors, pulling, replaying
from aliquot_host.commands import pull as pull_command
from aliquot_host.memory_files import MemoryFiles
from app_files import NOON_W, load
from app_rig import Board, Life
from set_ups import canonical, channel


class Cut(Exception):
    """The line broke."""


class Desk:
    """A board's program without a line. `reads` are its (name, at, bytes) so far; `before` is
    called with each order before it is carried out."""

    def __init__(self):
        self.life = Life(Board(MemoryFiles()))
        self.reads = []
        self.number = 100
        self.before = lambda do: None
        assert load(self.life, canonical(channel(), channel("ca", 2)))["ok"]
        assert self.life.ask(do="clock", wall_w=NOON_W, id=8)["ok"]

    @property
    def files(self):
        return self.life.board.files

    @property
    def seq(self):
        return self.life.app.journal.state.seq

    def tell(self, do, **words):
        self.before(do)
        self.number += 1
        reply = self.life.ask(do=do, id=self.number, **words)
        if do == "read":
            self.reads.append((words["name"], words["at"], len(reply.get("hex", "")) // 2))
        return reply

    def ask(self, do, **words):
        reply = self.tell(do, **words)
        assert reply["ok"], reply
        return reply

    def write(self, notes):
        """Notes of about 190 bytes: some 80 fill a segment."""
        for n in range(notes):
            reply = self.life.ask(do="note", channel="all", text=f"note {n} " + "x" * 150)
            assert reply["ok"], reply

    def segments(self):
        return [segment.name_of(n) for n in segment.numbers(self.files)]

    def __enter__(self):
        return self

    def __exit__(self, *error):
        pass


@pytest.fixture
def desk():
    return Desk()


@pytest.fixture
def folder(tmp_path):
    return tmp_path / "archive"


def pulled(desk, folder):
    """Pull to the end; the bytes read of segments by this pull."""
    done = len(desk.reads)
    told = [(0, 0)]
    pulling.pull(desk, folder, lambda at, whole: told.append((at, whole)))
    at, whole = told[-1]
    assert at == whole
    return sum(size for name, _, size in desk.reads[done:] if name[0] == "j")


def same(desk, folder):
    """The folder's segments are the board's, byte by byte."""
    for name in desk.segments():
        assert (folder / name).read_bytes() == desk.files.read(name)
    assert not list(folder.glob("*.part"))


def contiguous(folder, last):
    """The archive folds without a finding, from the first record to number `last`."""
    found = archive.read_archive(folder)
    assert found.findings == []
    assert [record.seq for record in found.records] == list(range(1, last + 1))
    assert replaying.replay(found).odd == ()
    return found


def test_the_archive_leads_to_the_state_of_the_board(desk, folder):
    desk.life.run(4 * 3600)
    pulled(desk, folder)
    same(desk, folder)
    found = contiguous(folder, desk.seq)
    own = desk.life.app.journal.state
    assert replaying.fingerprint(found.state()) == replaying.fingerprint(own)


def test_a_second_pull_reads_only_what_is_new(desk, folder):
    desk.write(100)
    assert pulled(desk, folder) == sum(desk.files.size(name) for name in desk.segments())
    before = {name: desk.files.size(name) for name in desk.segments()}
    desk.write(3)
    grown = sum(desk.files.size(name) - before[name] for name in desk.segments())
    # Besides the new bytes, only the end of what is known is read to see that it is the same.
    assert grown < pulled(desk, folder) <= grown + pulling.SAME
    assert pulled(desk, folder) == pulling.SAME
    contiguous(folder, desk.seq)


def test_nothing_is_read_twice_that_cannot_have_changed(desk, folder):
    desk.write(1700)
    days = [segment.name_of(number, "d") for number in range(600, 605)]
    for name in days:
        desk.files.write(name, b"day totals\n")
    acts = [name for name in desk.files.names() if name[0] == "a"]
    assert acts
    pulled(desk, folder)
    assert {path.name for path in folder.glob("[ad]*.txt")} == {*days, *acts}
    # What was put away since is in segments that the folder has.
    desk.files.write(days[-1], b"DAY TOTALS\n")
    desk.files.write(days[0], b"day totals, more\n")
    del desk.reads[:]
    pulled(desk, folder)
    assert {name for name, _, _ in desk.reads} == {desk.segments()[-1]}
    assert sum(size for name, _, size in desk.reads if name[0] == "j") == pulling.SAME


@pytest.mark.parametrize("fault", [Cut, KeyboardInterrupt])
def test_a_line_that_breaks_at_any_read_loses_nothing(desk, tmp_path, fault):
    desk.write(90)
    whole = sum(desk.files.size(name) for name in desk.segments())
    cuts = range(1, whole // pulling.READ + 4)
    for nth in cuts:
        folder = tmp_path / str(nth)
        left = nth

        def before(do):
            nonlocal left
            left -= do == "read"
            if left == 0:
                raise fault

        desk.before = before
        del desk.reads[:]
        with pytest.raises(fault):
            pulled(desk, folder)
        desk.before = lambda do: None
        pulled(desk, folder)
        same(desk, folder)
        # Of what came before the cut no more than a line or an opening is read again.
        read = sum(size for name, _, size in desk.reads if name[0] == "j")
        assert whole <= read <= whole + 2 * pulling.SAME + pulling.READ


def test_a_pull_that_is_cut_again_and_again_comes_to_its_end(desk, folder):
    desk.write(200)
    cuts = 0
    for _ in range(400):
        left = 3

        def before(do):
            nonlocal left
            left -= do == "read"
            if left == 0:
                raise Cut

        desk.before = before
        try:
            pulled(desk, folder)
            break
        except Cut:
            cuts += 1
    assert cuts > 10
    desk.before = lambda do: None
    pulled(desk, folder)
    contiguous(folder, desk.seq)


def test_rotations_between_pulls_and_in_them_leave_no_gap(desk, folder):
    turn = 0

    def before(do):
        nonlocal turn
        turn += do == "read"
        if do == "read" and turn % 5 == 0:
            desk.write(6)

    for _ in range(4):
        desk.write(120)
        desk.before = before
        pulled(desk, folder)
        desk.before = lambda do: None
    pulled(desk, folder)
    assert len(desk.segments()) > 5
    same(desk, folder)
    contiguous(folder, desk.seq)


def test_the_folder_keeps_segments_that_the_board_has_dropped(desk, folder):
    for _ in range(5):
        desk.write(400)
        pulled(desk, folder)
    assert segment.name_of(1) not in desk.segments()
    assert (folder / segment.name_of(1)).exists()
    contiguous(folder, desk.seq)


def test_a_segment_that_is_dropped_while_it_is_read_is_kept_as_far_as_it_came(desk, folder):
    desk.write(200)
    first = desk.segments()[0]
    reads = 0

    def before(do):
        nonlocal reads
        reads += do == "read"
        if do == "read" and reads == 6:
            desk.files.remove(first)

    desk.before = before
    pulled(desk, folder)
    kept = (folder / first).read_bytes()
    assert 0 < len(kept) < segment.SEGMENT_MOST
    found = archive.read_archive(folder)
    assert [finding.word for finding in found.findings if finding.lost] == ["gap"]
    assert found.records[-1].seq == desk.seq


def test_records_that_were_dropped_before_they_were_read_are_told(desk, folder):
    desk.write(10)
    pulled(desk, folder)
    had = archive.read_archive(folder).records[-1].seq
    desk.write(2500)
    pulled(desk, folder)
    (gap,) = [f for f in archive.read_archive(folder).findings if f.lost]
    assert gap.first == had + 1
    oldest = segment.sequence(desk.files, desk.segments()[0])
    assert gap.count == oldest - had


def test_the_journal_of_another_board_is_refused_and_changes_nothing(desk, folder):
    desk.write(100)
    pulled(desk, folder)
    held = {path.name: path.read_bytes() for path in folder.iterdir()}
    other = Desk()
    with pytest.raises(errors.BadInput, match="another board"):  # it has less
        pulled(other, folder)
    other.life.ask(do="hold", channel="all", until_w=0, keep=0)
    other.write(100)
    with pytest.raises(errors.BadInput, match="another board"):  # it has more
        pulled(other, folder)
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == held


def test_a_set_up_that_changed_without_growing_is_read_anew(desk, folder):
    pulled(desk, folder)
    first = (folder / pulling.SETUP).read_bytes()
    assert first == desk.files.read(pulling.SETUP)
    second = canonical(channel(daily_ul=36400), channel("ca", 2))
    text = json.dumps(second)
    assert load(desk.life, second)["ok"], text
    assert desk.files.size(pulling.SETUP) == len(first)
    pulled(desk, folder)
    assert (folder / pulling.SETUP).read_bytes() == desk.files.read(pulling.SETUP) != first


def test_names_that_no_journal_has_are_not_taken(desk, folder):
    for name in ("../evil.txt", "j1.txt", "net.json", "setup.part", "j00000001.txt.part"):
        desk.files.write(name, b"secret")
    pulled(desk, folder)
    assert {path.name for path in folder.iterdir()} == {pulling.SETUP, *desk.segments()}
    assert [path.name for path in folder.parent.iterdir()] == [folder.name]


def test_the_command_tells_what_it_read_and_why_explains_a_dose_of_it(
    desk, folder, monkeypatch, capsys
):
    monkeypatch.setattr(pull_command, "connect", lambda port: desk)
    desk.life.run(3 * 3600)
    assert cli.run(["pull", str(folder), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert (said["format"], said["last"], said["gaps"]) == ("aliquot-pull", desk.seq, [])
    assert said["read_bytes"] >= sum(desk.files.size(name) for name in desk.segments())
    assert cli.run(["replay", str(folder)]) == 0
    setup = folder / pulling.SETUP
    ran = next(r for r in archive.read_archive(folder).records if r.kind == "I")
    capsys.readouterr()
    name = ("alk", "ca")[ran.fields[0]]
    words = ["why", str(folder), name, f"2026-06-01#{ran.fields[2]}", "--setup", str(setup)]
    assert cli.run(words) == 0
    assert "36.5 mL a day" in capsys.readouterr().out


def test_a_gap_leaves_with_1_and_a_file_in_the_place_of_the_folder_with_2(
    desk, folder, monkeypatch, capsys
):
    monkeypatch.setattr(pull_command, "connect", lambda port: desk)
    desk.write(10)
    assert cli.run(["pull", str(folder)]) == 0
    desk.write(2500)
    capsys.readouterr()
    assert cli.run(["pull", str(folder)]) == 1
    assert "are lost" in capsys.readouterr().err
    file = folder / pulling.SETUP
    assert cli.run(["pull", str(file)]) == 2
    assert "Name a folder" in capsys.readouterr().err
