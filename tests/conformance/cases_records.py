"""Journal lines, the fold and the snapshot. Runs on both interpreters."""

from aliquot.core.records import decode, encode
from aliquot.core.snapshot import dump, load
from aliquot.core.state import State

RECORDS = (
    (1, 0, "B", (0,), ""),
    (2, 3600, "t", (), ""),
    (845, 12, "I", (0, 3600, 17, 1521, 1943, 0, 0, 0), ""),
    (2147483648, 1073741824, "T", (-1073741825, 2, 0, 0), ""),
    (9, 1, "E", (3, 255, 77), 'Sunday: 7.9 "dKH", 21 \u00b0C'),
)
DAMAGED = (
    b"",
    b"x",
    b"1 2 I 1 2 3 00000000",
    b"1 2 I 1 2 3 d378d33d",
    b"1  I d378d33c",
    b"\xff\xfe",
)
# What a small tank lives through: (delta in seconds, kind, fields, text).
LIFE = (
    (0, "C", (800000000, 0, 1, 1, 12800, 10020, 0, 5, 500001, 0, 1, 637, 10000, 3, 5, 0, 24000),
     "ab12 alk cal"),
    (1, "T", (800000000, 2, 1, 0), ""),
    (5, "I", (0, 600, 0, 1521, 1943, 9496, 0, 0), ""),
    (5, "O", (0,), ""),
    (600, "I", (1, 1200, 0, 1000, 64, 9496, 0, 0), ""),
    (9, "O", (1, -11, 2, 150), ""),
    (3, "M", (0, 3600, 3, 3, 4563, 0, 0, 4563, 0, 0, 1), ""),
    (40, "L", (0, 63), ""),
    (2, "P", (0, 50, 6, 2), ""),
    (2, "D", (1, -250, 9497, 3, 800003000, 3), ""),
    (2, "X", (0, 2000, 0, 1, 4), ""),
    (60, "J", (0, 2000, 2554, 1), ""),
    (7, "U", (0, 9), ""),
    (1, "B", (2,), ""),
    (8, "K", (0, 12800, 10100, 0, 5, 6), ""),
    (8, "Z", (1, 4, 1), ""),
    (8, "z", (1, 1, 7), ""),
    (8, "F", (0, 400000, 8), ""),
    (8, "H", (255, 0, 9), ""),
    (8, "~later", (1, 2, 3), "from the future"),
    (8, "h", (255, 0, 10), ""),
)  # fmt: skip


def main():
    for seq, dt_s, kind, fields, text in RECORDS:
        line = encode(seq, dt_s, kind, fields, text)
        *numbers, words = decode(line[:-1].encode())
        print(line, numbers, words)
    for line in DAMAGED:
        try:
            print(decode(line))
        except (ValueError, UnicodeError) as error:
            print(line, isinstance(error, ValueError))
    state = State()
    for dt_s, kind, fields, text in LIFE:
        state.apply(dt_s, kind, fields + (0,) * 12, text)
        lines = dump(state)
        print(kind, lines, dump(load(lines)) == lines)
