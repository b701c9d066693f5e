"""Packets of the domain name system: which address a name has. Pure: it sends nothing.

RFC 1035, section 4: one question for an A record, and an answer of which only the way from the
name that was asked to its first address is followed. Whatever is odd is no answer.
"""

PORT = 53
# A packet over UDP is no longer (section 2.3.4).
SIZE_MOST = 512
RECORDS_MOST = 32
HOPS_MOST = 16
NAME_MOST = 255
A, CNAME, IN = 1, 5, 1


def ask(name: str, number: int) -> bytes:
    """A question with its id, `number` of 16 bits: recursion wanted. ValueError for no name."""
    packed = b""
    for label in name.encode().split(b"."):
        if not 1 <= len(label) <= 63:
            raise ValueError("no name: " + name)
        packed += bytes((len(label),)) + label
    head = bytes((number >> 8, number & 255, 1, 0, 0, 1, 0, 0, 0, 0, 0, 0))
    return head + packed + b"\x00\x00\x01\x00\x01"


def understand(data: bytes, asked: bytes) -> str:
    """The address that an answer to the question `asked` gives, dotted; "" where it gives none."""
    # An answer, of a plain question, not cut off, without an error; the same question again.
    same = len(data) >= len(asked) and data[:2] == asked[:2] and data[4:6] == asked[4:6]
    if not same or len(data) > SIZE_MOST or data[2] & 0xFA != 0x80 or data[3] & 0x0F:
        return ""
    if data[12 : len(asked)].lower() != asked[12:].lower():
        return ""
    name, at = _name(data, 12)
    at += 4
    for _ in range(min(RECORDS_MOST, _number(data, 6))):
        owner, at = _name(data, at)
        if at < 0 or at + 10 > len(data):
            return ""
        kind, group, size = _number(data, at), _number(data, at + 2), _number(data, at + 8)
        at += 10
        if at + size > len(data):
            return ""
        if group == IN and owner == name:
            if kind == A and size == 4:
                return ".".join([str(byte) for byte in data[at : at + 4]])
            if kind == CNAME:
                name, end = _name(data, at)
                if end < 0:
                    return ""
        at += size
    return ""


def _number(data: bytes, at: int) -> int:
    return data[at] << 8 | data[at + 1]


def _name(data: bytes, at: int) -> "tuple[bytes, int]":
    """(name in small letters, where it ends); end -1 where it is none (section 4.1.4)."""
    name = b""
    end = -1
    for _ in range(NAME_MOST):
        if at >= len(data):
            break
        size = data[at]
        if size == 0:
            return name, end if end >= 0 else at + 1
        if size >= 0xC0:
            # A pointer: to a place before it, so that no two can lead in a circle.
            if at + 1 >= len(data):
                break
            to = (size & 0x3F) << 8 | data[at + 1]
            end = end if end >= 0 else at + 2
            if to >= at:
                break
            at = to
            continue
        if size >= 0x40 or at + 1 + size > len(data) or len(name) + size >= NAME_MOST:
            break
        name += data[at + 1 : at + 1 + size].lower() + b"."
        at += 1 + size
    return b"", -1
