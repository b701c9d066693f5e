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
        old = 0
        while old < len(data) and now_s - data[old] >= _DAY_S:
            self.total_ul -= data[old + 1]
            old += 2
        if old:
            data = self.data = data[old:]
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

    def used_ul(self, now_s: int) -> int:
        """What may have entered in the 24 h of powered time before `now_s`; changes nothing."""
        used = self.total_ul
        data = self.data
        i = 0
        while i < len(data) and now_s - data[i] >= _DAY_S:
            used -= data[i + 1]
            i += 2
        return used

    def frees_s(self, now_s: int, need_ul: int) -> int:
        """The engine second at which `need_ul` of what is counted now will have left, or -1."""
        data = self.data
        for i in range(0, len(data), 2):
            if now_s - data[i] < _DAY_S:
                need_ul -= data[i + 1]
                if need_ul <= 0:
                    return data[i] + _DAY_S
        return -1
