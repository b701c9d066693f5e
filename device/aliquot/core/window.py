"""What may have entered the tank in the last 24 hours of powered time: a bounded list.

Entries are (engine second of the end, microlitres). Those that begin within BUCKET_S of each other
share a place and take the later age, and so does the newest place when all are taken: the sum may
be too high for a while, never too low. Wall clocks are never looked at.
"""

from array import array

_DAY_S = 86400
_PLACES = 31
MOST_UL = 0x3FFFFFFF  # of a place: more than any cap, and what an array can hold
BUCKET_S = 3000


class Window:
    """What entered, by age: `data` holds end and volume of each place, oldest first."""

    total_ul = 0
    since_s = 0  # when the newest place began

    def __init__(self) -> None:
        self.data = array("i")

    def add(self, now_s: int, end_s: int, ul: int) -> None:
        """Count `ul` with the age of `end_s`; what is older than a day at `now_s` leaves."""
        data = self.data
        if data and now_s - data[0] >= _DAY_S:
            self.total_ul = self.used_ul(now_s)
            data = self.data = data[self._old(now_s) :]
        n = len(data)
        if n and (end_s - self.since_s < BUCKET_S or n == 2 * _PLACES):
            ul = min(ul, MOST_UL - data[n - 1])
            data[n - 1] += ul
            data[n - 2] = max(data[n - 2], end_s)
        else:
            if ul > MOST_UL:
                ul = MOST_UL
            data.append(end_s)
            data.append(ul)
            self.since_s = end_s
        self.total_ul += ul

    def _old(self, now_s: int) -> int:
        # How much of `data` is older than a day.
        data = self.data
        i = 0
        while i < len(data) and now_s - data[i] >= _DAY_S:
            i += 2
        return i

    def used_ul(self, now_s: int) -> int:
        """What may have entered in the 24 h of powered time before `now_s`; changes nothing."""
        used = self.total_ul
        if not self.data or now_s - self.data[0] < _DAY_S:
            return used
        for i in range(1, self._old(now_s), 2):
            used -= self.data[i]
        return used

    def frees_s(self, now_s: int, need_ul: int) -> int:
        """The engine second at which `need_ul` of what is counted now will have left, or -1."""
        data = self.data
        for i in range(self._old(now_s), len(data), 2):
            need_ul -= data[i + 1]
            if need_ul <= 0:
                return data[i] + _DAY_S
        return -1
