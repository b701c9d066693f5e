"""Files in memory, with the methods of the board's `store/files.py`: for simulation and tests.

Every call that changes something is counted, and any of them can be made to fail in the ways that
a flash does. Nothing here touches the machine's own files.
"""

from __future__ import annotations

import errno
from collections import Counter
from collections.abc import Mapping
from typing import Literal

from aliquot.store.files import Files

# What has reached the flash when a planned failure is reported: nothing, half of it, or all.
Reached = Literal["nothing", "half", "all"]


class MemoryFiles(Files):
    """A folder in memory.

    files: what is there at the start, name -> content. room: bytes that fit in, or None; a file
    takes whole blocks of `block` bytes, and an append needs a spare one, as on littlefs. `calls`
    counts the calls by name, `read_names` the files read, `changes` all calls that change a file.
    """

    def __init__(
        self,
        files: Mapping[str, bytes] | None = None,
        room: int | None = None,
        block: int = 4096,
    ):
        self.files = {name: bytearray(data) for name, data in (files or {}).items()}
        self.room = room
        self.block = block
        self.calls: Counter[str] = Counter()
        self.read_names: Counter[str] = Counter()
        self.changes = 0
        self._plan: dict[int, tuple[Reached, int]] = {}

    def fail(self, nth: int, reached: Reached = "nothing", code: int = errno.EIO) -> None:
        """Make the nth change from now on raise OSError(code)."""
        self._plan[self.changes + nth] = (reached, code)

    def fail_always(self, code: int = errno.EIO) -> None:
        """Make every change from now on raise OSError(code), until `mend`."""
        self._plan[0] = ("nothing", code)

    def mend(self) -> None:
        """Forget all planned failures."""
        self._plan.clear()

    def copy(self) -> MemoryFiles:
        """The same content, without counts and planned failures."""
        return MemoryFiles(self.content(), self.room, self.block)

    def content(self) -> dict[str, bytes]:
        return {name: bytes(data) for name, data in self.files.items()}

    def read(self, name: str, at: int = 0, most: int = -1) -> bytes | None:
        self.calls["read"] += 1
        self.read_names[name] += 1
        data = self.files.get(name)
        if data is None:
            return None
        return bytes(data[at:] if most < 0 else data[at : at + most])

    def append(self, name: str, data: bytes) -> None:
        self.calls["append"] += 1
        self.changes += 1
        careful = self._plan or self.room is not None
        if careful:
            data = self._checked(data, self.size(name))
        there = self.files.get(name)
        if there is None:
            self.files[name] = bytearray(data)
        else:
            there += data
        if careful:
            self._report()

    def write(self, name: str, data: bytes) -> None:
        self.calls["write"] += 1
        self.changes += 1
        data = self._checked(data, 0)
        self.files[name] = bytearray(data)
        self._report()

    def rename(self, old: str, new: str) -> None:
        self.calls["rename"] += 1
        self.changes += 1
        self._checked(b"", 0)
        if old not in self.files:
            raise OSError(errno.ENOENT, old)
        self.files[new] = self.files.pop(old)
        self._report()

    def remove(self, name: str) -> None:
        self.calls["remove"] += 1
        self.changes += 1
        self._checked(b"", 0)
        if name not in self.files:
            raise OSError(errno.ENOENT, name)
        del self.files[name]
        self._report()

    def names(self) -> list[str]:
        return list(self.files)

    def size(self, name: str) -> int:
        data = self.files.get(name)
        return -1 if data is None else len(data)

    def used(self) -> int:
        """Bytes in use, in whole blocks, one at least a file."""
        return sum(max(1, self._blocks(len(data))) for data in self.files.values()) * self.block

    def _blocks(self, size: int) -> int:
        return (size + self.block - 1) // self.block

    def _checked(self, data: bytes, size: int) -> bytes:
        """What of `data` reaches the flash; raises where the failure comes before that."""
        reached, code = self._planned()
        if reached == "nothing":
            raise OSError(code, "planned failure")
        if reached == "half":
            data = data[: len(data) // 2]
        if self.room is not None and data:
            more = self._blocks(max(0, size) % self.block + len(data))
            if self.used() + more * self.block > self.room:
                raise OSError(errno.ENOSPC, "no room")
        return data

    def _planned(self) -> tuple[Reached | None, int]:
        return self._plan.get(self.changes) or self._plan.get(0) or (None, 0)

    def _report(self) -> None:
        if self._plan and (planned := self._planned())[0] is not None:
            raise OSError(planned[1], "planned failure")
