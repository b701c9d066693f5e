"""The laws of the controller, asked from outside: of its records and of what its motors did.

`Laws` reads each record as a stranger would, adds up a ledger of its own, and raises `Violation`
with the number of the invariant as soon as something is not as promised. It works out volumes in
fractions, and imports nothing of the product: what it believes is the truth that `controller.py`
tells it (`powered`, the true seconds with power; which counts a motor gave) and the text of the
records.

Two promises have no number of their own: a hold is the user's stop (S11), and two liquids that
must keep apart are doses that must not run together (S6).
"""

from __future__ import annotations

import dataclasses
import functools
import math
from fractions import Fraction
from typing import Any, NoReturn

DAY = 86400
ALL = 255
FAULT, EMPTY, RESET = 4, 6, 12  # causes of an outcome, reasons of one that did not run
DOSE, TANK, CUP = 0, 1, 2
NEAR_S = 1800  # how far spacing may move a dose
HALF = Fraction(1, 2)


class Violation(AssertionError):
    """Something that must never be; `number` is that of the invariant."""

    seen = 0  # how many there were in this process

    def __init__(self, number: int, text: str) -> None:
        Violation.seen += 1
        super().__init__(f"S{number}: {text}")
        self.number = number


def broken(number: int, text: str) -> NoReturn:
    raise Violation(number, text)


def nearest(x: Fraction) -> int:
    return math.floor(x + HALF)


@functools.lru_cache(maxsize=4096)
def doses_of(
    at: tuple[tuple[int, int], ...] | None,
    doses: int,
    from_s: int,
    span_s: int,
    least_ul: int,
    total: int,
) -> tuple[tuple[int, int], ...]:
    """(second of the day, microlitres) of each dose of a day of `total`, from exact fractions."""
    if not total:
        return ()
    if at is None:
        n = min(doses, total // least_ul)
        times = sorted((from_s + span_s * i // n) % DAY for i in range(n))
        weights = [(t, 1) for t in times]
    else:
        weights = list(at)
    whole = sum(w for _, w in weights)
    out: list[tuple[int, int]] = []
    before = 0
    given = left = 0
    for second, weight in weights:
        before += weight
        upto = nearest(Fraction(total * before, whole))
        left += upto - given
        given = upto
        if left >= least_ul or at is None:
            out.append((second, left))
            left = 0
    if left and out:
        out[-1] = (out[-1][0], out[-1][1] + left)
    return tuple(out)


@dataclasses.dataclass
class Entry:
    """What may have entered, until 24 powered hours after `end`."""

    end: int
    ul: Fraction | int
    why: int = 0  # the law that counts it: 15 for an end that is not known, 7 for an extra


@dataclasses.dataclass
class Book:
    """What the records say of one channel."""

    wm: int = -1
    date: int = 0
    index: int = -1
    new: bool = True  # no key yet in this revision
    mixed: int = -1  # the date on which the plan changed
    day_ul: dict[int, int] = dataclasses.field(default_factory=dict)
    over: list[tuple[int, int, int]] = dataclasses.field(default_factory=list)
    owed: list[list[int]] = dataclasses.field(default_factory=list)
    trim: tuple[int, int] = (0, 0)
    cal: tuple[int, int, int, int] = (0, 0, 0, 0)
    ahead: Fraction = Fraction(0)  # counts given beyond the volume they stand for
    window: list[Entry] = dataclasses.field(default_factory=list)
    fill: int = -1
    taken: int = 0
    low: bool = False
    must_low: bool = False  # its last outcome left it low, and nobody has said so
    cup: bool = False
    extra: tuple[int, int] | None = None
    stale: bool = False  # that extra is from before a start of the board
    told: int = -1  # the wall second of its last dose, while clock and plan stay
    ran: int = -1  # when the last dose that ran should have, before spacing
    end: int = -1  # true powered second of the end of its last run into the tank
    commanded: int = 0
    counts: int = 0


@dataclasses.dataclass
class Open:
    """The run under way."""

    ch: int
    ul: int
    counts: int
    into: int
    base: int
    up: int
    start: int
    before: Fraction  # `ahead` without it
    given: int = -1  # what the motor gave, when it has ended


REQUESTS = {
    "P": 3,
    "D": 5,
    "X": 4,
    "Y": 3,
    "H": 2,
    "h": 2,
    "F": 2,
    "K": 5,
    "N": 1,
    "E": 2,
    "C": 2,
    "z": 2,
}


class Laws:
    """A ledger of its own, and a judge; `setups` are by hash, `shifts` their zones' seconds."""

    def __init__(self) -> None:
        self.setups: dict[str, Any] = {}
        self.shifts: dict[str, int] = {}
        self.powered = 0
        self.seq = 0
        self.now_s = 0
        self.offset = 0
        self.quality = 0
        self.hash = ""
        self.ids: list[str] = []
        self.byname: dict[str, Book] = {}
        self.open: Open | None = None
        self.turning = False  # the motor turns, by the truth
        self.unwritten = False  # a run ended and its outcome is not on flash
        self.dead = False  # memory ran out in a record: only a new start may go on
        self.may_set = True  # a clock record is justified
        self.stepped = False  # the clock was told something during the run
        self.holds: dict[int, int] = {}
        self.faults: dict[int, list[int]] = {}  # scope -> code, latched
        self.tumbles: dict[int, list[tuple[int, int]]] = {}
        self.gap = 0
        self.fresh = 0
        self.resets = 0
        self.dogs: list[int] = []
        self.requests: set[int] = set()
        self.kinds: list[str] = []
        self.runs = 0

    # What is known

    @property
    def made(self) -> Any:
        return self.setups.get(self.hash)

    @property
    def books(self) -> list[Book]:
        return [self.byname[name] for name in self.ids]

    @property
    def wall(self) -> int:
        return self.now_s + self.offset

    def total(self, ch: int, date: int, over: bool = True) -> int:
        cfg = self.made.channels[ch]
        if not cfg.weekdays >> (date + 5) % 7 & 1:
            return 0
        ul = cfg.daily_ul
        for delta, first, days in self.books[ch].over if over else ():
            if first <= date < first + days:
                ul += delta
        return max(0, ul)

    def day(self, ch: int, date: int) -> tuple[tuple[int, int], ...]:
        c = self.made.channels[ch]
        total = self.total(ch, date)
        return doses_of(c.at, c.doses, c.from_s, c.span_s, c.least_ul, total)

    def nominal(self, ch: int, date: int, index: int) -> int:
        return date * DAY - self.shifts[self.hash] + self.day(ch, date)[index][0]

    def after(self, ch: int, key: tuple[int, int]) -> tuple[int, int]:
        date, index = key
        if index + 1 < len(self.day(ch, date)):
            return date, index + 1
        return self._first(ch, date + 1, 1)

    def before(self, ch: int, key: tuple[int, int]) -> tuple[int, int]:
        date, index = key
        if index > 0:
            return date, index - 1
        return self._first(ch, date - 1, -1)

    def _first(self, ch: int, date: int, step: int) -> tuple[int, int]:
        for _ in range(9):
            n = len(self.day(ch, date))
            if n:
                return date, 0 if step > 0 else n - 1
            date += step
        return date, -1

    def used(self, members: tuple[int, ...], later: int = 0, but: int = -1) -> Fraction | int:
        """What may have entered in the 24 powered hours before `later` seconds from now; `but`
        leaves the entries of one law out."""
        edge = self.powered + later - DAY
        used: Fraction | int = 0
        for m in members:
            for e in self.byname[self.ids[m]].window:
                if e.end > edge and e.why != but:
                    used += e.ul
        return used

    def _forgotten(self, members: tuple[int, ...], later: int, most: int) -> int:
        """The number of the law whose entries explain why more than `most` was thought to be
        free; 1 where it takes others."""
        for number in (15, 7):
            if self.used(members, later, number) <= most:
                return number
        return 1

    def caps(self, ch: int) -> list[tuple[int, tuple[int, ...]]]:
        own = [(self.made.channels[ch].cap_ul, (ch,))]
        return own + [(cap, tuple(m)) for cap, m in self.made.groups if ch in m]

    # Records

    def record(self, seq: int, now_s: int, kind: str, f: tuple[int, ...], text: str) -> None:
        """Take the next record, as it stands on the flash."""
        if self.dead:
            broken(26, f"memory ran out in a record, and a record ({kind}) follows it")
        if seq != self.seq + 1:
            broken(24, f"record {seq} follows {self.seq}")
        if now_s < self.now_s:
            broken(24, f"record {seq} is {self.now_s - now_s} s before the last one")
        self.seq, self.now_s = seq, now_s
        self.kinds.append(kind)
        request = f[REQUESTS[kind]] if kind in REQUESTS else 0
        if request and request in self.requests:
            broken(7, f"the request {request} was carried out twice ({kind})")
        self.requests.add(request)
        getattr(self, "_" + kind)(f, text)

    def _close(self, ch: int, f: tuple[int, ...], dates: int, back: tuple[int, int], n: int):
        """Take keys that end: the ledger of keys, due times and volumes. Returns the planned
        volume and how many of the keys a trim covered."""
        b = self.books[ch]
        last = (b.date + dates, f[2])
        first = (last[0] - back[0], back[1])
        due = b.wm + f[1]
        if f[1] <= 0:
            broken(5, f"channel {ch}: due at {due}, and {b.wm} has been closed before")
        if not b.new and first <= (b.date, b.index):
            broken(5, f"channel {ch}: the key {first} has ended before")
        if not 0 <= last[1] < len(self.day(ch, last[0])):
            broken(10, f"channel {ch}: there is no dose {last}")
        if b.new:
            earlier = self.before(ch, first)
            skipped = earlier[0] >= b.date and earlier[1] >= 0
            if skipped and self.nominal(ch, *earlier) > b.wm + NEAR_S:
                broken(10, f"channel {ch}: {earlier} was left out after a new plan")
            if self.nominal(ch, *last) <= b.wm - NEAR_S:
                broken(5, f"channel {ch}: {last} belongs to what has passed")
        elif first != self.after(ch, (b.date, b.index)):
            broken(10, f"channel {ch}: {first} follows {(b.date, b.index)}")
        planned, key, count = 0, first, 0
        while key <= last and count <= n:
            planned += self.day(ch, key[0])[key[1]][1]
            count += 1
            key = self.after(ch, key)
        if count != n:
            broken(10, f"channel {ch}: {n} doses from {first} to {last} are {count}")
        early = due - self.nominal(ch, *last)
        if early < 0:
            broken(10, f"channel {ch}: {last} was due {-early} s before its time")
        b.wm, b.date, b.index, b.new = due, last[0], last[1], False
        pct, left = b.trim
        b.trim = pct, max(0, left - n)
        b.over = [o for o in b.over if o[1] + o[2] > b.date]
        return planned, min(left, n), due

    def _may_run(self, ch: int, into: int) -> None:
        if self.unwritten:
            broken(24, "a run while the outcome of the last is not recorded")
        if self.open:
            broken(15, "a run while the end of the last is not known")
        if not self.made:
            broken(8, "a run without a set-up")
        b, cfg = self.books[ch], self.made.channels[ch]
        if not self.quality:
            broken(19, "a run with the clock unset")
        if self.gap:
            broken(24, "a run while lost records are not answered for")
        for scope in (ALL, ch):
            until = self.holds.get(scope, -1)
            if until == 0 or until > self.wall:
                broken(11, f"channel {ch} runs while it is held")
            if scope in self.faults:
                broken(12, f"channel {ch} runs with the fault {self.faults[scope]}")
        if into != CUP and b.cup:
            broken(11, f"channel {ch} doses while its line hangs over a cup")
        if into != CUP and (not b.cal[1] or b.cal[3] != cfg.signature):
            broken(8, f"channel {ch} runs and is not calibrated")
        if into != CUP:
            self._apart(ch)

    def _apart(self, ch: int) -> None:
        for one, other, gap in self.made.separate:
            if ch in (one, other):
                end = self.books[one + other - ch].end
                if end >= 0 and self.powered - end < gap:
                    broken(6, f"channel {ch} runs {self.powered - end} s after its enemy")

    def _room_for(self, ch: int, ul: int) -> None:
        for cap, members in self.caps(ch):
            used = self.used(members)
            if used + ul > cap:
                number = self._forgotten(members, 0, cap - ul)
                broken(number, f"{ul} µL on top of {float(used)}, the cap is {cap}")
        b, cfg = self.books[ch], self.made.channels[ch]
        if b.must_low:
            broken(21, f"channel {ch} ran low and nobody said so")
        if b.fill >= 0 and ul > b.fill - b.taken - cfg.dead_ul:
            broken(21, f"{ul} µL out of {b.fill - b.taken - cfg.dead_ul}")

    def _I(self, f: tuple[int, ...], text: str) -> None:
        ch, _, index, ul, counts, dates, trim, up = f[:8]
        self._may_run(ch, DOSE)
        b, cfg = self.books[ch], self.made.channels[ch]
        base, told = ul - up, b.told
        day = self.day_in(ch, b.date + dates)
        clean = b.date + dates != b.mixed
        planned, trimmed, due = self._close(ch, f, dates, (0, index), 1)
        nominal = self.nominal(ch, b.date, b.index)
        if nominal <= b.ran:
            broken(5, f"channel {ch}: the dose of {nominal} runs again")
        b.ran = nominal
        if base + trim != planned:
            broken(10, f"{base} given and {trim} left out of {planned} planned")
        most = planned * (100 - b.trim[0]) // 100 if trimmed else planned
        if base > most:
            broken(10, f"{base} given where a trim leaves {most}")
        if clean and base != most:
            broken(10, f"{base} given of {most} and nobody asked for less")
        whole = max(self.total(ch, b.date), self.total(ch, b.date, over=False))
        if day + base > whole:
            broken(25, f"{day} is in of {whole} that day, and {base} more come")
        b.day_ul[b.date] = day + base
        if not 0 <= self.wall - due <= cfg.grace_s:
            broken(6, f"a dose {self.wall - due} s after it was due; grace {cfg.grace_s}")
        if told >= due:
            broken(6, f"channel {ch}: two doses that were due at once both run")
        b.told = self.wall
        if up:
            self._raised(ch, base, up, base == planned)
        self._room_for(ch, ul)
        self._run(ch, ul, counts, DOSE, base, up)

    def day_in(self, ch: int, date: int) -> int:
        return self.books[ch].day_ul.get(date, 0)

    def _raised(self, ch: int, base: int, up: int, whole: bool) -> None:
        b, cfg = self.books[ch], self.made.channels[ch]
        if not whole:
            broken(6, "a dose that was lowered is raised")
        if up > base * cfg.raise_pct // 100:
            broken(6, f"raised by {up}, {cfg.raise_pct} % of {base}")
        if self.now_s < self.fresh:
            broken(6, "raised while the journal is new")
        young = sum(ul for due, ul in b.owed if due + cfg.age_s > self.wall)
        if up > young:
            broken(6, f"raised by {up}, owed are {young}")
        if base + up > cfg.most_ul:
            broken(6, f"raised to {base + up}, the largest dose is {cfg.most_ul}")
        self._settle(b, up)

    def _settle(self, b: Book, ul: int) -> None:
        for entry in b.owed:
            part = min(ul, entry[1])
            entry[1] -= part
            ul -= part
        b.owed = [e for e in b.owed if e[1]]
        if ul:
            broken(24, f"{ul} µL more were settled than are owed")

    def _owe(self, ch: int, due: int, ul: int, missed: int) -> None:
        b, cfg = self.books[ch], self.made.channels[ch]
        if ul > missed:
            broken(6, f"{ul} owed, {missed} missed")
        if ul and len(b.owed) >= 4:
            b.owed[-1][1] += ul
        elif ul:
            b.owed.append([due, ul])
        if sum(e[1] for e in b.owed) > cfg.owed_most_ul and ul:
            broken(6, f"{sum(e[1] for e in b.owed)} owed, the most is {cfg.owed_most_ul}")

    def _run(self, ch: int, ul: int, counts: int, into: int, base: int, up: int) -> None:
        b, cfg = self.books[ch], self.made.channels[ch]
        before = b.ahead
        if into != CUP:
            own = counts - b.cal[2]
            want = max(Fraction(1), Fraction(ul * b.cal[0], b.cal[1]) - b.ahead)
            if abs(own - want) > 1:
                broken(2, f"{own} counts for {ul} µL, {float(want)} are due")
            b.ahead += own - Fraction(ul * b.cal[0], b.cal[1])
            if ul > cfg.most_ul:
                broken(2, f"{ul} µL at once, the largest dose is {cfg.most_ul}")
        if -(-counts // cfg.speed_cps) > cfg.run_most_s:
            broken(2, f"{counts} counts take longer than {cfg.run_most_s} s")
        self.open = Open(ch, ul, counts, into, base, up, self.powered, before)
        self.runs += 1

    def _J(self, f: tuple[int, ...], text: str) -> None:
        ch, ul, counts, into = f[:4]
        self._may_run(ch, into)
        b = self.books[ch]
        if b.extra != (ul, into) or b.stale:
            broken(7, f"an extra of {ul} runs that nobody waits for")
        b.extra = None
        if into == TANK:
            self._room_for(ch, ul)
        else:
            b.cup = True
        self._run(ch, ul, counts, into, 0, 0)

    def _O(self, f: tuple[int, ...], text: str) -> None:
        run = self.open or broken(24, "an outcome of no run")
        if self.turning:
            broken(18, "an outcome while the motor turns")
        got = self._got(run, run.counts + f[1])
        if run.given < 0:
            broken(15, "an outcome where nobody knows what was given")
        if run.counts + f[1] != run.given:
            number = 18 if self.stepped else 11 if f[2] == 11 else 10
            broken(number, f"{run.counts + f[1]} counts recorded, {run.given} given")
        b = self.books[run.ch]
        if run.into == DOSE:
            if f[3] and f[2] not in (FAULT, RESET):
                broken(6, "owed although no fault ended the dose")
            self._owe(run.ch, b.wm, f[3], max(0, run.base - got))
        if run.into != CUP:
            exact = Fraction(got * b.cal[0], b.cal[1])
            if f[1] < 0:
                b.ahead = run.before + max(0, run.counts + f[1] - b.cal[2]) - exact
                if run.counts + f[1] <= b.cal[2]:
                    b.ahead = run.before
            else:
                b.ahead += f[1]
        self.resets = self.resets + 1 if f[2] == RESET else 0
        self._end(run, got, run.counts + f[1], 0 if run.into == DOSE else 7)
        low_ul = self.made.channels[run.ch].low_ul
        b.must_low = b.fill >= 0 and not b.low and b.fill - b.taken <= low_ul

    def _got(self, run: Open, counts: int) -> int:
        """The microlitres that counts stand for, in whole ones, from fractions."""
        cal = self.books[run.ch].cal
        if counts == run.counts:
            return run.ul
        own = max(0, counts - cal[2])
        carry = run.before if run.into != CUP else Fraction(0)
        return max(0, nearest((own + carry) * Fraction(cal[1], cal[0]))) if own else 0

    def _U(self, f: tuple[int, ...], text: str) -> None:
        run = self.open or broken(24, "an uncertain end of no run")
        if self.turning:
            broken(18, "the run is given up while the motor turns")
        if run.given >= 0:
            broken(10, f"{run.given} counts were given, and the record calls them unknown")
        self.resets += 1
        self._end(run, run.ul, run.counts, 15)

    def _end(self, run: Open, ul: int, counts: int, why: int) -> None:
        b = self.books[run.ch]
        if run.into != CUP:
            b.window.append(Entry(self.powered, ul, why))
            b.window = [e for e in b.window if e.end > self.powered - DAY]
            b.commanded += ul
            b.counts += counts
            b.end = self.powered
        b.taken += ul
        self.open = None
        self.unwritten = self.stepped = False

    def _pass(self, f: tuple[int, ...], kind: str) -> None:
        ch = f[0]
        b = self.books[ch]
        planned, _, due = self._close(ch, f, f[5], (f[9], f[10]), f[3])
        if f[4] + f[6] != planned:
            broken(10, f"{kind}: {f[4]} and {f[6]} left out of {planned} planned")
        if due > self.wall:
            broken(20, f"{kind}: a dose passed {due - self.wall} s before it was due")
        if kind == "M":
            self._owe(ch, b.wm, f[7], f[4])
        b.told = -1

    def _M(self, f: tuple[int, ...], text: str) -> None:
        self._pass(f, "M")

    def _R(self, f: tuple[int, ...], text: str) -> None:
        if f[8] == EMPTY and not self.books[f[0]].low:
            broken(21, f"channel {f[0]} is empty and nobody said that it ran low")
        self._pass(f, "R")

    def _S(self, f: tuple[int, ...], text: str) -> None:
        self._pass(f, "S")

    def _L(self, f: tuple[int, ...], text: str) -> None:
        self._settle(self.books[f[0]], f[1])

    def _t(self, f: tuple[int, ...], text: str) -> None:
        pass

    def _T(self, f: tuple[int, ...], text: str) -> None:
        if not self.may_set:
            number = 20 if self.quality == 2 else 19
            broken(number, "the clock was set by a source that may not")
        self.offset, self.quality = f[0], f[1]
        for b in self.books:
            b.told = -1
            if f[3] and b.wm > self.wall + f[3]:
                if f[3] < DAY:
                    broken(20, f"keys {b.wm - self.wall} s ahead let go")
                b.wm, b.date, b.ran = -1, 0, -1
                b.day_ul = {}
                self._revise(b, self.wall)

    def _revise(self, b: Book, from_w: int) -> None:
        b.wm = max(b.wm, from_w)
        b.index, b.new, b.mixed, b.told = -1, True, b.date, -1

    def _B(self, f: tuple[int, ...], text: str) -> None:
        self.quality = 0
        if f[0] == 2:
            self.dogs = [*self.dogs[-2:], self.now_s]
        for b in self.books:
            b.stale = bool(b.extra)
            b.must_low = False  # a cut between the two records: the next outcome says it

    def _V(self, f: tuple[int, ...], text: str) -> None:
        self._revise(self.books[f[0]], f[1])

    def _P(self, f: tuple[int, ...], text: str) -> None:
        self.books[f[0]].trim = f[1], f[2]

    def _D(self, f: tuple[int, ...], text: str) -> None:
        b = self.books[f[0]]
        b.over = [o for o in b.over if o[1] + o[2] > f[2]]
        b.over = [*b.over, (f[1], f[2], f[3])] if f[3] else []
        self._revise(b, f[4])

    def _X(self, f: tuple[int, ...], text: str) -> None:
        b = self.books[f[0]]
        b.extra, b.stale = (f[1], f[3]), False

    def _Y(self, f: tuple[int, ...], text: str) -> None:
        self.books[f[0]].extra = None

    def _H(self, f: tuple[int, ...], text: str) -> None:
        self.holds[f[0]] = f[1]

    def _h(self, f: tuple[int, ...], text: str) -> None:
        if f[1] == 2:
            self.gap = 0
        elif f[1]:
            self.books[f[0]].cup = False
        else:
            self.holds.pop(f[0], None)

    def _F(self, f: tuple[int, ...], text: str) -> None:
        b = self.books[f[0]]
        b.fill, b.taken, b.low, b.must_low = f[1], 0, False, False

    def _W(self, f: tuple[int, ...], text: str) -> None:
        b = self.books[f[0]]
        if b.low:
            broken(21, f"channel {f[0]} ran low twice in a fill")
        b.low, b.must_low = True, False

    def _K(self, f: tuple[int, ...], text: str) -> None:
        self._calibrate(self.books[f[0]], f[1:5])

    def _calibrate(self, b: Book, cal: tuple[int, ...]) -> None:
        if b.cal[1]:
            more = Fraction(cal[1] * b.cal[0], b.cal[1] * cal[0])
            if more > 1:
                for e in b.window:
                    e.ul = e.ul * more
                b.taken = math.ceil(b.taken * more)
        b.cal = (cal[0], cal[1], cal[2], cal[3])

    def _N(self, f: tuple[int, ...], text: str) -> None:
        pass

    def _E(self, f: tuple[int, ...], text: str) -> None:
        pass

    def _C(self, f: tuple[int, ...], text: str) -> None:
        names = text.split(" ")
        first = not self.ids
        self.hash, self.ids = names[0], names[1:]
        if self.hash not in self.setups:
            broken(17, "a set-up that nobody gave is in force")
        if first and self.now_s >= f[1] and not self.stated:
            broken(6, "a new journal may catch up at once")
        self.fresh = max(self.fresh, f[1])
        for i, name in enumerate(self.ids):
            b = self.byname.get(name)
            if b is None:
                b = self.byname[name] = Book()
                self._unknown(i, b)
            g = f[3 + 7 * i : 10 + 7 * i]
            if not g[0]:
                broken(25, "a new set-up without a new revision")
            self._revise(b, f[0])
            if g[1]:
                self._calibrate(b, g[1:5])
            if g[5]:
                b.fill, b.taken, b.low, b.must_low = g[5] - 1, 0, False, False

    stated = True  # the user said that nothing was given in the 24 hours before

    def _unknown(self, ch: int, b: Book) -> None:
        """A channel without a past may have given a day's plan in the 24 hours before."""
        ul = 0 if self.stated else self.made.channels[ch].daily_ul
        for k in range(24 if ul else 0):
            part = ul * (k + 1) // 24 - ul * k // 24
            b.window.append(Entry(self.powered - 3600 * (23 - k), part))

    def _Z(self, f: tuple[int, ...], text: str) -> None:
        scope, code, latched = f[:3]
        past = self.tumbles.setdefault(scope, [])
        recent = [c for c, at in past if self.now_s - at <= 600]
        if recent.count(code) >= 2 and not latched:
            broken(13, f"the fault {code} of {scope} came thrice and did not latch")
        past.append((code, self.now_s))
        if latched or self.faults.get(scope, [0, 0])[1] == 0:
            self.faults[scope] = [code, latched]

    def _z(self, f: tuple[int, ...], text: str) -> None:
        scope = f[0]
        fault = self.faults.get(scope)
        if f[1] and fault:
            fault[1] = 2
        elif not f[1]:
            if fault and fault[1] == 1:
                broken(12, f"the latched fault {fault[0]} was left in one act")
            if fault and fault[1]:
                self.tumbles[scope] = []
            self.faults.pop(scope, None)
            if scope == ALL:
                self.resets, self.dogs = 0, []

    def _G(self, f: tuple[int, ...], text: str) -> None:
        self.gap += f[0]
        for i, b in enumerate(self.books):
            b.window.append(Entry(self.powered, f[1 + i], 15))

    # What the rig tells, and what is asked of the engine from time to time

    def started(self, ch: int, counts: int) -> None:
        """A motor begins to turn."""
        run = self.open
        if self.turning:
            broken(2, "two pumps at a time")
        if self.kinds[-1:] not in (["I"], ["J"]) or not run:
            broken(14, "a motor turns and its intent is not on the flash")
        elif (run.ch, run.counts) != (ch, counts) or run.given >= 0:
            broken(14, f"{counts} counts on {ch}, the intent says {run.counts} on {run.ch}")
        self.turning = True

    def forgive_low(self) -> None:
        """A write fails: that a reservoir is low is said with the next outcome."""
        for b in self.books:
            b.must_low = False

    def ended(self, counts: int, known: bool = True) -> None:
        """The motor stands, after so many counts; power may have taken the knowledge of them."""
        self.turning = False
        if self.open and known:
            self.open.given = counts
            self.unwritten = True

    def booted(self) -> None:
        """A start of the board is over."""
        if self.open:
            broken(15, "the run that was cut is still open after a start")
        for ch, b in enumerate(self.books):
            if b.extra and b.stale:
                broken(7, f"the extra of channel {ch} outlived a start")
        dogs = len(self.dogs) == 3 and self.now_s - self.dogs[0] < DAY
        if (dogs or self.resets >= 3) and self.faults.get(ALL, [0, 0])[1] == 0:
            broken(13, "start after start, and no fault latched")

    def later_s(self, members: tuple[int, ...]) -> list[int]:
        """Now, and the last second at which each entry counts."""
        ends = [e.end + DAY - 1 - self.powered for m in members for e in self.books[m].window]
        return [0, *(s for s in ends if s > 0)]

    def room(self, ch: int, left_ul: Any) -> None:
        """`left_ul(ch, seconds from now)` is what the controller believes may still enter."""
        for cap, members in self.caps(ch):
            for later in self.later_s(members):
                left = left_ul(ch, later)
                if left > cap - self.used(members, later):
                    broken(
                        self._forgotten(members, later, cap - left),
                        f"in {later} s {left} may enter, {float(self.used(members, later))} did"
                        f" and the cap is {cap}",
                    )

    def reservoir(self, ch: int, left_ul: int) -> None:
        b, cfg = self.books[ch], self.made.channels[ch]
        left = -1 if b.fill < 0 else max(0, b.fill - b.taken - cfg.dead_ul)
        if left_ul != left:
            broken(21, f"{left_ul} said to be left, {left} are")

    def books_of(self, ch: int, tot: list[int], owed: int, wm_w: int) -> None:
        """The two identities of a channel's totals, and the counters against the truth."""
        b = self.books[ch]
        planned, commanded, counts, skipped, missed, raised = tot[:6]
        lapsed, refused, _, extra, short, over = tot[6:]
        if self.open is None:
            came = commanded + skipped + missed + refused + short
            if planned + raised + extra + over != came:
                broken(24, f"channel {ch}: the totals {tot} do not add up")
            if missed + short != raised + lapsed + owed:
                broken(24, f"channel {ch}: what is owed does not add up: {tot}, {owed}")
            if owed != sum(e[1] for e in b.owed):
                broken(24, f"channel {ch}: {owed} owed, the records say {b.owed}")
        if (commanded, counts) != (b.commanded, b.counts):
            own = (b.commanded, b.counts)
            broken(24, f"channel {ch}: {(commanded, counts)} in the counters, {own} in truth")
        if wm_w != b.wm:
            broken(24, f"channel {ch}: the watermark is {wm_w}, the records say {b.wm}")
