"""The store on the real littlefs, with the settings of both boards: the same journal, few erases.

Here are erases, a sample of cuts and a full flash; the exhaustive cuts are in tests/cuts.
"""

import errno

import pytest

from aliquot.core import snapshot
from aliquot.store import keep, segment
from aliquot.store.recover import open_journal
from aliquot_host import flash
from aliquot_host.memory_files import MemoryFiles
from store_cases import act_numbers, day_sums, dumps, put, small_segments, stream

BOARDS = sorted(flash.BOARDS)


@pytest.mark.parametrize("board", BOARDS)
def test_the_journal_is_byte_for_byte_that_of_files_in_memory(board):
    records = stream(1500)
    files, memory = flash.LittleFiles(board), MemoryFiles()
    for one in (files, memory):
        log, _ = open_journal(one)
        put(log, records)
    again = flash.LittleFiles(board, files.flash)
    assert {name: again.read(name) for name in again.names()} == memory.content()
    log, findings = open_journal(again)
    assert findings == []
    assert snapshot.dump(log.state) == dumps(records)[-1]


@pytest.mark.parametrize("board", BOARDS)
def test_a_record_costs_about_one_erase_spread_over_the_flash(board):
    """One append is one erase (platform facts); rotation and keeping may add a tenth."""
    records = stream(12000)
    files = flash.LittleFiles(board)
    log, _ = open_journal(files)
    put(log, records)
    assert log.number > 20
    erases = files.flash.erases
    assert sum(erases) <= 1.1 * len(records)
    assert max(erases) <= 4 * sum(erases) // len(erases)


@pytest.mark.parametrize("board", BOARDS)
def test_a_cut_of_the_flash_itself_leaves_the_record_or_not_s16(board, monkeypatch):
    small_segments(monkeypatch)
    monkeypatch.setitem(flash.BOARDS, board, (flash.BOARDS[board][0], 64))
    records = stream(330)
    states = dumps(records)
    files = flash.LittleFiles(board)
    log, _ = open_journal(files)
    first = 240
    put(log, records[:first])
    begin, files.flash.log, number = bytes(files.flash.buffer), [], log.number
    put_by = []
    for n in range(first, first + 60):
        put(log, records[: n + 1])
        put_by.append(len(files.flash.log))
    assert log.number > number
    tried = 0
    changes = files.flash.log
    cutter = flash.Cutter(begin, changes)
    for done in range(1, len(changes)):
        content = cutter.image(done, "chg"[done % 3])
        tried += 1
        after = flash.LittleFiles(board, flash.Flash(64, content))
        log, findings = open_journal(after)
        sure = first + sum(1 for at in put_by if at <= done)
        assert findings == []
        assert log.state.seq in (sure, sure + 1)
        assert snapshot.dump(log.state) == states[log.state.seq]
        if tried % 20 == 0:
            put(log, records)
            complete(after, records)
    assert tried == len(changes) - 1 > 100


def complete(files, records):
    last = segment.sequence(files, segment.name_of(segment.numbers(files)[0]))
    assert dict(keep.days(files)) == day_sums(records, last)
    assert [act[0] for act in keep.acts(files)] == act_numbers(records, last)


def full(do, *given):
    """Do something; return whether the flash was too full for it."""
    try:
        do(*given)
    except OSError as error:
        if error.errno != errno.ENOSPC:
            raise
        return True
    return False


@pytest.mark.parametrize("board", BOARDS)
@pytest.mark.parametrize("left", [0, 1, 2, 4])
def test_a_flash_filled_by_others_costs_the_oldest_segments_and_no_record(
    board, left, monkeypatch
):
    """The real sizes of everything; only the flash is small."""
    monkeypatch.setitem(flash.BOARDS, board, (flash.BOARDS[board][0], 96))
    records = stream(6000)
    files = flash.LittleFiles(board)
    log, _ = open_journal(files)
    put(log, records[:5000])
    assert log.number > 9
    count = 0
    while not full(files.write, f"stranger{count}", bytes(flash.BLOCK)):
        count += 1
    for i in range(left):
        files.remove(f"stranger{i}")
    failures = 0
    while full(put, log, records) and failures < 50:
        failures += 1
    assert log.state.seq == len(records)
    assert failures < 10
    again = flash.LittleFiles(board, files.flash)
    assert snapshot.dump(open_journal(again)[0].state) == dumps(records)[-1]
    complete(again, records)
