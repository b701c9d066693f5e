"""Journals on the desk: folders, single segments and archive texts, whole and damaged."""

import random

import pytest

from aliquot.core import snapshot
from aliquot.store import journal, segment
from aliquot.store.recover import open_journal
from aliquot_host.archive import read_archive
from aliquot_host.errors import BadInput
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

RECORDS = stream(400)
DUMPS = dumps(RECORDS)


@pytest.fixture(name="lived")
def lived_files(monkeypatch):
    """Files of several small segments, none put away."""
    small_segments(monkeypatch, kept=99)
    files = MemoryFiles()
    log, _ = open_journal(files)
    put(log, RECORDS)
    assert log.number > 6
    return files


def saved(files, folder):
    for name, data in files.content().items():
        (folder / name).write_bytes(data)
    return folder


def joined(files, folder, parts=None):
    path = folder / "archive.txt"
    parts = parts or [files.read(name) for name in journal_names(files)]
    path.write_bytes(b"".join(parts))
    return path


def whole(archive):
    assert archive.findings == []
    assert [record.seq for record in archive.records] == list(range(1, 401))
    for record, (now, kind, fields, text, _) in zip(archive.records, RECORDS, strict=True):
        assert (record.now_s, record.kind, record.text) == (now, kind, text)
        assert record.fields[: len(fields)] == fields
    for record, state in archive.walk():
        assert snapshot.dump(state) == DUMPS[record.seq]


def test_a_folder_gives_every_record_once_in_order(lived, tmp_path):
    archive = read_archive(saved(lived, tmp_path))
    whole(archive)
    assert {record.source for record in archive.records} == set(journal_names(lived))


def test_an_archive_text_gives_the_same_as_the_folder(lived, tmp_path):
    whole(read_archive(joined(lived, tmp_path)))


def test_a_single_segment_begins_with_its_own_snapshot(lived, tmp_path):
    name = journal_names(lived)[3]
    (tmp_path / name).write_bytes(lived.read(name))
    (tmp_path / "copy.txt").write_bytes(lived.read(name))
    for path in (tmp_path / name, tmp_path / "copy.txt"):
        archive = read_archive(path)
        first = archive.records[0].seq
        assert first == segment.sequence(lived, name) + 1
        assert archive.findings == []
        assert snapshot.dump(archive.state()) == DUMPS[archive.records[-1].seq]


def test_the_state_can_be_had_after_any_record(lived, tmp_path):
    archive = read_archive(saved(lived, tmp_path))
    for seq in (0, 1, 77, 399, 400, 999):
        assert snapshot.dump(archive.state(seq)) == DUMPS[min(seq, 400)]


def test_a_segment_pulled_twice_counts_once(lived, tmp_path):
    """The second pull found more in the segment that was still growing at the first."""
    parts = [lived.read(name) for name in journal_names(lived)]
    part = parts[2][: parts[2].rindex(b"\n", 0, len(parts[2]) * 2 // 3) + 1]
    whole(read_archive(joined(lived, tmp_path, [*parts[:2], part, *parts[2:]])))


def test_a_torn_end_in_the_middle_of_an_archive_text_costs_nothing_else(lived, tmp_path):
    parts = [lived.read(name) for name in journal_names(lived)]
    parts[2] += b"%d 1 I 0 17" % (segment.sequence(lived, journal_names(lived)[3]) + 1)
    archive = read_archive(joined(lived, tmp_path, parts))
    assert [f.word for f in archive.findings] == ["tail"]
    assert [record.seq for record in archive.records] == list(range(1, 401))


def test_a_number_written_twice_counts_once_the_newer_one(tmp_path):
    """The board could not acknowledge the first, so the record of that number came again."""
    files = MemoryFiles()
    log, _ = open_journal(files)
    put(log, RECORDS[:8])
    files.fail(1, "all")
    with pytest.raises(OSError, match="planned"):
        put(log, RECORDS[:9])
    log.put(RECORDS[8][0] + 5, "E", (0, 0, 9), "instead")
    for path in (saved(files, tmp_path), joined(files, tmp_path)):
        archive = read_archive(path)
        assert archive.findings == []
        assert [(r.seq, r.text) for r in archive.records][-2:] == [(8, ""), (9, "instead")]
        assert snapshot.dump(archive.state()) == snapshot.dump(log.state)


def test_records_that_are_lost_are_a_finding_and_the_boards_own_sums_go_on(tmp_path):
    files = MemoryFiles()
    log, _ = open_journal(files)
    put(log, RECORDS[:40])
    lines = files.read(log.name).split(b"\n")
    del lines[-20]
    files.write(log.name, b"\n".join(lines))
    log, _ = open_journal(files, lambda state, n: (100 * n, 100 * n))
    log.put(log.state.now_s + 60, "t", ())
    archive = read_archive(saved(files, tmp_path))
    assert next(f.word for f in archive.findings if f.lost) == "gap"
    assert [r.kind for r in archive.records][-2:] == ["G", "t"]
    assert snapshot.dump(archive.state()) == snapshot.dump(log.state)


def test_a_missing_segment_is_a_finding_and_the_next_opening_is_taken_over(lived, tmp_path):
    names = journal_names(lived)
    first = segment.sequence(lived, names[3]) + 1
    last = segment.sequence(lived, names[4])
    lived.remove(names[3])
    archive = read_archive(saved(lived, tmp_path))
    found = archive.findings
    assert [(f.word, f.source, f.first, f.count) for f in found] == [
        ("gap", names[4], first, last - first + 1)
    ]
    assert f"records {first} to {last} are lost" in found[0].text
    for record, state in archive.walk():
        assert snapshot.dump(state) == DUMPS[record.seq]


def test_a_snapshot_that_the_records_do_not_add_up_to_is_a_finding(lived, tmp_path):
    """Nothing on a board does this; somebody wrote it."""
    names = journal_names(lived)
    state = snapshot.load(DUMPS[segment.sequence(lived, names[3])])
    state.channels[0].taken_ul += 1
    end = lived.read(names[3]).index(b"\n", lived.read(names[3]).index(b"S end")) + 1
    forged = segment.opening(state, 4) + lived.read(names[3])[end:]
    lived.write(names[3], forged)
    archive = read_archive(saved(lived, tmp_path))
    assert "differs" in [f.word for f in archive.findings]
    assert not any(f.lost for f in archive.findings)


def test_damaged_openings_cost_no_record_where_the_segment_before_is_there(lived, tmp_path):
    names = journal_names(lived)
    for name in names[1:]:
        lived.files[name][40] ^= 1
    archive = read_archive(saved(lived, tmp_path))
    assert [f.word for f in archive.findings] == ["snapshot"] * (len(names) - 1)
    assert [record.seq for record in archive.records] == list(range(1, 401))
    assert snapshot.dump(archive.state()) == DUMPS[-1]


def test_any_flipped_bit_is_found_or_changes_nothing(lived, tmp_path):
    dice = random.Random(3)
    names = journal_names(lived)[:3]
    for name in journal_names(lived)[3:]:
        lived.remove(name)
    clean = [record.seq for record in read_archive(saved(lived, tmp_path)).records]
    for _ in range(250):
        name = dice.choice(names)
        data = lived.read(name)
        (tmp_path / name).write_bytes(flipped(data, dice.randrange(8 * len(data))))
        archive = read_archive(tmp_path)
        numbers = [record.seq for record in archive.records]
        assert archive.findings or numbers == clean
        assert numbers == sorted(set(numbers))
        assert sum(1 for _ in archive.walk()) == len(numbers)
        (tmp_path / name).write_bytes(data)


def test_what_the_board_put_away_is_read_with_the_folder(monkeypatch, tmp_path):
    small_segments(monkeypatch)
    files = MemoryFiles()
    log, _ = open_journal(files)
    put(log, RECORDS)
    archive = read_archive(saved(files, tmp_path))
    before = archive.records[0].seq - 1
    assert before > 100
    assert [act[0] for act in archive.kept_acts] == act_numbers(RECORDS, before)
    assert archive.kept_days == day_sums(RECORDS, before)
    assert [record.seq for record in archive.records] == list(range(before + 1, 401))


NOT_JOURNALS = [
    ("missing.txt", None, "No such file"),
    ("empty.txt", b"", "at least one segment"),
    ("text.txt", b"dear diary\n" * 99, "at least one segment"),
    ("binary.txt", bytes(range(256)) * 9, "at least one segment"),
    ("j00000001.txt", b"S aliquot-journal 1 1 0 00000000\n", "opening is whole"),
    ("j00000002.txt", b"", "opening is whole"),
    ("half.txt", b"S aliquot-jou", "at least one segment"),
]


@pytest.mark.parametrize("case", NOT_JOURNALS, ids=[case[0] for case in NOT_JOURNALS])
def test_what_is_no_journal_is_refused_with_the_reason(case, tmp_path):
    name, data, reason = case
    if data is not None:
        (tmp_path / name).write_bytes(data)
    with pytest.raises(BadInput, match=reason):
        read_archive(tmp_path / name)


def test_an_empty_folder_is_refused(tmp_path):
    with pytest.raises(BadInput, match="at least one segment"):
        read_archive(tmp_path)


def test_a_huge_file_is_refused_without_being_read(tmp_path, monkeypatch):
    monkeypatch.setattr("aliquot_host.archive.SIZE_MOST", 1000)
    (tmp_path / "big.txt").write_bytes(b"x" * 1001)
    with pytest.raises(BadInput, match="at most 1000 bytes"):
        read_archive(tmp_path / "big.txt")


@pytest.mark.parametrize("alone", [True, False])
def test_a_later_version_is_refused_and_named(alone, tmp_path):
    body = b"S aliquot-journal 2 1 0"
    path = tmp_path / (segment.name_of(1) if alone else "archive.txt")
    path.write_bytes(b"%s %08x\n" % (body, segment.crc32(body)))
    with pytest.raises(BadInput, match="version 2"):
        read_archive(path)


def test_lines_longer_than_a_record_are_found_and_read_past(tmp_path):
    files = MemoryFiles()
    log, _ = open_journal(files)
    put(log, RECORDS[:10])
    files.append(log.name, b"x" * (3 * journal.LINE_MOST) + b"\n")
    put(log, RECORDS[:12])
    archive = read_archive(saved(files, tmp_path))
    assert [f.word for f in archive.findings] == ["stray"]
    assert [record.seq for record in archive.records] == list(range(1, 13))
