"""A world in which everything goes wrong that a `Case` says, and `Checks` looks on at each step.

It extends the world of `simulate`: the same engine, store and pumps, and a truth of its own. Power
goes at any moment, in a write, in a run, in a start; clocks lie; flash fails; motors stall and run
on; memory ends; people press twice. After the last day all that is put right, and within
SETTLE_MOST_S every dose that is due must have ended and every channel must dose again. Nothing
here is random: a case gives the same life, to the byte.
"""

from __future__ import annotations

import bisect
import functools
import hashlib
from collections import Counter
from typing import Any

from aliquot.core import acts, adopt, clock, events, status
from aliquot.core.engine import Engine
from aliquot.core.ledger import FAULT, MISSED, PLANNED, RAISED, REFUSED, SKIPPED, USER
from aliquot.core.state import State
from aliquot.store import config
from aliquot.store.journal import Journal
from aliquot.store.recover import open_journal
from aliquot_host import trouble_acts, trouble_flash
from aliquot_host.checks import Checks
from aliquot_host.memory_files import MemoryFiles
from aliquot_host.setup_file import Loaded
from aliquot_host.trouble_case import DAY_S, HOUR_S, Case, Trouble
from aliquot_host.trouble_flash import CUT, NEVER, REACHED, REFUSE, STARVE, Power
from aliquot_host.world import TABLES_KEPT, World, all_lost

# Causes of a start, as B records number them.
POWER_ON, WATCHDOG, CRASH = 1, 2, 3
# How long a start that failed waits before the next one, and how many may fail in a row.
AGAIN_S = 30
STARTS_MOST = 5000
FIRST_SYNC_S = 12
ASK_AGAIN_S = 600
# After the last trouble: by then every due dose has ended; the rest shows that all channels dose.
SETTLE_S = 26 * HOUR_S
SETTLE_MOST_S = 76 * HOUR_S
# One step in so many, on average, the files are read anew and compared with memory.
LOOK_EVERY = 100
IDLE_MOST = 20_000
TICKS = (1 << 30) - 1
# Everything that can go wrong, as it is counted in `faults`.
FAULTS = (
    "act in a run",
    "brown-out",
    "clock drifts",
    "clock oscillates",
    "clock steps",
    "clock unset",
    "clock years off",
    "cut at rest",
    "cut in a run",
    "cut in a write",
    "flash full",
    "flash refuses",
    "memory ends in a fold",
    "memory ends in a put",
    "motor runs on",
    "motor stalls",
    "one source lies",
    "pressed twice",
    "set-up loaded",
    "set-up loaded in a run",
    "stopped by hand",
    "ticks wrap",
    "two years without power",
    "watchdog, count kept",
    "watchdog, count lost",
    "zone changed",
)
_CLOCKS = ("step", "oscillating", "years", "right", "phone")


class Broken(Exception):
    """A law does not hold: its number, what was seen, when. numbers: all that one step showed."""

    def __init__(self, seen: list[tuple[str, str]], at_s: int) -> None:
        self.number, self.text = seen[0]
        self.numbers = [number for number, _ in seen]
        self.at_s = at_s
        super().__init__(f"{self.number}: {self.text}")


class Turning:
    """A motor that turns."""

    def __init__(self, ch: int, place: int, start_w: int, counts: int, given: int, speed: int):
        self.ch, self.place, self.start_w, self.counts = ch, place, start_w, counts
        self.given, self.speed = given, speed
        self.end_w = start_w - -given // speed


class Alive:
    """One life of the board between two starts: all that is in its memory."""

    def __init__(self, journal: Journal, setup: Any, boot_w: int, ppm: int, tick0: int) -> None:
        self.journal = journal
        self.engine = Engine(setup, journal, TABLES_KEPT)
        self.judge = clock.Judge()
        self.boot_w = boot_w
        self.boot_s = self.now_s = journal.state.now_s
        self.sync_w = boot_w + FIRST_SYNC_S
        self.number = journal.number
        self.rate = 1_000_000 + ppm
        self.tick = self.tick0 = tick0
        self.rest = 0
        self.wraps = 0

    def read(self, now_w: int) -> int:
        """Engine seconds at a true time, from a tick counter of 30 bits that wraps."""
        tick = self.tick0 + (now_w - self.boot_w) * self.rate // 1000 & TICKS
        if tick < self.tick:
            self.wraps += 1
        self.rest += tick - self.tick & TICKS
        self.tick = tick
        self.now_s += self.rest // 1000
        self.rest %= 1000
        return self.now_s

    def when(self, now_s: int) -> int:
        """The true time at which the engine second will be reached."""
        return self.boot_w - (self.boot_s - now_s) * 1_000_000 // self.rate


class TroubledWorld(World):
    """A `Case` lived through; `live` raises Broken where a law does not hold.

    faults and acts: how often each kind came. told: with `telling`, the story, one line each."""

    files: Any
    board: Any

    def __init__(self, case: Case, telling: bool = False) -> None:
        made = trouble_flash.little(case.flash) if case.flash else trouble_flash.TroubledMemory()
        first = case.setups[0]
        super().__init__(first, start_w=case.start_w, days=case.days, seed=case.seed, files=made)
        self.case = case
        self.telling = telling
        self.told: list[tuple[int, str]] = []
        self.checks = made.checks = Checks(self.broken, ppm=max(0, case.ppm))
        self.known: dict[bytes, Loaded] = {}
        for loaded in case.setups:
            self.known[loaded.canonical] = loaded
            self.checks.know(loaded.data, loaded.canonical)
        self.data = first.data
        self.now_w = case.start_w - FIRST_SYNC_S - 1
        self.origin_w = self.now_w  # the true time less the powered seconds
        self.items = list(case.troubles)
        self.waiting: list[Trouble] = []
        self.faults: Counter[str] = made.met
        self.acted: Counter[str] = Counter()
        self.turning: Turning | None = None
        self.motor: list[tuple[str, int, int]] = []
        self.errors = [0, 0]
        self.quiet_s = -1  # powered second until which no source answers
        self.lying_s = -1
        self.starts: list[Trouble] = []  # cuts that come in the next start
        self.memory: State | None = None  # of the life before
        self.counts = -1  # of a run that a reset ended, where they are known
        self.cause = POWER_ON
        self.failed = 0
        self.again_w = 0
        self.ticks = case.tick0
        self.calm = False
        self.seen: list[tuple[str, str]] = []
        self.looks = 0
        self.steps = 0
        self.doses = 0
        self.next_w = NEVER
        self.stop_s = case.days * DAY_S
        self.look_at = self.rng.randrange(1, 2 * LOOK_EVERY)
        self._plan()

    # What others ask

    def broken(self, number: str, text: str) -> None:
        """A law does not hold: the step that shows it is the last one of this life."""
        self.seen.append((number, text))

    def powered_s(self) -> int:
        """True seconds with power since the start."""
        return self.now_w - self.origin_w

    def seconds(self) -> int:
        """The board's own seconds."""
        return self.board.read(self.now_w)

    def state(self) -> State:
        return self.board.journal.state

    def some(self, n: tuple[int, ...]) -> int:
        """A channel, whatever the number of channels."""
        return n[0] % len(self.setup.channels)

    def count_act(self, what: str) -> None:
        """Count what became of an act."""
        self.acted[what] += 1

    def follows(self, seconds: int, kind: str, n: tuple[int, ...]) -> None:
        """Something follows from what happens now."""
        bisect.insort(self.items, Trouble(self.powered_s() + seconds, kind, n))
        self._plan()

    def tell(self, text: str) -> None:
        """A line of the story."""
        self.told.append((self.now_w, text))

    def digest(self) -> str:
        """SHA-256 over the files as they are: the same case has the same."""
        whole = hashlib.sha256()
        for name in sorted(self.files.names()):
            whole.update(name.encode() + b"\0" + (self.files.read(name) or b"") + b"\0")
        return whole.hexdigest()

    # Life

    def live(self) -> TroubledWorld:
        """Live through the days, then put everything right and look whether doses come again.

        Broken where a law does not hold, also where the product crashes after that."""
        try:
            self._live()
        except Exception:
            if self.seen:
                raise Broken(self.seen, self.powered_s()) from None
            raise
        if self.seen:
            raise Broken(self.seen, self.powered_s())
        return self

    def _live(self) -> None:
        if self.case.ppm:
            self.faults["clock drifts"] += 1
        self.live_until(self.stop_s)
        if self.case.short:
            return
        self._put_right()
        self._settle()
        before = [c.tot[:] for c in self.state().channels]
        from_w = self._wall()
        self.live_until(self.powered_s() + DAY_S)
        self.engine().flush(self.seconds())
        self._all_dosed(before, from_w)
        self._look()

    def _wall(self) -> int:
        """What the board takes for the time."""
        return self.seconds() + self.state().offset

    def live_until(self, until_s: int) -> None:
        """Live until a powered second, or a little longer where a run goes over it."""
        self.until_s = until_s
        self._plan()
        idle = last_w = 0
        while self.now_w < self.origin_w + until_s:
            self.steps += 1
            if self.seen:
                raise Broken(self.seen, self.powered_s())
            try:
                self.step()
            except Power:
                self._dark(POWER_ON, self.cut_s)
            except MemoryError:
                self.checks.starve()
                self._starve()
            if self.now_w != last_w:
                last_w, idle = self.now_w, 0
            else:
                idle += 1
                if idle > IDLE_MOST:
                    raise RuntimeError("the engine never comes to rest")

    def step(self) -> None:
        """Go to the next moment at which something happens, and let it happen."""
        now = self.now_w
        self.checks.powered_s = now - self.origin_w  # as `passes`, and cheap
        if now >= self.next_w:
            self._befall()
            return
        board = self.board
        if board is None:
            self._start()
            return
        if now >= board.sync_w:
            self._sync(board)
        engine = board.engine
        job = engine.poll(board.read(now))
        if board.journal.number != board.number:
            board.number = board.journal.number
            self._look()
        if self.steps >= self.look_at:
            self.look_at = self.steps + self.rng.randrange(1, 2 * LOOK_EVERY)
            self._look()
        if job:
            self._run(board, *job)
            return
        next_w = board.when(engine.wake_s)
        if next_w > board.sync_w:
            next_w = board.sync_w
        if next_w > self.next_w:
            next_w = self.next_w
        if next_w > self.origin_w + self.until_s:
            next_w = self.origin_w + self.until_s
        if next_w > now:
            self.now_w = next_w

    # Power

    cut_s = 0

    def _start(self) -> None:
        """One try of the board to start."""
        if self.now_w < self.again_w:
            self.now_w = min(self.again_w, self.next_w, self.origin_w + self.until_s)
            return
        files = self.files
        files.restart()
        for one in self.starts:
            self._arm_cut(one)
        self.starts = []
        try:
            self._boot()
        except OSError:
            self._fail_start()

    def _fail_start(self) -> None:
        """The flash does not take what a start must write: the board tries again."""
        self._dark(CRASH, 0, kept=True, starting=True)
        self.again_w = self.now_w + AGAIN_S
        self.failed += 1
        if self.failed > STARTS_MOST:
            self.broken("S16", "the board never starts again")

    def _boot(self) -> None:
        files, checks = self.files, self.checks
        journal, findings = open_journal(files, all_lost)
        journal.kept = self.case.kept
        state = journal.state
        checks.booted_with(state.seq, state.now_s)
        self._same_as_before(state, findings)
        if state.hash:
            found, text = config.settle(files, state.hash)
            checks.settled(found, text if isinstance(text, bytes) else None)
            loaded = self.known.get(text if isinstance(text, bytes) else b"", self.case.setups[0])
            if loaded.setup is not self.setup:
                self._in_force(loaded)
        else:
            checks.settled(config.settle(files, "")[0], None)
        self.board = board = Alive(journal, self.setup, self.now_w, self.case.ppm, self.ticks)
        if not state.hash:
            self._adopt_first(board)
        events.boot(board.engine, board.boot_s, self.cause, self.counts)
        self.counts = -1
        self.cause = POWER_ON
        self.failed = 0

    def _adopt_first(self, board: Alive) -> None:
        loaded = self.case.setups[0]

        def record(_: str) -> None:
            adopt.adopt(board.engine, loaded.setup, board.boot_s)

        config.adopt(self.files, loaded.canonical, record)

    def _in_force(self, loaded: Loaded) -> None:
        if self.telling:
            self.tell(f"the set-up with {len(loaded.data['channel'])} channels is in force")
        self._take(loaded)
        self.setup, self.canonical, self.data = loaded.setup, loaded.canonical, loaded.data

    def _dark(
        self,
        cause: int,
        off_s: int,
        kept: bool = False,
        starved: bool = False,
        starting: bool = False,
    ) -> None:
        """The board stops: power, reset, crash. kept: its backup memory outlives that. starting:
        it was not even there, so the run that is open is one of a life before."""
        board, turning = self.board, self.turning
        if kept:
            if turning:
                pass
            elif board and board.engine.result:
                self.counts = board.engine.result[0]
            elif board and board.journal.state.open and self.counts < 0 and not starting:
                self.counts = 0  # the intent is there, and the motor never turned for it
        else:
            self.counts = -1
        if turning:
            self.turning = None
            given = min(turning.given, (self.now_w - turning.start_w) * turning.speed)
            self.pumps[turning.place].move(given)
            self.checks.stops(given, self.powered_s(), known=kept)
            if kept:
                self.counts = given
        self.checks.dark(starved)
        if self.counts < 0:
            self.checks.forgotten()
        if board:
            self.ticks = board.tick if kept else self.case.tick0
            if board.wraps:
                self.faults["ticks wrap"] += board.wraps
            if not board.journal.broken:
                self.memory = board.journal.state
            self.files.disarm()
            self.board = None
        self.cause = cause
        self.now_w += off_s
        self.origin_w += off_s
        self.again_w = self.now_w
        self._plan()

    def _starve(self) -> None:
        """An allocation failed: motors off, and a new start."""
        if self.telling:
            self.tell("memory ends: the board starts anew")
        self._dark(CRASH, 2, starved=True)

    # Runs

    def _run(self, board: Alive, ch: int, counts: int, most_s: int) -> None:
        """The motor turns, and things happen meanwhile."""
        start_w = self.now_w
        pump = self.pumps[self.places[ch]]
        given, cause = counts, 0
        kind, more, fault = self.motor.pop(0) if self.motor else ("", 0, 0)
        if kind == "stall":
            given, cause = counts * more // 100, FAULT
        elif kind == "stop":
            given, cause = counts * more // 100, USER
        elif kind == "run on":
            given = counts + more
        turning = Turning(ch, self.places[ch], start_w, counts, given, pump.speed_cps)
        end_w = turning.end_w
        if self.waiting:
            self._in_the_middle(turning)
        law = "S10"
        if self.next_w < end_w:
            inside = [one for one in self.items if self.origin_w + one.at_s < end_w]
            law = "S18" if any(one.kind in _CLOCKS for one in inside) else law
        self.checks.starts(ch, counts, most_s, self.powered_s(), law)
        self.turning = turning
        self.doses += 1
        while self.next_w < end_w:
            self.now_w = max(self.now_w, self.next_w)
            self.checks.passes(self.powered_s())
            self._befall()
            if self.board is not board:
                return
        self.now_w = end_w
        self.turning = None
        pump.move(given)
        self.checks.stops(given, self.powered_s())
        if kind:
            self._count_motor(kind)
        board.engine.ended(board.read(end_w), given, cause)
        if fault:
            self._suffer(lambda: events.fault(board.engine, self.seconds(), ch, fault, 0))

    def _count_motor(self, kind: str) -> None:
        name = {"stall": "motor stalls", "run on": "motor runs on", "stop": "stopped by hand"}
        self.faults[name[kind]] += 1
        if self.telling:
            self.tell(name[kind])

    def _in_the_middle(self, turning: Turning) -> None:
        """What waited for a run comes in the middle of this one."""
        at_s = self.powered_s() + (turning.end_w - turning.start_w) // 2
        for one in self.waiting:
            bisect.insort(self.items, one._replace(at_s=at_s, mid=False))
        self.waiting = []
        self._plan()

    def _suffer(self, do: Any) -> None:
        try:
            do()
        except OSError:
            self.acted["not written"] += 1

    # The clock

    def _sync(self, board: Any) -> None:
        """Sources answer, right or wrong, unless nothing does."""
        at_s = self.powered_s()
        if at_s < self.quiet_s:
            board.sync_w = self.now_w + ASK_AGAIN_S
            self._suffer(lambda: clock.carry_on(board.engine, self.seconds(), board.boot_s))
            return
        lie = self.errors[1] if at_s < self.lying_s else self.errors[0]
        self._hear(clock.NETWORK, self.errors[0])
        self._hear(clock.NETWORK + 1, lie)
        if self.case.chip:
            self._hear(clock.CHIP, self.errors[0])
        # In the calm no correction is so large that a dose of that moment makes way for others.
        wait_s = min(self.case.sync_s, HOUR_S) if self.calm else self.case.sync_s
        if board.journal.state.quality < 2:
            wait_s = ASK_AGAIN_S
        board.sync_w = self.now_w + wait_s

    def _hear(self, source: int, error_s: int) -> None:
        wall, now_s = self.now_w + error_s, self.seconds()
        self.checks.hear(source, wall, now_s)
        self._suffer(lambda: self.board.judge.hear(self.board.engine, now_s, wall, source))

    # What befalls the board

    def _plan(self) -> None:
        """When the next trouble comes."""
        self.next_w = NEVER
        if self.items and not self.calm:
            self.next_w = max(self.now_w, self.origin_w + self.items[0].at_s)

    def _befall(self) -> None:
        one = self.items.pop(0)
        self._plan()
        if one.mid:
            self.waiting.append(one)
            return
        if self.telling:
            self.tell(f"{one.kind} {' '.join(map(str, one.n))}".strip())
        act = trouble_acts.ACTS.get(one.kind)
        if act:
            self._act_now(one, act)
        else:
            getattr(self, "do_" + one.kind.replace(" ", "_").replace("-", "_"))(one.n)

    def _act_now(self, one: Trouble, act: Any) -> None:
        if not self.board or not self.state().ids:
            return
        self.acted[one.kind] += 1
        if self.turning:
            self.faults["act in a run"] += 1
        act(self, one.n)

    def do_cut(self, n: tuple[int, ...]) -> None:
        self.faults["cut in a run" if self.turning else "cut at rest"] += 1
        self._dark(POWER_ON, n[0])

    def do_brown_out(self, n: tuple[int, ...]) -> None:
        self.faults["brown-out"] += 1
        self._dark(POWER_ON, n[0])

    def do_away(self, n: tuple[int, ...]) -> None:
        self.faults["two years without power"] += 1
        self._dark(POWER_ON, n[0])

    def do_watchdog(self, n: tuple[int, ...]) -> None:
        self.faults["watchdog, count kept" if n[0] else "watchdog, count lost"] += 1
        self._dark(WATCHDOG, 0, kept=bool(n[0]))

    def do_cut_in_a_write(self, n: tuple[int, ...]) -> None:
        if self.board:
            self._arm_cut(Trouble(0, "", n))

    def do_cut_in_a_start(self, n: tuple[int, ...]) -> None:
        self.starts.append(Trouble(0, "", n))

    def _arm_cut(self, one: Trouble) -> None:
        after, reached, self.cut_s = one.n
        self.files.arm(CUT, after, REACHED[reached])

    def do_refuse(self, n: tuple[int, ...]) -> None:
        self.files.arm(REFUSE, n[0], REACHED[n[1]], n[2])

    def do_full(self, n: tuple[int, ...]) -> None:
        self.faults["flash full"] += 1
        self.files.fill()

    def do_room(self, n: tuple[int, ...]) -> None:
        self.files.relieve()

    def do_starve(self, n: tuple[int, ...]) -> None:
        """Memory ends before a write, before the fold of a record, or behind it."""
        if not self.board:
            return
        if not n[0]:
            self.files.arm(STARVE, n[1], "")
            return
        state = self.state()
        fold = state.apply
        left = [n[1]]

        def out(*own: Any) -> None:
            left[0] -= 1
            if left[0] > 0:
                fold(*own)
                return
            if n[0] == 2:
                fold(*own)
            self.faults["memory ends in a fold"] += 1
            raise MemoryError

        state.__dict__["apply"] = out

    def do_unset(self, n: tuple[int, ...]) -> None:
        self.faults["clock unset"] += 1
        self.quiet_s = self.powered_s() + n[0]
        self._dark(POWER_ON, 5)

    def do_step(self, n: tuple[int, ...]) -> None:
        self._wrong(n, "clock steps")

    def do_oscillating(self, n: tuple[int, ...]) -> None:
        self._wrong(n, "clock oscillates")

    def do_years(self, n: tuple[int, ...]) -> None:
        self._wrong(n, "clock years off")

    def _wrong(self, n: tuple[int, ...], kind: str) -> None:
        """All sources are wrong from now on, or the user sets a wrong time once."""
        self.faults[kind] += 1
        if not self.board:
            return
        if n[1]:
            self._hear(clock.USER, n[0])
            return
        self.errors = [n[0], n[0]]
        self._sync(self.board)

    def do_right(self, n: tuple[int, ...]) -> None:
        """Sources are right again, and the user sets the clock."""
        self.errors = [0, 0]
        if self.board:
            self._hear(clock.USER, 0)

    def do_lie(self, n: tuple[int, ...]) -> None:
        self.faults["one source lies"] += 1
        self.errors[1] = self.errors[0] + n[0]
        self.lying_s = self.powered_s() + n[1]

    def do_phone(self, n: tuple[int, ...]) -> None:
        self.acted["phone"] += 1
        if self.board:
            self._hear(clock.PHONE, n[0])

    def do_stall(self, n: tuple[int, ...]) -> None:
        fault = trouble_acts.MOTOR_FAULT if n[2] else 0
        self.motor += [("stall", n[0], fault)] * n[1]

    def do_run_on(self, n: tuple[int, ...]) -> None:
        self.motor.append(("run on", n[0], 0))

    def do_stop(self, n: tuple[int, ...]) -> None:
        self.motor.append(("stop", n[0], 0))

    def do_load(self, n: tuple[int, ...]) -> None:
        """The user loads another set-up, or goes back to it."""
        board = self.board
        if not board or not self.state().ids:
            return
        new = self.case.setups[n[0]]
        if new.setup is self.setup:
            new = self.case.setups[n[0] - 1]
        zone = new.data["timezone"] != self.data["timezone"]
        if self.turning:
            self.faults["set-up loaded in a run"] += 1

        def record(_: str) -> None:
            adopt.adopt(board.engine, new.setup, self.seconds())

        try:
            config.adopt(self.files, new.canonical, record)
        except (acts.Refused, OSError):
            self.acted["set-up refused"] += 1
            return
        self.faults["zone changed" if zone else "set-up loaded"] += 1
        self._in_force(new)

    # Looking on

    def _same_as_before(self, state: State, findings: Any) -> None:
        """What a start reads is what was in memory, and the record in flight where it landed."""
        before, self.memory = self.memory, None
        if before is None or self.failed:
            return
        if state.seq == before.seq and "apply" not in before.__dict__:
            _compare(self, before, state)

    def _look(self) -> None:
        """The files alone give the state that is in memory."""
        if self.files.doubt or not self.board or self.board.journal.broken:
            return
        self.looks += 1
        again, _ = open_journal(self.files.view(), all_lost)
        _compare(self, self.state(), again.state)
        if self.state().ids:
            self.checks.status(status.overview(self.engine(), self.data, self.seconds()))

    # Calm

    def _put_right(self) -> None:
        """No more troubles: sources are right, the flash is whole, the keeper answers."""
        if self.telling:
            self.tell("all troubles are over, and the keeper puts everything right")
        self.calm = True
        self.items, self.waiting, self.motor, self.starts = [], [], [], []
        self.errors, self.quiet_s, self.lying_s = [0, 0], -1, -1
        self.files.disarm()
        self.files.relieve()
        self._plan()
        if self.board:
            self.state().__dict__.pop("apply", None)
        self.live_until(self.stop_s + HOUR_S)
        if not self.board:
            text = "an hour after the last trouble the board has not started"
            raise Broken([("live", text)], self.powered_s())
        self._hear(clock.USER, 0)
        trouble_acts.put_right(self)

    def _settle(self) -> None:
        """Let the caps' windows empty, and wait for dates that a clock or a zone was ahead by, and
        for the end of one that began under another plan, whose rest may be cut."""
        for hour in range(SETTLE_MOST_S // HOUR_S):
            ahead = any(c.wm_w > self._wall() for c in self.state().channels)
            date = self.setup.zone.date_of(self._wall())
            cut = any(c.date > date or (c.date == date and c.cut) for c in self.checks.channels)
            if hour * HOUR_S >= SETTLE_S and not ahead and not cut:
                break
            self.live_until(self.powered_s() + HOUR_S)
        trouble_acts.answer(self)

    def _all_dosed(self, before: list[list[int]], from_w: int) -> None:
        """In the last day every dose that was due has run, in every channel."""
        calendar = self.checks.calendar
        assert calendar
        until_w = self._wall()
        for ch, (was, c) in enumerate(zip(before, self.state().channels, strict=True)):
            name = self.state().ids[ch]
            lost = [c.tot[k] - was[k] for k in (MISSED, REFUSED, SKIPPED)]
            if any(lost):
                self.broken("live", f"{name}: {lost} µL missed, refused, skipped without a cause")
            least = 0
            grace_s = self.setup.channels[ch].grace_s
            first, last = (self.setup.zone.date_of(at) for at in (from_w, until_w))
            for date in range(first, last + 1):
                total = calendar.total(ch, date, [])
                volumes, wanted = calendar.volumes(ch, total), calendar.wanted(ch, date, total)
                begin, end = calendar.start(date), calendar.start(date + 1)
                ends = [*wanted[1:], end - begin][: len(wanted)]
                for ul, at, after in zip(volumes, wanted, ends, strict=True):
                    # It may make way for others until the next one is wanted.
                    if from_w < begin + at and begin + after + grace_s < until_w:
                        least += ul
            if c.tot[PLANNED] - was[PLANNED] < least:
                text = f"{c.tot[PLANNED] - was[PLANNED]} µL ran in a day that has {least} µL"
                self.broken("live", f"{name}: {text}")


def portrait(state: State) -> dict[str, Any]:
    """All that a state is, whatever its snapshot may leave out."""
    whole = _own(state)
    whole["channels"] = [_own(c) for c in state.channels]
    for c in whole["channels"]:
        ring = c.pop("ring")
        c["window"] = list(ring.data), ring.total_ul, ring.since_s
    return whole


def _own(thing: Any) -> dict[str, Any]:
    own: dict[str, Any] = {**_usual(thing.__class__), **vars(thing)}
    return {name: value for name, value in own.items() if not callable(value)}


@functools.cache
def _usual(kind: type) -> dict[str, Any]:
    """What an attribute is where the instance does not say otherwise."""
    own: dict[str, Any] = {**vars(kind)}
    return {name: value for name, value in own.items() if name[:1] != "_"}


def _compare(world: TroubledWorld, own: State, other: State) -> None:
    a, b = portrait(own), portrait(other)
    if a != b:
        names = [name for name in a if a[name] != b.get(name)]
        world.broken("S24", f"the files give another state than memory has, in {names}")


__all__ = ["FAULTS", "MISSED", "RAISED", "Broken", "MemoryFiles", "TroubledWorld", "portrait"]
