"""What a journal says went in: runs with both bounds, refills, calibrations, tubing, notes.

One reading of an archive for every command that looks back over weeks. Wall times (`_w`) are UTC
seconds since 2000 as the board believed them; where the clock was only estimated or unset, and set
before the power went again, they are put right. It judges nothing and works out no mean.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator

from aliquot.core import snapshot
from aliquot.core.ledger import ALL, CUP, DOSE, ChannelState
from aliquot.core.state import State
from aliquot_host import record_texts, trail
from aliquot_host.archive import Archive, Record

TRUSTED = 2
NOTE, TEST, LIQUID = range(3)
ACTS = frozenset("EFNK")
# Kinds that a person may want to read as a sentence: acts, faults, starts, clocks.
TOLD = frozenset("PDXYHhFKNECZzBTGWS")
# Kinds that are the user's own orders.
ORDERS = frozenset("PDXHhFKN")


@dataclasses.dataclass
class Run:
    """One run of a pump. into: dose, extra (any run into the tank outside the timetable) or cup.

    low_ul, high_ul: what came out at least and at most, by the calibration of that time; they
    differ where power went in the run. low, high: the same as counts. end_w is -1 where nobody
    knows when it ended. planned_ul: as intended; trim_ul: what a trim took off before, raise_ul:
    what of it was made up for an earlier dose."""

    channel: str
    seq: int
    into: str
    start_w: int
    end_w: int
    planned_ul: int
    low_ul: int
    high_ul: int
    low: int
    high: int
    ending: str
    trim_ul: int = 0
    raise_ul: int = 0


@dataclasses.dataclass
class Fill:
    """What a container was said to hold; expected_ul: what it held by the books, -1 unknown."""

    channel: str
    seq: int
    at_w: int
    ul: int
    expected_ul: int


@dataclasses.dataclass
class Calibration:
    """So many counts for so many microlitres, offset counts of dead time in each run."""

    channel: str
    seq: int
    at_w: int
    counts: int
    ul: int
    offset: int


@dataclasses.dataclass
class Tubing:
    """New tubing went in."""

    channel: str
    seq: int
    at_w: int


@dataclasses.dataclass
class Entry:
    """A note, a water test or a new liquid. channel: "" where it is about all."""

    kind: int
    channel: str
    seq: int
    at_w: int
    text: str


@dataclasses.dataclass(frozen=True)
class Lost:
    """Records are missing between two wall times: what went in there is not known."""

    from_w: int
    until_w: int
    records: int


@dataclasses.dataclass
class Passed:
    """Doses that did not run, one after the other for one reason. ending: missed, refused or
    skipped; first, last: local dates of their keys."""

    channel: str
    seq: int
    at_w: int
    ending: str
    reason: int
    first: int
    last: int
    number: int
    ul: int


@dataclasses.dataclass
class Told:
    """A record in words. channel: "" where it is about all."""

    seq: int
    at_w: int
    kind: str
    channel: str
    text: str


@dataclasses.dataclass
class Order:
    """An act as its record has it: kind and fields; channel: "" where it is about all."""

    seq: int
    at_w: int
    kind: str
    channel: str
    fields: tuple[int, ...]


@dataclasses.dataclass(frozen=True)
class Dark:
    """No power (`off`), or power without a clock (`unset`), between two wall seconds."""

    kind: str
    from_w: int
    until_w: int


Stamped = Run | Fill | Calibration | Tubing | Entry | Passed | Told | Order


@dataclasses.dataclass
class Intake:
    """All of it, in the order of the journal; first_w, last_w: the first and the last record."""

    ids: list[str]
    first_w: int
    last_w: int
    runs: list[Run] = dataclasses.field(default_factory=list[Run])
    fills: list[Fill] = dataclasses.field(default_factory=list[Fill])
    calibrations: list[Calibration] = dataclasses.field(default_factory=list[Calibration])
    tubings: list[Tubing] = dataclasses.field(default_factory=list[Tubing])
    entries: list[Entry] = dataclasses.field(default_factory=list[Entry])
    passed: list[Passed] = dataclasses.field(default_factory=list[Passed])
    told: list[Told] = dataclasses.field(default_factory=list[Told])
    orders: list[Order] = dataclasses.field(default_factory=list[Order])
    dark: list[Dark] = dataclasses.field(default_factory=list[Dark])
    lost: list[Lost] = dataclasses.field(default_factory=list[Lost])
    kept_days: dict[int, dict[str, list[int]]] = dataclasses.field(
        default_factory=dict[int, dict[str, list[int]]]
    )

    def into_tank(self, channel: str) -> Iterator[Run]:
        """The runs of a channel that may have put something into the tank."""
        return (r for r in self.runs if r.channel == channel and r.into != "cup" and r.high_ul)


class _Reader:
    """Listens while an archive is folded."""

    def __init__(self, archive: Archive) -> None:
        opening = snapshot.load(archive.opening)
        self.lives = {name: trail.History(opening, name) for name in trail.known_ids(archive)}
        self.seen = dict.fromkeys(self.lives, 0)
        self.running: dict[str, tuple[trail.Run, Run]] = {}
        self.cals: dict[str, tuple[int, int, int]] = {}
        self.offset, self.quality, self.seq = opening.offset, opening.quality, opening.seq
        self.clock = trail.Clock(opening)
        # Of each channel: what it was filled with, what was taken since.
        self.held: dict[str, tuple[int, int]] = {}
        # What was stamped since the last start under a clock that was not trusted.
        self.unsure: list[Stamped] = []
        wall_w = opening.now_s + opening.offset
        self.found = Intake(list(self.lives), wall_w, wall_w, kept_days=archive.kept_days)
        self._kept(archive)
        for name, c in zip(opening.ids, opening.channels, strict=True):
            self._calibrated(name, c, opening.seq, c.cal_w)
            self.held[name] = (c.fill_ul, c.taken_ul)

    def _kept(self, archive: Archive) -> None:
        """The acts that the board had put away, from before the first record."""
        ids: list[str] = []
        for seq, wall_w, kind, f, text in archive.kept_acts:
            if kind == "C":
                ids = text.split(" ")[1:]
            if seq <= self.seq and wall_w >= 0 and kind in ACTS:
                self._act(kind, f, text, ids, seq, wall_w)

    def after(self, record: Record, state: State) -> None:
        """Take one record, with the state after it."""
        at_w = record.now_s + state.offset
        if record.seq > self.seq + 1 or record.kind == "G":
            number = record.seq - self.seq - 1 + (record.fields[0] if record.kind == "G" else 0)
            self.found.lost.append(Lost(self.found.last_w, max(self.found.last_w, at_w), number))
        self._clock(record, state)
        for stretch in self.clock.after(record, state):
            if stretch.kind in ("off", "unset"):
                self.found.dark.append(Dark(stretch.kind, stretch.from_w, stretch.until_w))
        for name, life in self.lives.items():
            life.after(record, state)
            self._runs(name, life, state)
        if record.kind in TOLD:
            self._told(record, state, at_w)
        if record.kind in ACTS:
            self._act(record.kind, record.fields, record.text, state.ids, record.seq, at_w)
        for name, c in zip(state.ids, state.channels, strict=True):
            self._calibrated(name, c, record.seq, at_w)
            if record.kind == "C" and c.fill_ul != self.held.get(name, (-1, 0))[0]:
                self._fill(name, record.seq, at_w, c.fill_ul)
            self.held[name] = (c.fill_ul, c.taken_ul)
        self.seq, self.found.last_w = record.seq, at_w

    def _clock(self, record: Record, state: State) -> None:
        """Put right what was stamped since the start, once the clock is trusted."""
        if record.kind == "B" and self.offset:
            self.unsure.clear()
        elif record.kind == "T" and self.quality < TRUSTED:
            moved_s = state.offset - self.offset
            if not self.offset:
                self.found.first_w += moved_s
            for one in self.unsure:
                if isinstance(one, Run):
                    one.start_w += moved_s
                    one.end_w += moved_s if one.end_w >= 0 else 0
                else:
                    one.at_w += moved_s
            if state.quality >= TRUSTED:
                self.unsure.clear()
        self.offset, self.quality = state.offset, state.quality

    def _stamped(self, one: Stamped) -> None:
        if self.quality < TRUSTED:
            self.unsure.append(one)

    def _runs(self, name: str, life: trail.History, state: State) -> None:
        """Take over a run that has just begun, or ended."""
        for event in life.events[self.seen[name] :]:
            if isinstance(event, trail.Run):
                into = {DOSE: "dose", CUP: "cup"}.get(event.into, "extra")
                run = Run(
                    name, event.seq, into, event.start_w, -1, event.ul, 0, 0, 0, 0, "running"
                )
                # Until its outcome is known, all of it may have come out.
                run.high_ul, run.high = event.ul, event.counts
                run.trim_ul, run.raise_ul = event.trim_ul, event.raise_ul
                self.found.runs.append(run)
                self.running[name] = (event, run)
                self._stamped(run)
            elif isinstance(event, trail.Passed):
                first, last = event.first[0], event.last[0]
                passed = Passed(
                    name, event.seq, event.at_w, event.ending, event.reason, first, last,
                    event.number, event.ul + (event.trim_ul if event.ending == "skipped" else 0),
                )  # fmt: skip
                self.found.passed.append(passed)
                self._stamped(passed)
        self.seen[name] = len(life.events)
        event, run = self.running.get(name, (None, None))
        if event is None or run is None or event.ending == "running":
            return
        del self.running[name]
        run.ending, run.end_w = event.ending, event.end_w
        run.high_ul, run.high = event.got_ul, event.given
        if event.ending != "uncertain":
            run.low_ul, run.low = event.got_ul, event.given

    def _told(self, record: Record, state: State, at_w: int) -> None:
        said = record_texts.text(record, state)
        place = record.fields[0] if record.fields else ALL
        about = state.ids[place] if record.kind not in "ECBTG" and place < len(state.ids) else ""
        if record.kind == "E" and len(record.fields) > 1 and record.fields[1] < len(state.ids):
            about = state.ids[record.fields[1]]
        if record.kind in ORDERS:
            order = Order(record.seq, at_w, record.kind, about, record.fields)
            self.found.orders.append(order)
            self._stamped(order)
        if said:
            told = Told(record.seq, at_w, record.kind, about, said)
            self.found.told.append(told)
            self._stamped(told)

    def _act(
        self, kind: str, f: tuple[int, ...], text: str, ids: list[str], seq: int, at_w: int
    ) -> None:
        first, scope = (*f, ALL, ALL)[:2]
        name = ids[first] if kind != "E" and first < len(ids) else ""
        if kind == "E":
            about = ids[scope] if scope < len(ids) else ""
            entry = Entry(first, about, seq, at_w, text)
            self.found.entries.append(entry)
            self._stamped(entry)
        elif name and kind == "F":
            self._fill(name, seq, at_w, f[1])
        elif name and kind == "N":
            tubing = Tubing(name, seq, at_w)
            self.found.tubings.append(tubing)
            self._stamped(tubing)
        elif name and kind == "K" and seq <= self.seq:  # put away; others show in the state
            self._calibration(name, seq, at_w, (f[1], f[2], f[3]))

    def _fill(self, name: str, seq: int, at_w: int, ul: int) -> None:
        fill_ul, taken_ul = self.held.get(name, (-1, 0))
        fill = Fill(name, seq, at_w, ul, fill_ul - taken_ul if fill_ul >= 0 else -1)
        self.found.fills.append(fill)
        self._stamped(fill)

    def _calibrated(self, name: str, c: ChannelState, seq: int, at_w: int) -> None:
        now = (c.cal_counts, c.cal_ul, c.cal_offset)
        if c.cal_counts and self.cals.get(name) != now:
            self._calibration(name, seq, at_w, now)

    def _calibration(self, name: str, seq: int, at_w: int, now: tuple[int, int, int]) -> None:
        self.cals[name] = now
        calibration = Calibration(name, seq, at_w, *now)
        self.found.calibrations.append(calibration)
        self._stamped(calibration)


def read(archive: Archive) -> Intake:
    """Everything that an archive says about what went in."""
    reader = _Reader(archive)
    for record, state in archive.walk():
        reader.after(record, state)
    return reader.found
