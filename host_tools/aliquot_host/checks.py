"""What must always hold, S1 to S26 of DEVELOPERS.md, as code that looks on from outside.

`Checks` hears what a person could see who sits beside a board: the lines that reach its flash, the
counts that its motors are told and truly give, when its power goes and comes, what time sources
and users say. It adds the journal up by itself, and every law that does not hold is told to
`violate(number, text)`; one that is part of another is told under both numbers. Nothing of
Aliquot's core is imported: lines are read by `journal_lines.py` and added up by `books.py`, the
plan is worked out by `due_times.py`, and the truth is the motors' own.

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

from collections.abc import Callable, Sequence
from typing import Any

from aliquot_host import journal_lines
from aliquot_host.books import (
    COMMANDED,
    CUP,
    DAY_S,
    DOSE,
    EARLIEST_W,
    LATEST_W,
    PLANNED,
    TANK,
    Books,
    Channel,
    Run,
    Violate,
    settings_of,
)
from aliquot_host.journal_lines import Bad, Opening, Part, Record, Snapshot

__all__ = ["Checks", "Violate"]

HEARD_MOST = 8
# The numbers of a snapshot's channel, and the law that is broken where they differ.
PLACES = (
    (4, 5, "S25"),
    (5, 6, "S2"),
    (6, 14, "S24"),
    (14, 17, "S21"),
    (17, 18, "S11"),
    (18, 19, "S7"),
    (19, 21, "S12"),
    (21, 23, "S24"),
    (23, 24, "S6"),
)


class Checks(Books):
    """Looks on; `violate` is told the number of a law and what was seen.

    ppm: how much faster the board's oscillator may run than true time. stated: what the user said
    was given before the journal began, None where nobody knows. `lost` may be set while bits flip:
    the next start may miss records, and need not be where it was."""

    def __init__(self, violate: Violate, ppm: int = 0, stated: int | None = None) -> None:
        super().__init__(violate)
        self.stated = stated
        self.day_s = DAY_S - (DAY_S * ppm // 1_000_000 + 2 if ppm else 0)
        self.slow_s = 2 if ppm else 0
        self.booting = True
        self.lost = False
        # The newest segment, and whether nothing was added to it; one that may have been made; a
        # record that may be there; whether what stands at the end may be torn, or surely is.
        self.segment = ""
        self.number = 0
        self.unused = False
        self.maybe: tuple[str, Opening] | None = None
        self.in_flight: Record | None = None
        self.torn = self.tail = False
        self.blank = False  # the board remembers nothing of before it stopped

    def by_now_s(self) -> int:
        """As in the books; of a board that is fast only the world knows."""
        return self.powered_s if self.slow_s else super().by_now_s()

    # What the world tells

    def passes(self, powered_s: int) -> None:
        """So many true seconds with power have passed; a world whose board is fast must say so
        before each thing that happens."""
        self.powered_s = powered_s

    def hear(self, source: int, wall_s: int, now_s: int) -> None:
        """A time source says a wall second at an engine second."""
        if EARLIEST_W <= wall_s < LATEST_W:
            self.heard.append((source, wall_s - now_s, now_s))
            if len(self.heard) > HEARD_MOST:
                del self.heard[0]

    def dark(self, starved: bool = False) -> None:
        """The board stops: power, a reset, or with `starved` an allocation that failed."""
        self.booting = True
        self.booted = False
        self.dead = False
        self.starved = self.starved or starved
        if self.run:
            self.run.restarted = True
        if self.turning:
            self.violate("S26" if starved else "S4", f"{self.turning.name} turns without a board")

    def forgotten(self) -> None:
        """Nothing in the board's memory outlived that it stopped."""
        self.blank = True

    def _forget(self) -> None:
        """What the board knew of a run that ended and is not recorded. It takes the run as whole
        then; what a driver overran is beyond what anybody can know."""
        run = self.run
        if not self.blank or not run or not run.started:
            return
        if run.known and run.given > run.counts and run.into != CUP:
            end_s, ul, law = run.c.window[-1]
            over = (run.given - run.counts) * run.c.cal[1]
            run.c.window[-1] = end_s, ul - over, law
            run.c.sum -= over
        run.known = False
        run.given = min(run.given, run.counts)

    def starve(self) -> None:
        """Memory has run out, and the board still has power: it may record nothing more."""
        self.dead = True

    def settled(self, found: str, text: bytes | None) -> None:
        """What a start took for its set-up: S17."""
        if self.lost:
            return
        right = self.texts.get(self.hash)
        if self.hash and (found != "ok" or text != right):
            self.violate("S17", f"the board starts with {found}, not with the set-up it adopted")
        if not self.hash and found == "ok":
            self.violate("S17", "the board starts with a set-up that it never adopted")

    def ready(self) -> None:
        """A start of the board is over, whether it may dose or not."""
        if self.run and self.run.restarted:
            self.violate("S15", f"{self.run.c.name}: the run that was cut is still open")
        for c in self.channels:
            if c.extra and c.stale:
                self.violate("S7", f"{c.name}: an extra outlives a start")
        if self.idle and self.must_latch():
            self.violate("S13", "start after start, and no fault latches")
        self.idle = False

    # Files

    def appended(self, name: str, data: bytes, whole: bool = True) -> None:
        """Bytes reach the end of a file; whole: the board was not told that they failed."""
        if not journal_lines.is_segment(name):
            return
        if not whole:
            self._forgive()
        if not data:
            return
        if name != self.segment and self.maybe and name == self.maybe[0]:
            self._opening(*self.maybe)
        if name != self.segment:
            self.violate("S24", f"a record goes to {name}, the newest segment is {self.segment}")
        if self.torn:
            self.violate("S16", f"{name} goes on behind bytes that may be torn")
        if not whole:
            # What failed may be found at the next start, and only then.
            self.torn = True
            self.tail = data[-1:] != b"\n"
            if not self.tail:
                self.in_flight = self._record(data)
            return
        self.unused = False
        one = self._record(data)
        if one:
            try:
                self.add(one)
            except Bad as wrong:
                self.violate("S24", f"{wrong}: {data[:60]!r}")

    def _record(self, data: bytes) -> Record | None:
        try:
            if data[-1:] != b"\n" or data.count(b"\n") != 1:
                raise Bad("a record is not one line")
            return journal_lines.record(data[:-1])
        except Bad as wrong:
            self.violate("S24", f"{wrong}: {data[:60]!r}")
            return None

    def _forgive(self) -> None:
        """A write fails: that a reservoir is low is said with the next outcome."""
        for c in self.channels:
            c.must_low = False

    def written(self, name: str, data: bytes, whole: bool = True) -> None:
        """A file is made anew."""
        if not journal_lines.is_segment(name):
            return
        try:
            found = journal_lines.opening(data)
        except (ValueError, IndexError) as wrong:
            if whole:
                self.violate("S24", f"{name}: {wrong}")
            return
        self._forgive()
        if whole:
            self._opening(name, found)
        else:
            self.maybe = name, found

    def booted_with(self, seq: int, now_s: int) -> None:
        """The board has read its journal: S16, nothing durable is missing, nothing is added."""
        if self.maybe and seq == self.maybe[1].snapshot.own[0] + len(self.maybe[1].extra):
            if seq != self.seq:
                self._opening(*self.maybe)
        elif self.in_flight and seq == self.seq + 1:
            self.add(self.in_flight, old=True)
        self.in_flight = None
        self._forget()
        self.blank = False
        self.heard = []  # only now: a record in flight was written in the life before
        if not self.lost and (seq, now_s) != (self.seq, self.now_s):
            text = f"the journal ends with record {seq} at {now_s} s, durable was {self.seq}"
            self.violate("S16", f"{text} at {self.now_s} s")
        self.booting = self.lost = False
        self.torn = self.tail

    def _opening(self, name: str, found: Opening) -> None:
        """A new segment: it holds what the records add up to (S24), and enough (S15)."""
        self.maybe = None
        own = found.snapshot.own
        if self.booting and self.lost and (found.extra or own[0] != self.seq):
            self._resume(found.snapshot)
        elif self.booting and self.in_flight and own[0] == self.seq + 1:
            self.add(self.in_flight, old=True)
        self.in_flight = None
        self._forget()
        self.torn = self.tail = False
        if found.number < self.number + (not self.unused):
            self.violate("S24", f"segment {found.number} follows {self.number}")
        self.segment, self.number, self.unused = name, found.number, True
        if own[:2] != [self.seq, self.now_s]:
            law = "S16" if self.booting else "S24"
            text = f"{name} opens at record {own[0]}, the last was {self.seq}"
            self.violate(law, text)
            return
        self.same(found.snapshot)
        for one in found.extra:
            if one.kind == "G" and not self.lost:
                self.violate("S24", f"{one.fields[0]} records are lost, and nothing damaged them")
            self.add(one, old=True)

    # States

    def state(self, lines: Sequence[str]) -> None:
        """What the board would write as its snapshot now, or adds up from its files, beside these
        books."""
        try:
            self.same(journal_lines.snapshot(lines))
        except (ValueError, IndexError) as wrong:
            self.violate("S24", f"a snapshot cannot be read: {wrong}")

    def same(self, found: Snapshot) -> None:
        """S24: a state is what the records add up to; each part under the law that needs it."""
        mine = [self.seq, self.now_s, self.offset, self.quality]
        state = (
            ("S24", "the record", found.own[:4], mine),
            ("S11", "the hold", found.own[4:5], [self.hold]),
            ("S12", "the fault", found.own[5:7], [self.fault, self.latched]),
            ("S24", "what is lost", found.own[7:9], [self.gap, 0]),
            ("S6", "the end of its newness", found.own[9:10], [self.fresh_s]),
            ("S13", "the resets", [found.own[10], *found.dogs], [self.resets, *self.dogs]),
            ("S5", "the highest revision", found.own[11:12], [self.top]),
            ("S1", "when a channel was taken out", found.own[12:], [self.gone_s]),
            ("S7", "the requests", found.requests, self.requests),
            ("S13", "the faults", found.faults, self.faults),
            ("S15", "the run", found.open, self._open()),
            ("S17", "the set-up", [found.hash, *found.channels], [self.hash, *self._names()]),
        )
        for law, what, theirs, own in state:
            if theirs != own:
                self.violate(law, f"{what}: the state says {theirs}, the records {own}")
        for c in self.channels:
            part = found.channels.get(c.name)
            if part:
                self._compare(c, part)

    def _names(self) -> list[str]:
        return [c.name for c in self.channels]

    def _open(self) -> list[int]:
        run = self.run
        if not run:
            return []
        return [run.c.at, run.ul, run.counts, run.into, run.start_s, run.base, run.up]

    def _compare(self, c: Channel, found: Part) -> None:
        mine, own = c.own(), found.own
        if own != mine:
            if own[:4] != mine[:4]:
                text = f"the state's mark is {own[:4]}, not {mine[:4]}"
                if own[0] < c.rev or own[1] < c.wm:
                    self.again(c, text)
                else:
                    self.violate("S24", f"{c.name}: {text}")
            for begin, end, law in PLACES:
                if own[begin:end] != mine[begin:end]:
                    text = f"{own[begin:end]} for {mine[begin:end]}"
                    self.violate(law, f"{c.name}: numbers from {begin} on are {text}")
        lists = (
            ("S24", "the totals", found.totals, c.tot),
            ("S24", "what is owed", found.owed, [n for pair in c.owed for n in pair]),
            ("S24", "the overrides", found.over, [n for one in c.over for n in one]),
            ("S7", "the extra", found.extra, c.extra),
            ("S13", "the faults", found.faults, c.faults),
        )
        for law, what, theirs, my in lists:
            if theirs != my:
                self.violate(law, f"{c.name}: {what}: {theirs}, the records say {my}")
        if c.cal[0]:
            self._holds(c, sum(ul for age, ul in found.ring if age < DAY_S))

    def _holds(self, c: Channel, held: int) -> None:
        """A window on flash is never short of what may have entered by the last record."""
        self._expire(c, self.by_now_s())
        pending = 0
        run = self.run
        if run and run.c is c and run.started and run.into != CUP and self.turning is not c:
            pending = c.window[-1][1] if c.window else 0
        # Roundings do not add up but where runs end early: one microlitre each.
        slack = 3 + 2 * c.cal[1] // c.cal[0] + len(c.window)
        if held < (c.sum - pending) // c.cal[0] - slack:
            text = f"{held} µL in the window, {(c.sum - pending) // c.cal[0]} may have entered"
            law = "S1"
            for law in ("S15", "S7", "S1"):
                but = sum(ul for _, ul, why in c.window if why == law)
                if held >= (c.sum - pending - but) // c.cal[0] - slack:
                    break
            self.violate(law, f"{c.name}: {text}")

    def _resume(self, found: Snapshot) -> None:
        """Records were lost: what the board knows now is what its new segment says."""
        self.seq, self.now_s, self.offset = found.own[:3]
        self.hold, self.fault, self.latched, self.gap = found.own[4:8]
        self.fresh_s, self.resets, self.top, self.gone_s = found.own[9:13]
        self.requests, self.dogs, self.faults = found.requests, found.dogs, found.faults
        self.run = None
        now_s = self.by_now_s()
        for c in self.channels:
            part = found.channels.get(c.name)
            if part:
                self._reread(c, part, now_s)
        if found.open:
            ch, ul, counts, into, start_s, base, up = found.open
            c = self.channels[ch]
            self.run = run = Run(c, found.own[0], ul, counts, into, start_s)
            run.base, run.up = base, up
            run.restarted, run.sure = True, False
            if into != CUP:
                run.rem = c.rem - ul * c.cal[0] + (counts - c.cal[2]) * c.cal[1]

    def _reread(self, c: Channel, part: Part, now_s: int) -> None:
        own = part.own
        c.rev, c.wm, c.date, c.index, c.day_ul, c.rem = own[:6]
        c.cal = (own[6], own[7], own[8], own[9])
        c.cal_w, c.cal_ul, c.tube_w, c.tube_ul = own[10:14]
        c.fill, c.taken, c.low, c.hold, c.cup, c.fault, c.latched = own[14:21]
        c.trim, c.ended_s = (own[21], own[22]), own[23]
        c.tot, c.extra, c.faults = part.totals, part.extra, part.faults
        owed, over = part.owed, part.over
        c.owed = [(owed[i], owed[i + 1]) for i in range(0, len(owed), 2)]
        c.over = [(over[i], over[i + 1], over[i + 2]) for i in range(0, len(over), 3)]
        c.cut = True
        c.fresh = c.index < 0
        c.uneven = c.told = None
        c.must_low = False
        # What was lost may have been anything; the record of the loss adds what it is taken for.
        c.window.clear()
        c.sum = 0
        for age, ul in part.ring:
            c.window.append((now_s - age, ul * c.cal[0], "S15"))
            c.sum += ul * c.cal[0]

    # Motors

    def starts(self, ch: int, counts: int, most_s: int, powered_s: int, law: str = "S10") -> None:
        """A motor is told to run, at a true powered second; law: what a wrong count breaks."""
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
        if self.idle:
            self.ready()
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
            self.violate("S6", f"{c.name} starts while {self.turning.name} turns")
        self.turning = c
        self._may_run(c, run, cfg)
        if run.into == DOSE:
            self._on_time(c, run, cfg)
        if run.into != CUP:
            self._room(c, ch, run)

    def _may_run(self, c: Channel, run: Run, cfg: dict[str, Any]) -> None:
        wall = self.now_s + self.offset
        if not self.booted:
            self.violate("S8", f"{c.name}: runs before the start is recorded")
        if self.dead:
            self.violate("S26", f"{c.name}: runs after memory ran out")
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
        if run.ul > cfg["dose_most_ul"]:
            self.violate("S3", f"{c.name}: {run.ul} µL, the largest is {cfg['dose_most_ul']}")
        if not c.cal[1] or c.cal[3] != self.signatures.get(settings_of(cfg)):
            self.violate("S8", f"{c.name}: runs without a calibration for its settings")
        if c.fill < 0:
            return
        reservoir = cfg["reservoir"]
        dead = reservoir["dead_ul"] if reservoir else 0
        if c.fill - c.taken - dead < run.ul:
            text = f"{run.ul} µL of {c.fill - c.taken} µL, {dead} out of reach"
            self.violate("S21", f"{c.name}: {text}")
        if c.must_low:
            self.violate("S21", f"{c.name}: ran low, and nobody said so")

    def _on_time(self, c: Channel, run: Run, cfg: dict[str, Any]) -> None:
        wall = self.now_s + self.offset
        if not 0 <= wall - run.due <= cfg["grace_s"]:
            self.violate("S6", f"{c.name}: dose {run.index} starts {wall - run.due} s after")
        told = c.told
        if told and told[0] == c.rev and told[1] == c.date and run.due <= told[2]:
            self.violate("S6", f"{c.name}: two doses that were due at once both run")
        c.told = (c.rev, c.date, wall)

    def _expire(self, c: Channel, now_s: int) -> None:
        before_s = now_s - self.day_s
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
                    self._expire(m, self.powered_s)
                    used += m.sum // m.cal[0]
                    slack += 3 + m.cal[1] // m.cal[0]
            if used > cap_ul + slack:
                text = f"{used} µL in 24 h, the cap is {cap_ul} µL"
                self._over_cap(members, 0, used - cap_ul - slack, text)
        for other, gap_s in self.apart[ch]:
            since = self.powered_s - other.end_s
            if since < gap_s - self.slow_s:
                self.violate("S6", f"{c.name} runs {since} s after {other.name}, not {gap_s}")

    def _over_cap(self, members: Sequence[Channel], later_s: int, over_ul: int, text: str) -> None:
        """S1, and the law whose entries explain it alone."""
        names = " and ".join(m.name for m in members)
        self.violate("S1", f"{names}: {text}")
        for law in ("S15", "S7"):
            if self._used(members, later_s, law)[0] >= over_ul:
                self.violate(law, f"{names}: {text}")
                return

    def _used(self, members: Sequence[Channel], later_s: int, law: str = "") -> tuple[int, int]:
        """What of the windows still counts so many seconds from now, of one law's entries or of
        all; and what roundings may add to it."""
        before_s = self.powered_s + later_s - self.day_s
        used = slack = 0
        for m in members:
            if m.cal[0]:
                own = [u for end, u, why in m.window if end > before_s and law in ("", why)]
                used += sum(own) // m.cal[0]
                slack += 3 + m.cal[1] // m.cal[0]
        return used, slack

    def room(self, powered_s: int, left_ul: Callable[[int, int], int]) -> None:
        """What the board thinks may enter, `left_ul(channel, seconds from now)`, at each second at
        which something is about to leave a window, is no more than the truth leaves."""
        self.powered_s = max(self.powered_s, powered_s)
        for ch in range(len(self.channels)):
            for cap_ul, members in self.caps[ch]:
                ends = [
                    end + self.day_s - 1 - powered_s for m in members for end, _, _ in m.window
                ]
                for later_s in sorted({0, *(s for s in ends if s > 0)}):
                    left = left_ul(ch, later_s)
                    used, slack = self._used(members, later_s)
                    if left > cap_ul - used + slack:
                        text = f"in {later_s} s {left} µL may enter, {used} did of {cap_ul}"
                        over = left - cap_ul + used - slack
                        self._over_cap(members, later_s, over, text)
                        return

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
        law = "S7" if run.into == TANK else "S1"
        if known:
            self.enter(c, powered_s, given - c.cal[2], law)
        else:
            self.enter(c, powered_s, max(given, run.counts) - c.cal[2], "S15")

    # Questions

    def status(self, overview: dict[str, Any]) -> None:
        """S22: what the board tells a person."""
        if overview.get("delivery") != "commanded, not verified":
            self.violate("S22", f"the status says that delivery is {overview.get('delivery')}")
        for c, told in zip(self.channels, overview["channels"], strict=True):
            if told["commanded_ul"] != c.tot[COMMANDED] or told["planned_ul"] != c.tot[PLANNED]:
                self.violate("S22", f"{c.name}: the status tells other sums than the journal")
            self.left(c.at, told["left_ul"])

    def left(self, ch: int, left_ul: int) -> None:
        """S21: what the board says is left in a container, -1 where nobody keeps count."""
        c = self.channels[ch]
        reservoir = self.calendar.channels[ch]["reservoir"] if self.calendar else None
        dead = reservoir["dead_ul"] if reservoir else 0
        right = -1 if c.fill < 0 else max(0, c.fill - c.taken - dead)
        if left_ul != right:
            self.violate("S21", f"{c.name}: {left_ul} µL are said to be left, {right} are")
