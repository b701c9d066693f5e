"""A desk for the engine: a journal in memory, two clocks, pumps that do what a test tells them to.

`Desk` keeps the truth apart from what the engine believes: `wall` is the true UTC second,
`powered` the true seconds with power, `now` the engine time (it lags behind `powered` by what a
cut loses), `skew` how wrong the clock is that the engine is told. Every run of a motor is in
`runs`. The journal takes records the way flash does: text in, text out, and a write can be made
to fail.

A test builds a set-up with `channel` and `setup`, lets time pass, cuts the power, and asks the
laws at the bottom, which look at the truth and at the records, never at what the engine says it
did.
"""

from __future__ import annotations

import dataclasses
from fractions import Fraction

from aliquot.core import adopt, events
from aliquot.core.dates import days_of
from aliquot.core.engine import Engine
from aliquot.core.ledger import (
    COMMANDED,
    COUNTS,
    CUP,
    EXTRA,
    LAPSED,
    MISSED,
    OVER,
    PLANNED,
    RAISED,
    REFUSED,
    SHORT,
    SKIPPED,
)
from aliquot.core.plan import Channel, Setup
from aliquot.core.records import decode, encode
from aliquot.core.snapshot import dump, load
from aliquot.core.state import State
from aliquot.core.zone import Zone
from aliquot.core.zone_text import parse

BERLIN = "CET-1CEST,M3.5.0,M10.5.0/3"
UTC = "UTC0"
DAY = 86400
SPRING = days_of(2026, 3, 29)  # Berlin loses an hour
AUTUMN = days_of(2026, 10, 25)  # and gets it back
# A Monday far from both, at 00:00 in Berlin (summer time).
START_DATE = days_of(2026, 6, 1)
START = START_DATE * DAY - 7200
POLLS_MOST = 5000


def channel(name: str = "alk", daily_ul: int = 24000, doses: int = 24, **own: object) -> Channel:
    """A channel like most: 1.28 counts a microlitre, 23 mL a minute, a cap of five doses more."""
    c = Channel()
    c.id, c.daily_ul, c.doses = name, daily_ul, doses
    share = -(-daily_ul // max(1, doses))
    c.cap_ul = daily_ul + 5 * share
    c.least_ul, c.most_ul = 100, max(2 * share, 4000)
    c.run_most_s, c.speed_cps = 60, 500
    c.grace_s = 1200
    c.raise_pct, c.age_s, c.owed_most_ul = 25, DAY, max(1, daily_ul // 2)
    c.cal = (12800, 10000, 0)
    c.signature = 5
    for key, value in own.items():
        assert hasattr(c, key), key
        setattr(c, key, value)
    return c


def setup(
    *channels: Channel, tz: str = BERLIN, separate: list = (), groups: list = (), name: str = "aa"
) -> Setup:
    """A set-up of these channels; `separate` and `groups` as in Setup."""
    made = Setup(Zone(parse(tz)), list(channels))
    made.separate, made.groups, made.hash = list(separate), list(groups), name
    return made


class Power(Exception):
    """The power went while a record was being made."""


class Memory:
    """A journal on paper: `records` are (seq, now_s, kind, fields, text); `fail` writes to come
    fail.

    `cuts` are (how many records on, whether it is durable): there the power goes."""

    def __init__(self, checked: bool = True) -> None:
        self.cuts: list[tuple[int, bool]] = []
        self.state = State()
        self.records: list[tuple[int, int, str, tuple[int, ...], str]] = []
        self.bytes = 0
        self.fail = 0
        self.checked = checked

    def put(self, now_s: int, kind: str, fields: tuple[int, ...], text: str = "") -> None:
        if self.fail:
            self.fail -= 1
            raise OSError(28)
        state = self.state
        assert now_s >= state.now_s, "engine time went back"
        if self.cuts:
            left, durable = self.cuts[0]
            self.cuts[0] = left - 1, durable
            if not left:
                del self.cuts[0]
                if durable:
                    self._write(now_s, kind, fields, text)
                raise Power
        self._write(now_s, kind, fields, text)

    def _write(self, now_s: int, kind: str, fields: tuple[int, ...], text: str) -> None:
        state = self.state
        if self.checked:
            line = encode(state.seq + 1, now_s - state.now_s, kind, fields, text)
            assert len(line) <= 1024
            self.bytes += len(line)
            seq, dt_s, kind, fields, text = decode(line[:-1].encode())
        else:
            seq, dt_s, fields = state.seq + 1, now_s - state.now_s, fields + (0,) * 12
        state.apply(dt_s, kind, fields, text)
        self.records.append((seq, now_s, kind, fields, text))

    def of(self, *kinds: str) -> list[tuple[int, ...]]:
        """The fields of all records of these kinds."""
        return [fields for _, _, kind, fields, _ in self.records if kind in kinds]


@dataclasses.dataclass
class Run:
    """One turn of a motor, in true powered seconds; key is () for runs outside the timetable."""

    channel: int
    key: tuple[int, ...]
    ul: int
    base_ul: int
    raise_ul: int
    counts: int
    into: int
    due_w: int
    wall: int
    told_w: int  # the time that the engine believed it to be
    start: int
    end: int = -1
    given: int = -1
    true_ul: Fraction = Fraction(0)


class Desk:
    """One controller on a desk; see the module."""

    def __init__(
        self,
        made: Setup,
        wall: int = START,
        given_ul: int = 0,
        clock: int = 2,
        checked: bool = True,
    ) -> None:
        self.setup = made
        self.wall, self.powered, self.now, self.skew = wall, 0, 0, 0
        self.runs: list[Run] = []
        self.journal = Memory(checked)
        self.engine = Engine(made, self.journal)
        self.polls = 0
        self.recent: list[Run] = []  # into the tank, of the last 24 powered hours
        self.cut_s = -1  # power goes so many seconds into the next run
        self.give = None  # (counts beyond or short of the told ones, cause) of the next run
        if clock:
            self.clock(clock)
        adopt.adopt(self.engine, made, self.now, given_ul=given_ul)

    @property
    def state(self) -> State:
        return self.journal.state

    def c(self, ch: int = 0):
        return self.state.channels[ch]

    def clock(self, quality: int = 2, source: int = 1) -> None:
        """The engine is told the time, wrong by `skew`."""
        events.set_clock(self.engine, self.now, self.wall + self.skew, quality, source)

    def boot(self, cause: int = 0, counts: int = -1, clock: int = 2) -> None:
        """The board starts again from its journal; its engine time is that of the last record."""
        self.now = self.state.now_s
        self.engine = Engine(self.setup, self.journal)
        events.boot(self.engine, self.now, cause, counts)
        if clock:
            self.clock(clock)

    def outage(self, seconds: int, cause: int = 0, counts: int = -1, clock: int = 2) -> None:
        """The power goes now, for so long; then the board starts."""
        self.wall += seconds
        self.boot(cause, counts, clock)

    def restart(self) -> None:
        """Start after a cut, again and again while the start itself is cut."""
        for _ in range(9):
            try:
                self.boot()
            except Power:
                continue
            return
        raise AssertionError("more cuts than starts")

    def sleep(self, seconds: int) -> None:
        self.wall += seconds
        self.powered += seconds
        self.now += seconds

    def step(self, until: int) -> Run | None:
        """Poll once; let a run happen, or time pass to the next poll, at most until true second
        `until`. A run that power cuts is returned with `given` -1: the test boots."""
        self.polls += 1
        job = self.engine.poll(self.now)
        if job is None:
            left = until - self.wall
            wait = self.engine.wake_s - self.now
            self.sleep(max(0, min(left, wait)))
            return None
        run = self._begin(job)
        extra, cause = self.give or (0, 0)
        self.give = None
        counts = max(0, run.counts + extra)
        speed = self.setup.channels[run.channel].speed_cps
        seconds = -(-counts // speed)
        cut = self.cut_s
        self.cut_s = -1
        if cut >= 0 and seconds:
            self.sleep(min(cut, seconds))
            self._finish(run, min(run.counts, counts, cut * speed))
            run.given = -1
            return run
        self.sleep(seconds)
        self._finish(run, counts)
        self.engine.ended(self.now, counts, cause)
        return run

    def _begin(self, job: tuple[int, int, int]) -> Run:
        ch, counts, most_s = job
        assert self.journal.records[-1][2] in ("I", "J"), "a motor moved before its record (S14)"
        told_w = self.now + self.state.offset
        opened = self.state.open
        assert opened[:1] + opened[2:3] == (ch, counts)
        assert not self.runs or self.runs[-1].end <= self.powered, "two pumps at a time"
        limit = self.setup.channels[ch].run_most_s
        assert -(-counts // self.setup.channels[ch].speed_cps) <= limit < most_s + limit
        c = self.c(ch)
        kind, fields = self.journal.records[-1][2:4]
        dose = kind == "I"
        run = Run(
            channel=ch,
            key=(ch, c.rev, c.date, fields[2]) if dose else (),
            ul=opened[1],
            base_ul=opened[5],
            raise_ul=opened[6],
            counts=counts,
            into=opened[3],
            due_w=c.wm_w if dose else -1,
            wall=self.wall,
            told_w=told_w,
            start=self.powered,
        )
        if run.into != CUP:
            self._room_for(run)
        self.runs.append(run)
        return run

    def _room_for(self, run: Run) -> None:
        """S1, on true powered time and on what the motors gave: a run counts from its start to
        24 h after its end, whatever it moved in between. One count and two microlitres a channel
        may hide in rounding."""
        self.recent = [r for r in self.recent if r.end > run.start - DAY]
        caps = [(self.setup.channels[run.channel].cap_ul, (run.channel,))]
        caps += [group for group in self.setup.groups if run.channel in group[1]]
        for cap_ul, members in caps:
            used = sum((r.true_ul for r in self.recent if r.channel in members), Fraction(run.ul))
            known = [c for c in map(self.c, members) if c.cal_counts]
            slack = sum(2 + Fraction(c.cal_ul, c.cal_counts) for c in known)
            assert used <= cap_ul + slack, f"{float(used)} µL in 24 h, the cap is {cap_ul} (S1)"

    def calibrated(self, ch: int, before: Fraction) -> None:
        """A new calibration is in force: what went in is re-counted where it was more."""
        c = self.c(ch)
        more = Fraction(c.cal_ul, c.cal_counts) / before
        for r in self.recent:
            if r.channel == ch and more > 1:
                r.true_ul *= more

    def _finish(self, run: Run, given: int) -> None:
        c = self.c(run.channel)
        run.end, run.given = self.powered, given
        moved = max(0, given - c.cal_offset)
        run.true_ul = Fraction(moved * c.cal_ul, c.cal_counts) if c.cal_counts else Fraction(0)
        if run.into != CUP:
            self.recent.append(run)

    def until(self, wall: int) -> None:
        """Let time pass to the true second `wall`; a cut run is followed by a start of the
        board."""
        for _ in range(POLLS_MOST + wall - self.wall):
            # What is due at the last second, and slices of work, are done too.
            if self.wall >= wall and (self.engine.wake_s > self.now or self.engine.running):
                return
            try:
                run = self.step(wall)
            except Power:
                self.restart()
                continue
            if run and run.given < 0:
                self.boot()
        raise AssertionError("the engine polls and never comes to rest")

    def pass_s(self, seconds: int) -> None:
        self.until(self.wall + seconds)

    def days(self, n: int = 1) -> None:
        self.until(self.wall + n * DAY)

    def doses(self, ch: int = 0) -> list[Run]:
        return [r for r in self.runs if r.channel == ch and r.key]

    def settle(self) -> None:
        """Record what passed and is not recorded yet, on a flash that takes it."""
        self.journal.fail = 0
        self.engine.flush(self.now)


# The laws


def dumped(state: State) -> list[str]:
    return dump(state)


def refold(records: list, start: State | None = None) -> State:
    """The state that records alone add up to."""
    state = start or State()
    for _, now_s, kind, fields, text in records:
        state.apply(now_s - state.now_s, kind, fields, text)
    return state


def check_keys(desk: Desk) -> None:
    """S5: no key runs twice, and due times of a channel rise but where a clock error let go."""
    keys = [r.key for r in desk.runs if r.key]
    assert len(set(keys)) == len(keys), "a key ran twice (S5)"


def check_books(state: State) -> None:
    """The two identities of the ledger, where no run is open."""
    if state.open:
        return
    for c in state.channels:
        t = c.tot
        came = t[COMMANDED] + t[SKIPPED] + t[MISSED] + t[REFUSED] + t[SHORT]
        assert t[PLANNED] + t[RAISED] + t[EXTRA] + t[OVER] == came
        assert t[MISSED] + t[SHORT] == t[RAISED] + t[LAPSED] + sum(c.owed[1::2])
        assert all(n >= 0 for n in t)
        assert len(c.owed) <= 8
        assert all(n > 0 for n in c.owed[1::2])


def check_counts(desk: Desk) -> None:
    """S2, S15 and S24: the counters add up to what the motors did; where an end is not known they
    say more, never less."""
    for ch, c in enumerate(desk.state.channels):
        turned = sum(
            r.given for r in desk.runs if r.channel == ch and r.into != CUP and r.given > 0
        )
        assert c.tot[COUNTS] >= turned
        if not any(f[0] == ch for f in desk.journal.of("U")):
            assert c.tot[COUNTS] == turned


def check_snapshots(desk: Desk, every: int = 1) -> None:
    """A snapshot at any record and the records after it give the state of them all (S24)."""
    whole = dump(desk.state)
    state = State()
    for n, (seq, now_s, kind, fields, text) in enumerate(desk.journal.records):
        state.apply(now_s - state.now_s, kind, fields, text)
        assert state.seq == seq
        lines = dump(state)
        if n % every == 0:
            again = load(lines)
            assert dump(again) == lines
            state = again
    assert dump(state) == whole


def check_separate(desk: Desk) -> None:
    """No run into the tank starts nearer than its separation to the end of another, in true
    powered time."""
    last: dict[int, int] = {}
    for run in desk.runs:
        if run.into == CUP:
            continue
        for other, end in last.items():
            gap = desk.setup.gap_s(run.channel, other)
            assert not gap or run.start - end >= gap, (
                f"{run.channel} {run.start - end} s after {other}"
            )
        last[run.channel] = run.end


def check_every_key(desk: Desk, counts: list[int] | None = None) -> None:
    """S10: from its first key on each channel's doses end one after the other, none left out, as a
    run or as one of those that passed. For plans that never change; `counts` are doses a day."""
    for ch, cfg in enumerate(desk.setup.channels):
        n = counts[ch] if counts else cfg.doses
        next_key = None
        date = 0
        for _, _, kind, f, _ in desk.journal.records:
            if kind not in ("I", "M", "R", "S") or f[0] != ch:
                continue
            date += f[5]
            last = date * n + f[2]
            first = last if kind == "I" else (date - f[9]) * n + f[10]
            assert next_key in (None, first), "a dose left out, or ended twice"
            assert kind == "I" or last - first + 1 == f[3]
            next_key = last + 1


def check_late(desk: Desk) -> None:
    """S6: a dose starts within its grace, by the clock the engine was told, and of two doses of
    a date that are due never both run."""
    last: dict[int, Run] = {}
    for run in desk.runs:
        if not run.key:
            continue
        grace_s = desk.setup.channels[run.channel].grace_s
        assert 0 <= run.told_w - run.due_w <= grace_s
        before = last.get(run.channel)
        if before and before.key[1:3] == run.key[1:3]:
            assert run.due_w > before.told_w, "two doses that were due at once both ran (S6)"
        last[run.channel] = run


def check_raises(desk: Desk) -> None:
    """S6, S7: a raise is at most its share of its own dose; all raises are at most what was
    owed."""
    for ch, cfg in enumerate(desk.setup.channels):
        owed = sum(f[7] for f in desk.journal.of("M") if f[0] == ch)
        owed += sum(f[3] for f in desk.journal.of("O") if f[0] == ch)
        raised = 0
        for run in desk.doses(ch):
            assert 0 <= run.raise_ul <= run.base_ul * cfg.raise_pct // 100
            raised += run.raise_ul
        assert raised <= owed


def check_all(desk: Desk) -> None:
    check_keys(desk)
    check_books(desk.state)
    check_counts(desk)
    check_separate(desk)
    check_late(desk)
    check_raises(desk)
    check_snapshots(desk)
