"""Dividing, counting and the 24-hour ring. Runs on both interpreters."""

from aliquot.core.amounts import part, run_s, scaled, share, to_counts, to_ul
from aliquot.core.window import Window

# Worked out by hand from the dividing rule; checked exhaustively in the unit tests.
DIVIDED = (
    (7, 12, (1, 0, 1, 0, 1, 1, 0, 1, 0, 1, 0, 1)),
    (5, 8, (1, 0, 1, 1, 0, 1, 0, 1)),
    (3, 7, (0, 1, 0, 1, 0, 1, 0)),
)
# Volume in microlitres, a calibration (counts, microlitres): small, usual, and past 31 bits.
CALIBRATIONS = ((12800, 10020), (1, 1), (637, 10000), (3, 7), (999983, 1000003), (2000000, 900))
VOLUMES = (0, 1, 99, 100, 1520, 1521, 4000, 36500, 1000000, 16777217, 1073741824)


def main():
    for total, n, wanted in DIVIDED:
        got = tuple([part(total, n, i) for i in range(n)])
        print(total, n, got, got == wanted)
    for total in (0, 1, 130, 36500, 99999999, 4294967297):
        for n in (1, 2, 24, 144):
            parts = [part(total, n, i) for i in range(n)]
            print(total, n, min(parts), max(parts), sum(parts))
        print([share(total, before, w, 17) for before, w in ((0, 3), (3, 5), (8, 9))])
    for counts, ul in CALIBRATIONS:
        rem = 0
        for volume in VOLUMES:
            given = to_counts(volume, counts, ul, rem)
            rem += volume * counts - given * ul
            print(volume, given, rem, to_ul(given, counts, ul, 0), run_s(given, 500))
        print(scaled(rem, 10021, ul), scaled(-rem, 9, ul))
    ring()


def ring():
    ring = Window()
    now = 0
    seed = 7
    for _ in range(400):
        seed = (seed * 1103515245 + 12345) % 2147483648
        now += seed % 5000
        ring.add(now, now - seed % 60, 1 + seed % 4001)
        print(
            now, len(ring.data), ring.total_ul, ring.used_ul(now + 40000), ring.frees_s(now, 9000)
        )
