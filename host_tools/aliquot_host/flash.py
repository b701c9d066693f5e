"""Flash under test: the real littlefs on memory that notes every program and every erase.

`Flash` is the chip, `LittleFiles` the file system on it with the methods of the board's
`store/files.py`. Parameters are those with which MicroPython mounts its boards (extmod/vfs_lfs.c
and vfs_lfsx.c, ports/rp2/modules/_boot.py): read size 32, program size 32 and 256, a cache of
four times the larger, lookahead 32, `block_cycles` 100. A cut of power is a part of what was
noted, see `Cutter`. Needs the package littlefs-python; no file of this machine is touched.
"""

from __future__ import annotations

import errno
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, NamedTuple

from littlefs import LittleFS, lfs
from littlefs.context import UserContext
from littlefs.errors import LittleFSError

from aliquot.store.files import Files

if TYPE_CHECKING:
    from littlefs.lfs import LFSConfig

BLOCK = 4096
READ_SIZE = 32
# Name -> program size, blocks of the file system on a common board.
BOARDS = {"esp32": (32, 512), "rp2": (256, 212)}
# What a cut leaves of the change that was under way: nothing, half of it, or every part half done.
TEARS = {"c": "clean", "h": "half-written", "g": "garbage"}


raw: Any = lfs  # the package leaves parameters of its functions without a type


class Change(NamedTuple):
    """One change of the flash: a program, an erase (data None), or a bit flipped from outside."""

    block: int
    off: int
    data: bytes | None
    flip: bool = False


class Flash(UserContext):
    """The chip. `erases` counts by block; `log`, where it is a list, gets every change.
    `changes` rises with each.

    A program of a block in `bad` leaves one bit as it was, as a worn-out cell does: littlefs reads
    back and moves on. An exception raised in here would be taken for success by the package, so
    power is cut afterwards, by replaying a part of `log`.
    """

    def __init__(self, blocks: int, content: bytes | bytearray | None = None) -> None:
        super().__init__(buffer=bytearray(content or b"\xff" * (blocks * BLOCK)))
        self.blank = content is None  # never formatted
        self.erases = [0] * blocks
        self.programs = 0
        self.changes = 0
        self.log: list[Change] | None = None
        self.bad: frozenset[int] = frozenset()
        self.wearing = False  # the next block that is erased goes bad
        self.worn: list[tuple[int, int]] = []  # changes before it went bad, block

    @property
    def blocks(self) -> int:
        return len(self.erases)

    def read(self, cfg: LFSConfig, block: int, off: int, size: int) -> bytearray:
        """What stands there now."""
        start = block * BLOCK + off
        return self.buffer[start : start + size]

    def prog(self, cfg: LFSConfig, block: int, off: int, data: bytes) -> int:
        """Program, and note it."""
        data = bytes(data)
        if block in self.bad:
            data = bytes([data[0] ^ 1]) + data[1:]
        self.programs += 1
        self.changes += 1
        if self.log is not None:
            self.log.append(Change(block, off, data))
        start = block * BLOCK + off
        self.buffer[start : start + len(data)] = data
        return 0

    def erase(self, cfg: LFSConfig, block: int) -> int:
        """Erase, and note it."""
        if self.wearing:
            self.wearing = False
            self.bad |= {block}
            self.worn.append((len(self.log or ()), block))
        self.erases[block] += 1
        self.changes += 1
        if self.log is not None:
            self.log.append(Change(block, 0, None))
        start = block * BLOCK
        self.buffer[start : start + BLOCK] = b"\xff" * BLOCK
        return 0

    def sync(self, cfg: LFSConfig) -> int:
        return 0

    def flip(self, text: bytes, bit: int) -> int:
        """Turn one bit of every copy of `text` on the flash; returns how many there are."""
        found = 0
        at = self.buffer.find(text)
        while at >= 0:
            place = at + (bit >> 3)
            changed = bytes([self.buffer[place] ^ 1 << (bit & 7)])
            self.buffer[place : place + 1] = changed
            self.changes += 1
            if self.log is not None:
                self.log.append(Change(place // BLOCK, place % BLOCK, changed, True))
            found += 1
            at = self.buffer.find(text, at + 1)
        return found


def noise(size: int, seed: int) -> bytes:
    """Bytes that look like no data; the same for the same seed."""
    return bytes((i * 37 + seed * 101 + (i >> 5) * 11) & 255 for i in range(size))


class Cutter:
    """Walks through a log and gives the flash as a cut of power leaves it.

    begin: the content when the log was begun. Cuts must be asked for in rising order."""

    def __init__(self, begin: bytes | bytearray, log: list[Change]) -> None:
        self.now = bytearray(begin)
        self.log = log
        self.done = 0

    def image(self, done: int, tear: str = "c") -> bytearray:
        """After `done` whole changes, with the next one torn (a key of TEARS)."""
        if done < self.done:
            raise ValueError("cuts go forward only")
        for change in self.log[self.done : done]:
            _put(self.now, change, change.data)
        self.done = done
        torn = bytearray(self.now)
        if tear == "c":
            return torn
        change = self.log[done]
        if change.data is None:
            old = self.now[change.block * BLOCK :][:BLOCK]
            half = BLOCK // 2
            partly = bytes(a | b for a, b in zip(old, noise(BLOCK, done), strict=True))
            left = b"\xff" * half + old[half:] if tear == "h" else partly
        elif tear == "h":
            left = change.data[: len(change.data) // 2]
        else:
            # Programming clears bits; some are not cleared yet.
            blur = noise(len(change.data), done)
            left = bytes(a | b for a, b in zip(change.data, blur, strict=True))
        _put(torn, change, left)
        return torn


def _put(content: bytearray, change: Change, data: bytes | None) -> None:
    start = change.block * BLOCK + change.off
    data = b"\xff" * BLOCK if data is None else data
    content[start : start + len(data)] = data


class LittleFiles(Files):
    """Files on a flash; what it holds is mounted as it is. A new flash is formatted first.

    A mount that fails raises LittleFSError; a board would not start."""

    def __init__(self, board: str = "esp32", flash: Flash | None = None) -> None:
        size, blocks = BOARDS[board]
        self.board = board
        self.flash = flash or Flash(blocks)
        self.fs = LittleFS(
            context=self.flash,
            mount=False,
            block_size=BLOCK,
            block_count=self.flash.blocks,
            read_size=READ_SIZE,
            prog_size=size,
            cache_size=min(BLOCK, 4 * max(READ_SIZE, size)),
            lookahead_size=32,
            block_cycles=100,
        )
        if self.flash.blank:
            self.flash.blank = False
            self.fs.format()
        self.fs.mount()
        self._listed = (-1, list[str]())

    def read(self, name: str, at: int = 0, most: int = -1) -> bytes | None:
        fs = self.fs.fs
        try:
            file = raw.file_open(fs, name, "rb")
            try:
                if most < 0:
                    most = max(0, raw.file_size(fs, file) - at)
                raw.file_seek(fs, file, at, 0)
                return raw.file_read(fs, file, most)
            finally:
                raw.file_close(fs, file)
        except LittleFSError as error:
            if error.code == -errno.ENOENT:
                return None
            raise OSError(-error.code, str(error)) from error

    def append(self, name: str, data: bytes) -> None:
        # MicroPython's mode "ab" makes the file; that of this package does not.
        try:
            self._save(name, "ab", data)
        except FileNotFoundError:
            self._save(name, "wb", data)

    def write(self, name: str, data: bytes) -> None:
        self._save(name, "wb", data)

    def _save(self, name: str, mode: str, data: bytes) -> None:
        # As on the board: write, flush, close. The package's own file object would close a second
        # time where the first close fails, and littlefs ends the process for that.
        try:
            file = raw.file_open(self.fs.fs, name, mode)
            try:
                done = raw.file_write(self.fs.fs, file, data)
                raw.file_sync(self.fs.fs, file)
            finally:
                raw.file_close(self.fs.fs, file)
        except LittleFSError as error:
            raise OSError(-error.code, str(error)) from error
        if done != len(data):
            raise OSError(errno.EIO, "a short write")

    def rename(self, old: str, new: str) -> None:
        self._try(raw.rename, old, new)

    def remove(self, name: str) -> None:
        self._try(raw.remove, name)

    def _try(self, do: Callable[..., object], *names: str) -> None:
        try:
            do(self.fs.fs, *names)
        except LittleFSError as error:
            raise OSError(-error.code, str(error)) from error

    def names(self) -> list[str]:
        # A listing costs littlefs a thousand reads, and a flash unchanged has the same.
        if self._listed[0] != self.flash.changes:
            self._listed = (self.flash.changes, self._list())
        return list(self._listed[1])

    def _list(self) -> list[str]:
        fs = self.fs.fs
        out: list[str] = []
        folder = raw.dir_open(fs, "/")
        try:
            while True:
                found = raw.dir_read(fs, folder)
                if not found:
                    return out
                if found.name not in (".", ".."):
                    out.append(found.name)
        finally:
            raw.dir_close(fs, folder)

    def size(self, name: str) -> int:
        try:
            return raw.stat(self.fs.fs, name).size
        except LittleFSError:
            return -1

    def copy(self) -> LittleFiles:
        """What the flash alone holds now: a copy, mounted anew."""
        return LittleFiles(self.board, Flash(self.flash.blocks, self.flash.buffer))

    def free_blocks(self) -> int:
        return self.flash.blocks - self.fs.used_block_count
