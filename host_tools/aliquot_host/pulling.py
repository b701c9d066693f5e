"""A board's journal onto the desk: a folder of segments that only grows.

The board keeps the last segments, the folder keeps all: a segment that is there is only added to,
and one that the board has dropped since stays. Each file is written beside its old form and then
renamed, so a line that breaks loses nothing and the next pull goes on. Nothing is mended, and what
is another board's journal is refused.
"""

from __future__ import annotations

import dataclasses
import hashlib
import os
from collections.abc import Iterable, Iterator
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
GROWING = "ja"  # families of files that are only ever added to
CHANGING = 2  # files of day totals that what is put away next may still change
NEWEST = 2
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


class Newest:
    """A board that owns to its `most` newest segments alone, and to the files named in `also`."""

    def __init__(self, board: Board, most: int = NEWEST, also: tuple[str, ...] = ()) -> None:
        self.board = board
        self.most = most
        self.also = also
        self.tell = board.tell

    def ask(self, do: str, **words: object) -> Reply:
        """The reply, without older files."""
        reply = self.board.ask(do, **words)
        if do == "files":
            numbers = _numbers([str(name) for name, _ in reply["files"]], "j")
            kept = [segment.name_of(n) for n in numbers[-self.most :]]
            reply["files"] = [one for one in reply["files"] if one[0] in (*kept, *self.also)]
        return reply


@dataclasses.dataclass
class Pulled:
    """What a pull did: bytes read, files added to, segments that are new."""

    read: int = 0
    files: int = 0
    segments: int = 0


def listed(board: Board) -> dict[str, int]:
    """The files of the journal on a board, and the set-up and the last crash, with their sizes."""
    there = {str(name): int(size) for name, size in board.ask("files")["files"]}
    kept = [SETUP, CRASH]
    for family in FAMILIES:
        kept += [segment.name_of(n, family) for n in _numbers(there, family)]
    return {name: there[name] for name in kept if name in there}


def _numbers(names: Iterable[str], family: str) -> list[int]:
    return segment.numbers(MemoryFiles(dict.fromkeys(names, b"")), family)


def missing(
    folder: Path, there: dict[str, int], first: bool, digest: str = ""
) -> dict[str, tuple[int, int]]:
    """What is to be read: name -> (from, to). Segments and acts only grow. Day totals change
    without growing, the newest of them: those are read anew in the first round, as is the set-up,
    unless it is the one with SHA-256 `digest`."""
    found: dict[str, tuple[int, int]] = {}
    changing = {segment.name_of(n, "d") for n in _numbers(there, "d")[-CHANGING:]} | {CRASH}
    if not digest or not _is(folder / SETUP, digest):
        changing.add(SETUP)
    for name, size in there.items():
        path = folder / name
        known = path.stat().st_size if path.is_file() else 0
        if name[0] in GROWING and known > size:
            raise _other(folder, name)
        again = known != size or (first and name in changing)
        at = known if name[0] in GROWING else 0 if again else size
        if at < size:
            found[name] = (at, size)
    return found


def _is(path: Path, digest: str) -> bool:
    return path.is_file() and hashlib.sha256(path.read_bytes()).hexdigest() == digest


def pull(board: Board, folder: Path) -> Iterator[tuple[int, int, Pulled]]:
    """Read what the folder lacks; yields (bytes read, bytes in all, what was done) on the way.

    Whatever ends it early, what was read of a growing file is kept. BadInput where a segment on
    the board is not the one in the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    done = Pulled()
    digest = str(board.ask("status").get("hash", "")) if (folder / SETUP).exists() else ""
    for turn in range(ROUNDS):
        there = listed(board)
        wanted = missing(folder, there, turn == 0, digest)
        if turn == 0:
            _same_board(board, folder, there, wanted)
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


def _same_board(
    board: Board, folder: Path, there: dict[str, int], wanted: dict[str, tuple[int, int]]
) -> None:
    """Where no segment goes on, the end of the newest that both have must be the same."""
    both = [name for name in there if name[0] == "j" and (folder / name).is_file()]
    if both and not any(name in wanted for name in both):
        _check(board, folder, both[-1], (folder / both[-1]).read_bytes())


def _check(board: Board, folder: Path, name: str, old: bytes) -> None:
    back = min(SAME, len(old))
    if back and _piece(board, name, len(old) - back, back) not in (old[-back:], None):
        raise _other(folder, name)


def _file(board: Board, folder: Path, name: str, at: int, end: int) -> Iterator[bytes]:
    old = (folder / name).read_bytes() if at else b""
    if at:
        _check(board, folder, name, old)
    new = b""
    whole = False
    try:
        while at + len(new) < end:
            data = _piece(board, name, at + len(new), min(READ, end - at - len(new)))
            if not data:
                return  # the board dropped it meanwhile
            new += data
            yield data
        whole = True
    finally:
        if new and (whole or name[0] in GROWING):
            _write(folder / name, old + new)


def _write(path: Path, data: bytes) -> None:
    """The whole file or the old one, whenever this ends."""
    beside = path.with_name(path.name + ".part")
    with beside.open("wb") as file:
        file.write(data)
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
