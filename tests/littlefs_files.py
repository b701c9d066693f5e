"""The real littlefs, through the package littlefs-python, with the methods of `store/files.py`.

`Flash` counts what the file system does to the flash, block by block. Parameters are those that
MicroPython mounts its boards with (ports/esp32 and ports/rp2: read and program size, cache of four
times that, lookahead 32, `block_cycles` 100).
"""

from littlefs import LittleFS
from littlefs.context import UserContext
from littlefs.errors import LittleFSError

from aliquot.store.files import Files

BLOCK = 4096
# Name -> read and program size, blocks of the file system.
BOARDS = {"esp32": (32, 512), "rp2": (256, 212)}


class Flash(UserContext):
    """Flash in memory. `erases` counts by block; `log`, where it is a list, gets every change.

    A change is (block, offset, bytes), or (block, 0, None) for an erase. An exception raised in
    here would be taken for success, so power is cut afterwards, by replaying a part of `log`.
    """

    def __init__(self, blocks, content=None):
        super().__init__(buffer=bytearray(content or b"\xff" * (blocks * BLOCK)))
        self.erases = [0] * blocks
        self.programs = 0
        self.log = None

    def read(self, cfg, block, off, size):
        start = block * BLOCK + off
        return self.buffer[start : start + size]

    def prog(self, cfg, block, off, data):
        self.programs += 1
        if self.log is not None:
            self.log.append((block, off, bytes(data)))
        start = block * BLOCK + off
        self.buffer[start : start + len(data)] = data
        return 0

    def erase(self, cfg, block):
        self.erases[block] += 1
        if self.log is not None:
            self.log.append((block, 0, None))
        start = block * BLOCK
        self.buffer[start : start + BLOCK] = b"\xff" * BLOCK
        return 0

    def sync(self, cfg):
        return 0

    def cuts(self, begin):
        """Yield (changes done, flash) for a cut before every change of `log`, clean and torn.

        begin: the content when `log` was begun. Torn is the next change half done: a program that
        ends in the middle, an erase that leaves noise.
        """
        now = bytearray(begin)
        for done, (block, off, data) in enumerate(self.log):
            yield done, Flash(len(self.erases), now)
            start = block * BLOCK + off
            torn = bytearray(now)
            if data is None:
                torn[start : start + BLOCK] = bytes(i * 37 & 255 for i in range(BLOCK))
                now[start : start + BLOCK] = b"\xff" * BLOCK
            else:
                half = len(data) // 2
                torn[start : start + half] = data[:half]
                now[start : start + len(data)] = data
            yield done, Flash(len(self.erases), torn)
        yield len(self.log), Flash(len(self.erases), now)


class LittleFiles(Files):
    """Files on a flash; with `flash` given, what it holds is mounted as it is."""

    def __init__(self, board="esp32", flash=None):
        size, blocks = BOARDS[board]
        self.flash = flash or Flash(blocks)
        self.fs = LittleFS(
            context=self.flash,
            mount=False,
            block_size=BLOCK,
            block_count=blocks,
            read_size=size,
            prog_size=size,
            cache_size=min(BLOCK, 4 * size),
            lookahead_size=32,
            block_cycles=100,
        )
        if flash is None:
            self.fs.format()
        self.fs.mount()

    def read(self, name, at=0, most=-1):
        if self.size(name) < 0:
            return None
        with self.fs.open(name, "rb") as file:
            file.seek(at)
            return file.read(most if most >= 0 else self.size(name) - at)

    def append(self, name, data):
        # MicroPython's mode "ab" makes the file; that of this package does not.
        self._save(name, "ab" if self.size(name) >= 0 else "wb", data)

    def write(self, name, data):
        self._save(name, "wb", data)

    def _save(self, name, mode, data):
        try:
            with self.fs.open(name, mode) as file:
                file.write(data)
        except LittleFSError as error:
            raise OSError(-error.code, str(error)) from error

    def rename(self, old, new):
        self._try(self.fs.rename, old, new)

    def remove(self, name):
        self._try(self.fs.remove, name)

    def _try(self, do, *names):
        try:
            do(*names)
        except LittleFSError as error:
            raise OSError(-error.code, str(error)) from error

    def names(self):
        return self.fs.listdir("/")

    def size(self, name):
        try:
            return self.fs.stat(name).size
        except (FileNotFoundError, LittleFSError):
            return -1

    def free_blocks(self):
        return len(self.flash.erases) - self.fs.used_block_count
