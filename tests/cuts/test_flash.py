"""The flash under test: traps of littlefs-python, and that a cut leaves what a real one leaves."""

import errno

import pytest
from littlefs import LittleFS
from littlefs.errors import LittleFSError

from aliquot_host import flash
from aliquot_host.flash import BLOCK, BOARDS, Cutter, Flash, LittleFiles
from aliquot_host.memory_files import MemoryFiles

BLOCKS = 16


def small(board, content=None):
    return LittleFiles(board, Flash(BLOCKS, content))


def failed(do):
    """The number of the OSError that `do` raises, 0 for none."""
    try:
        do()
    except OSError as error:
        return error.errno
    return 0


def cuts(files, do):
    """What the flash holds after each cut of `do`, by (changes done, tear)."""
    begin, files.flash.log = bytes(files.flash.buffer), []
    do()
    log, cutter = files.flash.log, Cutter(begin, files.flash.log)
    for done in range(len(log)):
        for tear in flash.TEARS:
            yield done, tear, cutter.image(done, tear)
    yield len(log), "c", cutter.image(len(log))


@pytest.mark.parametrize("board", BOARDS)
def test_the_parameters_are_those_with_which_micropython_mounts(board):
    """extmod/vfs_lfsx.c: the cache is four times the larger of read and program size, at most a
    block; ports/rp2/modules/_boot.py asks for programs of 256 bytes."""
    files = small(board)
    files.flash.log = []
    files.write("a", b"x" * 3000)
    assert files.fs.cfg.read_size == 32
    assert files.fs.cfg.cache_size == {"esp32": 128, "rp2": 1024}[board]
    size = {"esp32": 32, "rp2": 256}[board]
    assert all(len(change.data or b"") % size == 0 for change in files.flash.log)
    assert min(len(change.data) for change in files.flash.log if change.data) == size
    assert BOARDS[board] == (size, {"esp32": 512, "rp2": 212}[board])


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_an_exception_in_the_flash_is_taken_for_success():
    """Why power is cut afterwards, by replaying what was noted."""
    raised = []

    class Failing(Flash):
        on = False

        def erase(self, cfg, block):
            if self.on:
                raised.append(block)
                raise OSError(errno.EIO, "the power is gone")
            return super().erase(cfg, block)

    files = LittleFiles("esp32", Failing(BLOCKS))
    files.flash.on = True
    assert failed(lambda: files.append("a", b"hello" * 900)) == 0
    assert raised


def test_append_makes_the_file_that_the_mode_of_the_package_does_not():
    files = small("esp32")
    with pytest.raises(FileNotFoundError):
        files.fs.open("a", "ab")
    files.append("a", b"one ")
    files.append("a", b"two")
    assert files.read("a") == b"one two"


def test_a_mount_that_fails_raises_and_never_formats():
    content = flash.noise(BLOCKS * BLOCK, 1)
    with pytest.raises(LittleFSError):
        small("rp2", content)
    own = Flash(BLOCKS, content)
    with pytest.raises(LittleFSError):
        LittleFiles("rp2", own)
    assert own.buffer == content
    assert own.programs == sum(own.erases) == 0
    # The package by itself would have formatted it.
    LittleFS(
        context=own,
        block_size=BLOCK,
        block_count=BLOCKS,
        read_size=32,
        prog_size=256,
        cache_size=1024,
        lookahead_size=32,
    )
    assert own.buffer != content


@pytest.mark.parametrize("board", BOARDS)
def test_the_methods_do_what_those_of_files_in_memory_do(board):
    files, memory = small(board), MemoryFiles()
    for one in (files, memory):
        one.write("a", b"0123456789" * 700)
        one.append("b", b"new")
        one.append("a", b"!")
        one.write("c", b"")
        one.rename("a", "b")
        one.write("d", b"gone")
        one.remove("d")
    assert sorted(files.names()) == sorted(memory.names()) == ["b", "c"]
    for name in ("a", "b", "c", "d"):
        assert files.size(name) == memory.size(name)
        assert files.read(name) == memory.read(name)
        assert files.read(name, 6990, 20) == memory.read(name, 6990, 20)
    for one in (files, memory):
        for do in (lambda one=one: one.remove("x"), lambda one=one: one.rename("x", "y")):
            assert failed(do) == errno.ENOENT
    assert files.copy().read("b") == memory.read("b")


@pytest.mark.parametrize("board", BOARDS)
@pytest.mark.parametrize("before", [0, 100, 3900, 9000])
def test_one_append_is_old_or_new_at_every_cut(board, before):
    files = small(board)
    old = b"a" * before
    if before:
        files.write("j", old)
    seen = set()
    for _, _, content in cuts(files, lambda: files.append("j", b"record")):
        found = small(board, content).read("j")
        assert found in ([old, old + b"record"] if before else [None, b"", b"record"])
        seen.add(found)
    assert len(seen) > 1


@pytest.mark.parametrize("board", BOARDS)
def test_a_file_written_beside_and_renamed_is_old_or_new_at_every_cut(board):
    files = small(board)
    files.write("days", b"old" * 900)

    def change():
        files.write("new", b"young" * 900)
        files.rename("new", "days")

    seen = {bytes(small(board, content).read("days")) for _, _, content in cuts(files, change)}
    assert seen == {b"old" * 900, b"young" * 900}


@pytest.mark.parametrize("board", BOARDS)
def test_two_appends_leave_the_first_alone_at_some_cut(board):
    """So a record must be one write."""
    files = small(board)
    files.write("j", b"a" * 5000)

    def twice():
        files.append("j", b"rec")
        files.append("j", b"ord")

    ends = {bytes(small(board, content).read("j")[5000:]) for _, _, content in cuts(files, twice)}
    assert ends == {b"", b"rec", b"record"}


@pytest.mark.parametrize("board", BOARDS)
def test_a_full_flash_leaves_the_old_content_and_one_more_close_does_no_harm(board):
    files = small(board)
    files.write("j", b"a" * 5000)
    guests = [failed(lambda n=n: files.write(f"guest{n}", bytes(BLOCK))) for n in range(BLOCKS)]
    assert set(guests) == {0, errno.ENOSPC}
    assert files.free_blocks() < 2
    # What fails to close is closed once only: littlefs would end the process at a second time.
    for _ in range(3):
        assert failed(lambda: files.append("j", b"record" * 900)) == errno.ENOSPC
    assert files.read("j") == b"a" * 5000
    assert files.copy().read("j") == b"a" * 5000
    files.remove("guest0")
    files.append("j", b"record")
    assert files.copy().read("j") == b"a" * 5000 + b"record"


@pytest.mark.parametrize("board", BOARDS)
def test_a_block_that_goes_bad_costs_no_byte(board):
    files = small(board)
    files.write("j", b"a" * 5000)
    files.flash.wearing = True
    files.append("j", b"record")
    assert len(files.flash.bad) == len(files.flash.worn) == 1
    assert files.copy().read("j") == b"a" * 5000 + b"record"
    for _ in range(40):
        files.append("j", b"more")
    assert files.copy().read("j") == b"a" * 5000 + b"record" + b"more" * 40


def test_a_flipped_bit_stands_in_every_copy_and_in_the_log():
    files = small("esp32")
    files.write("j", b"needle in hay " + b"hay " * 90)
    copies = bytes(files.flash.buffer).count(b"needle in hay")
    files.flash.log = []
    begin = bytes(files.flash.buffer)
    assert files.flash.flip(b"needle in hay", 8) == copies > 0
    assert [change.flip for change in files.flash.log] == [True] * copies
    assert Cutter(begin, files.flash.log).image(copies) == files.flash.buffer
    assert files.copy().read("j").startswith(b"ndedle in hay")


def test_the_whole_log_replayed_is_what_the_flash_holds_and_cuts_go_forward_only():
    files = small("rp2")
    begin, files.flash.log = bytes(files.flash.buffer), []
    for n in range(30):
        files.append("j", b"record %d\n" % n)
    log = files.flash.log
    assert len(log) > 30
    cutter = Cutter(begin, log)
    assert cutter.image(0) == begin
    assert cutter.image(len(log)) == files.flash.buffer
    with pytest.raises(ValueError, match="forward"):
        cutter.image(3)


def test_a_torn_change_is_neither_the_old_nor_the_new_content():
    files = small("esp32")
    for n in range(2 * BLOCKS):  # until every block was in use once
        files.write("j", b"%d" % (n % 10) * 5000)
    begin, files.flash.log = bytes(files.flash.buffer), []
    files.write("j", b"x" * 5000)
    log = files.flash.log
    kinds = {"program": 0, "erase": 0}
    for n, change in enumerate(log):
        before, after = (Cutter(begin, log).image(k) for k in (n, n + 1))
        for tear in "hg":
            torn = Cutter(begin, log).image(n, tear)
            inside = slice(change.block * BLOCK, (change.block + 1) * BLOCK)
            outside = bytearray(torn)
            outside[inside] = before[inside]
            assert outside == before
            if change.data is not None and set(change.data) != {255}:
                kinds["program"] += torn != after
            elif change.data is None and before != after:
                kinds["erase"] += torn not in (before, after)
    assert kinds["program"] > 10
    assert kinds["erase"] >= 1
