"""The journal while it runs: one record one write, rotation, and what a failed write leaves."""

import errno
import subprocess
import sys

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aliquot.core import demand, seal, snapshot
from aliquot.core.records import decode
from aliquot.store import journal, keep, segment
from aliquot.store.files import Files
from aliquot.store.recover import open_journal
from aliquot_host.memory_files import MemoryFiles
from store_cases import dumps, journal_names, put, small_segments, stream

RECORDS = stream(400)
DUMPS = dumps(RECORDS)


def started(n=10, files=None):
    files = files or MemoryFiles()
    log, _ = open_journal(files)
    put(log, RECORDS[:n])
    return files, log


def reopened(files):
    log, findings = open_journal(files)
    return log, [finding[0] for finding in findings]


def test_a_record_is_one_append_of_one_line_and_nothing_else():
    files, log = started(10)
    before = files.changes
    for n in range(10, 60):
        put(log, RECORDS[: n + 1])
        now, kind, fields, text, _ = RECORDS[n]
        line = files.read(log.name).split(b"\n")[-2]
        seq, dt, found, numbers, note = decode(line)
        assert (seq, found, note) == (n + 1, kind, text)
        assert dt == now - RECORDS[n - 1][0]
        assert numbers[: len(fields)] == fields
    assert files.changes - before == 50
    assert files.calls["append"] >= 50


def test_the_state_is_that_of_the_records_however_often_it_is_opened_again():
    files, log = started(0)
    for n in range(len(RECORDS)):
        if n % 9 == 0:
            log, words = reopened(files)
            assert words == ([] if n else ["new"])
        put(log, RECORDS[: n + 1])
        assert snapshot.dump(log.state) == DUMPS[n + 1]


@pytest.mark.parametrize(
    ("kind", "text"),
    [("E", "two\nlines"), ("E", "x" * journal.LINE_MOST), ("E\n", ""), ("E", "ends in\n")],
)
def test_what_is_not_a_line_is_refused_before_anything_is_written(kind, text):
    files, log = started()
    before = files.content()
    with pytest.raises(ValueError, match="record"):
        log.put(log.state.now_s, kind, (0, 0, 0), text)
    assert files.content() == before
    assert snapshot.dump(log.state) == DUMPS[10]


def test_time_that_goes_back_is_refused_before_anything_is_written():
    files, log = started()
    before = files.content()
    with pytest.raises(ValueError, match="record"):
        log.put(log.state.now_s - 1, "t", ())
    assert files.content() == before


def test_the_longest_line_is_written_and_read_back():
    files, log = started()
    rest = len('11 0 E "') + len(" 12345678\n")
    log.put(log.state.now_s, "E", (0, 0, 0), "x" * (journal.LINE_MOST - rest))
    assert len(files.read(log.name).split(b"\n")[-2]) == journal.LINE_MOST - 1
    again, words = reopened(files)
    assert (again.state.seq, words) == (11, [])


def test_a_state_too_large_for_a_segment_is_an_error_and_not_an_unreadable_journal():
    files, log = started()
    log.state.channels[0].over = [1, 9999, 365] * 2000
    log.size = journal.SEGMENT_MOST
    before = files.content()
    with pytest.raises(OSError, match="27"):
        log.put(log.state.now_s, "t", ())
    assert files.content() == before


def test_no_segment_passes_its_most_and_its_opening_passes_4_kb_with_8_channels():
    files = MemoryFiles()
    log, _ = open_journal(files)
    ids = [f"channel-{i}" for i in range(8)]
    fields = [800000000, 0, 0] + [1, 1280000, 1002000, 100, 2**31, 5000001, 50000000] * 8
    log.put(0, "T", (800000000, 2, 1))
    log.put(0, "C", tuple(fields), " ".join(["ab" * 32, *ids]))
    now = 0
    for i in range(3000):
        ch = i % 8
        now += 17777
        log.put(now, "I", (ch, 9999, i % 144, 49999, 999999, 1, 1000, 999))
        log.put(now + 90, "O", (ch, -777, 5, 3000))
        # Four overrides in force: the first of every five acts cancels.
        days = 365 if i // 8 % 5 else 0
        log.put(now + 90, "D", (ch, -9999, 9999, days, 800000000 + now, 123456 + i))
        if i % 3 == 0:
            log.put(now + 90, "M", (ch, 3600, 143, 12, 99999, 1, 500, 9999, 1))
            log.put(now + 90, "X", (ch, 49999, 999999, 1, 987654 + i))
    sizes = [files.size(name) for name in journal_names(files)]
    assert max(sizes) <= journal.SEGMENT_MOST
    assert min(sizes[:-1]) > journal.SEGMENT_MOST - journal.LINE_MOST
    opening = segment.opening(log.state, log.number)
    assert len(opening) <= 4096
    assert len(journal_names(files)) == keep.SEGMENTS_KEPT


@pytest.mark.parametrize("reached", ["nothing", "half", "all"])
@pytest.mark.parametrize("n", [3, 11, 40])
def test_a_failed_write_leaves_the_state_and_nothing_is_written_behind_it(n, reached):
    """Whatever reached the flash: the record is not in the state, and its number is used again."""
    files, log = started(n)
    ended = log.name
    files.fail(1, reached)
    with pytest.raises(OSError, match="planned"):
        put(log, RECORDS[: n + 1])
    assert snapshot.dump(log.state) == DUMPS[n]
    left = files.read(ended)
    log.put(RECORDS[n][0] + 5, "E", (0, 0, 77), "another record with this number")
    assert files.read(ended) == left
    assert log.name != ended
    again, words = reopened(files)
    assert words == []
    assert snapshot.dump(again.state) == snapshot.dump(log.state)
    assert 77 in again.state.requests


@pytest.mark.parametrize("reached", ["nothing", "half", "all"])
def test_power_that_goes_after_a_failed_write_leaves_the_record_or_not(reached):
    """Nothing was written after it, so it is as if power had gone in the middle of the write."""
    files, log = started(12)
    files.fail(1, reached)
    with pytest.raises(OSError, match="planned"):
        put(log, RECORDS[:13])
    again, words = reopened(files)
    assert words == (["tail"] if reached == "half" else [])
    assert snapshot.dump(again.state) == DUMPS[13 if reached == "all" else 12]


@pytest.mark.parametrize("reached", ["nothing", "half", "all"])
@pytest.mark.parametrize("code", [errno.EIO, errno.ENOSPC])
def test_a_segment_that_cannot_be_made_is_tried_again_at_every_record(code, reached):
    files, log = started(12)
    files.fail(1)
    with pytest.raises(OSError, match="planned"):
        put(log, RECORDS[:13])
    for _ in range(5):
        before = files.changes
        files.fail(1, reached, code)
        files.fail(2, reached, code)
        with pytest.raises(OSError, match="planned"):
            put(log, RECORDS[:13])
        assert files.changes - before <= 3
        assert snapshot.dump(log.state) == DUMPS[12]
        # A start at this moment finds the same.
        copy = files.copy()
        assert snapshot.dump(reopened(copy)[0].state) == DUMPS[12]
    files.mend()
    put(log, RECORDS[:40])
    again, words = reopened(files)
    assert words == []
    assert snapshot.dump(again.state) == DUMPS[40]


def test_a_segment_that_reads_back_wrong_is_removed_and_the_one_before_stays():
    files, log = started(12)
    honest = files.read
    files.fail(1)
    with pytest.raises(OSError, match="planned"):
        put(log, RECORDS[:13])
    files.read = lambda name, at=0, most=-1: honest(name, at, most).replace(b"journal", b"jouRnal")
    with pytest.raises(OSError, match="5"):
        put(log, RECORDS[:13])
    files.read = honest
    assert journal_names(files) == [segment.name_of(1)]
    put(log, RECORDS[:20])
    assert snapshot.dump(reopened(files)[0].state) == DUMPS[20]


def test_a_segment_that_cannot_be_read_back_is_removed_too():
    files, log = started(12)
    files.fail(1)
    with pytest.raises(OSError, match="planned"):
        put(log, RECORDS[:13])
    honest = files.read

    def unreadable(name, at=0, most=-1):
        raise OSError(errno.EIO, "bad block")

    files.read = unreadable
    with pytest.raises(OSError, match="5"):
        put(log, RECORDS[:13])
    files.read = honest
    assert journal_names(files) == [segment.name_of(1)]


def test_a_fold_that_breaks_off_stops_the_journal_until_it_is_opened_again():
    """Half a fold must never be written down as a state, nor go on being folded."""
    files, log = started(12)
    whole = log.state.apply

    def out_of_memory(*record):
        whole(*record)
        raise MemoryError("planned")

    log.state.apply = out_of_memory
    with pytest.raises(MemoryError):
        put(log, RECORDS[:13])
    log.state.apply = whole
    before = files.content()
    for _ in range(3):
        with pytest.raises(OSError, match="5"):
            log.put(RECORDS[12][0], "t", ())
    assert files.content() == before
    again, words = reopened(files)
    assert words == []
    assert snapshot.dump(again.state) == DUMPS[13]


@pytest.mark.parametrize("where", ["encode", "append", "opening", "read back", "putting away"])
def test_memory_that_runs_out_leaves_the_state_and_the_next_record_goes_on(where, monkeypatch):
    small_segments(monkeypatch)
    files, log = started(0)
    put(log, RECORDS[:200])
    full = log.name
    n = 200
    while log.name == full and where != "append":
        before = files.copy(), log.size
        put(log, RECORDS[: n + 1])
        n += 1
    if where != "append":
        # Back to just before the rotation.
        files, (log, _), n = before[0], open_journal(before[0].copy()), n - 1
        log.files = files

    def out_of_memory(*given):
        raise MemoryError("planned")

    with monkeypatch.context() as patch:
        target = {
            "encode": (seal, "line"),
            "append": (files, "append"),
            "opening": (keep, "opening"),
            "read back": (files, "read"),
            "putting away": (keep, "put_away"),
        }[where]
        patch.setattr(*target, out_of_memory)
        if where == "putting away":
            put(log, RECORDS[: n + 1])
            assert log.untidy == 1
        else:
            with pytest.raises(MemoryError):
                put(log, RECORDS[: n + 1])
            assert snapshot.dump(log.state) == DUMPS[n]
    put(log, RECORDS[: n + 100])
    assert snapshot.dump(log.state) == DUMPS[n + 100]
    assert snapshot.dump(reopened(files)[0].state) == DUMPS[n + 100]
    assert len(journal_names(files)) == keep.SEGMENTS_KEPT


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_any_writes_may_fail_in_any_way_and_no_record_is_lost_or_doubled(data):
    """The caller tries again what failed, as the engine does; then the stream is there once."""
    with pytest.MonkeyPatch.context() as patch:
        small_segments(patch)
        files = MemoryFiles()
        log, _ = open_journal(files)
        chances = st.sampled_from(["fine"] * 12 + ["nothing", "half", "all", "restart"])
        tries = 0
        while log.state.seq < 120 and tries < 400:
            tries += 1
            what = data.draw(chances) if tries < 200 else "fine"
            if what == "restart":
                log, _ = open_journal(files)
            elif what != "fine":
                files.fail(1, what)
            try:
                put(log, RECORDS[: log.state.seq + 1])
            except OSError:
                assert what in ("nothing", "half", "all")
            files.mend()
            assert snapshot.dump(log.state) == DUMPS[log.state.seq]
        assert log.state.seq >= 120
        again, _ = open_journal(files)
        assert snapshot.dump(again.state) == DUMPS[log.state.seq]
        assert again.state.gap == 0


def test_the_resident_part_pulls_in_nothing_that_is_needed_now_and_then(root):
    code = (
        "import sys; sys.path.insert(0, sys.argv[1]); import aliquot.store.journal, "
        "aliquot.store.files; print(*[m for m in sys.modules if m.startswith('aliquot.')])"
    )
    command = [sys.executable, "-c", code, str(root / "device")]
    loaded = subprocess.run(command, capture_output=True, text=True, check=True).stdout.split()
    assert "aliquot.store.journal" in loaded
    for name in ("store.keep", "store.segment", "store.recover", "core.snapshot"):
        assert "aliquot." + name not in loaded


def test_forgotten_modules_are_gone_where_memory_is_dear(monkeypatch):
    class Small:
        name = "micropython"

    held = keep, segment, snapshot
    monkeypatch.setattr(sys, "implementation", Small)
    monkeypatch.setitem(sys.modules, "aliquot.store.keep", keep)
    monkeypatch.setattr("aliquot.store.keep", keep)
    demand.forget("aliquot.store.keep", "aliquot.store.not_there")
    assert "aliquot.store.keep" not in sys.modules
    assert not hasattr(sys.modules["aliquot.store"], "keep")
    assert held


# The real files of a machine


@pytest.fixture(name="real")
def real_files(tmp_path):
    return Files(str(tmp_path / "journal"))


def test_real_files_do_what_files_in_memory_do(real):
    memory = MemoryFiles()
    for files in (real, memory):
        files.append("a", b"12")
        files.append("a", b"345")
        files.write("b", b"old")
        files.write("b", b"new")
        files.write("c", b"")
        files.append("d", b"gone")
        files.rename("a", "b")
        files.remove("d")
        assert sorted(files.names()) == ["b", "c"]
        assert (files.size("b"), files.size("c"), files.size("a")) == (5, 0, -1)
        assert files.read("b") == b"12345"
        assert files.read("b", 1, 3) == b"234"
        assert files.read("b", 4, 10) == b"5"
        assert files.read("b", 9, 10) == b""
        assert files.read("a") is None
        with pytest.raises(OSError, match=f"Errno {errno.ENOENT}"):
            files.remove("a")
        with pytest.raises(OSError, match=f"Errno {errno.ENOENT}"):
            files.rename("a", "x")


def test_a_journal_on_real_files_is_opened_again_in_another_folder_object(real):
    log, _ = open_journal(real)
    put(log, RECORDS)
    again, findings = open_journal(Files(real.root[:-1]))
    assert findings == []
    assert snapshot.dump(again.state) == DUMPS[-1]


def test_a_write_that_is_cut_short_is_an_error(real, monkeypatch):
    class Short:
        def __init__(self, file):
            self.file = file

        def write(self, data):
            return self.file.write(data[:-1])

        def __getattr__(self, name):
            return getattr(self.file, name)

        def __enter__(self):
            return self

        def __exit__(self, *error):
            self.file.close()

    whole = open
    monkeypatch.setattr("aliquot.store.files.open", lambda *a: Short(whole(*a)), raising=False)
    with pytest.raises(OSError, match="5"):
        real.append("a", b"123")
