"""A board's journal onto the desk: a folder of segments that only grows.

The board keeps the last segments, the folder keeps all: a segment that is there is only added to,
and one that the board has dropped since stays. Each file is written beside its old form and then
renamed, so a line that breaks loses nothing and the next pull goes on. Nothing is mended, and what
is another board's journal is refused.
"""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Protocol

from aliquot.store import segment
from aliquot_host import errors
from aliquot_host.line import Reply
from aliquot_host.memory_files import MemoryFiles

READ = 768
SAME = 64  # bytes before the end of what is known that must be the same on the board
ROUNDS = 4  # a board writes while it is read
FAMILIES = "jad"
SETUP = "setup.json"
CRASH = "crash.txt"


class Board(Protocol):
    """Whatever answers orders: a `line.Client`."""

    def ask(self, do: str, **words: object) -> Reply:
        """The reply to an order."""
        ...

    def tell(self, do: str, **words: object) -> Reply:
        """The same, a refusal too."""
        ...


@dataclasses.dataclass
class Pulled:
    """What a pull did: bytes read, files added to, segments that are new."""

    read: int = 0
    files: int = 0
    segments: int = 0


def listed(board: Board) -> dict[str, int]:
    """The files of the journal on a board, and the set-up and the last crash, with their sizes."""
    there = {str(name): int(size) for name, size in board.ask("files")["files"]}
    names = MemoryFiles(dict.fromkeys(there, b""))
    kept = [SETUP, CRASH]
    for family in FAMILIES:
        kept += [segment.name_of(n, family) for n in segment.numbers(names, family)]
    return {name: there[name] for name in kept if name in there}


def missing(folder: Path, there: dict[str, int], first: bool) -> dict[str, tuple[int, int]]:
    """What is to be read: name -> (from, to). Segments only grow; other files, which may change
    without growing, are read anew in the first round."""
    found: dict[str, tuple[int, int]] = {}
    for name, size in there.items():
        path = folder / name
        known = path.stat().st_size if path.is_file() else 0
        if name[0] == "j" and known <= size:
            at = known
        elif name[0] == "j":
            raise _other(folder, name)
        else:
            at = 0 if known != size or first else size
        if at < size:
            found[name] = (at, size)
    return found


def pull(board: Board, folder: Path) -> Iterator[tuple[int, int, Pulled]]:
    """Read what the folder lacks; yields (bytes read, bytes in all, what was done) on the way.

    BadInput where a segment on the board is not the one in the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    done = Pulled()
    for turn in range(ROUNDS):
        wanted = missing(folder, listed(board), turn == 0)
        if not wanted:
            break
        whole = done.read + sum(end - at for at, end in wanted.values())
        for name, (at, end) in wanted.items():
            for data in _file(board, folder, name, at, end):
                done.read += len(data)
                yield done.read, whole, done
            done.files += 1
            done.segments += at == 0 and name[0] == "j"
    yield done.read, max(1, done.read), done


def _file(board: Board, folder: Path, name: str, at: int, end: int) -> Iterator[bytes]:
    path = folder / name
    old = path.read_bytes() if at else b""
    if at:
        back = min(SAME, at)
        if _piece(board, name, at - back, back) not in (old[-back:], None):
            raise _other(folder, name)
    new = b""
    while at + len(new) < end:
        data = _piece(board, name, at + len(new), min(READ, end - at - len(new)))
        if not data:
            return  # the board dropped it meanwhile; what is here is kept
        new += data
        yield data
    beside = folder / (name + ".part")
    with beside.open("wb") as file:
        file.write(old + new)
        file.flush()
        os.fsync(file.fileno())
    beside.replace(path)


def _piece(board: Board, name: str, at: int, most: int) -> bytes | None:
    reply = board.tell("read", name=name, at=at, most=most)
    return bytes.fromhex(str(reply["hex"])) if reply.get("ok") else None


def _other(folder: Path, name: str) -> errors.BadInput:
    return errors.bad(
        "ARCHIVE",
        str(folder),
        limit="a folder of this board's own",
        advice=f"{name} there is not what the board has: pull another board into another folder.",
    )
