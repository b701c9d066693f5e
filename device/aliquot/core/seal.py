"""Writing one journal record as a line of text; `records.py` says what a line holds and reads it."""

from binascii import crc32


def encode(seq: int, dt_s: int, kind: str, fields: tuple[int, ...], text: str = "") -> str:
    """Return the line of a record, with its newline."""
    n = len(fields)
    while n and not fields[n - 1]:
        n -= 1
    body = "%d %d %s" % (seq, dt_s, kind)
    if n:
        body += " " + " ".join([str(x) for x in fields[:n]])
    if text:
        body += ' "' + text
    return "%s %08x\n" % (body, crc32(body.encode()))
