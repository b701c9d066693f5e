"""Dividing volumes and turning microlitres into counts, exactly and for ever.

Nothing here rounds twice: what a conversion leaves over is carried to the next one, so the counts
given are never further than half a count from the volume they stand for. Integers only; this
module keeps no state and knows no pump.
"""


def part(total: int, n: int, i: int) -> int:
    """Return part i (from 0) of `total` divided into `n`: parts differ by at most 1, sum exactly,
    and their running sum is never more than one half from the ideal line."""
    return (2 * (i + 1) * total + n) // (2 * n) - (2 * i * total + n) // (2 * n)


def share(total: int, before: int, weight: int, weights: int) -> int:
    """Return the share of `total` for `weight` after `before` of all `weights`; sums are exact."""
    n = 2 * weights
    return (2 * (before + weight) * total + weights) // n - (2 * before * total + weights) // n


def to_counts(ul: int, cal_counts: int, cal_ul: int, rem: int) -> int:
    """Return the counts for `ul`, with `rem` (in 1/cal_ul of a count) carried in."""
    return (2 * (ul * cal_counts + rem) + cal_ul) // (2 * cal_ul)


def to_ul(counts: int, cal_counts: int, cal_ul: int, rem: int) -> int:
    """Return the microlitres that `counts` account for, with `rem` carried in as above."""
    ul = (2 * (counts * cal_ul - rem) + cal_counts) // (2 * cal_counts)
    return ul if ul > 0 else 0


def scaled(rem: int, new_ul: int, old_ul: int) -> int:
    """Return the remainder `rem` in units of another calibration's volume, to the nearest."""
    return (2 * rem * new_ul + old_ul) // (2 * old_ul)


def run_s(counts: int, speed_cps: int) -> int:
    """Return the seconds of a run of `counts` at `speed_cps` counts a second, rounded up."""
    return (counts + speed_cps - 1) // speed_cps
