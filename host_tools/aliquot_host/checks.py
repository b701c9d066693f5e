"""What must always hold, S1 to S26 of DEVELOPERS.md, as code that looks on from outside.

`Checks` hears what a person could see who sits beside a board: the lines that reach its flash, the
counts that its motors are told and truly give, when its power goes and comes, what time sources
and users say. It adds the journal up by itself, and every law that does not hold is told to
`violate(number, text)`. Nothing of Aliquot's core is imported: lines are read by
`journal_lines.py`, the plan is worked out by `due_times.py`, and the truth is the motors' own.

S1     at each start of a motor: what may have entered in 24 h of true powered time, and the run,
       are within each cap
S2     the counts told are those of the intent: what its volume and the carried remainder come to
S3     counts and seconds told stay within the longest run; ceilings of drivers come with them
S4     no motor turns without a board; more is not to be seen before the drivers are there
S5     no key (channel, revision, date, index) runs twice; due times of a channel only rise
S6     a dose starts within its grace, of two that are due only the newest; limits of raises and of
       what is owed
S7     extras are asked for, counted, and end with a start; a repeated request adds nothing
S8     no motor before a start is recorded, a set-up adopted, and the pump calibrated as it is set
S9     counts are never negative; reverse running comes with the drivers
S10    an outcome says what the motor truly gave; every key ends once, none is left out
S11    none starts while held, the count of a stop is kept; how fast it stops comes with drivers
S12    no motor of a channel with a fault; a latched one is left by two acts
S13    the third of the same fault in ten minutes latches
S14    one intent on flash for each start of a motor, and its outcome before the next
S15    a run that power ended is recorded as cut; the window on flash holds all that may be in
S16    after a cut every record that was durable is there, and the last one whole or not at all
S17    a start goes on with the set-up that the last durable record names
S18    S10 for runs during which a clock stepped or the ticks wrapped
S19    no dose while the clock is unset; no clock without two sources that agree, or the user
S20    S5 after a clock step; no date before the last key's is used again
S21    the account of each container; low is said once a fill; no run beyond what remains
S22    the status says that delivery is not verified, and its numbers are those of the account
S23    not to be seen before the app is there
S24    lines well formed, numbers contiguous, books balance, a snapshot is what records add up to
S25    S5 after a new set-up, zone or calibration; a date gets no more than the larger of its plans
S26    after an allocation failure the motors rest and the next start is recorded
apart  liquids that react keep apart, and one pump runs at a time
plan   volume and time of a dose are those of the set-up
"""

from __future__ import annotations

import hashlib
from collections import deque
from collections.abc import Callable
from typing import Any

from aliquot_host import journal_lines
from aliquot_host.due_times import Calendar
from aliquot_host.journal_lines import Bad, Opening, Record

DAY_S = 86400
HOUR_S = 3600
AGAIN_S = 600
SMALL_S = 600
AGREE_S = 60
ALL = 255
DOSE, TANK, CUP = range(3)
# Reasons and causes as DEVELOPERS.md and the records number them.
ABSENT, FAULT, QUEUE, TRIMMED, USER, RESET = 1, 4, 7, 10, 11, 12
OWED = (ABSENT, FAULT, QUEUE)
WATCHDOG = 2
BY_USER, PHONE = 1, 2
# Wall seconds of 2026-01-01 and 2100-01-01.
EARLIEST_W, LATEST_W = 820454400, 3155760000
# Places of the totals.
(PLANNED, COMMANDED, COUNTS, SKIPPED, MISSED, RAISED) = range(6)
(LAPSED, REFUSED, UNCERTAIN, EXTRA, SHORT, OVER) = range(6, 12)

Violate = Callable[[str, str], None]


class Channel:
    """What the records of one channel add up to, and what its motor truly did."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.rev = 0
        self.wm = -1
        self.date = 0
        self.index = -1
        self.cut = False  # the date began under another plan
        self.fresh = True  # no key yet in this revision
        self.since = "S5"  # what began the revision: the law that a repeated dose would break
        self.rem = 0
        self.cal: tuple[int, int, int, int] = (0, 0, 0, 0)
        self.tot = [0] * 12
        self.owed: list[tuple[int, int]] = []
        self.trim: tuple[int, int] = (0, 0)
        self.over: list[tuple[int, int, int]] = []
        self.fill = -1
        self.taken = 0
        self.low = 0
        self.hold = -1
        self.cup = 0
        self.fault = 0
        self.latched = 0
        self.faults: list[tuple[int, int]] = []
        self.extra: list[int] = []
        # The truth.
        self.keys: set[tuple[int, int, int]] = set()
        self.started: tuple[int, int, int] | None = None  # last dose: date, index, told second
        self.window: deque[tuple[int, int]] = deque()  # powered end, counts * microlitres
        self.sum = 0
        self.end_s = -DAY_S
        self.day_ul = 0
        self.day_most = 0


class Run:
    """The open intent, and what its motor did."""

    def __init__(self, c: Channel, record: Record, ul: int, counts: int, into: int) -> None:
        self.c, self.record = c, record
        self.ul, self.counts, self.into = ul, counts, into
        self.base = self.up = 0
        self.rem = 0  # carried in before the intent
        self.key: tuple[int, int, int] | None = None
        self.due = 0
        self.started = False
        self.given = 0
        self.known = True
        self.law = "S10"
        self.restarted = False


class Checks:
    """Looks on; `violate` is told the number of a law and what was seen.

    ppm: how much faster the board's oscillator may run than true time."""

    def __init__(self, violate: Violate, ppm: int = 0) -> None:
        self.violate = violate
        self.day_s = DAY_S - (DAY_S * ppm // 1_000_000 + 2 if ppm else 0)
        self.slow_s = 2 if ppm else 0
        self.plans: dict[str, Calendar] = {}
        self.texts: dict[str, bytes] = {}
        self.hash = ""
        self.calendar: Calendar | None = None
        self.channels: list[Channel] = []
        self.all: dict[str, Channel] = {}
        self.top = 0
        self.caps: list[list[tuple[int, tuple[Channel, ...]]]] = []
        self.apart: list[list[tuple[Channel, int]]] = []
        self.signatures: list[tuple[Any, ...]] = []
        self.sig_of: dict[tuple[Any, ...], int] = {}
        # The journal.
        self.seq = 0
        self.now_s = 0
        self.offset = 0
        self.quality = 0
        self.hold = -1
        self.fault = self.latched = 0
        self.faults: list[tuple[int, int]] = []
        self.gap = 0
        self.fresh_s = 0
        self.requests: list[int] = []
        self.run: Run | None = None
        self.records = 0
        self.segment = ""
        self.number = 0
        self.tail = b""
        # What happened since.
        self.powered_s = 0
        self.lead_s = 0  # by how much powered time was ahead of the journal's when a motor started
        self.booting = True
        self.booted = False
        self.in_flight: list[Record] = []
        self.torn = False
        self.lost = False  # bits flipped: records may be missing at the next start
        self.heard: list[tuple[int, int, int]] = []
        self.stepped = False
        self.turning: Channel | None = None
        self.starved = False
        self.kinds: dict[str, Callable[[Record, list[int]], None]] = {
            name[3:]: getattr(self, name) for name in dir(self) if name.startswith("on_")
        }

    # What the world tells

    def know(self, data: dict[str, Any], canonical: bytes) -> None:
        """A set-up that somebody may load."""
        digest = hashlib.sha256(canonical).hexdigest()
        self.plans[digest] = Calendar(data)
        self.texts[digest] = canonical

    def hear(self, source: int, wall_s: int, now_s: int) -> None:
        """A time source says a wall second at an engine second."""
        if EARLIEST_W <= wall_s < LATEST_W:
            self.heard.append((source, wall_s - now_s, now_s))
            if len(self.heard) > 8:
                del self.heard[0]

    def dark(self, starved: bool = False) -> None:
        """The board stops: power, a reset, or with `starved` an allocation that failed."""
        self.booting = True
        self.booted = False
        self.quality = 0
        self.starved = self.starved or starved
        if self.run:
            self.run.restarted = True
        if self.turning:
            self.violate("S26" if starved else "S4", f"{self.turning.name} turns without a board")

    def settled(self, found: str, text: bytes | None) -> None:
        """What a start took for its set-up: S17."""
        if self.lost:
            return
        right = self.texts.get(self.hash)
        if self.hash and (found != "ok" or text != right):
            self.violate("S17", f"the board starts with {found}, not with the set-up it adopted")
        if not self.hash and found == "ok":
            self.violate("S17", "the board starts with a set-up that it never adopted")

    # Files

    def appended(self, name: str, data: bytes, whole: bool = True) -> None:
        """Bytes reach the end of a file; whole: the board was not told that they failed."""
        if not journal_lines.is_segment(name):
            return
        if name != self.segment:
            self.violate("S24", f"a record goes to {name}, the newest segment is {self.segment}")
        if self.torn:
            self.violate("S16", f"{name} goes on behind bytes that may be torn")
        if not whole:
            # What failed may be found at the next start, and only then.
            self.torn = True
            if data[-1:] == b"\n":
                try:
                    self.in_flight = [journal_lines.record(data[:-1])]
                except Bad as wrong:
                    self.violate("S24", str(wrong))
            return
        if data[-1:] != b"\n" or data.count(b"\n") != 1:
            self.violate("S24", "a record is not one line")
        try:
            self._add(journal_lines.record(data[:-1]))
        except Bad as wrong:
            self.violate("S24", f"{wrong}: {data[:60]!r}")

    def written(self, name: str, data: bytes, whole: bool = True) -> None:
        """A file is made anew."""
        if not journal_lines.is_segment(name) or not whole:
            return
        try:
            found = journal_lines.opening(data)
        except (Bad, ValueError, IndexError) as wrong:
            self.violate("S24", f"{name}: {wrong}")
            return
        self._opening(name, found)

    def booted_with(self, seq: int, now_s: int) -> None:
        """The board has read its journal: S16, nothing durable is missing, nothing is added."""
        if self.in_flight and seq == self.seq + 1 and not self.lost:
            self._add(self.in_flight[0], old=True)
        self.in_flight = []
        if not self.lost and (seq, now_s) != (self.seq, self.now_s):
            text = f"the journal ends with record {seq} at {now_s} s, durable was {self.seq}"
            self.violate("S16", f"{text} at {self.now_s} s")
        self.booting = False
        self.torn = False

    def _opening(self, name: str, found: Opening) -> None:
        """A new segment: it holds what the records add up to (S24), and enough (S15)."""
        if self.lost and (found.extra or found.seq != self.seq):
            self._resume(found)
        elif found.seq == self.seq + 1 and self.in_flight:
            self._add(self.in_flight[0], old=True)
        self.in_flight = []
        self.torn = False
        if found.number <= self.number:
            self.violate("S24", f"segment {found.number} follows {self.number}")
        self.segment, self.number = name, found.number
        if (found.seq, found.now_s) != (self.seq, self.now_s):
            law = "S16" if self.booting else "S24"
            text = f"{name} opens at record {found.seq}, the last was {self.seq}"
            self.violate(law, text)
            return
        for one in found.extra:
            self._add(one)
        for c in self.channels:
            self._compare(c, found)

    def _compare(self, c: Channel, found: Opening) -> None:
        own = found.channels.get(c.name)
        if own is None:
            self.violate("S24", f"the snapshot does not know {c.name}")
            return
        mine = (c.rev, c.wm, c.date, c.index)
        if tuple(own[:4]) != mine:
            law = c.since if own[1] < c.wm else "S24"
            self.violate(law, f"{c.name}: the snapshot's mark is {own[:4]}, not {mine}")
        if found.totals[c.name] != c.tot:
            self.violate("S24", f"{c.name}: {found.totals[c.name]}, the records say {c.tot}")
        if (own[14], own[15], own[16]) != (c.fill, c.taken, c.low):
            self.violate("S21", f"{c.name}: {own[14:17]} for {(c.fill, c.taken, c.low)}")
        if own[5] != c.rem:
            self.violate("S2", f"{c.name}: the remainder is {own[5]}, carried was {c.rem}")
        owed = [n for pair in c.owed for n in pair]
        if found.owed[c.name] != owed:
            self.violate("S24", f"{c.name}: {found.owed[c.name]} is owed, not {owed}")
        if not c.cal[0]:
            return
        held = sum(ul for end, ul in found.rings[c.name] if found.now_s - end < DAY_S)
        pending = 0
        if self.run and self.run.c is c and self.run.started and c.window:
            pending = c.window[-1][1] if self.turning is not c else 0
        # Journal time only falls behind: so late is it at least.
        self.powered_s = max(self.powered_s, self.lead_s + found.now_s)
        self._expire(c)
        entered = (c.sum - pending) // c.cal[0]
        # Roundings do not add up but where runs end early: one microlitre each.
        if held < entered - 3 - 2 * c.cal[1] // c.cal[0] - len(c.window):
            self.violate("S15", f"{c.name}: {held} µL in the window, {entered} may have entered")

    def _resume(self, found: Opening) -> None:
        """Records were lost: what the board knows now is what its new segment says."""
        self.seq, self.now_s = found.seq, found.now_s
        self.run = None
        for c in self.channels:
            own = found.channels.get(c.name)
            if not own:
                continue
            c.rev, c.wm, c.date, c.index, _, c.rem = own[:6]
            c.cal = (own[6], own[7], own[8], own[9])
            c.fill, c.taken, c.low, c.hold, c.cup, c.fault, c.latched = own[14:21]
            c.trim = (own[21], own[22])
            c.tot = list(found.totals[c.name])
            owed, over = found.owed[c.name], found.over[c.name]
            c.owed = [(owed[i], owed[i + 1]) for i in range(0, len(owed), 2)]
            c.over = [(over[i], over[i + 1], over[i + 2]) for i in range(0, len(over), 3)]
            c.cut = c.fresh = True
        if found.open:
            ch, ul, counts, into = found.open[:4]
            self.run = Run(self.channels[ch], Record(0, 0, "I", [], ""), ul, counts, into)
            self.run.restarted = True
            self.run.law = ""
            self.run.base, self.run.up = found.open[5:7]

    # Records

    def _add(self, one: Record, old: bool = False) -> None:
        self.records += 1
        if one.seq != self.seq + 1:
            self.violate("S24", f"record {one.seq} follows record {self.seq}")
        if self.starved and one.kind not in "BGT":
            self.violate("S26", f"after an allocation failure comes a record {one.kind}")
        self.starved = self.starved and old
        self.seq = one.seq
        self.now_s += one.dt_s
        f = one.fields
        do = self.kinds.get(one.kind)
        if do is None:
            self.violate("S24", f"a record of the kind {one.kind}")
        else:
            do(one, f + [0] * (12 - len(f)))

    def _channel(self, ch: int) -> Channel:
        if not 0 <= ch < len(self.channels):
            raise Bad(f"a record of channel {ch}")
        return self.channels[ch]

    def on_I(self, one: Record, f: list[int]) -> None:
        ch, after, index, ul, counts, dates, trim, up = f[:8]
        c = self._channel(ch)
        self._no_open(one)
        due = c.wm + after
        law = c.since
        if after <= 0:
            self.violate(law, f"{c.name}: a dose due at {due}, closed is all until {c.wm}")
        base = ul - up
        self._key(c, c.date + dates, index, index, 1, base + trim, due, one)
        key = (c.rev, c.date, index)
        if key in c.keys:
            self.violate(law, f"{c.name}: dose {key} runs again")
        c.keys.add(key)
        self._trimmed(c, base, trim, 1)
        self._raised(c, base, up, trim)
        c.day_ul += base
        if c.day_ul > c.day_most and not self.lost:
            self.violate("S25", f"{c.name}: {c.day_ul} µL on a date that gets {c.day_most}")
        c.tot[PLANNED] += base + trim
        c.tot[SKIPPED] += trim
        self.run = run = Run(c, one, ul, counts, DOSE)
        run.base, run.up, run.key, run.due = base, up, key, due
        self._counts(run)
        if up:
            self._settle(c, up)

    def on_J(self, one: Record, f: list[int]) -> None:
        ch, ul, counts, into = f[:4]
        c = self._channel(ch)
        self._no_open(one)
        if c.extra[:1] != [ul] or c.extra[2] != into:
            self.violate("S7", f"{c.name}: a run of {ul} µL that nobody asked for")
        c.extra = []
        self.run = run = Run(c, one, ul, counts, into)
        if into == TANK:
            self._counts(run)
        else:
            c.cup = 1

    def _no_open(self, one: Record) -> None:
        if self.run:
            self.violate("S14", f"intent {one.seq} before the outcome of {self.run.record.seq}")

    def _counts(self, run: Run) -> None:
        """S2: exactly what the volume and the remainder carried in come to, at least one."""
        c = run.c
        per, ul_of, offset, _ = c.cal
        run.rem = c.rem
        if not ul_of:
            return
        right = max(1, (2 * (run.ul * per + c.rem) + ul_of) // (2 * ul_of)) + offset
        if run.counts != right:
            self.violate("S2", f"{c.name}: {run.counts} counts for {run.ul} µL, not {right}")
        c.rem += run.ul * per - (run.counts - offset) * ul_of

    def _key(
        self, c: Channel, date: int, first: int, last: int, n: int, ul: int, due: int, one: Record
    ) -> None:
        """Keys of one record, within one date here: none is left out (S10), volume and time are
        the plan's."""
        cal = self.calendar
        if not cal or self.gap or self.lost:
            self._move(c, date, last, due)
            return
        ch = self.channels.index(c)
        total = cal.total(ch, date, c.over)
        volumes = cal.volumes(ch, total)
        self._follows(c, cal, ch, date, first)
        if not 0 <= first <= last < len(volumes):
            self.violate("plan", f"{c.name}: key {last} on a date of {len(volumes)} doses")
            self._move(c, date, last, due)
            return
        if last - first + 1 != n:
            self.violate("S10", f"{c.name}: {n} doses between {first} and {last}")
        if sum(volumes[first : last + 1]) != ul:
            text = f"{ul} µL for {first} to {last} of {len(volumes)}, the plan says"
            self.violate("plan", f"{c.name}: {text} {sum(volumes[first : last + 1])}")
        self._due(c, cal, ch, date, last, total, due)
        if date != c.date:
            c.day_ul = c.day_most = 0
        c.day_most = max(c.day_most, total, cal.total(ch, date, []))
        self._move(c, date, last, due)

    def _due(
        self, c: Channel, cal: Calendar, ch: int, date: int, index: int, total: int, due: int
    ) -> None:
        wanted = cal.wanted(ch, date, total)
        start = cal.start(date)
        at = due - start
        limit = wanted[index + 1] if index + 1 < len(wanted) else cal.start(date + 1) - start
        right = wanted[index] <= at < max(limit, wanted[index] + 1)
        if right and not ch and index:
            right = at == wanted[index]  # the first channel keeps its times
        if not right:
            text = f"dose {index} is due {at} s into its date, wanted at {wanted[index]}"
            self.violate("plan", f"{c.name}: {text}")

    def _follows(self, c: Channel, cal: Calendar, ch: int, date: int, first: int) -> None:
        """Between the last key and this one there is none that the watermark had not closed."""
        if date < c.date:
            self.violate("S20", f"{c.name}: date {date} after date {c.date}")
            return
        if not c.fresh and date == c.date:
            if first != c.index + 1:
                self.violate("S10", f"{c.name}: dose {first} follows dose {c.index}")
            return
        # The end of the date before, the dates between, and the beginning of this one.
        if not c.fresh:
            n = len(cal.volumes(ch, cal.total(ch, c.date, c.over)))
            if c.index + 1 < n:
                self.violate("S10", f"{c.name}: doses after {c.index} of {n} are left out")
        begin = c.date + 1 if not c.fresh else date - 1
        for day in range(max(begin, date - 40), date + 1):
            total = cal.total(ch, day, c.over)
            wanted = cal.wanted(ch, day, total)
            left = first if day == date else len(wanted)
            if left and left <= len(wanted) and cal.start(day) + wanted[left - 1] > c.wm:
                if day < c.date or (c.fresh and day == c.date and left - 1 <= c.index):
                    continue
                self.violate("S10", f"{c.name}: dose {left - 1} of date {day} is left out")
                return

    def _move(self, c: Channel, date: int, index: int, due: int) -> None:
        if date != c.date:
            c.cut = False
            c.day_ul = 0 if c.day_most == 0 else c.day_ul
        c.date, c.index, c.wm = date, index, due
        c.fresh = False

    def _trimmed(self, c: Channel, base: int, trim: int, n: int) -> None:
        pct, left = c.trim
        whole = base + trim
        if not c.cut:
            right = whole - whole * (100 - pct) // 100 if left else 0
            if trim != right:
                self.violate("plan", f"{c.name}: {trim} µL of {whole} trimmed, not {right}")
        if left:
            c.trim = (pct, max(0, left - n))

    def _raised(self, c: Channel, base: int, up: int, trim: int) -> None:
        if not up or not self.calendar:
            return
        cfg = self.calendar.channels[self.channels.index(c)]
        catch = cfg["catch_up"]
        owed = sum(ul for _, ul in c.owed)
        if up < 0 or up > base * catch["raise_pct"] // 100 or up > owed or trim:
            text = f"a raise of {up} on {base} µL, {owed} owed, {trim} trimmed"
            self.violate("S6", f"{c.name}: {text}")
        if base + up > cfg["dose_most_ul"]:
            self.violate("S7", f"{c.name}: {base + up} µL is above the largest dose")
        wall = self.now_s + self.offset
        if c.owed and c.owed[0][0] + catch["max_age_s"] <= wall:
            self.violate("S6", f"{c.name}: raised for a dose that was due at {c.owed[0][0]}")
        if self.now_s < self.fresh_s:
            self.violate("S6", f"{c.name}: a raise while the journal is new")

    def on_O(self, one: Record, f: list[int]) -> None:
        run = self._end(one, f[0])
        if not run:
            return
        c = run.c
        given = run.counts + f[1]
        if self.turning:
            self.violate("S14", f"{c.name}: an outcome while the motor turns")
        if run.law and given != run.given:
            text = f"{given} counts are recorded, {run.given} of {run.counts} were given"
            self.violate(run.law, f"{c.name}: {text}")
        if run.law and not run.known:
            self.violate("S15", f"{c.name}: {given} counts are recorded, and nobody can know")
        got, rem = self._moved(run, given)
        if f[1]:
            if run.into != CUP:
                c.rem = rem if f[1] < 0 else c.rem - f[1] * c.cal[1]
            if run.into == DOSE:
                self._ended_early(run, got, f[3])
        else:
            got = run.ul
            if run.into == DOSE:
                c.tot[RAISED] += run.up
        if f[3] and (not f[1] or f[2] not in (FAULT, RESET)):
            self.violate("S6", f"{c.name}: {f[3]} µL owed for a run that ended with {f[2]}")
        self._count(run, got, given)

    def _moved(self, run: Run, given: int) -> tuple[int, int]:
        """What counts bring of the open run's volume, to the nearest µL; what is carried."""
        per, ul_of, offset, _ = run.c.cal
        moved = max(0, given - offset)
        rem = run.rem if run.into != CUP else 0
        if not moved or not per:
            return 0, rem
        got = max(0, (2 * (moved * ul_of - rem) + per) // (2 * per))
        return got, rem + got * per - moved * ul_of

    def _ended_early(self, run: Run, got: int, owed: int) -> None:
        c = run.c
        short = max(0, run.base - got)
        back = max(0, min(got - run.base, run.up))
        if owed > short:
            self.violate("S6", f"{c.name}: {owed} µL owed, {short} is missing")
        c.tot[SHORT] += short
        c.tot[RAISED] += back
        c.tot[LAPSED] += short - owed + run.up - back
        c.tot[OVER] += max(0, got - run.ul)
        self._owe(c, c.wm, owed)

    def on_U(self, one: Record, f: list[int]) -> None:
        run = self._end(one, f[0])
        if not run:
            return
        if not run.restarted and run.law:
            self.violate("S14", f"{run.c.name}: recorded as cut by power, which never went")
        c = run.c
        c.tot[RAISED] += run.up
        if run.into != CUP:
            c.tot[UNCERTAIN] += run.ul
        self._count(run, run.ul, run.counts)

    def _end(self, one: Record, ch: int) -> Run | None:
        run = self.run
        if not run or run.c is not self._channel(ch):
            self.violate("S14", f"record {one.seq} ends a run that was not begun")
            return None
        self.run = None
        return run

    def _count(self, run: Run, got: int, given: int) -> None:
        c = run.c
        if run.into != CUP:
            c.tot[COMMANDED] += got
            c.tot[COUNTS] += given
        if run.into == TANK:
            c.tot[EXTRA] += got
        c.taken += got
        if self.lost:
            return
        t = c.tot
        came = t[COMMANDED] + t[SKIPPED] + t[MISSED] + t[REFUSED] + t[SHORT]
        if t[PLANNED] + t[RAISED] + t[EXTRA] + t[OVER] != came:
            self.violate("S24", f"{c.name}: planned and given do not add up: {t}")
        if t[MISSED] + t[SHORT] != t[RAISED] + t[LAPSED] + sum(ul for _, ul in c.owed):
            self.violate("S24", f"{c.name}: missed and owed do not add up: {t}, {c.owed}")

    def on_M(self, one: Record, f: list[int]) -> None:
        c = self._passed(one, f, MISSED)
        if f[8] not in OWED:
            self.violate("S6", f"{c.name}: missed for the reason {f[8]}")
        if f[7] > f[4]:
            self.violate("S6", f"{c.name}: {f[7]} µL owed for {f[4]} missed")
        c.tot[LAPSED] += f[4] - f[7]
        if not f[5]:
            c.day_ul += f[4]
        self._owe(c, c.wm, f[7])

    def on_R(self, one: Record, f: list[int]) -> None:
        self._passed(one, f, REFUSED)

    def on_S(self, one: Record, f: list[int]) -> None:
        c = self._passed(one, f, SKIPPED)
        if f[8] != TRIMMED:
            self.violate("S10", f"{c.name}: skipped for the reason {f[8]}")

    def _passed(self, one: Record, f: list[int], where: int) -> Channel:
        ch, after, at, n, ul, dates, trim, owed, _, back, at0 = f[:11]
        c = self._channel(ch)
        date = c.date + dates
        due = c.wm + after
        if after <= 0:
            self.violate(c.since, f"{c.name}: doses due at {due} pass, closed is all until {c.wm}")
        if owed and where != MISSED:
            self.violate("S6", f"{c.name}: {owed} µL owed for what was not missed")
        if back < 0 or min(n, ul, trim, owed) < 0:
            self.violate("S24", f"{c.name}: {f}")
        left = c.trim[1]
        cut = c.cut
        if back and self.calendar:
            self._over_dates(c, date, back, at0, at, n, ul + trim, due)
        else:
            self._key(c, date, at0, at, n, ul + trim, due, one)
        if trim and not left and not cut and where != SKIPPED:
            self.violate("plan", f"{c.name}: {trim} µL trimmed, and no trim is in force")
        c.trim = (c.trim[0], max(0, left - n))
        c.tot[PLANNED] += ul + trim
        c.tot[SKIPPED] += trim
        c.tot[where] += ul
        return c

    def _over_dates(
        self, c: Channel, date: int, back: int, at0: int, at: int, n: int, ul: int, due: int
    ) -> None:
        """Keys over more than one date: how many, and their volume."""
        cal = self.calendar
        assert cal
        ch = self.channels.index(c)
        doses = volume = 0
        if not self.gap and not self.lost:
            self._follows(c, cal, ch, date - back, at0)
        for day in range(date - back, date + 1):
            volumes = cal.volumes(ch, cal.total(ch, day, c.over))
            first = at0 if day == date - back else 0
            last = at if day == date else len(volumes) - 1
            doses += last - first + 1
            volume += sum(volumes[first : last + 1])
        if (doses, volume) != (n, ul) and not self.gap and not self.lost:
            text = f"{n} doses of {ul} µL over {back + 1} dates, the plan says"
            self.violate("S10", f"{c.name}: {text} {doses} of {volume}")
        c.day_ul = 0
        c.day_most = max(cal.total(ch, date, c.over), cal.total(ch, date, []))
        self._move(c, date, at, due)

    def on_L(self, one: Record, f: list[int]) -> None:
        c = self._channel(f[0])
        if f[1] > sum(ul for _, ul in c.owed):
            self.violate("S24", f"{c.name}: {f[1]} µL lapse, {c.owed} are owed")
        c.tot[LAPSED] += f[1]
        self._settle(c, f[1])

    def _owe(self, c: Channel, due: int, ul: int) -> None:
        if not ul:
            return
        if len(c.owed) >= 4:
            c.owed[3] = (c.owed[3][0], c.owed[3][1] + ul)
        else:
            c.owed.append((due, ul))
        if self.calendar and not self.lost:
            most = self.calendar.channels[self.channels.index(c)]["catch_up"]["max_ul"]
            owed = sum(own for _, own in c.owed)
            if owed > most:
                self.violate("S6", f"{c.name}: {owed} µL are owed, {most} may be")

    def _settle(self, c: Channel, ul: int) -> None:
        while ul and c.owed:
            due, own = c.owed[0]
            part = min(ul, own)
            ul -= part
            c.owed[0] = (due, own - part)
            if own == part:
                del c.owed[0]

    # Clock and starts

    def on_t(self, one: Record, f: list[int]) -> None:
        pass

    def on_T(self, one: Record, f: list[int]) -> None:
        offset, quality, source, jump = f[:4]
        self._believable(offset, quality, source)
        if offset != self.offset:
            self.stepped = True
        self.offset, self.quality = offset, quality
        wall = self.now_s + offset
        for c in self.channels:
            if jump and c.wm > wall + jump:
                c.wm = -1
                c.date = 0
                c.day_ul = c.day_most = 0
                self._revise(c, wall, "S20")
            elif c.since == "S5":
                c.since = "S20"

    def _believable(self, offset: int, quality: int, source: int) -> None:
        """S19: what sources said in the last hour bears the new time."""
        wall = self.now_s + offset
        if not EARLIEST_W <= wall < LATEST_W:
            self.violate("S19", f"the clock is set to {wall}")
        said = [(own, at) for own, at, when in self.heard if self.now_s - when <= HOUR_S]
        if quality == 1:
            if source and PHONE not in [own for own, _ in said]:
                self.violate("S19", "an estimate that nobody gave")
            return
        if (source, offset) not in said:
            self.violate("S19", f"source {source} never said {offset}")
            return
        near = self.quality == 2 and abs(offset - self.offset) <= SMALL_S
        others = [at for own, at in said if own not in (source, PHONE)]
        agree = any(abs(at - offset) <= AGREE_S for at in others)
        if not near and source != BY_USER and not agree:
            text = f"the clock goes {offset - self.offset} s on the word of source {source} alone"
            self.violate("S19", text)

    def on_B(self, one: Record, f: list[int]) -> None:
        self.quality = 0
        self.booted = True
        if self.run:
            self.run.restarted = True

    def on_V(self, one: Record, f: list[int]) -> None:
        self._revise(self._channel(f[0]), f[1], "S20")

    def _revise(self, c: Channel, from_w: int, law: str) -> None:
        c.rev += 1
        c.index = -1
        c.wm = max(c.wm, from_w)
        c.cut = c.fresh = True
        c.since = law

    # Acts

    def _seen(self, request: int) -> None:
        if request:
            if request in self.requests:
                self.violate("S7", f"request {request} is recorded twice")
            self.requests = [*self.requests[-15:], request]

    def on_P(self, one: Record, f: list[int]) -> None:
        self._channel(f[0]).trim = (f[1], f[2])
        self._seen(f[3])

    def on_D(self, one: Record, f: list[int]) -> None:
        c = self._channel(f[0])
        c.over = [*c.over, (f[1], f[2], f[3])] if f[3] else []
        self._revise(c, f[4], "S25")
        self._seen(f[5])

    def on_X(self, one: Record, f: list[int]) -> None:
        self._channel(f[0]).extra = [f[1], f[2], f[3]]
        self._seen(f[4])

    def on_Y(self, one: Record, f: list[int]) -> None:
        self._channel(f[0]).extra = []
        self._seen(f[3])

    def _scope(self, ch: int) -> Checks | Channel:
        return self if ch == ALL else self._channel(ch)

    def on_H(self, one: Record, f: list[int]) -> None:
        self._scope(f[0]).hold = f[1]
        self._seen(f[2])

    def on_h(self, one: Record, f: list[int]) -> None:
        if f[1] == 2:
            self.gap = 0
        elif f[1]:
            self._channel(f[0]).cup = 0
        else:
            self._scope(f[0]).hold = -1
        self._seen(f[2])

    def on_F(self, one: Record, f: list[int]) -> None:
        self._fill(self._channel(f[0]), f[1])
        self._seen(f[2])

    def _fill(self, c: Channel, ul: int) -> None:
        c.fill, c.taken, c.low = ul, 0, 0

    def on_W(self, one: Record, f: list[int]) -> None:
        c = self._channel(f[0])
        if c.low:
            self.violate("S21", f"{c.name}: low is said twice a fill")
        c.low = 1

    def on_K(self, one: Record, f: list[int]) -> None:
        self._calibrate(self._channel(f[0]), f[1], f[2], f[3], f[4])
        self._seen(f[5])

    def _calibrate(self, c: Channel, counts: int, ul: int, offset: int, signature: int) -> None:
        per, ul_of = c.cal[:2]
        more, less = ul * per, ul_of * counts
        if ul_of:
            c.rem = (2 * c.rem * ul + ul_of) // (2 * ul_of)
            if more > less:
                c.taken = -(-c.taken * more // less)
            # The same counts moved more than was thought: the window holds the larger.
            up, down = (more, less) if more > less else (1, 1)
            c.window = deque((end, own * up * counts // (down * per)) for end, own in c.window)
            c.sum = sum(own for _, own in c.window)
        c.cal = (counts, ul, offset, signature)

    def on_N(self, one: Record, f: list[int]) -> None:
        self._seen(f[1])

    def on_E(self, one: Record, f: list[int]) -> None:
        self._seen(f[2])

    def on_C(self, one: Record, f: list[int]) -> None:
        names = one.text.split(" ")
        calendar = self.plans.get(names[0])
        if not calendar or calendar.ids != names[1:]:
            self.violate("S17", f"a set-up is recorded that nobody loaded: {names}")
            return
        f = one.fields + [0] * (3 + 7 * len(names))
        self.hash, self.calendar = names[0], calendar
        self.fresh_s = max(self.fresh_s, f[1])
        for c in self.channels:
            if c.name not in calendar.ids:
                self.top = max(self.top, c.rev)
        was = {c.name: c for c in self.channels}
        self.channels = []
        for i, name in enumerate(calendar.ids):
            c = was.get(name)
            if not c:
                c = Channel(name)
                c.rev = self.top
                if name in self.all:  # the tank remembers what a channel put back gave before
                    before = self.all[name]
                    c.keys, c.end_s = before.keys, before.end_s
                    per = c.cal[0] or calendar.channels[i]["calibration"]["counts"]
                    old = before.cal[0]
                    c.window = deque((end, own * per // old) for end, own in before.window)
                    c.sum = sum(own for _, own in c.window)
            self.all[name] = c
            self.channels.append(c)
            own = f[3 + 7 * i : 10 + 7 * i]
            if not own[0]:
                self.violate("S25", f"{name}: no new revision with a new set-up")
            else:
                self._revise(c, f[0], "S25")
            if own[1]:
                self._calibrate(c, own[1], own[2], own[3], own[4])
            if own[5]:
                self._fill(c, own[5] - 1)
        self._limits(calendar)
        self._seen(f[2])

    def _limits(self, calendar: Calendar) -> None:
        """Caps and separations of the set-up now in force, by channel."""
        by = {c.name: c for c in self.channels}
        self.caps = [
            [(own["cap_ul"], (c,))]
            for own, c in zip(calendar.channels, self.channels, strict=True)
        ]
        self.apart = [[] for _ in self.channels]
        at = {name: i for i, name in enumerate(calendar.ids)}
        for group in calendar.groups:
            members = tuple(by[name] for name in group["channels"])
            for name in group["channels"]:
                self.caps[at[name]].append((group["cap_ul"], members))
        for pair in calendar.separate:
            one, other = pair["channels"]
            self.apart[at[one]].append((by[other], pair["seconds"]))
            self.apart[at[other]].append((by[one], pair["seconds"]))

    # Faults

    def on_Z(self, one: Record, f: list[int]) -> None:
        t = self._scope(f[0])
        late = [code for code, at_s in t.faults if self.now_s - at_s <= AGAIN_S]
        if late.count(f[1]) >= 2 and not f[2]:
            self.violate("S13", f"fault {f[1]} of {f[0]} for the third time does not latch")
        t.faults = [*t.faults[-3:], (f[1], self.now_s)]
        if f[2] or not t.latched:
            t.fault, t.latched = f[1], f[2]

    def on_z(self, one: Record, f: list[int]) -> None:
        t = self._scope(f[0])
        if f[1]:
            t.latched = 2
        else:
            if t.latched == 1:
                self.violate("S12", f"the latched fault of {f[0]} is left by one act")
            if t.latched:
                t.faults = []
            t.fault = t.latched = 0
        self._seen(f[2])

    def on_G(self, one: Record, f: list[int]) -> None:
        self.gap += f[0]
        if not self.lost:
            self.violate("S24", f"{f[0]} records are lost, and nothing damaged them")

    # Motors

    def starts(self, ch: int, counts: int, most_s: int, powered_s: int, law: str = "S10") -> None:
        """A motor is told to run, at a true powered second."""
        self.powered_s = powered_s
        self.lead_s = powered_s - self.now_s
        run = self.run
        if not 0 <= ch < len(self.channels) or not self.calendar:
            self.violate("S8", f"motor {ch} turns before a set-up was adopted")
            return
        c = self.channels[ch]
        if not run or run.started or run.c is not c:
            self.violate("S14", f"{c.name}: a motor turns without an intent of its own")
            return
        run.started = True
        run.law = law
        cfg = self.calendar.channels[ch]
        if counts <= 0:
            self.violate("S9", f"{c.name}: {counts} counts")
        if counts != run.counts:
            self.violate("S2", f"{c.name}: {counts} counts are told, the intent says {run.counts}")
        longest = -(-abs(counts) // cfg["pump"]["speed_cps"])
        if longest > cfg["run_most_s"] or most_s > cfg["run_most_s"] + 1:
            text = f"{counts} counts, {most_s} s told, {cfg['run_most_s']} s allowed"
            self.violate("S3", f"{c.name}: {text}")
        if self.turning:
            self.violate("apart", f"{c.name} starts while {self.turning.name} turns")
        self.turning = c
        self._may_run(c, ch, run, cfg)
        if run.into == DOSE:
            self._on_time(c, run, cfg)
        if run.into != CUP:
            self._room(c, ch, run)

    def _may_run(self, c: Channel, ch: int, run: Run, cfg: dict[str, Any]) -> None:
        wall = self.now_s + self.offset
        if not self.booted:
            self.violate("S8", f"{c.name}: runs before the start is recorded")
        if not self.quality:
            self.violate("S19", f"{c.name}: runs while the clock is unset")
        if self.hold == 0 or c.hold == 0 or self.hold > wall or c.hold > wall:
            self.violate("S11", f"{c.name}: runs while held")
        if self.fault or c.fault:
            self.violate("S12", f"{c.name}: runs with the fault {self.fault or c.fault}")
        if self.gap:
            self.violate("S24", f"{c.name}: runs while records are lost")
        if run.into == CUP:
            return
        if c.cup:
            self.violate("S7", f"{c.name}: runs into the tank, and its line hangs over a cup")
        pump = cfg["pump"]
        settings = tuple(pump[key] for key in ("kind", "speed_cps", "microsteps", "reverse"))
        known = self.sig_of.setdefault(settings, c.cal[3])
        if not c.cal[1] or c.cal[3] != known:
            self.violate("S8", f"{c.name}: runs without a calibration for its settings")
        reservoir = cfg["reservoir"]
        dead = reservoir["dead_ul"] if reservoir else 0
        if c.fill >= 0 and c.fill - c.taken - dead < run.ul:
            text = f"{run.ul} µL of {c.fill - c.taken} µL, {dead} out of reach"
            self.violate("S21", f"{c.name}: {text}")

    def _on_time(self, c: Channel, run: Run, cfg: dict[str, Any]) -> None:
        assert run.key
        wall = self.now_s + self.offset
        if not 0 <= wall - run.due <= cfg["grace_s"]:
            self.violate(
                "S6", f"{c.name}: dose {run.key} starts {wall - run.due} s after its time"
            )
        rev, date, _ = run.key
        if c.started and c.started[:2] == (rev, date) and run.due <= c.started[2]:
            self.violate("S6", f"{c.name}: two doses that were due at once both run")
        c.started = (rev, date, wall)

    def _expire(self, c: Channel) -> None:
        before_s = self.powered_s - self.day_s
        window = c.window
        while window and window[0][0] <= before_s:
            c.sum -= window.popleft()[1]

    def _room(self, c: Channel, ch: int, run: Run) -> None:
        """S1 and the separations, in true powered time and true counts."""
        for cap_ul, members in self.caps[ch]:
            used = run.ul
            slack = 0
            for m in members:
                if m.cal[0]:
                    self._expire(m)
                    used += m.sum // m.cal[0]
                    slack += 3 + m.cal[1] // m.cal[0]
            if used > cap_ul + slack:
                names = " and ".join(m.name for m in members)
                self.violate("S1", f"{names}: {used} µL in 24 h, the cap is {cap_ul} µL")
        for other, gap_s in self.apart[ch]:
            since = self.powered_s - other.end_s
            if since < gap_s - self.slow_s:
                self.violate("apart", f"{c.name} runs {since} s after {other.name}, not {gap_s}")

    def stops(self, given: int, powered_s: int, known: bool = True) -> None:
        """The motor rests; known: the board can know how much it gave."""
        self.powered_s = powered_s
        run = self.run
        c = self.turning
        self.turning = None
        if not run or not c:
            return
        run.given, run.known = given, known
        if run.into == CUP:
            return
        c.end_s = powered_s
        counts = max(0, (given if known else max(given, run.counts)) - c.cal[2])
        c.window.append((powered_s, counts * c.cal[1]))
        c.sum += counts * c.cal[1]

    # Questions

    def status(self, overview: dict[str, Any]) -> None:
        """S22: what the board tells a person."""
        if overview.get("delivery") != "commanded, not verified":
            self.violate("S22", f"the status says that delivery is {overview.get('delivery')}")
        for c, told in zip(self.channels, overview["channels"], strict=True):
            if told["commanded_ul"] != c.tot[COMMANDED] or told["planned_ul"] != c.tot[PLANNED]:
                self.violate("S22", f"{c.name}: the status tells other sums than the journal")
            if c.fill >= 0 and told["left_ul"] > max(0, c.fill - c.taken):
                self.violate("S22", f"{c.name}: the status tells more than is left")
