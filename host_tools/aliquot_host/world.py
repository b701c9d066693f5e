"""A small world around the real engine: time, power, flash, pumps, people. For `simulate`, `demo`.

The world owns the truth: when it is, what each pump really moved, what is left in each container.
The engine sees only what a board would see: its files, a clock that may be unset, counts. The two
meet where a `Board` is polled and told that a run ended, and nowhere else. Nothing here decides
about dosing, and the engine cannot tell that it is not on a board. What must always hold is
looked at from outside after each step; what does not becomes a violation. The same arguments give
the same world, to the byte.

Times ending in `_w` are true UTC seconds since 2000, `_s` powered seconds of the board; volumes of
the truth are float microlitres, those of the engine whole ones. A channel has one `place` for the
whole life of a world, whatever set-up is loaded; its number in the engine may change.
"""

from __future__ import annotations

import bisect
import dataclasses
import math
import random
from collections import defaultdict, deque
from collections.abc import Callable, Iterable, Mapping
from typing import NamedTuple

from aliquot.core import acts, adopt, clock, events, plan, snapshot
from aliquot.core.engine import Engine
from aliquot.core.ledger import (
    COMMANDED,
    COUNTS,
    CUP,
    EXTRA,
    FAULT,
    LAPSED,
    MISSED,
    OVER,
    PLANNED,
    RAISED,
    REFUSED,
    SHORT,
    SKIPPED,
    UNCERTAIN,
    ChannelState,
)
from aliquot.core.plan import Setup
from aliquot.core.state import State
from aliquot.store import config
from aliquot.store.journal import Journal
from aliquot.store.recover import open_journal
from aliquot_host import happenings
from aliquot_host.happenings import Event
from aliquot_host.memory_files import MemoryFiles
from aliquot_host.setup_file import Data, Loaded

DAY_S = 86400
# A board asks the network this long after a start, then so often; without an answer, sooner.
FIRST_SYNC_S = 20
SYNC_S = 6 * 3600
ASK_AGAIN_S = 600
# Somebody who meant to do something while the power was off does it this long after.
LATER_S = 300
# A cup is read, and the line put back, this long after the run.
CUP_S = 180
TABLES_KEPT = 16
NEVER_W = 1 << 62
IDLE_MOST = 100_000
# A desk has room for the whole history, so that `replay` and `why` see all of it.
SEGMENTS_KEPT = 100000
# A pump's delivery differs from its calibration, wears by the litre, is read off by eye: shares.
DIFFERS, WEARS, MISREAD = 0.01, 0.01, 0.003
SEES_UL = 4000.0
INTO = ("dose", "tank", "cup")

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


@dataclasses.dataclass
class Pump:
    """What a pump really does: `ul_per_count` falls by `wear` of itself for each litre moved.

    left_ul: truly in its container, infinite where nobody keeps count. dry: it drew air. passes:
    the share of what it would give that its line lets through; ul_per_count holds it."""

    ul_per_count: float
    wear: float
    speed_cps: int
    offset: int
    left_ul: float = math.inf
    moved_ul: float = 0.0
    dry: bool = False
    passes: float = 1.0

    @classmethod
    def drawn(cls, rng: random.Random, channel: Data) -> Pump:
        """The pump of a channel of canonical data: it differs a little from its calibration."""
        cal = channel["calibration"]
        true = cal["ul"] / cal["counts"] * (1.0 + rng.gauss(0.0, DIFFERS))
        wear = abs(rng.gauss(0.0, WEARS))
        left = channel["reservoir"]["left_ul"] if channel["reservoir"] else math.inf
        return cls(true, wear, channel["pump"]["speed_cps"], cal["offset"], left)

    def set_to(self, channel: Data) -> None:
        """Take what another set-up says of a pump that is there already."""
        self.speed_cps = channel["pump"]["speed_cps"]
        self.offset = channel["calibration"]["offset"]

    def renew(self, rng: random.Random) -> None:
        """New tubing delivers a little differently and begins to wear anew."""
        self.ul_per_count *= 1.0 + rng.gauss(0.0, 2 * DIFFERS)
        self.moved_ul = 0.0

    def move(self, counts: int) -> float:
        """Turn by `counts`; returns the microlitres that came out."""
        if counts <= self.offset:
            return 0.0
        ul = (counts - self.offset) * self.ul_per_count
        ul *= max(0.5, 1.0 - self.wear * self.moved_ul / 1e6)
        if ul > self.left_ul:
            ul = self.left_ul
            self.dry = True
        self.left_ul -= ul
        self.moved_ul += ul
        return ul


class Run(NamedTuple):
    """One run of a pump as it truly was.

    channel: its place. into: dose, tank or cup; ended: done, partial or cut. counts: asked for;
    given: turned. ul: what the engine takes it for. Of a dose: its key's date, its place
    `at` in it, when it was due."""

    start_w: int
    end_w: int
    channel: int
    into: str
    counts: int
    given: int
    true_ul: float
    ended: str
    ul: int
    date: int
    at: int
    due_w: int


class Passing(NamedTuple):
    """Doses of a channel that did not run, as one record tells them; kind: missed, refused or
    skipped; first and last key as (date, index)."""

    at_w: int
    channel: int
    kind: str
    first: tuple[int, int]
    last: tuple[int, int]
    doses: int
    ul: int


@dataclasses.dataclass(frozen=True)
class Act:
    """Something that the user does at a true time: `do(world)` does it and returns a sentence."""

    at_w: int
    do: Callable[[World], str]
    channel: str = ""


@dataclasses.dataclass
class Weather:
    """What happens to the board, in true seconds from the start: outages (at, length), and spans
    in which no time source answers (at, length). stumbles: the share of runs that end short."""

    outages: list[tuple[int, int]] = dataclasses.field(default_factory=list[tuple[int, int]])
    silences: list[tuple[int, int]] = dataclasses.field(default_factory=list[tuple[int, int]])
    stumbles: float = 0.0

    def silent(self, at_s: int) -> bool:
        """Whether no time source answers at a moment."""
        return any(at <= at_s < at + length for at, length in self.silences)

    @classmethod
    def drawn(cls, rng: random.Random, days: int, outages: int) -> Weather:
        """`outages` at any moment, apart where there is room: most of minutes, some of hours, one
        in six of up to a day and a half; all over before the end."""
        found: list[tuple[int, int]] = []
        whole = days * DAY_S
        for _ in range(outages):
            longest = rng.choice((600, 3600, 3600, 6 * 3600, 6 * 3600, 36 * 3600))
            length = rng.randrange(5, min(longest, whole // 4))
            at = 0
            for _ in range(20):
                at = rng.randrange(DAY_S // 4, whole - length - 3600)
                if all(at + length + 3600 < a or a + n + 3600 < at for a, n in found):
                    break
            found.append((at, length))
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
    """One life of the board between two cuts of its power: everything that is in its memory.

    zero_w: the true time at which its engine counted 0, had it run all along."""

    def __init__(
        self, files: MemoryFiles, setup: Setup, boot_w: int, cause: int, notice: Notice
    ) -> None:
        self.journal, self.findings = open_journal(files, all_lost)
        self.journal.kept = SEGMENTS_KEPT
        self.boot_w = boot_w
        self.boot_s = self.journal.state.now_s
        self.zero_w = boot_w - self.boot_s
        self.engine = Engine(setup, Watched(self.journal, notice), TABLES_KEPT)
        self.judge = clock.Judge()
        self.sync_w = boot_w + FIRST_SYNC_S
        self.silent = False
        if self.journal.state.ids:
            events.boot(self.engine, self.boot_s, cause)


def all_lost(state: State, records: int) -> tuple[int, ...]:
    """What may have entered in lost records: nobody knows, so all that each window held."""
    return tuple(max(1, c.ring.total_ul) for c in state.channels)


class World:
    """A set-up lived through from `start_w` for `days` local days; see `run`.

    `rng` is the only source of chance. The board is switched on just before `start_w` and hears
    the time a second before it, so that the first date is whole. weather and acts: what happens,
    and what people do. files: the flash, a new one by default."""

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
        self.setup: Setup = loaded.setup
        self.canonical = loaded.canonical
        self.setups: list[tuple[int, Data]] = [(start_w, loaded.data)]
        self.start_w = start_w
        self.now_w: int = start_w - FIRST_SYNC_S - 1
        zone = loaded.setup.zone
        date = zone.date_of(start_w)
        self.end_w = start_w + zone.day_start(date + days) - zone.day_start(date)
        self.days = days
        self.weather = weather or Weather()
        self.outages = deque((start_w + at, length) for at, length in self.weather.outages)
        self.outage_w = self.outages[0][0] if self.outages else NEVER_W
        self.until_w = self.end_w
        self.acts = sorted(acts, key=lambda act: act.at_w)
        self.files = files or MemoryFiles()
        self.ids: list[str] = []
        self.pumps: list[Pump] = []
        self.places: list[int] = []  # of the engine's channels
        self.board: Board | None = None
        # What was seen.
        self.runs: list[Run] = []
        self.passed: list[Passing] = []
        self.planned: dict[tuple[int, int], int] = defaultdict(int)  # (date, place) -> µL
        self.events: list[Event] = []
        self.violations: list[dict[str, object]] = []
        self.records = 0
        self.gone: dict[str, list[int]] = {}
        # Refills: when, which, and what was left before and after, as `left` tells it.
        self.fills: list[tuple[int, str, tuple[int, float], tuple[int, float]]] = []
        # What the looking on needs to remember.
        self.seq = 0
        self.idle = [0, 0]  # a moment, and how often the engine asked to be asked again at it
        self.key = (0, 0, 0)
        self.keys: list[tuple[int, int, int]] = []
        self.windows: list[deque[tuple[int, int]]] = []
        self.sums: list[int] = []
        self.peaks: list[int] = []  # the fullest 24 powered hours of each place
        self.ends_s: list[int] = []
        self.apart: list[list[tuple[int, int]]] = []
        self.caps: list[list[tuple[int, tuple[int, ...]]]] = []
        self.stumbling: dict[int, list[int]] = {}
        self.cups: dict[int, bool] = {}
        self._take(loaded)

    def _take(self, loaded: Loaded) -> None:
        """Know a set-up's channels: those that are new get a pump that differs from its file."""
        for c in loaded.data["channel"]:
            if c["id"] in self.ids:
                self.pumps[self.ids.index(c["id"])].set_to(c)
                continue
            self.ids.append(c["id"])
            self.pumps.append(Pump.drawn(self.rng, c))
            self.keys.append((-1, -1, -1))
            self.windows.append(deque())
            self.sums.append(0)
            self.peaks.append(0)
            self.ends_s.append(-DAY_S)
        setup = loaded.setup
        self.places = [self.ids.index(c.id) for c in setup.channels]
        self.apart = [[] for _ in self.ids]
        self.caps = [[] for _ in self.ids]
        for a, b, gap_s in setup.separate:
            self.apart[self.places[a]].append((self.places[b], gap_s))
            self.apart[self.places[b]].append((self.places[a], gap_s))
        groups = [(c.cap_ul, (i,)) for i, c in enumerate(setup.channels)] + setup.groups
        for cap_ul, members in groups:
            places = tuple(self.places[m] for m in members)
            for place in places:
                self.caps[place].append((cap_ul, places))

    # Power

    def boot(self, cause: int = 1) -> None:
        """Power comes: the board starts from its files, or at first adopts its set-up."""
        self.board = board = Board(self.files, self.setup, self.now_w, cause, self._notice)
        state = board.journal.state
        if not state.ids:
            config.adopt(
                self.files, self.canonical, lambda _: self._adopt(board.engine, self.setup)
            )
            events.boot(board.engine, board.boot_s, cause)
        elif config.settle(self.files, state.hash) != ("ok", self.canonical):
            self.violate("S17", "the board starts with another set-up than it was given")

    def _adopt(self, engine: Engine, setup: Setup) -> None:
        assert self.board
        adopt.adopt(engine, setup, self.now_s())

    def cut(self, length_s: int) -> None:
        """Power goes for a while; what people meant to do meanwhile, they do after."""
        text = f"The power is off for {happenings.span(length_s)}"
        self.say(Event(self.now_w, "outage", text, seconds=length_s))
        self.board = None
        self.now_w = min(self.now_w + length_s, self.end_w)
        for i, act in enumerate(self.acts):
            if act.at_w < self.now_w + LATER_S:
                self.acts[i] = dataclasses.replace(act, at_w=self.now_w + LATER_S)
        for place in [place for place, measured in self.cups.items() if measured]:
            del self.cups[place]
            self.later(LATER_S, lambda world, place=place: world.give_up_cup(place), place)
        self.boot()

    def _outage(self) -> None:
        at_w, length = self.outages.popleft()
        self.outage_w = self.outages[0][0] if self.outages else NEVER_W
        length -= self.now_w - at_w
        if length > 0:
            self.cut(length)

    # Time

    def now_s(self) -> int:
        """Powered seconds of the board at this moment."""
        assert self.board
        return self.now_w - self.board.zero_w

    def run(self, each_day: Callable[[int], None] | None = None) -> World:
        """Live through all days; `each_day` hears of every day that has passed."""
        self.boot()
        for day in range(1, self.days + 1):
            self.until(self.end_w if day == self.days else self.start_w + day * DAY_S)
            if each_day:
                each_day(day)
        self.finish()
        return self

    def until(self, until_w: int) -> None:
        """Live on until a true time, or a little longer where a run or an outage goes over it."""
        self.until_w = until_w
        while self.now_w < until_w:
            self.step()

    def step(self) -> None:
        """Go to the next moment at which something happens, and let it happen."""
        board = self.board
        if not board:
            raise RuntimeError("the power is off")
        now = self.now_w
        if now >= self.outage_w:
            self._outage()
            return
        engine = board.engine
        now_s = now - board.zero_w
        # People act between two steps of the engine, and never on a table that is half laid out.
        if self.acts and now >= self.acts[0].at_w and engine.wake_s > now_s:
            self._act(self.acts.pop(0))
            return
        if now >= board.sync_w:
            self._sync(board)
        while job := engine.poll(now_s):
            self._turn(board, job[0], job[1])
            now = self.now_w
            if now >= self.outage_w or now >= board.sync_w or self.acts:
                return
            now_s = now - board.zero_w
        next_w = engine.wake_s + board.zero_w
        if next_w > board.sync_w:
            next_w = board.sync_w
        if next_w > self.outage_w:
            next_w = self.outage_w
        if next_w > self.until_w:
            next_w = self.until_w
        if self.acts and self.acts[0].at_w < next_w:
            next_w = self.acts[0].at_w
        if next_w > now:
            self.now_w = next_w
        elif self.idle[0] != now:
            self.idle = [now, 0]
        else:
            self.idle[1] += 1
            if self.idle[1] > IDLE_MOST:
                raise RuntimeError("the engine never comes to rest")

    def _turn(self, board: Board, ch: int, counts: int) -> None:
        """The motor turns: to its end, or until it stumbles or the power goes."""
        state = board.journal.state
        place = self.places[ch]
        pump = self.pumps[place]
        start_w = self.now_w
        _, ul, _, into, _, _, _ = open_run = state.open or (ch, 0, 0, 0, 0, 0, 0)
        self._before(state, open_run, ch, counts, start_w - board.zero_w)
        given, ended = counts, "done"
        if self.stumbling or self.weather.stumbles:
            given = self._stumble(place, counts)
            ended = "done" if given == counts else "partial"
        end_w = start_w - -given // pump.speed_cps
        if end_w > self.outage_w:
            given = min(given, (self.outage_w - start_w) * pump.speed_cps)
            end_w, ended = self.outage_w, "cut"
        true_ul = pump.move(given)
        self.now_w = end_w
        c = state.channels[ch]
        before_ul = c.tot[COMMANDED]
        date, index, due_w = self.key if into == 0 else (0, 0, 0)
        if into != CUP:
            self._entered(c, place, counts if ended == "cut" else given, end_w - board.zero_w)
        if ended != "cut":
            board.engine.ended(end_w - board.zero_w, given, 0 if ended == "done" else FAULT)
            if ended == "partial":
                ul = c.tot[COMMANDED] - before_ul
        self.runs.append(
            Run(
                start_w, end_w, place, INTO[into], counts, given, true_ul, ended,
                0 if into == CUP else ul, date, index, due_w,
            )
        )  # fmt: skip
        if into == CUP:
            self._cup(place, given, true_ul, ended)
        elif pump.dry:
            self._draws_air(place)

    def _stumble(self, place: int, counts: int) -> int:
        """The counts that the motor makes before it stalls; all of them as a rule."""
        asked = self.stumbling.get(place)
        if asked:
            percent, left = asked
            if left > 1:
                asked[1] -= 1
            else:
                del self.stumbling[place]
            return counts * percent // 100
        if self.rng.random() < self.weather.stumbles:
            return self.rng.randrange(counts + 1)
        return counts

    def _draws_air(self, place: int) -> None:
        self.pumps[place].dry = False
        if not any(e.kind == "dry" and e.channel == self.ids[place] for e in self.events[-200:]):
            text = f"{self.ids[place]}: the container is truly empty and the pump draws air"
            self.say(Event(self.now_w, "dry", text, self.ids[place]))

    def _sync(self, board: Board) -> None:
        """Two network servers answer, unless nothing does."""
        state, engine, now_s = board.journal.state, board.engine, self.now_s()
        unset = not state.quality
        if self.weather.silent(self.now_w - self.start_w):
            board.sync_w = self.now_w + ASK_AGAIN_S
            if unset and not board.silent:
                board.silent = True
                self._clock("No time source answers, so the board does not know the time")
            if clock.carry_on(engine, now_s, board.boot_s):
                self._clock("Still no time: the board goes on with its estimate")
            return
        board.sync_w = self.now_w + SYNC_S
        for source in (clock.NETWORK, clock.NETWORK + 1):
            board.judge.hear(engine, now_s, self.now_w, source)
        if board.silent and state.quality == 2:
            board.silent = False
            away = happenings.span(self.now_w - board.boot_w)
            self._clock(f"The board knows the time again, {away} after its start")

    def _clock(self, text: str) -> None:
        self.say(Event(self.now_w, "clock", text))

    # People

    def _act(self, act: Act) -> None:
        try:
            text, kind = act.do(self), "act"
        except acts.Refused as no:
            text, kind = happenings.refusal(act.channel or "all channels", *no.args), "no"
        if text:
            self.say(Event(self.now_w, kind, text, act.channel))

    def later(self, seconds: int, do: Callable[[World], str], place: int) -> None:
        """Have something done some true seconds from now."""
        act = Act(self.now_w + seconds, do, self.ids[place])
        bisect.insort(self.acts, act, key=lambda act: act.at_w)

    def channel(self, name: str) -> int:
        """The engine's number of a channel; Refused where the set-up in force has none such."""
        ids = self.state().ids
        if name not in ids:
            raise acts.Refused("channel", name, ", ".join(ids), "it is not in the set-up in force")
        return ids.index(name)

    def engine(self) -> Engine:
        """The engine of the board that is on."""
        assert self.board
        return self.board.engine

    def state(self) -> State:
        """What the board believes."""
        assert self.board
        return self.board.journal.state

    def measure(self, name: str, counts: int = 0) -> str:
        """Run a pump into a cup, to be read and taken over as its calibration a little later."""
        ch = self.channel(name)
        cfg = self.setup.channels[ch]
        counts = min(counts or cfg.cal[0], cfg.run_most_s * cfg.speed_cps)
        acts.cup_run(self.engine(), self.now_s(), ch, counts)
        self.cups[self.places[ch]] = True
        return f"{name}: a calibration run of {counts:,} counts into a cup is asked for"

    def _cup(self, place: int, given: int, true_ul: float, ended: str) -> None:
        if ended != "cut" and self.cups.pop(place, False):
            self.later(CUP_S, lambda world: world.read_cup(place, given, true_ul), place)

    def read_cup(self, place: int, given: int, true_ul: float) -> str:
        """The keeper reads the cup, puts the line back and enters what it held."""
        name = self.ids[place]
        ch, engine, now_s = self.channel(name), self.engine(), self.now_s()
        c = self.state().channels[ch]
        was = c.cal_ul / c.cal_counts if c.cal_counts else 0.0
        ul = max(1, round(true_ul * (1.0 + self.rng.gauss(0.0, MISREAD))))
        acts.release(engine, now_s, ch, 1)
        offset = self.pumps[place].offset
        moved = max(1, given - offset)  # the engine adds the dead time to every run
        acts.calibrate(engine, now_s, ch, moved, ul, min(offset, moved))
        now = ul / moved
        change = f", {100 * (now / was - 1):+.1f} % against before" if was else ""
        return f"{name}: the cup held {happenings.ml(ul)} after {given:,} counts{change}"

    def give_up_cup(self, place: int) -> str:
        """After a cut in a calibration run the line goes back, and nothing was measured."""
        acts.release(self.engine(), self.now_s(), self.channel(self.ids[place]), 1)
        return f"{self.ids[place]}: the calibration run is given up, the line is back in place"

    def refill(self, name: str, ul: int) -> str:
        """The keeper fills a container up to a mark and says so."""
        ch = self.channel(name)
        before = self.left().get(name, (0, 0.0))
        acts.refill(self.engine(), self.now_s(), ch, ul)
        self.pumps[self.places[ch]].left_ul = float(ul)
        self.fills.append((self.now_w, name, before, (ul, float(ul))))
        return f"{name}: the container is filled to {happenings.ml(ul)}"

    def look(self, name: str) -> str:
        """The keeper reads what is left in a container, by eye, and says so before filling it."""
        pump = self.pumps[self.places[self.channel(name)]]
        size = self.setup.channels[self.channel(name)].size_ul
        ul = round(min(size or pump.left_ul, max(0.0, self.rng.gauss(pump.left_ul, SEES_UL))))
        acts.refill(self.engine(), self.now_s(), self.channel(name), ul)
        return f"{name}: {happenings.ml(ul)} are seen in its container"

    def clog(self, name: str, percent: int) -> str:
        """A line takes so much of what its pump would give; the board cannot know."""
        pump = self.pumps[self.places[self.channel(name)]]
        now = max(1e-6, 1 - percent / 100)
        pump.ul_per_count *= now / pump.passes
        pump.passes = now
        return f"{name}: its line takes {percent} % of what the pump would give"

    def new_tubing(self, name: str) -> str:
        """The keeper puts new tubing into a pump and says so."""
        ch = self.channel(name)
        acts.tubing(self.engine(), self.now_s(), ch)
        self.pumps[self.places[ch]].renew(self.rng)
        return f"{name}: new tubing is in the pump"

    def stall(self, name: str, percent: int, runs: int) -> str:
        """The next runs of a pump end at `percent` of their counts."""
        self.stumbling[self.places[self.channel(name)]] = [percent, runs]
        many = "next run ends" if runs == 1 else f"next {runs} runs end"
        return f"{name}: the motor is stiff, its {many} at {percent} %"

    def change_setup(self, loaded: Loaded) -> None:
        """The user loads another set-up into the running board."""
        engine = self.engine()
        state = self.state()
        if state.open:
            raise acts.Refused("set-up", "a run is under way", "none", "wait for its end")
        engine.flush(self.now_s())
        for name, c in zip(state.ids, state.channels, strict=True):
            if name not in [own.id for own in loaded.setup.channels]:
                kept = self.gone.get(name, [0] * len(c.tot))
                self.gone[name] = [a + b for a, b in zip(kept, c.tot, strict=True)]
                self.keys[self.ids.index(name)] = (-1, -1, -1)
        # The record of the change counts channels as the new set-up does.
        self._take(loaded)
        config.adopt(self.files, loaded.canonical, lambda _: self._adopt(engine, loaded.setup))
        self.setup, self.canonical = loaded.setup, loaded.canonical
        self.setups.append((self.now_w, loaded.data))

    # Looking on

    def say(self, event: Event) -> None:
        """Note something that happened."""
        self.events.append(event)

    def violate(self, number: str, text: str) -> None:
        """Note that an invariant did not hold."""
        self.violations.append({"invariant": number, "at_w": self.now_w, "text": text})

    def _notice(self, state: State, kind: str, f: tuple[int, ...]) -> None:
        """What a record adds to what is known, and what no record may say (S5, S6, S24)."""
        self.records += 1
        if state.seq != self.seq + 1:
            self.violate("S24", f"record {state.seq} follows record {self.seq}")
        self.seq = state.seq
        if kind == "I":
            ch, _, index, ul, _, _, trim, up = f
            c = state.channels[ch]
            place = self.places[ch]
            key = (c.rev, c.date, index)
            if key <= self.keys[place]:
                self.violate("S5", f"{self.ids[place]}: dose {key} ran after {self.keys[place]}")
            self.keys[place] = key
            due_w = c.wm_w
            if not 0 <= state.now_s + state.offset - due_w <= self.setup.channels[ch].grace_s:
                late_s = state.now_s + state.offset - due_w
                self.violate("S6", f"{self.ids[place]}: dose {key} ran {late_s} s after its time")
            self.planned[c.date, place] += ul - up + trim
            self.key = (c.date, index, due_w)
            return
        if kind == "O" and f[1] >= 0:
            return
        if kind in _PASSING:
            self._pass(state, kind, f)
        event = happenings.of_record(self.now_w, state, kind, f)
        if event:
            self.say(event)

    def _pass(self, state: State, kind: str, f: tuple[int, ...]) -> None:
        """Doses that did not run; what they were planned to give, on each date of theirs."""
        ch, _, at, n, ul, _, trim, _, _, back, at0 = f
        c = state.channels[ch]
        place = self.places[ch]
        first = (c.date - back, at0)
        self.passed.append(
            Passing(self.now_w, place, _PASSING[kind], first, (c.date, at), n, ul + trim)
        )
        left = ul + trim
        cfg = self.setup.channels[ch]
        for date in range(c.date - back, c.date):
            day_ul = plan.day_ul(cfg, date, c.over)
            many = plan.count(cfg, day_ul)
            begin = at0 if date == first[0] else 0
            share = min(left, sum(plan.dose_ul(cfg, day_ul, many, i) for i in range(begin, many)))
            self.planned[date, place] += share
            left -= share
        self.planned[c.date, place] += left

    def _before(
        self, state: State, run: tuple[int, ...], ch: int, counts: int, now_s: int
    ) -> None:
        """What must hold when a motor starts: S2, S14, S19, S21, and liquids kept apart."""
        _, ul, asked, into, _, _, _ = run
        if not state.open or run[0] != ch or asked != counts:
            self.violate("S14", "a motor starts without an intent")
        c = state.channels[ch]
        place = self.places[ch]
        if into == CUP:
            return
        # Half a count, or half a microlitre, may be carried in and as much out.
        off = (counts - c.cal_offset) * c.cal_ul - ul * c.cal_counts
        if not -c.cal_ul - c.cal_counts <= off <= c.cal_ul + c.cal_counts:
            self.violate("S2", f"{self.ids[place]}: {counts} counts for {ul} µL")
        if not state.quality and not into:
            self.violate("S19", f"{self.ids[place]}: a dose runs while the clock is unset")
        if 0 <= c.fill_ul < c.taken_ul + ul + self.setup.channels[ch].dead_ul:
            self.violate("S21", f"{self.ids[place]}: {ul} µL is more than the reservoir holds")
        for other, gap_s in self.apart[place]:
            if now_s < self.ends_s[other] + gap_s:
                text = f"{self.ids[place]} runs {now_s - self.ends_s[other]} s after"
                self.violate("apart", f"{text} {self.ids[other]}, apart by {gap_s} s")

    def _entered(self, c: ChannelState, place: int, counts: int, now_s: int) -> None:
        """Count what may have entered in the last 24 powered hours; the caps hold it (S1)."""
        ul = max(0, counts - c.cal_offset) * c.cal_ul // c.cal_counts
        self.windows[place].append((now_s, ul))
        self.sums[place] += ul
        self.ends_s[place] = now_s
        before_s = now_s - DAY_S
        # A count carried in the remainder is in no record's microlitres.
        slack = c.cal_ul // c.cal_counts + 1
        for cap_ul, members in self.caps[place]:
            ul = 0
            for member in members:
                window = self.windows[member]
                while window and window[0][0] <= before_s:
                    self.sums[member] -= window.popleft()[1]
                ul += self.sums[member]
            if len(members) == 1 and ul > self.peaks[place]:
                self.peaks[place] = ul
            if ul > cap_ul + slack * len(members):
                names = " and ".join(self.ids[m] for m in members)
                self.violate("S1", f"{names}: {ul} µL in 24 h, the cap is {cap_ul} µL")

    def finish(self) -> None:
        """At the end: the books balance, and the files alone give the same state (S10, S24)."""
        board = self.board
        assert board
        board.engine.flush(self.now_s())
        state = board.journal.state
        if board.journal.broken:
            self.violate("S24", "the journal is broken")
        for name, c in zip(state.ids, state.channels, strict=True):
            t = c.tot
            came = t[COMMANDED] + t[SKIPPED] + t[MISSED] + t[REFUSED] + t[SHORT]
            if not state.open and t[PLANNED] + t[RAISED] + t[EXTRA] + t[OVER] != came:
                self.violate("S10", f"{name}: planned and given do not add up")
            back = t[RAISED] + t[LAPSED] + sum(c.owed[1::2])
            if not state.open and t[MISSED] + t[SHORT] != back:
                self.violate("S24", f"{name}: missed and owed do not add up")
        again, _ = open_journal(self.files.copy(), all_lost)
        if snapshot.dump(again.state) != snapshot.dump(state):
            self.violate("S24", "the files give another state than the board has")

    def totals(self) -> dict[str, dict[str, int]]:
        """Per channel the engine's running totals and the truth, microlitres and counts."""
        return totals(self.ids, self.state(), self.runs, self.gone)

    def left(self) -> dict[str, tuple[int, float]]:
        """What is in the containers now: by the engine's count, and in truth."""
        state = self.state()
        found: dict[str, tuple[int, float]] = {}
        for name, c in zip(state.ids, state.channels, strict=True):
            if c.fill_ul >= 0:
                truth = self.pumps[self.ids.index(name)].left_ul
                found[name] = (c.fill_ul - c.taken_ul, truth)
        return found


def totals(
    ids: list[str], state: State, runs: Iterable[Run], gone: Mapping[str, list[int]]
) -> dict[str, dict[str, int]]:
    """Per channel, by its place in `ids`: the totals of TOTALS, and `true_ul` of all but runs into
    a cup. gone: what channels had given that were taken out of the set-up since."""
    true = [0.0 for _ in ids]
    for run in runs:
        if run.into != "cup":
            true[run.channel] += run.true_ul
    out: dict[str, dict[str, int]] = {}
    for place, name in enumerate(ids):
        tot = gone.get(name, [0] * (OVER + 1))
        if name in state.ids:
            now = state.channels[state.ids.index(name)].tot
            tot = [a + b for a, b in zip(tot, now, strict=True)]
        out[name] = {key: tot[at] for key, at in TOTALS.items()}
        out[name]["true_ul"] = round(true[place])
    return out


_PASSING: dict[str, str] = {"M": "missed", "R": "refused", "S": "skipped"}
