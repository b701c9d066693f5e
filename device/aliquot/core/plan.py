"""What a set-up asks for: the channels, and what each gives on a date before anything is spaced.

A `Setup` is the compiled form of a valid configuration (`setup.py` builds it). The functions here
answer for one channel and one date: how much, in how many doses, at which times, each how large.
Nothing here knows other channels, the journal or a pump.
"""

from aliquot.core.amounts import part, share
from aliquot.core.zone import Zone

_DAY_S = 86400


class Channel:
    """One channel as configured: attributes are whole numbers in the unit that ends their name."""

    id = ""
    daily_ul = 0
    doses = 24
    from_s = 0
    span_s = _DAY_S
    weekdays = 127  # bit 0 is Monday
    every = 1  # days, counted from start_date
    start_date = 0
    ramp: "tuple[int, ...] | None" = None  # from_ul, first date, days until daily_ul
    at: "tuple[tuple[int, int], ...] | None" = None  # listed: (second of the day, weight), rising
    cap_ul = 0
    least_ul = 0
    most_ul = 0
    run_most_s = 0
    grace_s = 0
    speed_cps = 1
    offset = 0
    signature = 0
    raise_pct = 0
    age_s = 0
    owed_most_ul = 0
    size_ul = 0
    dead_ul = 0
    low_ul = 0
    cal = (0, 0, 0)  # counts, ul, offset as the file states them
    left_ul = -1  # in the reservoir as the file states it


class Setup:
    """The whole set-up; groups are (cap_ul, channels), separate is (channel, channel, seconds)."""

    def __init__(self, zone: Zone, channels: list[Channel]) -> None:
        self.zone = zone
        self.channels = channels
        self.groups: list[tuple[int, tuple[int, ...]]] = []
        self.separate: list[tuple[int, int, int]] = []
        self.hash = ""
        self.carry_on_s = 0

    def gap_s(self, a: int, b: int) -> int:
        """The least seconds between the end of a run on `a` and the start of one on `b`."""
        for one, other, seconds in self.separate:
            if (one == a and other == b) or (one == b and other == a):
                return seconds
        return 0


def day_ul(c: Channel, date: int, over: "list[int] | tuple[int, ...]") -> int:
    """Return the channel's volume on a date, with the overrides `over` (see ChannelState.over)."""
    days = date - c.start_date
    if not c.weekdays >> (date + 5) % 7 & 1 or days < 0 or days % c.every:
        return 0
    ul = c.daily_ul
    if c.ramp:
        low, first, n = c.ramp
        if date < first + n:
            ul = low + (ul - low) * max(0, date - first) // n
    for i in range(0, len(over), 3):
        if over[i + 1] <= date < over[i + 1] + over[i + 2]:
            ul += over[i]
    return ul if ul > 0 else 0


def volumes(c: Channel, ul: int) -> "tuple[tuple[int, int], ...]":
    """Return the listed doses of a day of `ul` as (second, ul): one too small joins the next, and
    a last one too small joins the one before."""
    at = c.at or ()
    weights = sum([w for _, w in at])
    out: list[tuple[int, int]] = []
    before = left = 0
    for second, weight in at:
        left += share(ul, before, weight, weights)
        before += weight
        if left >= c.least_ul:
            out.append((second, left))
            left = 0
    if left and out:
        out[-1] = (out[-1][0], out[-1][1] + left)
    return tuple(out)


def count(c: Channel, ul: int) -> int:
    """Return the number of doses of a day of `ul`."""
    if c.at:
        return len(volumes(c, ul))
    return min(c.doses, ul // c.least_ul)


def dose_ul(c: Channel, ul: int, n: int, i: int) -> int:
    """Return the volume of dose `i` of the `n` of a day of `ul`."""
    return volumes(c, ul)[i][1] if c.at else part(ul, n, i)
