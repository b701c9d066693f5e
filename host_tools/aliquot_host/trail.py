"""Follows a journal: which record made each thing so, and what became of each dose.

`Trail` answers for one moment: the record that a hold, a calibration, a shortfall rests on.
`History` tells the life of one channel: its runs, the doses that passed, when the board knew the
time. Both only listen while an archive is folded; they judge nothing and change nothing.

Wall times (`_w`) are UTC seconds since 2000 as the board believed them, `_s` powered seconds. A
record number of 0 means: from before the first record that is there.
"""

from __future__ import annotations

import dataclasses
from collections import deque
from typing import Literal

from aliquot.core import snapshot
from aliquot.core.ledger import ABSENT, ALL, COMMANDED, CUP, DOSE, ChannelState
from aliquot.core.state import State
from aliquot_host.archive import Archive, Record

DAY_S = 86400
PASSED = {"M": "missed", "R": "refused", "S": "skipped"}
# Kinds whose first field is the one channel that they change.
OWN = frozenset("VPDXYFWKNIJUMRSLO")

Key = tuple[int, int]  # local date, index
Triple = tuple[int, int, int]


@dataclasses.dataclass(frozen=True)
class Entered:
    """A run into the tank: the record of its end, when that was, how much may have come out."""

    seq: int
    end_s: int
    end_w: int
    ul: int


@dataclasses.dataclass
class Marks:
    """The records that the state of one channel rests on.

    owed: for each entry the records it came from; late_owed: (engine second, microlitres) of what
    was recorded as owed when the next dose had been decided. entered: what went into the tank in
    the last 24 h of powered time.
    """

    calibrated: int = 0
    revised: int = 0
    trimmed: int = 0
    filled: int = 0
    cup: int = 0
    held: int = 0
    faulted: int = 0
    overridden: list[int] = dataclasses.field(default_factory=list[int])
    overrides: list[Triple] = dataclasses.field(default_factory=list[Triple])
    owed: list[list[int]] = dataclasses.field(default_factory=list[list[int]])
    late_owed: tuple[int, int] = (0, 0)
    entered: deque[Entered] = dataclasses.field(default_factory=deque[Entered])


class Trail:
    """Where everything that stands at one moment comes from."""

    def __init__(self, opening: State) -> None:
        self.config = self.clock = self.boot = self.held = self.faulted = self.lost = 0
        # (record, engine second) of what put more into the cap windows than runs did.
        self.filled_in: list[tuple[int, int]] = []
        # (record, engine second, scope) of the last release of a hold.
        self.released = (0, 0, 0)
        # Of the run under way: wall less engine time at its start, and what had gone in before.
        self.begun: tuple[int, int] | None = None
        self.marks: dict[str, Marks] = {}
        for name, c in zip(opening.ids, opening.channels, strict=True):
            marks = self.marks[name] = Marks()
            marks.overrides = triples(c.over)
            marks.overridden = [0] * len(marks.overrides)
            marks.owed = [[0] for _ in c.owed[::2]]

    def after(self, record: Record, state: State) -> None:
        """Take one record, with the state after it."""
        kind, f, seq = record.kind, record.fields, record.seq
        if kind == "C":
            self._config(record, state)
        elif kind == "T":
            self.clock = seq
        elif kind == "B":
            self.boot = seq
        elif kind == "G":
            self.lost = seq
        elif kind in ("H", "Z") and f[0] == ALL:
            setattr(self, "held" if kind == "H" else "faulted", seq)
        elif (kind in OWN or kind in ("H", "Z")) and f[0] < len(state.ids):
            marks = self.marks.setdefault(state.ids[f[0]], Marks())
            self._channel(marks, state.channels[f[0]], record, state.offset)
        if state.foreign == seq:
            self.lost = seq
        if kind in ("C", "G", "K"):
            self.filled_in.append((seq, record.now_s))
        elif kind == "h" and not f[1]:
            self.released = (seq, record.now_s, f[0])

    def _config(self, record: Record, state: State) -> None:
        self.config = record.seq
        for i, name in enumerate(state.ids):
            marks = self.marks.setdefault(name, Marks())
            revised, *cal, left, _ = record.fields[3 + 7 * i : 10 + 7 * i]
            if revised:
                marks.revised = record.seq
            if cal[0]:
                marks.calibrated = record.seq
            if left:
                marks.filled = record.seq

    def _channel(self, marks: Marks, c: ChannelState, record: Record, offset: int) -> None:
        kind, seq = record.kind, record.seq
        simple = {"V": "revised", "D": "revised", "P": "trimmed", "F": "filled"}
        simple |= {"K": "calibrated", "H": "held", "Z": "faulted"}
        if kind in simple:
            setattr(marks, simple[kind], seq)
        elif kind in ("I", "J"):
            self.begun = (offset, c.tot[COMMANDED])
            if kind == "J" and record.fields[3] == CUP:
                marks.cup = seq
        elif kind in ("O", "U") and self.begun:
            # A run that power ended is recorded after the start, under another clock.
            offset, before_ul = self.begun
            self.begun = None
            ul = c.tot[COMMANDED] - before_ul
            if ul:
                marks.entered.append(Entered(seq, c.end_s, c.end_s + offset, ul))
            while marks.entered and marks.entered[0].end_s <= record.now_s - DAY_S:
                marks.entered.popleft()
        self._owed(marks, c, record)
        self._overrides(marks, c, seq)

    def _owed(self, marks: Marks, c: ChannelState, record: Record) -> None:
        """What is settled goes from the front; what is new stands, or is joined, at the back."""
        entries = len(c.owed) // 2
        new = record.fields[{"M": 7, "O": 3}[record.kind]] if record.kind in ("M", "O") else 0
        if not new:
            del marks.owed[: len(marks.owed) - entries]
            return
        if record.kind == "M" and record.fields[8] != ABSENT:
            # The engine writes such a row down together with the intent that ends it.
            marks.late_owed = (record.now_s, new)
        if entries > len(marks.owed):
            marks.owed.append([record.seq])
        else:
            marks.owed[-1].append(record.seq)

    def _overrides(self, marks: Marks, c: ChannelState, seq: int) -> None:
        now = triples(c.over)
        if now == marks.overrides:
            return
        kept: list[int] = []
        for triple, origin in zip(marks.overrides, marks.overridden, strict=True):
            if len(kept) < len(now) and now[len(kept)] == triple:
                kept.append(origin)
        marks.overridden = kept + [seq] * (len(now) - len(kept))
        marks.overrides = now


def triples(over: list[int]) -> list[Triple]:
    """The overrides of a ChannelState: (microlitres more a day, first date, dates)."""
    return list(zip(over[::3], over[1::3], over[2::3], strict=True))


@dataclasses.dataclass
class Run:
    """One run of the pump: its intent, and what came of it.

    into: DOSE, TANK or CUP. date and index are those of a dose. ul, counts: as intended; got_ul,
    given: as recorded. ending: done, partial, uncertain, or running where no outcome follows.
    end_w is -1 where nobody knows when it ended.
    """

    seq: int
    into: int
    revision: int
    date: int
    index: int
    due_w: int
    start_w: int
    ul: int
    counts: int
    trim_ul: int
    raise_ul: int
    rem_before: int
    rem_between: int
    rem_after: int
    end_seq: int = 0
    end_w: int = -1
    got_ul: int = 0
    given: int = 0
    ending: str = "running"
    cause: int = 0
    owed_ul: int = 0

    @property
    def base_ul(self) -> int:
        """The dose without its raise."""
        return self.ul - self.raise_ul

    def holds(self, date: int, index: int) -> bool:
        return self.into == DOSE and (self.date, self.index) == (date, index)


@dataclasses.dataclass(frozen=True)
class Passed:
    """Doses that did not run, one after the other for the same reason, as one record.

    after_w: due times at or before it were closed already; due_w: the due time of the last.
    """

    seq: int
    ending: str
    reason: int
    revision: int
    first: Key
    last: Key
    after_w: int
    due_w: int
    number: int
    ul: int
    trim_ul: int
    owed_ul: int
    at_w: int

    def holds(self, date: int, index: int) -> bool:
        return self.first <= (date, index) <= self.last


@dataclasses.dataclass(frozen=True)
class Withdrawn:
    """An extra that was accepted and never ran."""

    seq: int
    reason: int
    ul: int
    at_w: int


@dataclasses.dataclass(frozen=True)
class Revised:
    """A new revision: no dose of it is due before from_w."""

    seq: int
    revision: int
    from_w: int


Event = Run | Passed | Withdrawn | Revised


@dataclasses.dataclass(frozen=True)
class Stretch:
    """A stretch of wall time between two records.

    kind: on (the clock was known), unset (powered, but the clock was not), off (no sign of life),
    skipped (the clock was set forward over it), later (after the last record).
    """

    kind: Literal["on", "unset", "off", "skipped", "later"]
    from_w: int
    until_w: int
    before: int
    after: int


class Clock:
    """Tells the stretches of wall time, also those that only a later clock record makes known."""

    def __init__(self, opening: State) -> None:
        self.now_s = self.boot_s = opening.now_s
        self.offset = opening.offset
        self.quality = opening.quality
        self.seq = self.boot = opening.seq
        # Last wall second known before the clock was lost, and the record that it comes from.
        self.lost: tuple[int, int] | None = None
        self.starts = 0

    def after(self, record: Record, state: State) -> list[Stretch]:
        """Take one record; returns the stretches that it makes known."""
        found: list[Stretch] = []
        wall_w = record.now_s + self.offset
        if record.kind == "B":
            self.starts += 1
            if self.quality:
                self.lost = (self.now_s + self.offset, self.seq)
            self.boot, self.boot_s = record.seq, record.now_s
        elif self.quality:
            found.append(Stretch("on", self.now_s + self.offset, wall_w, self.seq, record.seq))
            if state.offset > self.offset:
                ahead_w = record.now_s + state.offset
                found.append(Stretch("skipped", wall_w, ahead_w, self.seq, record.seq))
        elif state.quality:
            boot_w = self.boot_s + state.offset
            if self.lost:
                found.append(Stretch("off", self.lost[0], boot_w, self.lost[1], self.boot))
            set_w = record.now_s + state.offset
            found.append(Stretch("unset", boot_w, set_w, self.boot, record.seq))
            self.lost = None
        self.now_s, self.seq = record.now_s, record.seq
        self.offset, self.quality = state.offset, state.quality
        return [one for one in found if one.until_w > one.from_w]

    def end(self) -> Stretch:
        """What comes after the last record."""
        from_w = self.lost[0] if self.lost else self.now_s + self.offset
        return Stretch("later", from_w, 1 << 62, self.lost[1] if self.lost else self.seq, 0)


class History:
    """The life of channel `name`: `events` in order, and the stretches that `wanted` looks for."""

    def __init__(self, opening: State, name: str, wanted: tuple[int, int] | None = None) -> None:
        self.name = name
        self.wanted = wanted
        self.clock = Clock(opening)
        self.events: list[Event] = []
        self.stretches: list[Stretch] = []
        self.outages: list[Stretch] = []
        self.run: Run | None = None
        self.given_ul = (0, 0)
        self.rem = self.rev = 0
        self.wm_w = -1
        if name in opening.ids:
            c = opening.channels[opening.ids.index(name)]
            self.rem, self.rev, self.wm_w = c.rem, c.rev, c.wm_w

    def after(self, record: Record, state: State) -> None:
        """Take one record, with the state after it."""
        for stretch in self.clock.after(record, state):
            if stretch.kind in ("off", "unset"):
                self.outages.append(stretch)
            first, last = self.wanted or (0, -1)
            if stretch.from_w <= last and first < stretch.until_w:
                self.stretches.append(stretch)
        if self.name not in state.ids:
            return
        place = state.ids.index(self.name)
        c = state.channels[place]
        if record.kind in OWN and record.fields[0] == place:
            self._own(record, c, record.now_s + state.offset)
        if c.rev != self.rev:
            self.events.append(Revised(record.seq, c.rev, c.wm_w))
        self.rem, self.rev, self.wm_w = c.rem, c.rev, c.wm_w

    def end(self) -> None:
        """After the last record."""
        later = self.clock.end()
        if self.wanted and later.from_w <= self.wanted[1]:
            self.stretches.append(later)

    def _own(self, record: Record, c: ChannelState, at_w: int) -> None:
        kind, f, seq = record.kind, record.fields, record.seq
        if kind in ("I", "J"):
            self._begin(record, c, at_w)
        elif kind in ("O", "U") and self.run:
            self._finish(self.run, record, c, at_w)
            self.run = None
        elif kind in PASSED:
            passed = Passed(
                seq=seq,
                ending=PASSED[kind],
                reason=f[8],
                revision=c.rev,
                first=(c.date - f[9], f[10]),
                last=(c.date, f[2]),
                after_w=self.wm_w,
                due_w=c.wm_w,
                number=f[3],
                ul=f[4],
                trim_ul=f[6],
                owed_ul=f[7],
                at_w=at_w,
            )
            self.events.append(passed)
        elif kind == "Y":
            self.events.append(Withdrawn(seq, f[1], f[2], at_w))

    def _begin(self, record: Record, c: ChannelState, at_w: int) -> None:
        f = record.fields
        dose = record.kind == "I"
        self.run = Run(
            seq=record.seq,
            into=DOSE if dose else f[3],
            revision=c.rev,
            date=c.date if dose else 0,
            index=f[2] if dose else 0,
            due_w=c.wm_w if dose else at_w,
            start_w=at_w,
            ul=f[3] if dose else f[1],
            counts=f[4] if dose else f[2],
            trim_ul=f[6] if dose else 0,
            raise_ul=f[7] if dose else 0,
            rem_before=self.rem,
            rem_between=c.rem,
            rem_after=c.rem,
        )
        self.events.append(self.run)
        self.given_ul = c.tot[COMMANDED], c.tube_ul

    def _finish(self, run: Run, record: Record, c: ChannelState, at_w: int) -> None:
        run.end_seq = record.seq
        run.rem_after = c.rem
        given_ul, moved_ul = self.given_ul
        run.got_ul = c.tube_ul - moved_ul if run.into == CUP else c.tot[COMMANDED] - given_ul
        run.given = run.counts
        if record.kind == "U":
            run.ending = "uncertain"
            return
        run.end_w = at_w
        run.given += record.fields[1]
        run.cause = record.fields[2]
        run.owed_ul = record.fields[3]
        run.ending = "partial" if record.fields[1] < 0 else "done"


def trail_until(archive: Archive, seq: int | None) -> tuple[State, Trail]:
    """The state after record `seq` (None: after all), and where everything in it comes from."""
    state = snapshot.load(archive.opening)
    trail = Trail(state)
    for record, now in archive.walk(seq):
        trail.after(record, now)
        state = now
    return state, trail


def history_of(archive: Archive, name: str, wanted: tuple[int, int] | None = None) -> History:
    """The life of a channel; `wanted`: the first and last wall second to look for stretches in."""
    history = History(snapshot.load(archive.opening), name, wanted)
    for record, state in archive.walk():
        history.after(record, state)
    history.end()
    return history


def known_ids(archive: Archive) -> list[str]:
    """The ids of all channels that a journal ever speaks of."""
    found = dict.fromkeys(snapshot.load(archive.opening).ids)
    for record in archive.records:
        if record.kind == "C":
            found |= dict.fromkeys(record.text.split(" ")[1:])
    return list(found)
