"""Local time of one zone: what the clock on the wall shows, and when a local day begins.

Works from the rule that zone_text.parse makes of a POSIX TZ string. It never reads a clock or
a zone database, and never makes a date twice or leaves one out: local dates only ever rise,
and where the clock goes back over midnight the repeated time belongs to the date that had
already begun.

Times are UTC seconds since 2000-01-01T00:00Z ("wall_s"), dates are those of dates.py. A rule
has at most two offsets from UTC, called high and low here, and all the rest follows from the
stretches of time in which one of them holds. Two stretches are kept, so that a call in or
near a known one works out nothing and allocates nothing (below 2**30 s).
"""

from aliquot.core.dates import days_of, weekday, ymd


def _moment(rule: tuple[int, ...], at: int, year: int) -> int:
    """What the clock shows when the change at rule[at] comes, as if local time were UTC."""
    month = rule[at]
    day = rule[at + 2]
    if month > 0:
        week = rule[at + 1]
        # Week 5 is the last one: the seven days before the next month, whatever they count.
        date = days_of(year, month + 1, -6) if week == 5 else days_of(year, month, week * 7 - 6)
        date += (day - weekday(date)) % 7
    else:
        date = days_of(year, 1, day + 1)
        # A rule that ignores leap days means 1 March by day 59, in every year.
        if month < 0 and day > 58 and days_of(year, 3, 1) - days_of(year, 1, 1) > 59:
            date += 1
    return date * 86400 + rule[at + 3]


def summer(rule: tuple[int, ...], year: int) -> tuple[int, int]:
    """(start, end) of the daylight saving time that starts by the rule of `year`, in wall_s.

    It ends by the rule of the same year or, where that is earlier, of the next year or the one
    after. Where it reaches the next year's start, there is no standard time between the two.
    """
    start = end = _moment(rule, 2, year) - rule[0]
    # Three rounds at most: a change falls within nine days of its year.
    while end <= start:
        end = _moment(rule, 6, year) - rule[1]
        year += 1
    return start, end


class Zone:
    """Local time by one rule, from zone_text.parse. Seconds and dates are ints."""

    def __init__(self, rule: tuple[int, ...]) -> None:
        self.rule = rule
        self.high = max(rule[:2])
        self.low = min(rule[:2])
        # [first second, end, seconds east of UTC]. Without changes one stretch holds all the
        # time there is: 2**36 s are two thousand years, beyond any date that can be written.
        ever = 0 if len(rule) > 1 else 1 << 36
        self.near = [-ever, ever, self.high]
        self.far = [0, 0, 0]

    def stretch(self, wall_s: int) -> list[int]:
        """[first second, end, seconds east of UTC] around `wall_s`; read it before the next call.

        The end is exact, the first second may be later than the real one.
        """
        near = self.near
        if not near[0] <= wall_s < near[1]:
            near = self.far
            self.far = self.near
            self.near = near
            if not near[0] <= wall_s < near[1]:
                self._work_out(near, wall_s)
        return near

    def _work_out(self, stretch: list[int], wall_s: int) -> None:
        year = ymd(wall_s // 86400)[0]
        first = end = wall_s
        east = self.rule[1]
        # A change may fall a week outside its year, hence two years back. Forward the first
        # gap ends it; only rules that nobody uses leave no standard time for years (at most 40,
        # while weekdays and leap days come round again).
        for each in range(year - 2, year + 41):
            start, stop = summer(self.rule, each)
            if start > end:
                if wall_s < end:
                    break
                if wall_s < start:
                    first = end
                    end = start
                    east = self.rule[0]
                    break
                first = start
            end = stop
        stretch[0] = first
        stretch[1] = end
        stretch[2] = east

    def offset(self, wall_s: int) -> int:
        """Seconds that local time is ahead of UTC (east of Greenwich) at `wall_s`."""
        return self.stretch(wall_s)[2]

    def wall(self, date: int, second: int) -> int:
        """wall_s of the local time `second` seconds after midnight of `date` on a clock.

        `second` may pass 86400: 90000 is 01:00 on the next date. A time that does not exist
        gives the first instant after the gap, one that occurs twice its first. In short, the
        first instant at which the local clock has reached that time; so it never falls when
        `second` rises.
        """
        early_s = date * 86400 + second - self.high
        stretch = self.stretch(early_s)
        if stretch[2] == self.high:
            return early_s
        return min(early_s + self.high - self.low, stretch[1])

    def day_start(self, date: int) -> int:
        """wall_s of the first instant of a local date: midnight, or the end of a gap there."""
        return self.wall(date, 0)

    def day_length(self, date: int) -> int:
        """Seconds in a local date: 86400, but for a day with a clock change."""
        return self.wall(date + 1, 0) - self.wall(date, 0)

    def date_of(self, wall_s: int) -> int:
        """The local date, the one with day_start(date) <= wall_s < day_start(date + 1)."""
        date = (wall_s + self.high) // 86400
        # Twice at most in a zone that exists, as high and low are hours apart; three times ever.
        while self.wall(date, 0) > wall_s:
            date -= 1
        return date

    def ordinary(self, date: int) -> bool:
        """True for 24 hours without a clock change in [day_start(date), day_start(date + 1))."""
        start = self.wall(date, 0)
        end = self.wall(date + 1, 0)
        return end - start == 86400 and self.stretch(start - 1)[1] >= end
