"""A controller on a desk with its real store on a flash in memory, and the truth beside it.

`Rig` holds what nobody on the board knows: the true time, the true seconds with power, what each
motor gave. `aliquot_host.checks.Checks` looks on: it hears every change of the flash as it
reaches it, and what the motors do; a law that is broken raises `Violation` out of whatever was
going on. Power can go before, in the middle of and after any change of the flash, and in any run.
"""

from __future__ import annotations

import copy
from collections import Counter
from collections.abc import Callable
from typing import Any, NoReturn

from aliquot.core import acts, adopt, clock, events, room, snapshot, status
from aliquot.core.engine import Engine
from aliquot.core.plan import Setup
from aliquot.core.setup import build
from aliquot.core.state import State
from aliquot.store import config, recover
from aliquot.store.journal import SEGMENT_MOST, Journal
from aliquot_host.checks import Checks
from aliquot_host.journal_lines import Record
from aliquot_host.memory_files import MemoryFiles
from aliquot_host.setup_file import dump_json
from aliquot_host.trouble import portrait
from set_ups import canonical

DAY = 86400
ALL = 255
CUP, FAULT = 2, 4
UTC = "Etc/UTC"
# Zones without summer time, with their POSIX rules.
ZONES = {UTC: "UTC0", "Etc/GMT-1": "CET-1", "Etc/GMT+5": "EST5", "Etc/GMT-14": "<+14>-14"}
DATE = 9648  # 2026-06-01, a Monday
STARTS_MOST = 9
POLLS_MOST = 4000


class Violation(AssertionError):
    """Something that must never be; `number` is that of the invariant, `numbers` of all that the
    same moment broke."""

    seen = 0  # how many there were in this process

    def __init__(self, told: list[tuple[int, str]]) -> None:
        Violation.seen += 1
        super().__init__("; ".join(f"S{number}: {text}" for number, text in told))
        self.number = told[0][0]
        self.numbers = {number for number, _ in told}


def broken(number: int, text: str) -> NoReturn:
    raise Violation([(number, text)])


class Power(Exception):
    """The power went."""


class Flash(MemoryFiles):
    """Files in memory whose power goes where `watch(call, name, data)` says so.

    It returns None, or how much of the change has reached the flash: nothing, half, all. What does
    reach it is told to `see`, and whether the board was told that it failed."""

    watch: Callable[[str, str, bytes], str | None] | None = None
    see: Callable[..., None] | None = None

    def _asked(self, call: str, name: str, data: bytes = b"") -> str | None:
        return self.watch(call, name, data) if self.watch else None

    def append(self, name: str, data: bytes) -> None:
        self._torn("append", name, data)

    def write(self, name: str, data: bytes) -> None:
        self._torn("write", name, data)

    def _torn(self, call: str, name: str, data: bytes) -> None:
        do = getattr(MemoryFiles, call)
        reached = self._asked(call, name, data)
        if reached == "half":
            data = data[: len(data) // 2]
        elif reached == "nothing":
            data = b""
        before = len(self.files.get(name, b"")) if call == "append" else 0
        try:
            if reached != "nothing":
                do(self, name, data)
        except OSError:
            self._tell(call, name, bytes(self.files.get(name, b"")[before:]), False)
            raise
        self._tell(call, name, data, not reached)
        if reached:
            raise Power

    def _tell(self, call: str, name: str, data: bytes, whole: bool) -> None:
        if self.see:
            self.see("appended" if call == "append" else "written", name, data, whole)

    def rename(self, old: str, new: str) -> None:
        reached = self._asked("rename", old)
        if reached in (None, "all"):
            MemoryFiles.rename(self, old, new)
        if reached:
            raise Power

    def remove(self, name: str) -> None:
        reached = self._asked("remove", name)
        if reached in (None, "all"):
            MemoryFiles.remove(self, name)
        if reached:
            raise Power


def made_of(name: str, tz: str, channels: list[dict[str, Any]], **own: Any) -> Setup:
    """A set-up of canonical channels, and its data and text; its zone is one of ZONES."""
    data = canonical(*channels, timezone=tz, tz=ZONES[tz], board=name, **own)
    text = dump_json(data)
    made = build(data, config.hash_of(text))
    made.data, made.text = data, text
    return made


def changed(made: Setup, name: str, tz: str = "", **own: object) -> Setup:
    """A copy of a set-up with another name, and other values of its first channel."""
    data = copy.deepcopy(made.data)
    data["channel"][0] |= own
    zone = tz or data["timezone"]
    return made_of(name, zone, data["channel"], separate=data["separate"], group=data["group"])


class Eyes(Checks):
    """Checks that count the records, and keep what the product's fold makes of them."""

    def __init__(self, violate: Callable[[str, str], None], stated: int | None) -> None:
        super().__init__(violate, stated=stated)
        self.count: Counter[str] = Counter()
        self.memory = State()

    def add(self, one: Record, old: bool = False) -> None:
        """Take a record, and fold it."""
        self.count[one.kind] += 1
        super().add(one, old)
        self.memory.apply(one.dt_s, one.kind, (*one.fields, *(0,) * 80), one.text)

    @property
    def runs(self) -> int:
        return self.count["I"] + self.count["J"]


class Rig:
    """One controller, its flash and its truth; see the module."""

    def __init__(
        self, made: Setup, wall: int, stated: bool = True, files: Flash | None = None
    ) -> None:
        self.flash = files or Flash()
        self.told: list[tuple[int, str]] = []
        self.eyes = Eyes(self._violate, 0 if stated else None)
        self.flash.see = self.see
        self.known: dict[bytes, Setup] = {}
        self.wall = wall
        self.now = self.skew = self.powered = 0
        self.agenda: list[tuple[int, Callable[[], object]]] = []
        self.give: tuple[int, int] | None = None  # counts beyond the told ones, cause; once
        self.cut_after: int | None = None  # power goes so many seconds into the next run
        self.cut_s = 40  # how long it is away
        self.clock_after = True  # the clock is told after a start
        self.known_counts = False  # a start knows what the cut run gave
        self.cause = 0
        self.request = 0
        self.exhausted = ""  # memory runs out in the next record: "before" or "after" its fold
        self.fails = 0  # writes of records to come that fail
        self.fail_how: Any = "nothing"  # what has reached the flash then
        self.engine: Engine | None = None
        self.setup = made
        self._power_on()
        self.adopt(made, given_ul=0 if stated else -1)
        events.boot(self.engine, self.now, self.cause)
        self.tell(clock.USER)

    # Looking on

    def _violate(self, number: str, text: str) -> None:
        self.told.append((int(number[1:]), text))

    def see(self, what: str, *own: Any, **more: Any) -> None:
        """Tell the checks something; Violation where that breaks a law."""
        getattr(self.eyes, what)(*own, **more)
        self._judge()

    def _judge(self) -> None:
        if self.told:
            told, self.told = self.told, []
            raise Violation(told)

    @property
    def memory(self) -> State:
        """What the records add up to, by the product's own fold, in one go."""
        return self.eyes.memory

    # Records on their way

    def _wrap(self, journal: Journal) -> None:
        put = journal.put

        def watched(now_s: int, kind: str, fields: tuple[int, ...], text: str = "") -> None:
            if self.fails:
                self.fails -= 1
                self.flash.fail(1, self.fail_how)
            fold = journal.state.apply
            if self.exhausted:
                how, self.exhausted = self.exhausted, ""

                def out(*own: Any) -> None:
                    if how == "after":
                        fold(*own)
                    raise MemoryError

                journal.state.apply = out
            before = self.eyes.seq
            try:
                put(now_s, kind, fields, text)
            except MemoryError:
                self.see("starve")
                raise
            finally:
                journal.state.__dict__.pop("apply", None)
            if self.eyes.seq != before + 1:
                broken(14, f"a record ({kind}) was said to be durable, and is not on the flash")
            if self.eyes.now_s != now_s:
                broken(24, f"the record says {self.eyes.now_s} s, it is {now_s}")

        journal.put = watched

    # Starts

    def _power_on(self) -> None:
        """Start from what the flash holds; the power may go again meanwhile."""
        self.engine = None
        journal, findings = recover.open_journal(self.flash, self._lost)
        self.see("booted_with", journal.state.seq, journal.state.now_s)
        if portrait(journal.state) != portrait(self.memory):
            own, told = portrait(self.memory), portrait(journal.state)
            broken(24, f"read back, the state differs: {_differing(own, told)}")
        self.findings = findings
        self.journal = journal
        self.now = journal.state.now_s
        self._wrap(journal)
        self.judge = clock.Judge()
        made = self.setup
        if journal.state.hash:
            word, data = config.settle(self.flash, journal.state.hash)
            self.see("settled", word, data)
            made = self.known[bytes(data)]
        self.setup = made
        self.engine = Engine(made, journal)

    def _lost(self, state: State, n: int) -> tuple[int, ...]:
        return tuple(c.ring.used_ul(state.now_s) for c in state.channels)

    def boot(self) -> None:
        """The power is back: start, again and again while it goes in the middle of that."""
        self._dark()
        self.flash.mend()
        self.exhausted, self.fails = "", 0
        for _ in range(STARTS_MOST):
            try:
                self._power_on()
                counts = -1
                run = self.eyes.run
                if run and run.started and run.known and self.known_counts:
                    counts = run.given
                elif run:
                    run.known = False
                events.boot(self.engine, self.now, self.cause, counts)
                self.see("ready")
                if self.clock_after:
                    self.tell(clock.USER)
            except Power:
                self._dark()
                continue
            return
        raise AssertionError("more cuts than starts")

    def _dark(self) -> None:
        self.see("dark")
        if not self.known_counts:
            self.see("forgotten")

    outages = 0

    def outage(self, seconds: int) -> None:
        self.outages += 1
        self.wall += seconds
        self.boot()

    def rotate(self) -> None:
        """The next record opens a new segment."""
        self.journal.size = SEGMENT_MOST

    # The clock

    def tell(self, source: int) -> str:
        """A source says what time it is, wrong by `skew`."""
        wall = self.wall + self.skew
        self.see("hear", source, wall, self.now)
        return self.judge.hear(self.engine, self.now, wall, source)

    # Time

    def sleep(self, seconds: int) -> None:
        self.wall += seconds
        self.now += seconds
        self.powered += seconds

    def step(self, until: int) -> None:
        """Poll once; let a run happen, or time pass to what comes next."""
        job = self.engine.poll(self.now)
        if job is None:
            wake = self.wall + max(0, self.engine.wake_s - self.now)
            self.sleep(max(0, min(wake, until, *(at for at, _ in self.agenda)) - self.wall))
            return
        self._run(*job)

    def _run(self, ch: int, counts: int, most_s: int) -> None:
        engine = self.engine
        self.see("starts", ch, counts, most_s, self.powered)
        extra, cause = self.give or (0, 0)
        self.give = None
        gives = max(0, counts + extra)
        speed = self.setup.channels[ch].speed_cps
        end = self.wall + -(-gives // speed)
        begun = self.wall
        cut = None
        if self.cut_after is not None and gives:
            cut, self.cut_after = begun + min(self.cut_after, end - begun), None
        stop = end if cut is None else cut
        while True:
            at = min([stop, *(at for at, _ in self.agenda)])
            self.sleep(max(0, at - self.wall))
            if at >= stop and not (self.agenda and self.agenda[0][0] < stop):
                break
            self._due()
            if self.engine is not engine:
                return  # the board started anew meanwhile
            job = engine.poll(self.now)
            if job:
                self.see("starts", *job, self.powered)
        if cut is not None:
            given = min(gives, counts, (stop - begun) * speed)
            self.see("stops", given, self.powered, known=self.known_counts)
            raise Power
        self.see("stops", gives, self.powered)
        engine.ended(self.now, gives, cause)

    def _due(self) -> None:
        while self.agenda and self.agenda[0][0] <= self.wall:
            self.agenda.pop(0)[1]()

    def at(self, wall: int, act: Callable[[], object]) -> None:
        """Let something happen at a true second, in the middle of a run too."""
        self.agenda.append((wall, act))
        self.agenda.sort(key=lambda entry: entry[0])

    def until(self, wall: int) -> None:
        """Let time pass; a cut is followed by a start of the board."""
        for _ in range(POLLS_MOST):
            if self.wall >= wall and self.engine.wake_s > self.now and not self.agenda_due():
                return
            self.guarded(lambda: (self._due(), self.step(wall)))
        raise AssertionError("the engine polls and never comes to rest")

    def agenda_due(self) -> bool:
        return bool(self.agenda) and self.agenda[0][0] <= self.wall

    def guarded(self, act: Callable[[], Any]) -> Any:
        """Do something; where the power goes, or memory runs out, the board starts again."""
        try:
            return act()
        except Power:
            if self.eyes.turning:
                self.see("stops", 0, self.powered, known=False)
            self.outage(self.cut_s)
        except MemoryError:
            # Whoever owns the board starts it again, but not at once.
            self.at(self.wall + 900, self._raise)
        except OSError:
            # An act that could not be recorded: the user is told so.
            if self.journal.broken:
                self.outage(self.cut_s)
        return None

    # Acts

    def act(self, name: str, *own: Any, **more: Any) -> bool:
        """An act of the user, pressed twice; one that a cut interrupts is pressed again."""
        self.request += 1
        request = self.request
        for _ in range(STARTS_MOST):
            if self.engine is None:
                return False
            before = self.eyes.seq
            try:
                do = getattr(acts, name)
                done = do(self.engine, self.now, *own, request=request, **more)
            except acts.Refused:
                if self.eyes.seq != before and name != "hold":
                    broken(24, f"{name} was refused and left a record")
                return False
            except OSError:
                if self.journal.broken:
                    self.guarded(self._raise)
                return False
            except (Power, MemoryError) as error:
                self.guarded(lambda error=error: self._raise(error))
                continue
            before = self.eyes.seq
            try:
                again = done and do(self.engine, self.now, *own, request=request, **more)
            except acts.Refused:
                again = True
            if again:
                broken(7, f"{name}, pressed twice, was looked at twice")
            if self.eyes.seq != before:
                broken(7, f"{name}, pressed twice, left a second record")
            if done and request not in self.eyes.requests:
                broken(24, f"{name} was accepted and is not recorded")
            return bool(done)
        raise AssertionError("more cuts than starts")

    def _raise(self, error: Exception | None = None) -> None:
        raise error or Power

    def adopt(self, new: Setup, given_ul: int = -1) -> bool:
        """A new set-up, as the store takes it."""
        self.request += 1
        self.known[new.text] = new
        self.see("know", new.data, new.text)

        def record(own: str) -> None:
            adopt.adopt(self.engine, new, self.now, self.request, given_ul)

        try:
            config.adopt(self.flash, new.text, record)
        except (acts.Refused, OSError):
            return False
        self.setup = new
        return True

    def fault(self, scope: int, code: int, latched: int) -> None:
        events.fault(self.engine, self.now, scope, code, latched)

    def mend(self, scope: int) -> None:
        """The user looks at a fault and ends it, by two acts where one is not enough."""
        self.act("clear", scope)
        t = self.eyes if scope == ALL else self.eyes.channels[scope]
        if t.fault:
            self.act("see", scope)
            self.act("clear", scope)

    # What is asked at any time

    def check(self) -> None:
        """The laws that hold between two events."""
        engine, eyes = self.engine, self.eyes
        if not eyes.calendar or eyes.dead:
            return
        eyes.room(self.powered, lambda ch, later: room.left_ul(engine, ch, self.now + later))
        for ch in range(len(eyes.channels)):
            if eyes.run is None:
                eyes.left(ch, status.left_ul(engine, ch))
        eyes.state(snapshot.dump(engine.state))
        self._judge()

    def check_files(self) -> None:
        """The flash alone gives the state that the controller has; nothing is changed by it."""
        journal, _ = recover.open_journal(self.flash.copy(), self._lost)
        if portrait(journal.state) != portrait(self.memory):
            broken(
                24, f"the flash says {_differing(portrait(self.memory), portrait(journal.state))}"
            )

    def rest(self) -> None:
        """Record what passed and is not recorded yet."""
        self.engine.flush(self.now)


def _differing(own: dict[str, Any], other: dict[str, Any]) -> str:
    out = [n for n in own if n != "channels" and own[n] != other.get(n)]
    for a, b in zip(own["channels"], other.get("channels", []), strict=False):
        out += [f"{n} {a[n]} {b[n]}" for n in a if a[n] != b[n]]
    return ", ".join(out)
