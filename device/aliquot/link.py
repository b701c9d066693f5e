"""The line protocol on the serial port: orders come in, replies go out, all else is skipped.

A message is one line: the record separator of RFC 7464 (0x1E), a JSON object, a tab, the CRC-32 of
the JSON text as 8 hexadecimal digits, and a line end. What the interpreter prints on the same port
has no separator and no sum, so neither end takes it for a message; a damaged line is dropped, and
its sender asks again with the same `id`. A reply bears that id as `re`. Nothing is decided here.
"""

import json
from binascii import crc32

LINE_MOST = 2048


def pack(message: "dict[str, object]") -> bytes:
    """The line of a message."""
    text = json.dumps(message).encode()
    return b"\x1e%s\t%08x\n" % (text, crc32(text))


def unpack(line: bytes) -> "dict[str, object] | None":
    """The message of a line without or with its end; None where it is none."""
    at = line.rfind(b"\x1e")
    end = line.rfind(b"\t")
    if at < 0 or end < at:
        return None
    text = line[at + 1 : end]
    if line[end + 1 :].strip() != b"%08x" % crc32(text):
        return None
    try:
        message = json.loads(text)
    except ValueError:
        return None
    return message if isinstance(message, dict) else None


class Lines:
    """Gathers bytes into lines; a line that grows longer than `most` is dropped to its end."""

    def __init__(self, most: int = LINE_MOST) -> None:
        self.most = most
        self.kept = b""
        self.lost = False

    def feed(self, data: bytes) -> "list[bytes]":
        """The lines that end in `data`."""
        parts = (self.kept + data).split(b"\n")
        self.kept = parts.pop()
        if self.lost and parts:
            parts.pop(0)
            self.lost = False
        if len(self.kept) > self.most:
            self.kept = b""
            self.lost = True
        return [part for part in parts if len(part) <= self.most]
