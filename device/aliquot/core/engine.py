"""The scheduler: when asked, it says which pump to start and for how many counts.

State and `now` go in; what to start, what to refuse and why, and when to ask again come out. Every
decision is a record before it is a movement. The engine never reads a clock, never touches a file
or a pin, and an idle `poll` allocates nothing. Times `now_s` are engine time: powered seconds.

The journal it is given has `.state` and `.put(now_s, kind, fields, text)`: durable when it
returns, OSError when it is not.
"""

from aliquot.core import lanes
from aliquot.core.amounts import run_s, to_counts
from aliquot.core.demand import forget
from aliquot.core.ledger import CAP, DOSE, EMPTY, FAULT, LIMIT, QUEUE, RESET
from aliquot.core.plan import Setup, day_ul
from aliquot.core.runs import moved
from aliquot.core.timetable import Day, Timetable

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Iterator

    from aliquot.core.state import Journal

_HOUR_S = 3600
_RETRY_S = 10
_ON_TIME_S = 5


class Engine:
    """One controller: a set-up, a journal, and the lanes of its channels."""

    def __init__(self, setup: Setup, journal: "Journal", keep: int = 2) -> None:
        self.setup = setup
        self.journal = journal
        self.state = journal.state
        self.put = journal.put  # makes a record durable, then adds it to the state
        self.keep = keep
        self.wake_s = 0
        self.running = False
        self.result: tuple[int, int] | None = None  # of a run, not yet recorded
        self.offer: tuple[int, ...] = ()  # of the dose looked at: ul, counts, trim, raise
        self.failed_s = -1  # when the journal last could not be written
        self.lanes: list[lanes.Lane] = []
        self.days: dict[int, Day] = {}
        self.slices: Iterator[Day | None] | None = None
        self.slicing = 0
        self.refresh()

    def refresh(self) -> None:
        """Work everything out anew from the set-up and the state; nothing is lost by it."""
        cals = [(c.cal_counts, c.cal_ul) for c in self.state.channels]
        self.table = Timetable(self.setup, cals, self.keep)
        self.days = {}
        self.slices = None
        self.seek()

    def seek(self) -> None:
        """Look for the next dose of every channel anew."""
        self.lanes = [lanes.Lane() for _ in self.state.channels]
        self.waiting = any(c.extra for c in self.state.channels)
        self.wake_s = 0

    def act(self, now_s: int, kind: str, fields: "tuple[int, ...]", text: str = "") -> None:
        """Record what a user did, after what passed before it, and work out the rest anew."""
        self.flush(now_s)
        self.put(now_s, kind, fields, text)
        self.refresh()

    def flush(self, now_s: int) -> None:
        """Record the doses that passed and are not recorded yet."""
        for ch in range(len(self.lanes)):
            lanes.flush(self, ch, now_s)

    def day(self, date: int) -> "Day | None":
        """The table of a date, or None while its slices are being worked out."""
        found = self.days.get(date)
        if found:
            return found
        if not self.slices:
            self.slicing = date
            self.slices = self.table.steps(date, [c.over for c in self.state.channels])
        # One date at a time, to its end: lanes on two dates must not hinder each other.
        found = next(self.slices)
        if not found:
            return None
        self.slices = None
        oldest = min([lane.date for lane in self.lanes if lane.date >= 0])
        for old in [d for d in self.days if d < oldest]:
            del self.days[old]
        self.days[self.slicing] = found
        return found if self.slicing == date else None

    def poll(self, now_s: int) -> "tuple[int, int, int] | None":
        """Return (channel, counts, longest seconds) of a run to start now, or None.

        Where the journal cannot be written nothing moves, and it is tried again."""
        if now_s < self.wake_s or self.running:
            return None
        try:
            return self._work(now_s)
        except OSError:
            self.failed_s = now_s
            self.wake_s = now_s + _RETRY_S
            return None

    def ended(self, now_s: int, counts: int, cause: int = 0) -> None:
        """Take the end of the run under way: the counts it gave, and why it ended early."""
        self.running = False
        self.result = (counts, cause)
        self.wake_s = now_s
        try:
            self.finish(now_s)
        except OSError:
            self.failed_s = now_s
            self.wake_s = now_s + _RETRY_S

    def finish(self, now_s: int) -> None:
        """Record the outcome of the run that ended."""
        state = self.state
        counts, cause = self.result or (0, 0)
        ch, _, planned, into, _, base, _ = state.open
        c = state.channels[ch]
        cfg = self.setup.channels[ch]
        owed = 0
        fell_short = into == DOSE and counts < planned and cause in (FAULT, RESET)
        if fell_short and now_s >= state.fresh_s:
            owed = min(base - moved(state, counts)[0], cfg.owed_most_ul - sum(c.owed[1::2]))
        self.put(now_s, "O", (ch, counts - planned, cause, max(0, owed)))
        self.result = None
        if c.fill_ul >= 0 and not c.low and c.fill_ul - c.taken_ul <= cfg.low_ul:
            self.put(now_s, "W", (ch,))

    def _work(self, now_s: int) -> "tuple[int, int, int] | None":
        state = self.state
        if self.result:
            self.finish(now_s)
        elif state.open:  # the intent was recorded and its run never asked for: taken as given
            ch = state.open[0]
            self.put(now_s, "U", (ch, self.setup.channels[ch].run_most_s))
            self.seek()
        if now_s - state.now_s >= _HOUR_S:
            self.put(now_s, "t", ())
        wake = state.now_s + _HOUR_S
        if not state.quality:
            self.wake_s = wake
            return None
        offset = state.offset
        wall = now_s + offset
        soon = wake + offset  # the wall second to be asked again at
        best, offer = -1, self.offer
        for ch, lane in enumerate(self.lanes):
            c = state.channels[ch]
            if lane.due_w <= wall or c.owed:
                cfg = self.setup.channels[ch]
                if wall > lane.until_w and not lanes.advance(self, ch, now_s):
                    soon = wall
                    continue
                if c.owed:
                    lapse = c.owed[0] + cfg.age_s
                    if lapse <= wall:
                        self.put(now_s, "L", (ch, c.owed[1]))
                    soon = min(soon, max(wall, lapse))
                if lane.due_w <= wall:
                    if best >= 0 and lane.due_w <= self.lanes[best].due_w:
                        soon = min(soon, wall + 1)
                        continue
                    again = self._wait(ch, now_s, wall)
                    if again:
                        soon = min(soon, max(wall + 1, again + offset), lane.until_w + 1)
                    else:
                        best, offer = ch, self.offer
                    continue
            if lane.due_w < soon:
                soon = lane.due_w
        self.wake_s = soon - offset if best < 0 else now_s
        if soon <= wall:
            return None
        if best >= 0:
            self.offer = offer
            return self._start(best, now_s)
        return self._extra(now_s, wall) if self.waiting else None

    def _extra(self, now_s: int, wall: int) -> "tuple[int, int, int] | None":
        from aliquot.core import extras

        job = extras.start(self, now_s, wall)
        self.waiting = any(c.extra for c in self.state.channels)
        if not self.waiting:
            forget("aliquot.core.extras")
        return job

    def _wait(self, ch: int, now_s: int, wall: int) -> int:
        """Return 0 where the dose that is due may run now, else the second to ask again at."""
        lane = self.lanes[ch]
        cfg = self.setup.channels[ch]
        stop = lanes.block(self, ch, wall)
        if stop:
            lane.why = stop
            held = max(self.state.hold_w, self.state.channels[ch].hold_w)
            return held - self.state.offset if held > wall else now_s + cfg.grace_s
        again = self.apart_s(ch, now_s)
        day = self.days[lane.date]
        if again <= now_s and wall > lane.due_w + _ON_TIME_S:
            for o, other in enumerate(self.lanes):
                ahead = day.run_s[ch] + max(1, self.setup.gap_s(ch, o))
                if o != ch and wall < other.due_w < wall + ahead:
                    again = max(again, other.due_w + 1 - self.state.offset)
        if again > now_s:
            lane.why = lane.why or QUEUE
            return again
        return self._offer(ch, now_s, day)

    def apart_s(self, ch: int, now_s: int) -> int:
        """When every channel that `ch` must keep away from has ended long enough ago."""
        clear = now_s
        for one, other, gap in self.setup.separate:
            if ch in (one, other):
                end_s = self.state.channels[one + other - ch].end_s
                clear = max(clear, end_s + gap if end_s >= 0 else 0)
        return clear

    def _offer(self, ch: int, now_s: int, day: Day) -> int:
        """Work out what the dose that is due comes to; returns as `_wait` does."""
        lane = self.lanes[ch]
        cfg = self.setup.channels[ch]
        c = self.state.channels[ch]
        whole = day.ul(ch, lane.at)
        base = lanes.cut_ul(self, ch, day)
        if c.trim_n:
            base -= lanes.trimmed_ul(self, ch, base)
        up = 0
        if base < cfg.least_ul:
            self.offer = (base, 0, whole - base, 0)
            return 0
        if c.owed and base == whole and now_s >= self.state.fresh_s:
            up = min(base * cfg.raise_pct // 100, cfg.most_ul - base, sum(c.owed[1::2]))
            if c.over and day.totals[ch] < day_ul(cfg, lane.date, ()):
                up = 0  # a lowered day is not raised
            if up > 0:
                from aliquot.core import room

                up = min(up, room.room_ul(self, ch, now_s))
                forget("aliquot.core.room", "aliquot.core.layout")
        left = lanes.left_ul(self, ch, now_s)
        have = c.fill_ul - c.taken_ul - cfg.dead_ul if c.fill_ul >= 0 else left
        up = max(0, min(up, left - base, have - base)) if up else 0
        counts = self.counts(ch, base + up)
        seconds = run_s(counts, cfg.speed_cps)
        if up and seconds > cfg.run_most_s:
            up = 0
            counts = self.counts(ch, base)
            seconds = run_s(counts, cfg.speed_cps)
        self.offer = (base + up, counts, whole - base, up)
        if base > left:
            lane.why = CAP
            return max(now_s + 60, c.ring.frees_s(now_s, base - left))
        if base > have:
            lane.why = EMPTY
            if not c.low:  # a cut, or a refill to less than the mark, came before it was said
                self.put(now_s, "W", (ch,))
            return now_s + cfg.grace_s
        if base > cfg.most_ul or seconds > cfg.run_most_s:
            lane.why = LIMIT
            return now_s + cfg.grace_s
        return 0

    def _start(self, ch: int, now_s: int) -> "tuple[int, int, int] | None":
        lane = self.lanes[ch]
        c = self.state.channels[ch]
        ul, counts, trim, up = self.offer
        if not counts:
            lanes.skip(self, ch, ul, trim, now_s)
            self._next(lane, now_s)
            return None
        if lane.passed:
            lanes.flush(self, ch, now_s)
        dates, after = lane.date - c.date, lane.due_w - c.wm_w
        self.put(now_s, "I", (ch, after, lane.at, ul, counts, dates, trim, up))
        self._next(lane, now_s)
        return self.go(ch, counts)

    def _next(self, lane: lanes.Lane, now_s: int) -> None:
        lane.at += 1
        lane.why = 0
        lane.due_w = lane.until_w = -1
        self.wake_s = now_s

    def counts(self, ch: int, ul: int) -> int:
        """The counts that `ul` comes to now, with the remainder and a timed motor's dead time. At
        least one, where an overrun has given more than `ul` before it."""
        c = self.state.channels[ch]
        return max(1, to_counts(ul, c.cal_counts, c.cal_ul, c.rem)) + c.cal_offset

    def go(self, ch: int, counts: int) -> "tuple[int, int, int]":
        """The answer of `poll` for a run whose intent is recorded."""
        job = ch, counts, run_s(counts, self.setup.channels[ch].speed_cps) + 1
        self.running = True
        return job
