"""One journal record as one line of text: written by `seal.py`, read here, nowhere else.

A line is `sequence delta kind fields... ["text] crc`: decimal numbers, the delta in engine seconds
from the record before, trailing zero fields left out, and a CRC-32 (IEEE 802.3, eight hex digits)
of all that stands before the last space. This module never touches files and never judges what a
record means; `state.py` does that.
"""

from binascii import crc32

from aliquot.core.seal import line

_PAD = (0,) * 12


def encode(seq: int, dt_s: int, kind: str, fields: "tuple[int, ...]", text: str = "") -> str:
    """Return the line of a record as text, with its newline (see `seal.line`)."""
    return line(seq, dt_s, kind, fields, text).decode()


def check(found: bytes) -> bytes:
    """Return the body of a line (without its newline); ValueError when the CRC does not fit."""
    body, _, crc = found.rpartition(b" ")
    if not body or crc != b"%08x" % crc32(body):
        raise ValueError("checksum")
    return body


def decode(found: bytes) -> tuple[int, int, str, tuple[int, ...], str]:
    """Return (sequence, delta in seconds, kind, fields, text) of a line without its newline.

    Twelve zeros stand behind the fields, for those left out. ValueError for anything damaged.
    """
    head, _, text = str(check(found), "utf-8").partition(' "')
    part = head.split(" ")
    if len(part) < 3:
        raise ValueError("too short")
    fields = tuple([int(x) for x in part[3:]])
    return int(part[0]), int(part[1]), part[2], fields + _PAD, text
