"""The configuration file: old, new or refused, whatever is cut, full, changed or missing (S17)."""

import errno

import pytest

from aliquot.store import config
from aliquot.store.recover import open_journal
from aliquot_host.memory_files import MemoryFiles
from store_cases import START_W, Recorder

OLD = b'{"format":"aliquot-setup","version":1}'
NEW = b'{"format":"aliquot-setup","version":1,"channel":[]}'
OTHER = b'{"format":"somebody-else"}'


class Board:
    """A journal and a configuration on the same files, as the app joins them."""

    def __init__(self, files):
        self.files = files
        self.log, _ = open_journal(files)

    def adopt(self, data):
        return config.adopt(self.files, data, self.record)

    def record(self, own):
        self.log.put(self.log.state.now_s, "C", (START_W, 0, 0), own)

    def settle(self):
        return config.settle(self.files, self.log.state.hash)


def board(*adopted, files=None):
    one = Board(files or MemoryFiles())
    for data in adopted:
        assert one.adopt(data)
    return one


def test_the_hash_is_sha_256_in_hexadecimal():
    """FIPS 180-2, appendix B.1: the digest of "abc"."""
    assert config.hash_of(b"abc") == (
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    )


def test_a_board_without_a_set_up_says_that_there_never_was_one():
    assert board().settle() == ("none", "no set-up was ever adopted")


def test_what_was_adopted_is_what_the_next_start_finds():
    one = board(OLD, NEW)
    again = Board(one.files)
    assert again.settle() == ("ok", NEW)
    assert one.files.size(config.CANDIDATE) == -1


@pytest.mark.parametrize("size", [0, config.SIZE_MOST + 1])
def test_a_set_up_of_no_possible_size_is_refused_before_anything_is_written(size):
    one = board(OLD)
    before = one.files.content()
    with pytest.raises(ValueError, match="at most 16384"):
        one.adopt(b"x" * size)
    assert one.files.content() == before


def test_the_largest_set_up_is_adopted():
    data = b"x" * config.SIZE_MOST
    assert Board(board(OLD, data).files).settle() == ("ok", data)


# Name, what happens to the files after OLD was adopted, the reason given.
CHANGED = [
    ("changed", lambda f: f.write(config.NAME, OTHER), "is not the set-up that was adopted"),
    ("torn", lambda f: f.write(config.NAME, OLD[:-5]), "is not the set-up that was adopted"),
    ("empty", lambda f: f.write(config.NAME, b""), "is not the set-up that was adopted"),
    ("gone", lambda f: f.remove(config.NAME), "is missing"),
    ("huge", lambda f: f.write(config.NAME, b"x" * 99999), "has 99999 bytes; at most 16384"),
    ("one more byte", lambda f: f.append(config.NAME, b" "), "is not the set-up that was adopted"),
]


@pytest.mark.parametrize("case", CHANGED, ids=[case[0] for case in CHANGED])
def test_a_file_changed_behind_the_boards_back_is_rejected_with_the_reason_s17(case):
    _, change, reason = case
    one = board(OLD)
    change(one.files)
    before = one.files.content()
    for _ in range(2):
        word, text = Board(one.files).settle()
        assert word == "rejected"
        assert reason in text
    # What lies there is for the user to decide about.
    assert one.files.content() == before


@pytest.mark.parametrize("bit", range(0, 8 * len(OLD), 3))
def test_a_flipped_bit_in_the_file_is_rejected_s17(bit):
    one = board(OLD)
    one.files.files[config.NAME][bit >> 3] ^= 1 << (bit & 7)
    assert one.settle()[0] == "rejected"


def test_a_file_that_nobody_adopted_is_rejected_and_not_taken_for_a_first_one():
    one = board()
    one.files.write(config.NAME, OLD)
    word, reason = one.settle()
    assert word == "rejected"
    assert "no set-up was ever adopted" in reason


def test_a_file_that_cannot_be_read_is_rejected():
    one = board(OLD)

    def bad_block(name, at=0, most=-1):
        raise OSError(errno.EIO, "bad block")

    one.files.read = bad_block
    assert one.settle()[0] == "rejected"


@pytest.mark.parametrize("first", [None, OLD])
def test_a_cut_at_every_change_leaves_the_old_set_up_or_the_new_one_s17(first):
    one = board(*([first] if first else []))
    recorded = Recorder(one.files.content())
    assert Board(recorded).adopt(NEW)
    outcomes = []
    for _, copy in recorded.cuts():
        again = Board(copy)
        word, data = again.settle()
        assert word == ("ok" if again.log.state.hash else "none")
        outcomes.append(data if word == "ok" else None)
        # Settled is settled: nothing is left half done, and a second start says the same.
        if word == "ok":
            assert copy.read(config.NAME) == data
            assert copy.size(config.CANDIDATE) == -1
        assert Board(copy).settle() == (word, data)
        # And the board can go on to another one.
        assert again.adopt(OTHER)
        assert Board(copy).settle() == ("ok", OTHER)
    assert set(outcomes) == {first, NEW}
    assert outcomes == sorted(outcomes, key=lambda data: data == NEW)


def test_a_second_cut_while_the_first_is_put_right_changes_nothing_s17():
    recorded = Recorder(board(OLD).files.content())
    assert Board(recorded).adopt(NEW)
    pairs = 0
    for _, copy in recorded.cuts():
        second = Recorder(copy.content())
        expected = Board(second).settle()
        for _, twice in second.cuts():
            assert Board(twice).settle() == expected
            pairs += 1
    assert pairs > len(recorded.log)


@pytest.mark.parametrize("reached", ["nothing", "half", "all"])
def test_a_candidate_that_cannot_be_written_changes_nothing(reached):
    one = board(OLD)
    one.files.fail(1, reached)
    with pytest.raises(OSError, match="planned"):
        one.adopt(NEW)
    assert one.settle() == ("ok", OLD)
    assert Board(one.files).settle() == ("ok", OLD)


def test_a_candidate_that_reads_back_wrong_is_never_recorded():
    one = board(OLD)
    honest = one.files.read
    one.files.read = lambda name, at=0, most=-1: (honest(name, at, most) or b"")[::-1]
    with pytest.raises(OSError, match="5"):
        one.adopt(NEW)
    one.files.read = honest
    assert Board(one.files).settle() == ("ok", OLD)


@pytest.mark.parametrize("reached", ["nothing", "half", "all"])
def test_a_record_that_cannot_be_written_leaves_the_old_set_up_running(reached):
    """After a restart the flash decides: the old one, or the new one where the record is there."""
    one = board(OLD)
    one.files.fail(2, reached)
    with pytest.raises(OSError, match="planned"):
        one.adopt(NEW)
    assert one.log.state.hash == config.hash_of(OLD)
    again = Board(one.files)
    assert again.settle() == ("ok", NEW if reached == "all" else OLD)
    assert Board(one.files).settle() == again.settle()


def test_a_rename_that_fails_is_finished_by_the_next_start():
    one = board(OLD)
    one.files.fail(3)
    assert not one.adopt(NEW)
    assert one.log.state.hash == config.hash_of(NEW)
    # The start may fail to rename as well, and still has the set-up.
    one.files.fail(1)
    assert Board(one.files).settle() == ("ok", NEW)
    assert one.files.read(config.NAME) == OLD
    assert Board(one.files).settle() == ("ok", NEW)
    assert one.files.read(config.NAME) == NEW


def test_a_failed_adoption_followed_by_another_one_is_old_new_or_refused():
    """The first record is on the flash though its write failed; its candidate is written over."""
    one = board(OLD)
    one.files.fail(2, "all")
    with pytest.raises(OSError, match="planned"):
        one.adopt(NEW)
    recorded = Recorder(one.files.content())
    one.files = one.log.files = recorded
    assert one.adopt(OTHER)
    outcomes = {Board(copy).settle() for _, copy in recorded.cuts()}
    refused = ("rejected", f"{config.NAME} is not the set-up that was adopted")
    assert outcomes == {("ok", OLD), ("ok", NEW), ("ok", OTHER), refused}
