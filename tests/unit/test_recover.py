"""The start: every damage to the files ends in the same state, in a hold, or in a plain refusal.

The law behind most of these tests: `open_journal` never gives a state that is not one of the
stream's, unless records are counted as lost, which holds dosing (S5, S15, S16, S17, S24).
"""

import errno
import random

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from aliquot.core import snapshot
from aliquot.core.records import decode, encode
from aliquot.store import journal, keep, segment
from aliquot.store.recover import Unreadable, begin_anew, open_journal
from aliquot_host.memory_files import MemoryFiles
from store_cases import (
    Recorder,
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
J1, J2, J3 = (segment.name_of(n) for n in (1, 2, 3))


def words(findings):
    return [finding[0] for finding in findings]


def lives(n=12, second=5):
    """One segment of n records; with `second`, a second segment of that many more."""
    files = MemoryFiles()
    log, _ = open_journal(files)
    put(log, RECORDS[:n])
    if second is not None:
        log.size = journal.SEGMENT_MOST
        put(log, RECORDS[: n + max(1, second)])
    return files, log


def opened_twice(files, lost=None):
    """Open; check that a second start finds the same and nothing odd; return the first."""
    log, findings = open_journal(files, lost)
    again, later = open_journal(files.copy())
    assert set(words(later)) <= {"new", "foreign"}
    assert snapshot.dump(again.state) == snapshot.dump(log.state)
    return log, findings


def lawful(files, most):
    """Open and check the law; return the number of the state, -1 for a hold, -2 for a refusal."""
    try:
        log, findings = opened_twice(files)
    except Unreadable:
        return -2
    if log.state.gap:
        assert {"gap", "misfit"} & set(words(findings))
        assert log.state.seq > most
        return -1
    assert snapshot.dump(log.state) == DUMPS[log.state.seq]
    assert log.state.seq <= most
    return log.state.seq


def test_no_files_are_a_new_journal_and_nothing_is_written_before_its_first_record():
    files = MemoryFiles()
    log, findings = open_journal(files)
    assert words(findings) == ["new"]
    assert files.changes == 0
    put(log, RECORDS[:1])
    assert snapshot.dump(open_journal(files)[0].state) == DUMPS[1]


def test_an_untouched_journal_goes_on_in_its_segment():
    files, log = lives()
    before = files.content()
    again, findings = open_journal(files)
    assert findings == []
    assert files.content() == before
    assert (again.number, again.name, again.size) == (log.number, log.name, log.size)


@pytest.mark.parametrize("records", [0, 300, 1200])
def test_a_start_reads_two_segments_at_most(records):
    """The figure of the design: at most two segments of 16 KB."""
    many = stream(1400)
    files = MemoryFiles()
    log, _ = open_journal(files)
    put(log, many[:records])
    for damage in (None, "tail", "opening"):
        copy = files.copy()
        names = journal_names(copy)
        if damage == "tail":
            copy.append((names or [J1])[-1], b"9999 1 I")
        elif damage == "opening" and names:
            copy.files[names[-1]][30] ^= 1
        got = []
        honest = copy.read

        def counted(name, at=0, most=-1, honest=honest, got=got):
            data = honest(name, at, most)
            got.append((name, len(data or b"")))
            return data

        copy.read = counted
        before = set(names)
        try:
            open_journal(copy)
        except Unreadable:
            assert len(names) < 2
        read = [(name, n) for name, n in got if name in before]
        assert len({name for name, _ in read}) <= 2
        assert sum(n for _, n in read) <= 2 * journal.SEGMENT_MOST + 2048


# Every bit


def test_a_flipped_bit_anywhere_in_the_only_segment_never_gives_a_wrong_state_s17():
    files, _ = lives(12, None)
    data = files.read(J1)
    outcomes = {}
    opening = len(segment.opening(segment.snapshot.load(DUMPS[0]), 1))
    for bit in range(8 * len(data)):
        found = lawful(MemoryFiles({J1: flipped(data, bit)}), 12)
        place = "opening" if bit < 8 * opening else "records"
        outcomes.setdefault(place, set()).add(found)
    # With nothing before it, a damaged opening leaves nothing to trust; a damaged record is a
    # hold, but for its very last newline, without which it is whole all the same.
    assert outcomes == {"opening": {-2}, "records": {-1, 12}}


def test_a_flipped_bit_anywhere_in_the_newest_segment_never_gives_a_wrong_state_s17():
    files, _ = lives(8, 4)
    data = files.read(J2)
    before = files.read(J1)
    opening = len(segment.opening(segment.snapshot.load(DUMPS[8]), 2))
    held = []
    for bit in range(8 * len(data)):
        found = lawful(MemoryFiles({J1: before, J2: flipped(data, bit)}), 12)
        assert found in (-1, 12)
        if found == -1 and bit < 8 * (opening - 1):
            held.append(bit)
    # A damaged opening alone costs nothing: the segment before it and its own records say the
    # same. Only its last newline runs into the first record.
    assert held == []


def test_a_flipped_bit_in_an_older_segment_changes_nothing():
    files, _ = lives(8, 4)
    data = files.read(J1)
    for bit in range(0, 8 * len(data), 7):
        assert lawful(MemoryFiles({J1: flipped(data, bit), J2: files.read(J2)}), 12) == 12


def test_pairs_of_flipped_bits_in_both_segments_never_give_a_wrong_state_s17():
    files, _ = lives(8, 4)
    one, two = files.read(J1), files.read(J2)
    dice = random.Random(5)
    outcomes = set()
    for _ in range(3000):
        damaged = {
            J1: flipped(one, dice.randrange(8 * len(one))),
            J2: flipped(two, dice.randrange(8 * len(two))),
        }
        outcomes.add(lawful(MemoryFiles(damaged), 12))
    assert outcomes == {-2, -1, 12}


# Every length


def test_a_segment_cut_at_any_byte_is_a_tail_and_never_a_hold():
    files, _ = lives(8, 4)
    before, data = files.read(J1), files.read(J2)
    opening = len(segment.opening(segment.snapshot.load(DUMPS[8]), 2))
    for size in range(len(data) + 1):
        found = lawful(MemoryFiles({J1: before, J2: data[:size]}), 12)
        # A line that lacks only its newline is whole.
        lines = (data[:size] + b"\n").split(b"\n") if size >= opening else []
        assert found == 8 + sum(1 for line in lines if segment.record(line))


def test_the_first_segment_ever_cut_at_any_byte_is_a_new_journal_or_a_tail():
    files, _ = lives(2, None)
    data = files.read(J1)
    opening = len(segment.opening(segment.snapshot.load(DUMPS[0]), 1))
    for size in range(len(data) + 1):
        copy = MemoryFiles({J1: data[:size]})
        log, findings = open_journal(copy)
        assert ("new" in words(findings)) == (size < opening)
        assert log.state.gap == 0
        put(log, RECORDS[:3])
        assert snapshot.dump(open_journal(copy)[0].state) == DUMPS[3]


def test_a_recovery_writes_behind_no_torn_line_and_cuts_nothing_off():
    files, _ = lives(8, 4)
    files.append(J2, b"13 1 I 0 17")
    torn = files.read(J2)
    log, findings = open_journal(files)
    assert findings == [("tail", J2, 13, 0)]
    assert (files.read(J2), log.name) == (torn, J3)


@settings(max_examples=300, deadline=None)
@given(st.binary(min_size=1, max_size=3000))
@example(b"\n")
@example(b"\xff" * 3000)
@example(b"\x00" * 40)
@example(b"S end 3 675c7727\n")
def test_any_garbage_at_the_end_is_a_tail_or_a_hold(garbage):
    files, _ = lives(8, 4)
    files.append(J2, garbage)
    log, findings = opened_twice(files)
    assert findings
    if log.state.gap:
        assert b"\n" in garbage or len(garbage) > journal.LINE_MOST
    else:
        assert snapshot.dump(log.state) == DUMPS[12]


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_any_bytes_put_over_any_place_never_give_a_wrong_state_s17(data):
    files, _ = lives(8, 4)
    for name in data.draw(st.sampled_from([[J2], [J1], [J1, J2]])):
        there = files.files[name]
        at = data.draw(st.integers(0, len(there) - 1))
        new = data.draw(st.binary(min_size=1, max_size=80))
        there[at : at + len(new)] = new
    lawful(files, 12)


# Gaps


def with_line(number, change):
    """Two segments of 20 records, the line of record `number` in the second one changed.

    Number 17 is one that no other needs; 11 is an intent and 12 its outcome; 20 is the last.
    """
    files, _ = lives(8, 12)
    lines = files.read(J2).split(b"\n")
    at = [i for i, line in enumerate(lines) if line.startswith(b"%d " % number)]
    assert len(at) == 1
    lines[at[0] : at[0] + 1] = change(lines[at[0]])
    files.write(J2, b"\n".join(lines))
    return files


GAP_17 = [("gap", J2, 17, 1)]
# Name, number of the line, what becomes of it, findings, records lost, number after the start.
GAPS = [
    ("damaged", 17, lambda line: [line[:-1] + b"?"], GAP_17, 1, 21),
    ("gone", 17, lambda line: [], GAP_17, 1, 21),
    ("not UTF-8", 17, lambda line: [line[:2] + b"\xff\xfe" + line[4:]], GAP_17, 1, 21),
    ("huge", 17, lambda line: [line * 90], GAP_17, 1, 21),
    ("empty", 17, lambda line: [b""], GAP_17, 1, 21),
    ("an intent gone", 11, lambda line: [], [("gap", J2, 11, 1), ("misfit", J2, 12, 1)], 2, 21),
    # A line of 36 bytes can have been three records: their numbers are not used again.
    ("last, damaged", 20, lambda line: [b"?" * 35], [("gap", J2, 20, 3)], 3, 23),
    ("twice", 17, lambda line: [line, line], [("stray", J2, 17, 0)], 0, 20),
    ("after garbage", 17, lambda line: [b"garbage", line], [("stray", J2, 17, 0)], 0, 20),
]


@pytest.mark.parametrize("case", GAPS, ids=[case[0] for case in GAPS])
def test_a_bad_line_before_good_ones_is_skipped_and_its_numbers_are_lost(case):
    _, number, change, expected, gap, last = case
    files = with_line(number, change)
    log, findings = opened_twice(files)
    assert findings == expected
    assert log.state.gap == gap
    assert log.state.seq == last


def test_lost_records_are_in_the_same_write_as_the_new_segment_s24():
    """A cut before anybody was told must not make them forgotten."""
    files = Recorder(with_line(17, lambda line: []).content())
    log, _ = open_journal(files, lambda state, n: (1000 * n, 500 * n))
    assert [what for what, *_ in files.log] == ["write"]
    assert log.state.gap == 1
    assert [c.ring.used_ul(log.state.now_s) for c in log.state.channels][1] >= 500
    lines = [segment.record(line) for line in files.read(J3).split(b"\n")]
    assert [line[:5] for line in lines if line and line[2] == "G"] == [
        (21, 0, "G", (1, 1000, 500) + (0,) * 12, "")
    ]
    for _, copy in files.cuts():
        # Where half the opening could be seen, which littlefs never shows, it counts as lost too.
        again, _ = open_journal(copy)
        assert again.state.gap >= 1


def test_whoever_answers_for_lost_records_is_told_how_many_and_in_which_state():
    asked = []
    files = with_line(17, lambda line: [])
    open_journal(files, lambda state, n: asked.append((state.seq, n)) or (7, 7))
    assert asked == [(20, 1)]


def test_a_record_that_does_not_follow_is_counted_as_lost():
    files, log = lives(8, 4)
    files.append(J2, encode(13, 1, "O", (0,)).encode())
    assert log.state.open == ()
    log, findings = opened_twice(files)
    assert findings == [("misfit", J2, 13, 1)]
    assert (log.state.gap, log.state.seq) == (1, 14)


@pytest.mark.parametrize(("kind", "holds"), [("Q", True), ("later", True), ("~later", False)])
def test_an_unknown_kind_is_kept_and_holds_unless_it_may_be_ignored(kind, holds):
    files, _ = lives(8, 4)
    files.append(J2, encode(13, 1, kind, (1, 2, 3), "from the future").encode())
    before = files.content()
    log, findings = opened_twice(files)
    assert bool(log.state.foreign) == holds
    assert findings == ([("foreign", J2, 13, 1)] if holds else [])
    assert (log.state.seq, log.state.gap) == (13, 0)
    assert files.content() == before


# Several segments


def test_empty_segments_are_as_if_never_made():
    """A creation that was cut leaves an empty file on littlefs; several cuts leave one."""
    files, _ = lives(8, 4)
    files.write(J3, b"")
    files.write(segment.name_of(4), b"")
    log, findings = open_journal(files)
    assert findings == []
    assert snapshot.dump(log.state) == DUMPS[12]
    log.size = journal.SEGMENT_MOST
    put(log, RECORDS[:14])
    assert log.name == J3
    assert snapshot.dump(open_journal(files)[0].state) == DUMPS[14]


def test_only_empty_files_are_a_new_journal_if_only_the_first_can_have_been():
    log, findings = open_journal(MemoryFiles({J1: b""}))
    assert words(findings) == ["new"]
    put(log, RECORDS[:3])
    for names in ([J2], [J1, J2]):
        with pytest.raises(Unreadable):
            open_journal(MemoryFiles(dict.fromkeys(names, b"")))


def test_kept_acts_without_a_journal_are_no_new_journal():
    with pytest.raises(Unreadable, match="remains"):
        open_journal(MemoryFiles({"a00000001.txt": b""}))


def test_two_segments_with_the_same_content_are_one_journal():
    files, _ = lives(8, 4)
    files.write(J3, files.read(J2))
    log, findings = opened_twice(files)
    assert words(findings) == ["snapshot"]
    assert log.state.gap == 0
    assert snapshot.dump(log.state) == DUMPS[12]


@pytest.mark.parametrize("number", [3, 9])
def test_an_old_segment_under_a_newer_name_is_never_taken_for_the_newest(number):
    files, _ = lives(8, 4)
    files.write(segment.name_of(number), files.read(J1))
    log, _ = opened_twice(files)
    assert log.state.gap or log.state.seq == 12


def test_a_segment_missing_between_two_is_a_hold():
    files, log = lives(8, 4)
    log.size = journal.SEGMENT_MOST
    put(log, RECORDS[:16])
    files.files[J3][30] ^= 1
    files.remove(J2)
    log, findings = opened_twice(files)
    assert "gap" in words(findings)
    assert log.state.gap > 0


def test_a_damaged_opening_after_a_failed_write_does_not_bring_the_record_back():
    """The record behind the opening's number never happened, whoever reads it."""
    files, log = lives(8, None)
    files.fail(1, "all")
    with pytest.raises(OSError, match="planned"):
        put(log, RECORDS[:9])
    log.put(RECORDS[8][0] + 1, "E", (0, 0, 99), "instead")
    log.put(RECORDS[8][0] + 2, "t", ())
    whole = snapshot.dump(log.state)
    files.files[J2][40] ^= 1
    again, findings = opened_twice(files)
    assert words(findings) == ["snapshot"]
    assert snapshot.dump(again.state) == whole


@pytest.mark.parametrize("damage", ["zeros", "erased", "foreign", "shorter"])
def test_a_newest_segment_that_says_nothing_is_a_hold_with_numbers_used_once(damage):
    """It may have held as many records as fit, so none of their numbers is used again."""
    files, _ = lives(8, 4)
    size = files.size(J2)
    files.write(
        J2,
        {
            "zeros": bytes(size),
            "erased": b"\xff" * size,
            "foreign": b"a text\nof somebody else\n" * 400,
            "shorter": files.read(J2)[:-400].replace(b"S ", b"T "),
        }[damage],
    )
    log, findings = opened_twice(files)
    assert log.state.gap == segment.most_records(journal.SEGMENT_MOST)
    assert log.state.seq > 8 + log.state.gap
    assert words(findings) == ["snapshot", "gap"]


def test_two_damaged_openings_are_a_refusal_even_where_an_older_one_is_good():
    files, log = lives(8, 4)
    log.size = journal.SEGMENT_MOST
    put(log, RECORDS[:16])
    files.files[J3][30] ^= 1
    files.files[J2][30] ^= 1
    before = files.content()
    with pytest.raises(Unreadable):
        open_journal(files)
    assert files.content() == before


def test_a_journal_of_a_later_version_is_refused_and_not_touched():
    files, _ = lives(8, 4)
    lines = files.read(J2).split(b"\n")
    body = lines[0].rpartition(b" ")[0].replace(b"journal 1 ", b"journal 2 ")
    lines[0] = b"%s %08x" % (body, segment.crc32(body))
    files.write(J2, b"\n".join(lines))
    before = files.content()
    with pytest.raises(Unreadable, match="version 2"):
        open_journal(files)
    assert files.content() == before


def test_foreign_files_in_the_folder_are_left_alone():
    files, _ = lives(8, 4)
    strangers = {
        "j1.txt": b"x",
        "j00000009.txt.bak": b"x",
        "j0000000x.txt": b"x",
        "j٠٠٠٠٠٠٠٩.txt": b"x",
        "J00000009.TXT": b"x",
        "boot.py": b"x",
        "": b"x",
        "j00000009.csv": b"x" * 99999,
    }
    for name, data in strangers.items():
        files.write(name, data)
    log, findings = open_journal(files)
    assert findings == []
    assert snapshot.dump(log.state) == DUMPS[12]
    put(log, RECORDS)
    assert {name: files.read(name) for name in strangers} == strangers


def test_a_huge_file_in_place_of_the_newest_segment_is_not_read_to_its_end():
    files, _ = lives(8, 4)
    files.append(J2, b"x" * 5_000_000)
    got = []
    honest = files.read

    def counted(name, at=0, most=-1):
        data = honest(name, at, most)
        got.append(len(data or b""))
        return data

    files.read = counted
    log, _ = open_journal(files)
    assert sum(got) < 3 * journal.SEGMENT_MOST
    assert log.state.gap > 0


@pytest.mark.parametrize("name", [J1, J2])
@pytest.mark.parametrize("at", [0, 1024, 2048])
def test_a_block_that_cannot_be_read_is_damage_like_any_other(name, at):
    files, log = lives(20, 40)
    honest = files.read

    def bad_block(wanted, place=0, most=-1):
        if wanted == name and place <= at < place + (most if most >= 0 else 1 << 30):
            raise OSError(errno.EIO, "bad block")
        return honest(wanted, place, most)

    files.read = bad_block
    again, findings = open_journal(files)
    if name == J1:
        assert findings == []
        assert snapshot.dump(again.state) == snapshot.dump(log.state)
    else:
        assert again.state.gap > 0


# Cuts


def test_a_start_that_finds_the_flash_full_can_be_tried_again():
    files = with_line(17, lambda line: [])
    files.fail(1, "nothing", errno.ENOSPC)
    files.fail(2, "nothing", errno.ENOSPC)
    with pytest.raises(OSError, match="planned"):
        open_journal(files)
    files.mend()
    assert opened_twice(files)[0].state.gap == 1


def complete(files, records):
    """Every act and every run of the stream is there once, put away or still in a segment."""
    oldest = segment.numbers(files)[0]
    away = segment.sequence(files, segment.name_of(oldest))
    assert dict(keep.days(files)) == day_sums(records, away)
    assert [act[0] for act in keep.acts(files)] == act_numbers(records, away)


def test_a_cut_at_every_change_loses_nothing_and_counts_nothing_twice_s16(monkeypatch):
    """Clean and torn, over rotations and segments put away; then life goes on for a rotation."""
    small_segments(monkeypatch)
    records = stream(330)
    states = dumps(records)
    files = Recorder()
    log, _ = open_journal(files)
    put_by = []  # changes done when record n was put
    for n in range(len(records)):
        put(log, records[: n + 1])
        put_by.append(len(files.log))
    assert {what for what, *_ in files.log} == {"append", "write", "rename", "remove"}
    assert log.number >= 7
    longer = stream(400)
    tried = 0
    for done, copy in files.cuts():
        if done < put_by[0]:
            continue
        tried += 1
        sure = sum(1 for at in put_by if at <= done)
        log, _ = open_journal(copy)
        assert log.state.seq in (sure, sure + 1)
        assert log.state.gap == 0
        assert snapshot.dump(log.state) == states[log.state.seq]
        if tried % 3 == 0:
            put(log, longer[: log.state.seq + 60])
            complete(copy, longer)
            assert len(journal_names(copy)) <= keep.SEGMENTS_KEPT + 1
    assert tried > 1000


def test_a_second_cut_at_every_change_of_the_recovery_loses_nothing_s16(monkeypatch):
    small_segments(monkeypatch)
    records = stream(330)
    states = dumps(records)
    files = Recorder()
    log, _ = open_journal(files)
    put(log, records[:150])
    files.begin, files.log = files.content(), []
    put(log, records[:260])
    pairs = 0
    for i, (_, copy) in enumerate(files.cuts()):
        if i % 5:
            continue
        second = Recorder(copy.content())
        log, _ = open_journal(second)
        first = log.state.seq
        put(log, records[: first + 2])
        for _, twice in second.cuts():
            pairs += 1
            log, _ = open_journal(twice)
            assert first <= log.state.seq <= first + 2
            assert log.state.gap == 0
            assert snapshot.dump(log.state) == states[log.state.seq]
    assert pairs > 500


# A new beginning


def test_a_new_beginning_is_only_on_request_and_uses_no_number_again():
    files, log = lives(8, 4)
    files.files[J2][30] ^= 1
    files.files[J1][30] ^= 1
    before = files.content()
    with pytest.raises(Unreadable):
        open_journal(files)
    log = begin_anew(files)
    assert {name: files.read(name) for name in before} == before
    assert log.state.seq > 12
    assert (log.state.hash, log.state.channels) == ("", [])
    first = log.state.seq
    log.put(0, "T", (1, 2, 1))
    again, findings = open_journal(files)
    assert findings == []
    assert again.state.seq == first + 1
    assert decode(files.read(J3).split(b"\n")[-2])[0] == first + 1


def test_a_cut_during_a_new_beginning_leaves_the_refusal_or_the_beginning():
    files, _ = lives(8, 4)
    files.files[J2][30] ^= 1
    files.files[J1][30] ^= 1
    recorded = Recorder(files.content())
    begin_anew(recorded)
    outcomes = set()
    for _, copy in recorded.cuts():
        try:
            outcomes.add(open_journal(copy)[0].state.hash)
        except Unreadable:
            outcomes.add("refused")
    assert outcomes == {"refused", ""}
