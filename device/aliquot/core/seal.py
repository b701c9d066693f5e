"""Writes one journal record as a line of text; `records.py` says what it holds and reads it."""

from binascii import crc32


def line(seq: int, dt_s: int, kind: str, fields: "tuple[int, ...]", text: str = "") -> bytes:
    """Return the line of a record, with its newline."""
    n = len(fields)
    while n and not fields[n - 1]:
        n -= 1
    own = "%d %d %s" % (seq, dt_s, kind) + " %d" * n % fields[:n]
    if text:
        own += ' "' + text
    body = own.encode()
    return b"%s %08x\n" % (body, crc32(body))
