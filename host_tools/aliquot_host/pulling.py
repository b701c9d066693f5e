"""A board's journal onto the desk: a folder of segments that only grows.

The board keeps its last segments, the folder keeps all, so the records in it go on without a gap
as long as pulls come before the board drops what was not read. Oldest first; a segment is only
added to; each file is written beside its old form and then renamed. A line that breaks or Ctrl-C
leaves every whole record that came, and the next pull goes on there. What the board put away
(acts and day totals) is read only where the folder lacks the segments that it came from. No record
is made up, and what is another board's journal is refused.
"""

from __future__ import annotations

import contextlib
import dataclasses
import os
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Protocol

from aliquot.store import segment
from aliquot.store.config import hash_of
from aliquot_host import archive, errors
from aliquot_host.line import Reply
from aliquot_host.memory_files import MemoryFiles

READ = 768
SAME = 64  # bytes before the end of what is known that must be the same on the board
ROUNDS = 4  # a board writes while it is read
NEWEST = 2
SETUP = "setup.json"
CRASH = "crash.txt"

# Called on the way with (bytes read, bytes in all as far as known).
Told = Callable[[int, int], None]


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
            numbers = _numbers([str(name) for name, _ in reply["files"]])
            kept = [segment.name_of(n) for n in numbers[-self.most :]]
            reply["files"] = [one for one in reply["files"] if one[0] in (*kept, *self.also)]
        return reply


@dataclasses.dataclass
class Pulled:
    """What a pull did: bytes read, files added to, segments that are new."""

    read: int = 0
    files: int = 0
    segments: int = 0


def pull(board: Board, folder: Path, told: Told = lambda at, whole: None) -> Pulled:
    """Read what the folder lacks.

    BadInput: the folder holds another journal, or cannot be written, or the line broke; whole
    records that came until then are in the folder.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as wrong:
        raise _unwritten(folder, wrong) from None
    job = _Pull(board, folder, told)
    for turn in range(ROUNDS):
        there = listed(board)
        if turn == 0:
            job.compare(there)
        if not job.round(job.missing(there, turn == 0)):
            break
    return job.done


def listed(board: Board) -> dict[str, int]:
    """The files of the journal on a board, and the set-up and the last crash, with their sizes.

    In the order in which they are read: a segment only after what was put away before it."""
    there = {str(name): int(size) for name, size in board.ask("files")["files"]}
    kept = [SETUP, CRASH]
    for family in "adj":
        kept += [segment.name_of(n, family) for n in _numbers(there, family)]
    return {name: there[name] for name in kept if name in there}


def held(folder: Path) -> list[int]:
    """The numbers of the segments in a folder, rising; none where there is no folder."""
    names = [path.name for path in folder.iterdir()] if folder.is_dir() else []
    return _numbers(names)


class _Pull:
    """One pull; `done` counts on."""

    def __init__(self, board: Board, folder: Path, told: Told) -> None:
        self.board = board
        self.folder = folder
        self.told = told
        self.done = Pulled()
        self.whole = 0

    def compare(self, there: dict[str, int]) -> None:
        """BadInput where the folder's newest segment is not one that this board wrote."""
        newest, on_board = _newest(held(self.folder)), _newest(_numbers(there))
        name = segment.name_of(newest)
        if newest > on_board and _begun(self._here(name), newest):
            raise self._other(name)
        if newest and name not in there:
            self._compare_acts(there)
        if name in there and (old := self._here(name)) and _begun(old, newest):
            at = max(0, len(old) - SAME)
            piece = _piece(self.board, name, at, SAME)
            if piece is None or piece[: len(old) - at] == old[at:]:
                return
            # One bit that turned, here or on the board's flash, makes it no other board.
            theirs = self._rest(name, there[name])
            if not _same_records(old, theirs):
                raise self._other(name)
            if _records(old).keys() <= _records(theirs).keys():
                self._keep(name, theirs, len(theirs) >= there[name])

    def _compare_acts(self, there: dict[str, int]) -> None:
        """The same where all segments of the folder are put away: an act keeps its number."""
        records = archive.read_archive(self.folder).records
        ours = {record.seq: (record.kind, record.fields, record.text) for record in records}
        for number in _numbers(there, "a"):
            name = segment.name_of(number, "a")
            for line in self._rest(name, there[name]).split(b"\n")[:-1]:
                found = segment.record(line)
                if found and ours.get(found[0], found[2:]) != found[2:]:
                    raise self._other(segment.name_of(_newest(held(self.folder))))

    def missing(self, there: dict[str, int], first: bool) -> dict[str, tuple[int, int]]:
        """What is to be read: name -> (from, to)."""
        numbers = _numbers(there)
        # Segments between the folder's newest and the board's oldest are put away. The newest may
        # have been left half read.
        hole = bool(numbers) and numbers[0] > max(1, _newest(held(self.folder)))
        found: dict[str, tuple[int, int]] = {}
        for name, size in there.items():
            at = self._from(name, size, first, hole)
            if at < size:
                found[name] = (at, size)
        return found

    def _from(self, name: str, size: int, first: bool, hole: bool) -> int:
        """The byte from which a file is to be read; its size where nothing is."""
        if name in (SETUP, CRASH):
            here = self._here(name)
            known = bool(here) and first and name == SETUP and self._adopted() == hash_of(here)
            return 0 if first and not known else size
        if name[0] == "d":
            return 0 if hole else size  # sums change in place
        old = self._here(name)
        if name[0] == "a":
            return size if not hole else len(old) if len(old) <= size else 0
        # A segment whose creation was cut is made again by the board.
        if not _begun(old, int(name[1:9])):
            return 0
        if len(old) > size:
            raise self._other(name)
        return len(old)

    def _adopted(self) -> str:
        """The hash of the board's set-up, "" where it does not say."""
        return str(self.board.tell("status").get("hash", ""))

    def round(self, wanted: dict[str, tuple[int, int]]) -> bool:
        """Read all that is wanted; whether it may be that there is more."""
        self.whole = self.done.read + sum(end - at for at, end in wanted.values())
        for name, (at, end) in wanted.items():
            if not self._fetch(name, at, end):
                break  # dropped meanwhile: what was put away with it is read first
        return bool(wanted)

    def _fetch(self, name: str, at: int, end: int) -> bool:
        """Add bytes `at` to `end` to a file in the folder; False where the board dropped it."""
        old = self._here(name)[:at]
        new = bytearray()
        try:
            while at + len(new) < end:
                data = _piece(self.board, name, at + len(new), min(READ, end - at - len(new)))
                if not data:
                    break
                new += data
                self.done.read += len(data)
                self.told(self.done.read, self.whole)
        finally:
            whole = at + len(new) >= end
            if new and (whole or name[0] in "ja"):
                self._keep(name, old + bytes(new), whole)
                self.done.segments += at == 0 and name[0] == "j"
        return whole

    def _keep(self, name: str, data: bytes, whole: bool) -> None:
        """Save a file; of one that was not read to its end, its whole lines."""
        if not whole:
            data = data[: data.rfind(b"\n") + 1]
            if name[0] == "j" and not _begun(data, int(name[1:9])):
                return
        try:
            _save(self.folder / name, data)
        except OSError as wrong:
            raise _unwritten(self.folder / name, wrong) from None
        self.done.files += 1

    def _here(self, name: str) -> bytes:
        try:
            return (self.folder / name).read_bytes()
        except FileNotFoundError:
            return b""

    def _rest(self, name: str, size: int) -> bytes:
        """A whole file of the board."""
        data = b""
        while len(data) < size and (piece := _piece(self.board, name, len(data), READ)):
            data += piece
            self.done.read += len(piece)
        return data

    def _other(self, name: str) -> errors.BadInput:
        return errors.bad(
            "ARCHIVE",
            str(self.folder),
            limit="the folder of this board's journal",
            advice=f"{name} there is not what the board has: pull another board, or one whose "
            "flash was erased, into a new folder.",
        )


def _piece(board: Board, name: str, at: int, most: int) -> bytes | None:
    """Bytes of a file on the board, None where it is not there any more."""
    reply = board.tell("read", name=name, at=at, most=most)
    if reply.get("ok"):
        return bytes.fromhex(str(reply["hex"]))
    if reply.get("field") == "name":
        return None
    raise errors.bad(
        name,
        limit="a file that the board can read",
        advice=f"The board refused it ({reply.get('field')} {reply.get('value', '')}). What "
        "was read is kept: pull again to go on.",
    )


def _numbers(names: Iterable[str], family: str = "j") -> list[int]:
    """The numbers of a family's files among names, rising."""
    return segment.numbers(MemoryFiles(dict.fromkeys(names, b"")), family)


def _newest(numbers: list[int]) -> int:
    return numbers[-1] if numbers else 0


def _begun(data: bytes, number: int) -> bool:
    """Whether a segment's bytes hold more than a part of its opening."""
    name = segment.name_of(number)
    files = MemoryFiles({name: data})
    try:
        if segment.opened(segment.lines(files, name), number) is not None:
            return True
    except NotImplementedError:
        return True
    # With a damaged opening it may still hold records.
    return bool(_records(data))


def _records(data: bytes) -> dict[int, bytes]:
    """The good records of a segment's bytes: sequence number -> line."""
    lines = data.split(b"\n")[:-1]
    return {found[0]: line for line in lines if (found := segment.record(line))}


def _same_records(here: bytes, there: bytes) -> bool:
    """Whether two forms of a segment share records and contradict each other in none."""
    ours, theirs = _records(here), _records(there)
    both = ours.keys() & theirs.keys()
    return bool(both) and all(ours[seq] == theirs[seq] for seq in both)


def _save(path: Path, data: bytes) -> None:
    """Give a file new content, whole or not at all."""
    beside = path.with_name(path.name + ".part")
    try:
        with beside.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    finally:
        with contextlib.suppress(OSError):
            beside.unlink()


def _unwritten(path: Path, wrong: OSError) -> errors.BadInput:
    advice = f"It cannot be written ({wrong.strerror}). Make room, or name another folder."
    return errors.bad(str(path), advice=advice)
