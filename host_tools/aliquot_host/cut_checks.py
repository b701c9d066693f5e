"""Reads the files of a journal with its own eyes: lines, checksums, numbers, what was put away.

Knows the format from its description alone and uses nothing of `store`, so that a mistake there
cannot hide here. It looks and never writes.
"""

from __future__ import annotations

import dataclasses
import zlib
from collections.abc import Iterator, Mapping
from typing import NamedTuple

from aliquot.store.files import Files

IDLE = frozenset("IOUMRSJt")  # kinds that are not acts: only acts outlive their segment
PADDED = 12


class Broken(AssertionError):
    """An invariant that does not hold: its number, and what was seen."""

    def __init__(self, number: str, text: str) -> None:
        self.number = number
        self.text = text
        super().__init__(f"{number}: {text}")


class Row(NamedTuple):
    """One record as it stands on flash."""

    seq: int
    dt_s: int
    kind: str
    fields: tuple[int, ...]
    text: str


@dataclasses.dataclass
class Segment:
    """One segment: the number its opening stands at (-1: unreadable), snapshot lines, records.

    bad: lines that are whole and damaged. torn: whether the last line is cut short."""

    number: int
    seq: int
    snapshot: list[str]
    rows: list[Row]
    bad: int
    torn: bool


def checked(line: bytes) -> str | None:
    """The body of a line whose CRC-32 fits, else None."""
    body, _, crc = line.rpartition(b" ")
    if not body or crc != b"%08x" % zlib.crc32(body):
        return None
    try:
        return body.decode("utf-8")
    except UnicodeDecodeError:
        return None


def row(body: str) -> Row:
    head, _, text = body.partition(' "')
    part = head.split(" ")
    fields = tuple(int(x) for x in part[3:])
    return Row(int(part[0]), int(part[1]), part[2], fields, text)


def plain(fields: tuple[int, ...]) -> tuple[int, ...]:
    """Fields without the zeros behind them, as a line has them."""
    n = len(fields)
    while n and not fields[n - 1]:
        n -= 1
    return fields[:n]


def family(files: Files, letter: str) -> Iterator[tuple[int, bytes]]:
    """(number, content) of the files of a family, rising."""
    for name in sorted(files.names()):
        if name[:1] == letter and name[1:9].isdigit() and name[9:] == ".txt":
            yield int(name[1:9]), files.read(name) or b""


def segments(files: Files) -> list[Segment]:
    """All segments that are not empty, oldest first."""
    return [segment(number, data) for number, data in family(files, "j") if data]


def last_rows(files: Files, n: int = 2) -> list[Row]:
    """The last records of the newest segments that have any, without a look at the rest."""
    names = sorted((x for x in files.names() if x[:1] == "j" and x[9:] == ".txt"), reverse=True)
    for name in names[:3]:
        bodies = map(checked, (files.read(name) or b"").split(b"\n")[:-1][-n:])
        found = [row(body) for body in bodies if body and not body.startswith("S ")]
        if found:
            return found
    return []


def segment(number: int, data: bytes) -> Segment:
    found = Segment(number, -1, [], [], 0, False)
    *lines, rest = data.split(b"\n")
    found.torn = bool(rest)
    ended = False
    for line in lines:
        body = checked(line)
        if body is None:
            found.bad += 1
        elif body.startswith("S aliquot-journal 1 "):
            found.seq = int(body.split(" ")[4])
        elif body.startswith("S end "):
            ended = True
        elif body.startswith("S "):
            found.snapshot.append(body[2:])
        else:
            found.rows.append(row(body))
    if not ended:
        found.seq = -1
    return found


def journal(found: list[Segment], damaged: bool) -> list[Row]:
    """The records that count, contiguous (S24); `damaged`: bits were flipped, gaps are allowed."""
    out: list[Row] = []
    whole = [one for one in found if one.seq >= 0]
    for place, one in enumerate(whole):
        limit = whole[place + 1].seq if place + 1 < len(whole) else None
        if one.bad and not damaged:
            raise Broken("S24", f"segment {one.number} has {one.bad} damaged lines")
        if one.torn and limit is not None and limit < one.seq:
            raise Broken("S24", f"segment {one.number} was torn and written on")
        at = one.seq
        for own in one.rows:
            if limit is not None and own.seq > limit:
                break
            if own.seq != at + 1 and not damaged:
                raise Broken("S24", f"record {own.seq} follows {at} in segment {one.number}")
            at = own.seq
            out.append(own)
        if limit is not None and at != limit and not damaged:
            raise Broken("S24", f"segment {one.number} ends at {at}, the next begins at {limit}")
    return out


def same_records(
    rows: list[Row], known: Mapping[int, Row], last: int, flipped: frozenset[int]
) -> None:
    """What the journal says is what was recorded, up to number `last` (S16, S24)."""
    for own in rows:
        told = known.get(own.seq)
        if own.seq > last or told is None or own.seq in flipped:
            continue
        if own[2:] != told[2:]:
            raise Broken("S24", f"record {own.seq} reads {own[2:]}, written was {told[2:]}")


def acts_kept(files: Files, oldest: int, known: Mapping[int, Row], damaged: bool) -> None:
    """Every act before the oldest segment is in the acts family as it was written (S24);
    `damaged`: some may be lost, but none may read otherwise."""
    last, there = -1, set[int]()
    for _, data in family(files, "a"):
        for line in data.split(b"\n")[:-1]:
            body = checked(line)
            own = row(body) if body else None
            if own and own.seq > last:
                last = own.seq
                there.add(own.seq)
                told = known.get(own.seq)
                if told and own.seq <= oldest and own[2:] != told[2:]:
                    raise Broken("S24", f"act {own.seq} was put away as {own[2:]}")
    for seq, told in known.items():
        if seq <= oldest and told.kind not in IDLE and seq not in there and not damaged:
            raise Broken("S24", f"act {seq} ({told.kind}) is in no file")


Gave = tuple[int, str, int, int, int]  # date, channel id, commanded, lower, upper


def days_kept(files: Files, gave: Mapping[int, Gave]) -> None:
    """The day totals are the sums of the outcomes that they count in, none twice (S24)."""
    lines = (line for _, data in family(files, "d") for line in data.split(b"\n"))
    for body in filter(None, map(checked, lines)):
        own = row(body)
        date, last = own.dt_s, own.seq
        names = own.text.split(" ")
        fields = own.fields + (0,) * (3 * len(names))
        for at, name in enumerate(names):
            sums = [0, 0, 0]
            for seq, (day, channel, *ul) in gave.items():
                if seq <= last and day == date and channel == name:
                    sums = [a + b for a, b in zip(sums, ul, strict=True)]
            if list(fields[3 * at : 3 * at + 3]) != sums:
                raise Broken(
                    "S24", f"day {date} of {name}: {fields[3 * at : 3 * at + 3]}, not {sums}"
                )
