"""Flash in trouble: power goes in a write, a write fails, the flash is full, memory ends.

In memory for speed, or the real littlefs on a small chip. What is to happen is told beforehand
(`arm`), and every change that reaches the files is told to `checks`. Nothing here is random, and
no file of this machine is touched.
"""

from __future__ import annotations

import contextlib
import errno
from collections import Counter
from typing import TYPE_CHECKING, Any

from aliquot_host.checks import Checks
from aliquot_host.memory_files import MemoryFiles

if TYPE_CHECKING:
    from aliquot_host.flash import Change

NEVER = 1 << 62
CUT, REFUSE, STARVE = "cut", "refuse", "starve"
REACHED = ("nothing", "half", "all")
BALLAST = "ballast.bin"
BALLAST_BYTES = 4096
CHIP_BLOCKS = 80


_WORDS = {CUT: "cut in a write", REFUSE: "flash refuses", STARVE: "memory ends in a put"}


class Power(Exception):
    """The power went in the middle of a change of the flash."""


class Trouble:
    """What both kinds of files share: the plan, and whom to tell.

    armed: the number of the change at which something happens. doubt: what failed may be found at
    the next start, so memory and files may differ by a record until a new segment is written."""

    checks: Checks | None = None
    ops = 0
    armed = NEVER
    doubt = False

    def __init__(self) -> None:
        self.plan: tuple[str, str, int] = ("", "", 0)
        self.met: Counter[str] = Counter()  # what happened, in words of its own

    def arm(self, how: str, after: int, reached: str, times: int = 1) -> None:
        """At the `after`th change from now: CUT, REFUSE (so many times), or STARVE."""
        self.armed = self.ops + after
        self.plan = (how, reached, times)

    def disarm(self) -> None:
        """Nothing is going to happen any more."""
        self.armed = NEVER
        self.plan = ("", "", 0)

    def _meet(self, call: str, name: str, data: bytes) -> None:
        """The change at which something happens; always raises."""
        how, reached, times = self.plan
        self.plan = (how, reached, times - 1)
        if times <= 1:
            self.armed = NEVER
        self.met[_WORDS[how]] += 1
        if how == STARVE:
            raise MemoryError
        if how == CUT:
            self.cut_at(call, name, data, reached)
        else:
            self._partly(call, name, data, reached)
        self._tell(call, name, data, False)
        if how == CUT:
            raise Power
        raise OSError(errno.EIO, "the flash refuses")

    def _partly(self, call: str, name: str, data: bytes, reached: str) -> None:
        if reached == "all":
            self.do(call, name, data)
        elif reached == "half" and call in ("append", "write"):
            self.do(call, name, data[: len(data) // 2])

    def _tell(self, call: str, name: str, data: bytes, whole: bool) -> None:
        if name[:1] == "j":
            self.doubt = not whole or (self.doubt and call == "append")
        if not self.checks:
            return
        if call == "append":
            self.checks.appended(name, data, whole)
        elif call == "write":
            self.checks.written(name, data, whole)

    def _change(self, call: str, name: str, data: bytes) -> None:
        self.ops += 1
        if self.ops >= self.armed:
            self._meet(call, name, data)
        try:
            self.do(call, name, data)
        except OSError:
            self._tell(call, name, data, False)
            raise
        self._tell(call, name, data, True)

    def do(self, call: str, name: str, data: bytes) -> None:
        """Change the files, without trouble."""
        raise NotImplementedError

    def cut_at(self, call: str, name: str, data: bytes, reached: str) -> None:
        """Let the power go in the middle of a change."""
        self._partly(call, name, data, reached)


class TroubledMemory(Trouble, MemoryFiles):
    """Files in memory."""

    def __init__(self) -> None:
        Trouble.__init__(self)
        MemoryFiles.__init__(self)

    def append(self, name: str, data: bytes) -> None:
        if self.room is not None or self.ops + 1 >= self.armed or self.doubt:
            self._change("append", name, data)
            return
        self.ops += 1
        there = self.files.get(name)
        if there is None:
            self.files[name] = bytearray(data)
        else:
            there += data
        if self.checks:
            self.checks.appended(name, data)

    def write(self, name: str, data: bytes) -> None:
        self._change("write", name, data)

    def rename(self, old: str, new: str) -> None:
        self._change("rename", old, new.encode())

    def remove(self, name: str) -> None:
        self._change("remove", name, b"")

    def do(self, call: str, name: str, data: bytes) -> None:
        if call == "append":
            MemoryFiles.append(self, name, data)
        elif call == "write":
            MemoryFiles.write(self, name, data)
        elif call == "rename":
            MemoryFiles.rename(self, name, data.decode())
        else:
            MemoryFiles.remove(self, name)

    def fill(self) -> None:
        """Nothing more fits in."""
        self.room = self.used()

    def relieve(self) -> None:
        """There is room again."""
        self.room = None

    def restart(self) -> None:
        """What a start of the board finds: the same files."""

    def view(self) -> MemoryFiles:
        """A copy to look at."""
        return MemoryFiles(self.content())


def little(board: str) -> Any:
    """Files on the real littlefs with the parameters of `board`, on a chip of CHIP_BLOCKS."""
    from aliquot_host import flash

    class TroubledLittle(Trouble, flash.LittleFiles):
        """Files on littlefs; a cut is a prefix of the programs and erases of a change."""

        def __init__(self) -> None:
            Trouble.__init__(self)
            flash.LittleFiles.__init__(self, board, flash.Flash(CHIP_BLOCKS))
            self.image: bytearray | None = None
            self.sizes: dict[str, int] = {}
            self.cuts = 0

        def append(self, name: str, data: bytes) -> None:
            self._change("append", name, data)

        def write(self, name: str, data: bytes) -> None:
            self._change("write", name, data)

        def rename(self, old: str, new: str) -> None:
            self._change("rename", old, new.encode())

        def remove(self, name: str) -> None:
            self._change("remove", name, b"")

        def do(self, call: str, name: str, data: bytes) -> None:
            own = flash.LittleFiles
            if call == "append":
                own.append(self, name, data)
            elif call == "write":
                own.write(self, name, data)
            elif call == "rename":
                own.rename(self, name, data.decode())
            else:
                own.remove(self, name)

        def cut_at(self, call: str, name: str, data: bytes, reached: str) -> None:
            chip: Any = self.flash
            before = bytes(chip.buffer)
            log: list[Change] = []
            chip.log = log
            try:
                with contextlib.suppress(OSError):
                    self.do(call, name, data)
            finally:
                chip.log = None
            self.cuts += 1
            place = {"nothing": 0, "all": len(log)}.get(reached, self.cuts % (len(log) + 1))
            tear = "chg"[self.cuts // 3 % 3] if place < len(log) else "c"
            self.image = flash.Cutter(before, log).image(place, tear)

        def fill(self) -> None:
            try:
                while True:
                    flash.LittleFiles.append(self, BALLAST, bytes(BALLAST_BYTES))
            except OSError:
                return

        def relieve(self) -> None:
            if self.size(BALLAST) >= 0:
                flash.LittleFiles.remove(self, BALLAST)

        def restart(self) -> None:
            chip: Any = self.flash
            chip = flash.Flash(CHIP_BLOCKS, self.image or chip.buffer)
            self.image = None
            flash.LittleFiles.__init__(self, self.board, chip)

        def view(self) -> MemoryFiles:
            names = sorted(name for name in self.names() if name[:1] == "j")
            return MemoryFiles({name: self.read(name) or b"" for name in names[-3:]})

    return TroubledLittle()


__all__ = ["CUT", "REACHED", "REFUSE", "STARVE", "Power", "TroubledMemory", "little"]
