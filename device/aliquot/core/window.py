"""What may have entered the tank in the last 24 hours of powered time: a bounded ring.

Entries are (engine second of the end, microlitres). Entries that begin within BUCKET_S of each other
share a place and take the later age, and so does the newest place of a full ring: the sum may be
too high for a while, never too low. Wall clocks are never looked at.
"""

from array import array

_DAY_S = 86400
_PLACES = 31
_MOST_UL = 0x3FFFFFFF  # of a place: more than any cap, and what an array can hold
BUCKET_S = 3000


class Window:
    """A ring of what entered, by age."""

    def __init__(self) -> None:
        self.at_s = array("i", [0] * _PLACES)
        self.ul = array("i", [0] * _PLACES)
        self.first = 0
        self.n = 0
        self.total_ul = 0
        self.since_s = 0

    def add(self, now_s: int, end_s: int, ul: int) -> None:
        """Count `ul` with the age of `end_s`; what is older than a day at `now_s` leaves."""
        while self.n and now_s - self.at_s[self.first] >= _DAY_S:
            self.total_ul -= self.ul[self.first]
            self.first = (self.first + 1) % _PLACES
            self.n -= 1
        ul = min(ul, _MOST_UL)
        last = (self.first + self.n - 1) % _PLACES
        if self.n and (self.n == _PLACES or end_s - self.since_s < BUCKET_S):
            ul = min(ul, _MOST_UL - self.ul[last])
            self.total_ul += ul
            self.ul[last] += ul
            if end_s > self.at_s[last]:
                self.at_s[last] = end_s
            return
        last = (self.first + self.n) % _PLACES
        self.at_s[last] = self.since_s = end_s
        self.ul[last] = ul
        self.total_ul += ul
        self.n += 1

    def used_ul(self, now_s: int) -> int:
        """What may have entered in the 24 h of powered time before `now_s`; changes nothing."""
        used = self.total_ul
        i = 0
        while i < self.n and now_s - self.at_s[(self.first + i) % _PLACES] >= _DAY_S:
            used -= self.ul[(self.first + i) % _PLACES]
            i += 1
        return used

    def frees_s(self, now_s: int, need_ul: int) -> int:
        """The engine second at which `need_ul` of what is counted now will have left, or -1."""
        gone = 0
        for i in range(self.n):
            place = (self.first + i) % _PLACES
            if now_s - self.at_s[place] < _DAY_S:
                gone += self.ul[place]
                if gone >= need_ul:
                    return self.at_s[place] + _DAY_S
        return -1

    def scale(self, num: int, den: int) -> None:
        """Count everything again, larger by num/den, rounded up."""
        self.total_ul = 0
        for i in range(self.n):
            place = (self.first + i) % _PLACES
            self.ul[place] = min((self.ul[place] * num + den - 1) // den, _MOST_UL)
            self.total_ul += self.ul[place]
