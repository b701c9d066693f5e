"""Putting segments away: acts and day totals outlive them, once, whatever fails on the way."""

import errno

import pytest

from aliquot.core import snapshot
from aliquot.core.records import encode
from aliquot.store import journal, keep, segment
from aliquot.store.recover import open_journal
from aliquot_host.memory_files import MemoryFiles
from store_cases import (
    START_W,
    Recorder,
    act_numbers,
    day_sums,
    dumps,
    journal_names,
    put,
    small_segments,
    stream,
)

RECORDS = stream(700)


@pytest.fixture(autouse=True)
def small(monkeypatch):
    small_segments(monkeypatch)


def lived(n=700, files=None):
    files = files or MemoryFiles()
    log, _ = open_journal(files)
    put(log, RECORDS[:n])
    return files, log


def put_away_up_to(files):
    return segment.sequence(files, segment.name_of(segment.numbers(files)[0]))


def complete(files):
    """What was put away is what the stream says of the records that are in no segment any more."""
    last = put_away_up_to(files)
    assert dict(keep.days(files)) == day_sums(RECORDS, last)
    assert [act[0] for act in keep.acts(files)] == act_numbers(RECORDS, last)


def test_acts_and_day_totals_of_gone_segments_are_all_there():
    files, log = lived()
    assert log.number >= 14
    assert len(journal_names(files)) == keep.SEGMENTS_KEPT
    assert put_away_up_to(files) > 400
    complete(files)


def test_an_act_keeps_its_fields_its_text_and_its_wall_time():
    files, _ = lived()
    for seq, wall_s, kind, fields, text in keep.acts(files):
        now, said, numbers, note, _ = RECORDS[seq - 1]
        assert (kind, text) == (said, note)
        assert fields[: len(numbers)] == numbers
        assert wall_s == now + START_W


def test_no_dose_and_no_idle_time_is_kept_as_an_act():
    files, _ = lived()
    assert {"I", "O", "U", "M", "J", "t"} <= {record[1] for record in RECORDS}
    assert not {act[2] for act in keep.acts(files)} & set(keep._DOSE_KINDS)


def test_an_uncertain_run_is_between_nothing_and_all_and_a_part_is_what_it_was():
    files, _ = lived()
    sums = dict(keep.days(files))
    assert sums == day_sums(RECORDS, put_away_up_to(files))
    total = [sum(v[i] for day in sums.values() for v in day.values()) for i in range(3)]
    assert total[1] < total[2] < total[0]


def test_a_run_into_a_cup_is_no_part_of_a_day():
    files = MemoryFiles()
    log, _ = open_journal(files)
    put(log, RECORDS[:2])
    log.put(50, "J", (0, 500, 500, 2))
    log.put(60, "O", (0,))
    log.put(61, "J", (1, 300, 300, 1))
    log.put(63, "O", (1,))
    keep.put_away(files, 1)
    # No dose of a channel came yet, so the extra counts in the day by UTC.
    assert dict(keep.days(files)) == {START_W // 86400: {"cal": [300, 300, 300]}}


def test_a_run_that_began_in_the_segment_before_counts_once():
    files, log = lived(3)
    assert log.state.open
    log.size = journal.SEGMENT_MOST
    put(log, RECORDS[:5])
    keep.put_away(files, 1)
    assert dict(keep.days(files)) == {}
    keep.put_away(files, 2)
    assert dict(keep.days(files)) == day_sums(RECORDS, 5)


def test_a_record_that_a_later_opening_does_not_count_never_happened():
    files, log = lived(8)
    files.fail(1, "all")
    with pytest.raises(OSError, match="planned"):
        log.put(RECORDS[8][0], "E", (0, 0, 99), "never acknowledged")
    log.put(RECORDS[8][0], "E", (0, 0, 98), "the one that counts")
    keep.put_away(files, 1)
    keep.put_away(files, 2)
    texts = [act[4] for act in keep.acts(files) if act[0] == 9]
    assert texts == ["the one that counts"]


def test_a_segment_with_a_damaged_opening_still_gives_its_acts():
    files, log = lived(12)
    log.size = journal.SEGMENT_MOST
    put(log, RECORDS[:13])
    files.files[segment.name_of(1)][40] ^= 1
    keep.put_away(files, 1)
    assert [act[0] for act in keep.acts(files)] == act_numbers(RECORDS, 12)
    assert {act[1] for act in keep.acts(files)} == {-1}
    assert dict(keep.days(files)) == {}


def test_a_damaged_line_costs_no_other_line():
    files, log = lived(30)
    log.size = journal.SEGMENT_MOST
    put(log, RECORDS[:31])
    data = files.read(segment.name_of(1)).split(b"\n")
    lost = segment.record(data[-6])[0]
    data[-6] = b"?"
    files.write(segment.name_of(1), b"\n".join(data))
    keep.put_away(files, 1)
    expected = [seq for seq in act_numbers(RECORDS, 30) if seq != lost]
    assert [act[0] for act in keep.acts(files)] == expected


def test_a_change_of_channels_in_the_middle_keeps_the_names_apart():
    files, log = lived(9)
    fields = (START_W, 0, 0, 1, 1000, 1000, 0, 5, 500001)
    log.put(log.state.now_s, "O" if log.state.open else "t", (0,))
    log.put(log.state.now_s, "C", fields, "ab" * 32 + " mag")
    log.put(log.state.now_s + 5, "I", (0, 9000, 0, 777, 777, 9259))
    log.put(log.state.now_s + 5, "O", (0,))
    keep.put_away(files, 1)
    names = {name for day in dict(keep.days(files)).values() for name in day}
    assert names == {"alk", "cal", "mag"}


# Families


def test_the_families_are_bounded(monkeypatch):
    monkeypatch.setattr(keep, "ACT_FILES_KEPT", 2)
    monkeypatch.setattr(keep, "DAY_FILES_KEPT", 3)
    files, log = lived()
    for i in range(2000):
        log.put(log.state.now_s + 3600, "E", (0, 0, i), f"a water test with a longer text, {i}")
        if i % 9 == 0:
            log.put(log.state.now_s, "I", (0, 3600, 0, 900, 900, 1))
            log.put(log.state.now_s, "O", (0,))
    assert len(segment.numbers(files, "a")) <= 3
    assert len(segment.numbers(files, "d")) <= 4
    assert max(files.size(segment.name_of(n, "a")) for n in segment.numbers(files, "a")) <= (
        journal.SEGMENT_MOST
    )
    numbers = [act[0] for act in keep.acts(files)]
    assert numbers == sorted(set(numbers))


def test_nothing_is_written_behind_a_torn_line_of_acts():
    files, log = lived(400)
    newest = segment.name_of(segment.numbers(files, "a")[-1], "a")
    files.append(newest, b"9 9 E 0 0 9 torn")
    torn = files.read(newest)
    put(log, RECORDS)
    assert files.read(newest) == torn
    complete(files)


def test_a_damaged_line_of_day_totals_is_left_as_it_is_and_the_others_go_on():
    files, log = lived(300)
    name = segment.name_of(segment.numbers(files, "d")[0], "d")
    bad = files.read(name).replace(b' "', b" '", 1).split(b"\n")[0]
    rest = files.read(name).split(b"\n")[1:]
    files.write(name, b"\n".join([bad, *rest]))
    put(log, RECORDS)
    assert bad in files.read(name)
    expected = day_sums(RECORDS, put_away_up_to(files))
    found = dict(keep.days(files))
    first = min(expected)
    assert {d: v for d, v in found.items() if d != first} == {
        d: v for d, v in expected.items() if d != first
    }


# Failures


@pytest.mark.parametrize("reached", ["nothing", "half", "all"])
def test_any_change_may_fail_while_segments_are_put_away_and_nothing_is_lost(reached):
    """Every change of a long run fails once, each in a run of its own; the caller tries again."""
    start, log = lived(230)
    recorded = Recorder(start.content())
    log, _ = open_journal(recorded)
    put(log, RECORDS[:330])
    states = dumps(RECORDS[:420])
    kinds = {what for what, *_ in recorded.log}
    assert kinds == {"append", "write", "rename", "remove"}
    for nth in range(1, len(recorded.log) + 1):
        files = start.copy()
        log, _ = open_journal(files)
        files.fail(nth, reached)
        failures = 0
        while log.state.seq < 420:
            try:
                put(log, RECORDS[:420])
            except OSError:
                failures += 1
        assert failures <= 1
        assert snapshot.dump(log.state) == states[420]
        assert snapshot.dump(open_journal(files)[0].state) == states[420]
        complete(files)
        assert len(journal_names(files)) <= keep.SEGMENTS_KEPT + 1


def test_putting_away_that_keeps_failing_stops_no_record_and_loses_nothing(monkeypatch):
    files, log = lived(230)

    def fails(files, number):
        raise OSError(errno.EIO, "planned")

    with monkeypatch.context() as patch:
        patch.setattr(keep, "put_away", fails)
        put(log, RECORDS[:500])
        assert log.untidy > 3
        assert len(journal_names(files)) > keep.SEGMENTS_KEPT + 3
    put(log, RECORDS)
    assert log.untidy == 0
    assert len(journal_names(files)) == keep.SEGMENTS_KEPT
    complete(files)


def test_a_cut_while_a_backlog_is_put_away_loses_nothing(monkeypatch):
    files, log = lived(230)
    with monkeypatch.context() as patch:
        patch.setattr(keep, "_tidy", lambda log: None)
        put(log, RECORDS[:500])
    recorded = Recorder(files.content())
    log, _ = open_journal(recorded)
    put(log, RECORDS[:600])
    tried = 0
    for i, (_, copy) in enumerate(recorded.cuts()):
        if i % 3:
            continue
        log, _ = open_journal(copy)
        assert log.state.gap == 0
        put(log, RECORDS)
        complete(copy)
        tried += 1
    assert tried > 100


# A full flash


def flash():
    """Room for some twenty of the small segments here, in blocks a fifth of one, as on a board."""
    return MemoryFiles(room=120 * 512, block=512)


def tried(log, records):
    """Put records until one fails; return whether one did, which a full flash alone may cause."""
    try:
        put(log, records)
    except OSError as error:
        if error.errno != errno.ENOSPC:
            raise
        return True
    return False


def fill(files, left):
    """Somebody else fills the flash, all but `left` blocks."""
    files.files["stranger.bin"] = bytearray()
    free = files.room - files.used() + files.block
    files.files["stranger.bin"] = bytearray(free - left * files.block)
    assert files.used() == files.room - left * files.block


@pytest.mark.parametrize("left", [0, 1, 2, 3, 5, 8])
def test_a_flash_filled_by_others_costs_the_oldest_segments_and_no_record(left, monkeypatch):
    """The spare file pays for putting the oldest away, so nothing they held is lost either."""
    monkeypatch.setattr(keep, "SEGMENTS_KEPT", 12)
    files, log = lived(560, flash())
    assert len(journal_names(files)) > 9
    assert files.size(keep.SPARE) >= journal.SEGMENT_MOST
    fill(files, left)
    failures = 0
    while tried(log, RECORDS) and failures < 300:
        failures += 1
    assert log.state.seq == len(RECORDS)
    # Only a record whose write finds the flash full fails; the next try makes the room.
    assert failures <= 3
    states = dumps(RECORDS)
    assert snapshot.dump(open_journal(files)[0].state) == states[-1]
    complete(files)


def test_a_flash_that_is_full_for_good_keeps_its_last_two_segments_and_says_so():
    files, log = lived(560, flash())
    failures = []
    while len(failures) < 40:
        fill(files, 0)  # the stranger takes whatever becomes free
        before = files.changes
        if tried(log, RECORDS[: log.state.seq + 1]):
            failures.append(log.state.seq)
        assert files.changes - before < 60
        assert log.state.seq < len(RECORDS)
    assert failures[-20:] == [failures[-1]] * 20
    again, _ = open_journal(files)
    assert again.state.seq == log.state.seq
    assert again.state.gap == 0
    assert len(journal_names(files)) >= 2
    complete(files)
    # Room again: everything goes on.
    files.remove("stranger.bin")
    put(again, RECORDS)
    complete(files)


def test_the_spare_file_is_made_again_and_never_takes_the_last_room():
    files, log = lived(300, flash())
    files.remove(keep.SPARE)
    put(log, RECORDS[:360])
    assert files.size(keep.SPARE) >= journal.SEGMENT_MOST
    files.remove(keep.SPARE)
    fill(files, 5)
    log.size = journal.SEGMENT_MOST
    put(log, RECORDS[:380])
    assert files.size(keep.SPARE) == -1
    assert log.untidy == 1


def test_the_sums_of_a_day_are_in_one_line_however_many_segments_it_had():
    files, log = lived(3)
    for i in range(2000):
        log.put(log.state.now_s + 20, "I", (0, 20, i % 144, 10, 10, 0))
        log.put(log.state.now_s, "O", (0,))
    assert log.number > 20
    name = segment.name_of(segment.numbers(files, "d")[0], "d")
    lines = files.read(name).split(b"\n")[:-1]
    assert len(lines) == len({segment.record(line)[1] for line in lines})


def test_day_totals_are_read_from_good_lines_only():
    files = MemoryFiles(
        {
            "d00000003.txt": encode(9, 7, "D", (5, 4, 5), "alk").encode()
            + b"garbage\n"
            + encode(9, 8, "Q", (5, 4, 5), "alk").encode()
            + encode(12, 9, "D", (5, 4, 5, 7), "alk cal").encode()
        }
    )
    assert list(keep.days(files)) == [
        (7, {"alk": [5, 4, 5]}),
        (9, {"alk": [5, 4, 5], "cal": [7, 0, 0]}),
    ]
