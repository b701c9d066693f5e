"""What a journal segment looks like on flash: its name, its opening, its lines.

A segment opens with one write that holds the whole state: `S aliquot-journal 1 <number>
<sequence>`, the lines of the snapshot, and `S end <lines before>`, each with its CRC-32 like a
record. Records that a recovery had to add stand before the end: they are there with it or not at
all. Then come the records. This module writes nothing; start-up and rotation import it on demand.
"""

from binascii import crc32

from aliquot.core import snapshot
from aliquot.core.records import check, decode
from aliquot.core.state import State
from aliquot.store.journal import LINE_MOST, SEGMENT_MOST

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from aliquot.store.files import Files

    Record = tuple[int, int, str, tuple[int, ...], str]
    Line = tuple[bytes | None, bool, int]

VERSION = "1"
# What damaged bytes with a good checksum, or records after lost ones, can raise in the fold.
DAMAGE = (ArithmeticError, AttributeError, LookupError, TypeError, ValueError)
_PIECE = 1024
_SHORTEST = 15  # bytes of `1 0 t 12345678` and its newline


def name_of(number: int, family: str = "j") -> str:
    """Return the file name of a segment, or of a file of another family."""
    return "%s%08d.txt" % (family, number)


def numbers(files: "Files", family: str = "j") -> list[int]:
    """Return the numbers of a family's files, rising; names that only look alike do not count."""
    out: list[int] = []
    for name in files.names():
        if name[:1] == family and name[1:9].isdigit() and name == name_of(int(name[1:9]), family):
            out.append(int(name[1:9]))
    out.sort()
    return out


def opening(state: State, number: int, extra: "tuple[bytes, ...]" = ()) -> bytes:
    """Return the bytes that open segment `number`; `extra`: lines of records not in `state`."""
    lines = ["aliquot-journal %s %d %d" % (VERSION, number, state.seq)] + snapshot.dump(state)
    data = b"".join([_sealed(line) for line in lines])
    return data + b"".join(extra) + _sealed("end %d" % (len(lines) + len(extra)))


def _sealed(body: str) -> bytes:
    data = b"S " + body.encode()
    return b"%s %08x\n" % (data, crc32(data))


def head(line: bytes) -> "tuple[int, int]":
    """Return (number, sequence) of an opening's first line; ValueError for any other line."""
    part = str(check(line), "utf-8").split(" ")
    if part[:2] != ["S", "aliquot-journal"] or len(part) != 5:
        raise ValueError("not the head of a segment")
    if part[2] != VERSION:
        raise NotImplementedError("journal version " + part[2])
    return int(part[3]), int(part[4])


def sequence(files: "Files", name: str) -> int:
    """Return the sequence number that a segment's opening stands at, -1 when it cannot be read."""
    try:
        return head((files.read(name, 0, 80) or b"").split(b"\n")[0])[1]
    except (NotImplementedError, OSError, ValueError):
        return -1


def lines(files: "Files", name: str, at: int = 0) -> "Iterator[Line]":
    """Yield (line without newline, whether the newline is there, where the line starts).

    Whatever the file holds, no more than a segment is read: a line too long comes in pieces, and
    None stands for a rest that cannot be read.
    """
    rest = b""
    for _ in range(SEGMENT_MOST // _PIECE + 2):
        try:
            piece = files.read(name, at + len(rest), _PIECE)
        except OSError:
            yield None, True, at
            return
        if not piece:
            break
        whole = (rest + piece).split(b"\n")
        rest = whole.pop()
        for line in whole:
            yield line, True, at
            at += len(line) + 1
        if len(rest) > LINE_MOST:
            yield rest, True, at
            at += len(rest)
            rest = b""
    else:
        yield None, True, at
        return
    if rest:
        yield rest, False, at


def opened(source: "Iterator[Line]", number: int) -> "State | None":
    """Take the opening off `source` (see `lines`) and return its State; None when it is damaged.

    NotImplementedError: it is whole, but of another version of the format.
    """
    body: list[str] = []
    extra: list[Record] = []
    seq = -1
    for n, (line, ended, _) in enumerate(source):
        try:
            line = line or b""
            text = str(check(line), "utf-8")
            if not ended:
                return None
            if not n:
                own, seq = head(line)
                if own != number:
                    return None
            elif text[:6] == "S end ":
                return _state(body, extra, seq) if int(text[6:]) == n else None
            elif text[:2] == "S ":
                body.append(text[2:])
            else:
                extra.append(decode(line))
        except ValueError:
            return None
    return None


def _state(body: list[str], extra: "list[Record]", seq: int) -> "State | None":
    try:
        state = snapshot.load(body)
        if state.seq != seq:
            return None
        for own, dt_s, kind, fields, text in extra:
            state.apply(dt_s, kind, fields, text)
            if state.seq != own:
                return None
    except DAMAGE:
        return None
    return state


def record(line: "bytes | None") -> "Record | None":
    """Return the record of a line (see `records.decode`), None for any other line."""
    try:
        return decode(line) if line and len(line) < LINE_MOST else None
    except ValueError:
        return None


def most_records(size: int) -> int:
    """Return how many records `size` bytes can have held."""
    return (size + _SHORTEST - 1) // _SHORTEST


def fold(
    state: State,
    source: "Iterator[Line]",
    name: str,
    findings: "list[tuple[str, str, int, int]]",
    limit: int = -1,
    each: "Callable[[State, Record], None] | None" = None,
) -> int:
    """Add the records of `source` up to sequence `limit` to `state`; return how many were lost.

    What was found goes to `findings` as (word, file, first number, how many): `tail`, a last line
    cut short, which counts as never written; `gap`, numbers whose records are lost; `stray`, a
    line that belongs to no missing number; `misfit`, a record that cannot follow those before it;
    `foreign`, one of a kind that is not known here. `each(state, record)` runs after each record.

    A last line that is bad but whole is no tail: an append is one write, so it was damaged later.
    """
    lost = bad = 0
    for line, ended, _ in source:
        found = record(line)
        if not found and not ended:
            found = record((line or b"")[:-1])  # whole but for a flipped newline
            if not found:
                findings.append(("tail", name, state.seq + 1, 0))
                break
        if not found:
            bad += SEGMENT_MOST if line is None else len(line) + 1
            continue
        seq = found[0]
        if 0 <= limit < seq:
            break
        if seq <= state.seq or (bad and seq == state.seq + 1):
            findings.append(("stray", name, seq, 0))
        if seq <= state.seq:
            continue
        if not ended:
            findings.append(("tail", name, seq + 1, 0))
        bad = 0
        lost += _add(state, found, name, findings)
        if each:
            each(state, found)
    if bad:
        # How many they were cannot be known: the most possible, so that no number is used twice.
        n = most_records(bad)
        findings.append(("gap", name, state.seq + 1, n))
        state.seq += n
        lost += n
    return lost


def _add(
    state: State, found: "Record", name: str, findings: "list[tuple[str, str, int, int]]"
) -> int:
    """Add one record to `state`; return how many before it, or with it, were lost."""
    seq, dt_s, kind, fields, text = found
    lost = seq - state.seq - 1
    if lost:
        findings.append(("gap", name, state.seq + 1, lost))
    state.seq = seq - 1
    try:
        state.apply(dt_s, kind, fields, text)
    except DAMAGE:
        findings.append(("misfit", name, seq, 1))
        state.seq = seq
        lost += 1
    if state.foreign == seq:
        findings.append(("foreign", name, seq, 1))
    return lost
