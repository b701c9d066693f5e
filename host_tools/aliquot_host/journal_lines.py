"""Reads journal lines as a stranger would: from the bytes alone, with nothing of Aliquot's core.

It is the outside view for `checks.py`. What the format is stands in DEVELOPERS.md; this module
knows the form of a line and of a segment's opening, and nothing of what a record means.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import NamedTuple
from zlib import crc32

_LINE = re.compile(rb'\d+ \d+ ~?[A-Za-z](?: -?\d+)*(?: "[^\n]*)?')
_SNAPSHOT_MOST = 4096
_STATE_NUMBERS = 13
_CHANNEL_NUMBERS = 24
_TOTALS = 12


class Bad(ValueError):
    """Not what a line or an opening must be."""


class Record(NamedTuple):
    """seq and kind; dt_s: engine seconds since the record before; fields without zeros behind."""

    seq: int
    dt_s: int
    kind: str
    fields: list[int]
    text: str


class Part(NamedTuple):
    """A channel in a snapshot, list by list; ring: (age in seconds, microlitres) of each place."""

    own: list[int]
    over: list[int]
    owed: list[int]
    extra: list[int]
    faults: list[int]
    totals: list[int]
    ring: list[tuple[int, int]]


class Snapshot(NamedTuple):
    """A state as its lines tell it; open: the run under way; channels by id, in order."""

    own: list[int]
    requests: list[int]
    dogs: list[int]
    faults: list[int]
    open: list[int]
    hash: str
    channels: dict[str, Part]


class Opening(NamedTuple):
    """What a segment opens with. extra: records in it that are not in the snapshot."""

    number: int
    snapshot: Snapshot
    extra: list[Record]


def record(line: bytes) -> Record:
    """The record of a line without its newline; Bad where the checksum or the form is wrong."""
    body, _, crc = line.rpartition(b" ")
    if crc != b"%08x" % crc32(body):
        raise Bad("the checksum does not fit")
    if not _LINE.fullmatch(body):
        raise Bad("not the form of a record")
    head, _, text = body.partition(b' "')
    part = head.split(b" ")
    fields = [*map(int, part[3:])]
    if fields and not fields[-1]:
        raise Bad("a zero is written at the end")
    return Record(int(part[0]), int(part[1]), part[2].decode(), fields, text.decode())


def is_segment(name: str) -> bool:
    """Whether a file is a segment of the journal."""
    return name[:1] == "j" and name[1:9].isdigit() and name[9:] == ".txt"


def opening(data: bytes) -> Opening:
    """Everything that a segment is opened with; Bad where it is not whole."""
    if data[-1:] != b"\n":
        raise Bad("the opening has no end")
    lines = data[:-1].split(b"\n")
    body: list[str] = []
    extra: list[Record] = []
    for line in lines:
        if line[:2] == b"S ":
            text, _, crc = line.rpartition(b" ")
            if b"%08x" % crc32(text) != crc:
                raise Bad("the checksum of an opening does not fit")
            body.append(text[2:].decode())
        else:
            extra.append(record(line))
    if len(body) < 4 or body[-1] != f"end {len(lines) - 1}":
        raise Bad("the opening counts its lines wrong")
    head = body[0].split(" ")
    if head[:2] != ["aliquot-journal", "1"] or len(head) != 4:
        raise Bad("the opening has no head")
    if sum(len(line) + 1 for line in body[1:-1]) > _SNAPSHOT_MOST:
        raise Bad("the snapshot is larger than 4 KB")
    found = snapshot(body[1:-1])
    if found.own[0] != int(head[3]):
        raise Bad("the snapshot does not fit its head")
    return Opening(int(head[2]), found, extra)


def snapshot(body: Sequence[str]) -> Snapshot:
    """The state that lines tell; Bad where they are not a state's."""
    own, requests, dogs, faults, run = _parts(body[0], 5)
    names = body[1].split(" ")
    if len(own) != _STATE_NUMBERS or len(body) != len(names) + 1:
        raise Bad("the snapshot of the state has other numbers")
    digest = "" if names[0] == "-" else names[0]
    found = Snapshot(own, requests, dogs, faults, run, digest, {})
    for name, line in zip(names[1:], body[2:], strict=True):
        numbers, over, owed, extra, faults, totals, ring = _parts(line, 7)
        if len(numbers) != _CHANNEL_NUMBERS or len(totals) != _TOTALS:
            raise Bad("the snapshot of a channel has other numbers")
        found.channels[name] = Part(numbers, over, owed, extra, faults, totals, _ring(ring))
    return found


def _parts(line: str, n: int) -> list[list[int]]:
    part = line.split(";")
    if len(part) != n:
        raise Bad("the snapshot has other parts")
    return [[int(word) for word in words.split(" ")] if words else [] for words in part]


def _ring(numbers: list[int]) -> list[tuple[int, int]]:
    """Each place, from the second differences of ages and the differences of volumes."""
    found: list[tuple[int, int]] = []
    age = step = ul = 0
    for i in range(1, len(numbers) - 1, 2):
        step += numbers[i]
        age += step
        ul += numbers[i + 1]
        found.append((age, ul))
    return found
