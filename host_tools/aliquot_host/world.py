"""A small world around the real engine: time, power, flash, pumps, a tank. Used by `simulate` and `demo`.

The world owns the truth: when it is, what each pump really moved, how the water stands. The engine
sees only what a board would see: its files, a clock that may be unset, counts. The two meet in
`Board.poll` and `Board.ended` and nowhere else. Nothing here decides about dosing, and nothing in
the engine can tell that it is not on a board. The same arguments give the same world, to the byte.

Times ending in `_w` are true UTC seconds since 2000, `_s` powered seconds of the board; volumes of
the truth are float microlitres, those of the engine whole ones.
"""

from __future__ import annotations

import dataclasses
import random
from collections import deque
from collections.abc import Callable, Iterable
from typing import Any

from aliquot.core import adopt, clock, events
from aliquot.core.engine import Engine
from aliquot.core.ledger import (
    COMMANDED,
    COUNTS,
    EXTRA,
    LAPSED,
    MISSED,
    PLANNED,
    RAISED,
    REFUSED,
    SKIPPED,
    UNCERTAIN,
)
from aliquot.core.plan import Setup
from aliquot.core.state import State
from aliquot.store import config
from aliquot.store.journal import Journal
from aliquot.store.recover import open_journal
from aliquot_host.memory_files import MemoryFiles
from aliquot_host.setup_file import Data, Loaded

DAY_S = 86400
# A board asks the network this long after a start, and then as often.
FIRST_SYNC_S = 20
SYNC_S = 6 * 3600
TABLES_KEPT = 16

TOTALS = {
    "planned_ul": PLANNED,
    "commanded_ul": COMMANDED,
    "commanded_counts": COUNTS,
    "skipped_ul": SKIPPED,
    "missed_ul": MISSED,
    "raised_ul": RAISED,
    "lapsed_ul": LAPSED,
    "refused_ul": REFUSED,
    "uncertain_ul": UNCERTAIN,
    "extra_ul": EXTRA,
}


class TrueFiles(MemoryFiles):
    """The flash of a board, kept in memory while its power comes and goes."""


@dataclasses.dataclass
class Pump:
    """What a pump really does: `ul_per_count` falls by `wear` of itself for each litre moved."""

    ul_per_count: float
    wear: float
    speed_cps: int
    offset: int
    moved_ul: float = 0.0

    def move(self, counts: int) -> float:
        """Turn by `counts`; returns the microlitres that came out."""
        turned = max(0, counts - self.offset)
        ul = turned * self.ul_per_count * max(0.5, 1.0 - self.wear * self.moved_ul / 1e6)
        self.moved_ul += ul
        return ul


@dataclasses.dataclass(frozen=True)
class Run:
    """One run of a pump as it truly was. into: dose, tank or cup; ended: done, partial or cut."""

    start_w: int
    end_w: int
    channel: int
    into: str
    counts: int
    given: int
    true_ul: float
    ended: str


@dataclasses.dataclass(frozen=True)
class Event:
    """Something that happened, for people: a true time, a word for its kind, a sentence."""

    at_w: int
    kind: str
    text: str


@dataclasses.dataclass(frozen=True)
class Act:
    """Something the user does at a true time: `do(world)` does it and returns a sentence."""

    at_w: int
    do: Callable[[World], str]


@dataclasses.dataclass
class Weather:
    """What happens to the board, in true seconds from the start: outages (at, length), and spans in
    which no time source answers (at, length)."""

    outages: list[tuple[int, int]] = dataclasses.field(default_factory=list[tuple[int, int]])
    silences: list[tuple[int, int]] = dataclasses.field(default_factory=list[tuple[int, int]])

    @classmethod
    def drawn(cls, rng: random.Random, days: int, outages: int) -> Weather:
        """`outages` at any moment: most of minutes, some of hours, one in six of more than a day."""
        found: list[tuple[int, int]] = []
        for _ in range(outages):
            at = rng.randrange(DAY_S // 4, max(DAY_S // 2, days * DAY_S))
            longest = rng.choice((600, 3600, 3600, 6 * 3600, 6 * 3600, 36 * 3600))
            found.append((at, rng.randrange(5, longest)))
        return cls(sorted(found))


Notice = Callable[[State, str, tuple[int, ...]], None]


class Watched:
    """A journal that tells the world of every record once it is durable."""

    def __init__(self, journal: Journal, notice: Notice) -> None:
        self.journal = journal
        self.state = journal.state
        self.notice = notice

    def put(self, now_s: int, kind: str, fields: tuple[int, ...], text: str = "") -> None:
        """Pass a record on to the journal, then to the world."""
        self.journal.put(now_s, kind, fields, text)
        self.notice(self.state, kind, fields)


class Board:
    """One life of the board between two cuts of its power: everything that is in its memory."""

    def __init__(
        self, files: MemoryFiles, setup: Setup, boot_w: int, cause: int, notice: Notice
    ) -> None:
        self.journal, self.findings = open_journal(files, _all_lost)
        self.boot_w = boot_w
        self.boot_s = self.journal.state.now_s
        self.engine = Engine(setup, Watched(self.journal, notice), TABLES_KEPT)
        self.judge = clock.Judge()
        self.sync_w = boot_w + FIRST_SYNC_S
        if self.journal.state.ids:
            events.boot(self.engine, self.boot_s, cause)

    def now_s(self, wall_w: int) -> int:
        """Powered seconds at a true time."""
        return self.boot_s + wall_w - self.boot_w

    def wake_w(self) -> int:
        """The true time at which the engine wants to be asked again."""
        return self.boot_w + self.engine.wake_s - self.boot_s


def _all_lost(state: Any, records: int) -> list[int]:
    # Nothing is known of lost records: every channel may have given all that its window held.
    return [max(1, c.ring.total_ul) for c in state.channels]


class World:
    """A set-up run from `start_w` for `days`; see `run`. rng: the only source of chance."""

    def __init__(
        self,
        loaded: Loaded,
        *,
        start_w: int,
        days: int,
        seed: int = 1,
        weather: Weather | None = None,
        acts: Iterable[Act] = (),
        files: MemoryFiles | None = None,
    ) -> None:
        self.rng = random.Random(seed)
        self.data: Data = loaded.data
        self.setup: Setup = loaded.setup
        self.canonical = loaded.canonical
        self.start_w = self.now_w = start_w
        self.end_w = start_w + days * DAY_S
        self.days = days
        self.weather = weather or Weather()
        self.outages = deque((start_w + at, length) for at, length in self.weather.outages)
        self.acts = deque(sorted(acts, key=lambda act: act.at_w))
        self.files = files or TrueFiles()
        self.pumps = [self._pump(c) for c in loaded.data["channel"]]
        self.runs: list[Run] = []
        self.events: list[Event] = []
        self.violations: list[dict[str, object]] = []
        self.records = 0
        self.windows: list[deque[tuple[int, int]]] = [deque() for _ in self.pumps]
        self.sums = [0] * len(self.pumps)
        self.intents: dict[int, tuple[int, ...]] = {}
        self.board: Board | None = None

    def _pump(self, c: dict[str, Any]) -> Pump:
        """A pump that delivers a little more or less than its calibration says, and wears."""
        cal = c["calibration"]
        true = cal["ul"] / cal["counts"] * (1.0 + self.rng.gauss(0.0, 0.01))
        wear = abs(self.rng.gauss(0.0, 0.01))
        return Pump(true, wear, c["pump"]["speed_cps"], cal["offset"])

    # Power

    def boot(self, cause: int = 1) -> None:
        """Power comes: the board starts from its files, or for the first time adopts its set-up."""
        self.board = board = Board(self.files, self.setup, self.now_w, cause, self._notice)
        if not board.journal.state.ids:
            config.adopt(
                self.files, self.canonical, lambda _: self._adopt(board.engine, self.setup)
            )
            events.boot(board.engine, board.boot_s, cause)

    def _adopt(self, engine: Engine, setup: Setup) -> None:
        assert self.board
        adopt.adopt(engine, setup, self.board.now_s(self.now_w))

    def cut(self, length_s: int) -> None:
        """Power goes for a while."""
        self._say("outage", f"power off for {_span(length_s)}")
        self.board = None
        self.now_w += length_s
        if self.now_w < self.end_w:
            self.boot()

    # Time

    def run(self, each_day: Callable[[int], None] | None = None) -> World:
        """Live through all days; `each_day` hears of every day that has passed."""
        self.boot()
        day = 0
        while self.now_w < self.end_w:
            self.step()
            while each_day and day < (min(self.now_w, self.end_w) - self.start_w) // DAY_S:
                day += 1
                each_day(day)
        self.finish()
        return self

    def step(self) -> None:
        """Go to the next moment at which something happens, and let it happen."""
        board = self.board
        if not board:
            raise RuntimeError("the power is off")
        now = self.now_w
        outage_w = self.outages[0][0] if self.outages else self.end_w
        if now >= outage_w:
            self.cut(self.outages.popleft()[1])
            return
        if self.acts and now >= self.acts[0].at_w:
            self._act(self.acts.popleft())
        if now >= board.sync_w:
            self._sync(board)
        engine = board.engine
        job = engine.poll(board.boot_s + now - board.boot_w)
        if job:
            self._turn(board, job, outage_w)
            return
        next_w = min(board.boot_w + engine.wake_s - board.boot_s, board.sync_w, outage_w, self.end_w)
        if self.acts and self.acts[0].at_w < next_w:
            next_w = self.acts[0].at_w
        if next_w > now:
            self.now_w = next_w

    def _turn(self, board: Board, job: tuple[int, int, int], outage_w: int) -> None:
        """The motor turns: to its end, or until the power goes."""
        ch, counts, _ = job
        pump = self.pumps[ch]
        start_w = self.now_w
        seconds = -(-counts // pump.speed_cps)
        into = ("dose", "tank", "cup")[board.journal.state.open[3]]
        if start_w + seconds > outage_w:
            given = min(counts, (outage_w - start_w) * pump.speed_cps)
            self.runs.append(
                Run(start_w, outage_w, ch, into, counts, given, pump.move(given), "cut")
            )
            self.now_w = outage_w
            self._entered(board, ch, counts, into)
            return
        self.now_w = start_w + seconds
        self.runs.append(
            Run(start_w, self.now_w, ch, into, counts, counts, pump.move(counts), "done")
        )
        self._entered(board, ch, counts, into)
        board.engine.ended(board.now_s(self.now_w), counts, 0)

    def _sync(self, board: Board) -> None:
        """Two network servers answer, unless nothing does."""
        silent = any(
            self.start_w + at <= self.now_w < self.start_w + at + length
            for at, length in self.weather.silences
        )
        unset = not board.journal.state.quality
        board.sync_w = self.now_w + (600 if silent else SYNC_S)
        if silent:
            if unset and board.sync_w - board.boot_w < FIRST_SYNC_S + 700:
                self._say("clock", "no time source answers; dosing is held")
            clock.carry_on(board.engine, board.now_s(self.now_w), board.boot_s)
            return
        for source in (clock.NETWORK, clock.NETWORK + 1):
            board.judge.hear(board.engine, board.now_s(self.now_w), self.now_w, source)
        if unset and self.now_w - board.boot_w > FIRST_SYNC_S + 60:
            self._say("clock", "the clock is set again")

    def _act(self, act: Act) -> None:
        from aliquot.core.acts import Refused

        try:
            self._say("act", act.do(self))
        except Refused as no:
            field, value, limit, advice = no.args
            self._say("refused", f"{field} = {value} refused (limit {limit}): {advice}")

    def change_setup(self, loaded: Loaded) -> None:
        """The user loads another set-up into the running board."""
        assert self.board
        engine = self.board.engine
        config.adopt(self.files, loaded.canonical, lambda _: self._adopt(engine, loaded.setup))
        self.data, self.setup, self.canonical = loaded.data, loaded.setup, loaded.canonical

    # Looking on

    def _say(self, kind: str, text: str) -> None:
        self.events.append(Event(self.now_w, kind, text))

    def _notice(self, state: State, kind: str, f: tuple[int, ...]) -> None:
        """What people want to know of the records, and what no record may say twice (S5)."""
        self.records += 1
        if kind == "I":
            self._key(state, f)
        elif kind in _TOLD:
            name = state.ids[f[0]] if 0 <= f[0] < len(state.ids) else "all channels"
            self._say(*_TOLD[kind](name, f, state))

    def _key(self, state: State, f: tuple[int, ...]) -> None:
        c = state.channels[f[0]]
        key = (c.rev, c.date, f[2])
        before = self.intents.get(f[0], (-1, -1, -1))
        if key <= before:
            self.violate("S5", f"dose {state.ids[f[0]]} {key} ran after {before}")
        self.intents[f[0]] = key

    def _entered(self, board: Board, ch: int, counts: int, into: str) -> None:
        """Count what may have entered in the last 24 powered hours, and hold it to the caps (S1)."""
        if into == "cup":
            return
        now_s = board.now_s(self.now_w)
        c = board.journal.state.channels[ch]
        # Half a count may be carried; it is in the remainder, not in the cap.
        ul = max(0, counts - c.cal_offset) * c.cal_ul // c.cal_counts
        self.windows[ch].append((now_s, ul))
        self.sums[ch] += ul
        for i, window in enumerate(self.windows):
            while window and window[0][0] <= now_s - DAY_S:
                self.sums[i] -= window.popleft()[1]
        cap_ul = self.setup.channels[ch].cap_ul
        if self.sums[ch] > cap_ul:
            self.violate("S1", f"{c.cal_ul and self.sums[ch]} µL in 24 h, the cap is {cap_ul} µL")
        for cap_ul, members in self.setup.groups:
            if ch in members and sum(self.sums[m] for m in members) > cap_ul:
                self.violate("S1", f"more than {cap_ul} µL of a group in 24 h")

    def violate(self, number: str, text: str) -> None:
        """Note that an invariant did not hold."""
        self.violations.append({"invariant": number, "at_w": self.now_w, "text": text})

    def finish(self) -> None:
        """At the end: the books balance, and the files alone give the same state (S24)."""
        board = self.board
        if not board:
            self.boot()
            board = self.board
            assert board
        state = board.journal.state
        if board.journal.broken:
            self.violate("S24", "the journal is broken")
        engine = board.engine
        engine.flush(board.now_s(self.now_w))
        for i, c in enumerate(state.channels):
            t = c.tot
            came = t[COMMANDED] + t[SKIPPED] + t[MISSED] + t[REFUSED] + t[10]
            if t[PLANNED] + t[RAISED] + t[EXTRA] + t[11] != came and not state.open:
                self.violate("S24", f"{state.ids[i]}: planned and given do not add up")
            if t[MISSED] + t[10] != t[RAISED] + t[LAPSED] + sum(c.owed[1::2]) and not state.open:
                self.violate("S24", f"{state.ids[i]}: missed and owed do not add up")
        again, _ = open_journal(_copy(self.files), _all_lost)
        if _dump(again) != _dump(board.journal):
            self.violate("S24", "the files give another state than the board has")

    def totals(self) -> dict[str, dict[str, object]]:
        """Per channel the engine's running totals and the truth, microlitres and counts."""
        assert self.board
        state = self.board.journal.state
        out: dict[str, dict[str, object]] = {}
        for i, name in enumerate(state.ids):
            totals: dict[str, object] = {k: state.channels[i].tot[n] for k, n in TOTALS.items()}
            totals["true_ul"] = round(
                sum(r.true_ul for r in self.runs if r.channel == i and r.into != "cup")
            )
            out[name] = totals
        return out


def _copy(files: MemoryFiles) -> MemoryFiles:
    copy = MemoryFiles()
    for name in files.names():
        copy.write(name, files.read(name) or b"")
    return copy


def _dump(journal: Journal) -> list[str]:
    from aliquot.core import snapshot

    return snapshot.dump(journal.state)


def _span(seconds: int) -> str:
    if seconds < 120:
        return f"{seconds} s"
    if seconds < 2 * 3600:
        return f"{seconds // 60} min"
    if seconds < 2 * DAY_S:
        return f"{seconds / 3600:.1f} h"
    return f"{seconds / DAY_S:.1f} days"


def _ml(ul: int) -> str:
    return f"{ul / 1000:.1f} mL"


def _passed(word: str) -> Callable[[str, tuple[int, ...], State], tuple[str, str]]:
    def tell(name: str, f: tuple[int, ...], state: State) -> tuple[str, str]:
        many = "1 dose" if f[3] == 1 else f"{f[3]} doses"
        return word, f"{name}: {many} {word}, {_ml(f[4])}" + (
            f", {_ml(f[7])} of it owed" if f[7:] and f[7] else ""
        )

    return tell


_TOLD: dict[str, Callable[[str, tuple[int, ...], State], tuple[str, str]]] = {
    "M": _passed("missed"),
    "R": _passed("refused"),
    "U": lambda name, f, state: ("uncertain", f"{name}: power went during a run; it counts in full"),
    "W": lambda name, f, state: ("low", f"{name}: the reservoir runs low"),
    "Z": lambda name, f, state: ("fault", f"{name}: fault {f[1]}"),
    "L": lambda name, f, state: ("lapsed", f"{name}: {_ml(f[1])} owed will not be given back"),
}
