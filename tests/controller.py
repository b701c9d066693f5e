"""A controller on a desk with its real store on a flash in memory, and the truth beside it.

`Rig` holds what nobody on the board knows: the true time, the true seconds with power, what each
motor gave. It hands every record to `laws.Laws` as it stands on the flash, byte for byte, and
tells it what the motors do; a law that is broken raises `laws.Violation` out of whatever was going
on. Power can go before, in the middle of and after any change of the flash, and in any run.
"""

from __future__ import annotations

import copy
import zlib
from collections.abc import Callable
from typing import Any

from aliquot.core import acts, adopt, clock, events, room, status
from aliquot.core.engine import Engine
from aliquot.core.plan import Channel, Setup
from aliquot.core.state import State
from aliquot.core.zone import Zone
from aliquot.core.zone_text import parse
from aliquot.store import config, recover
from aliquot.store.journal import SEGMENT_MOST, Journal
from aliquot_host.memory_files import MemoryFiles
from laws import ALL, DAY, Laws, broken

UTC = "UTC0"
ZONES = {UTC: 0, "CET-1": 3600, "EST5": -18000, "<+14>-14": 50400}
DATE = 9648  # 2026-06-01, a Monday
STARTS_MOST = 9
POLLS_MOST = 4000


class Power(Exception):
    """The power went."""


class Flash(MemoryFiles):
    """Files in memory whose power goes where `watch(call, name, data)` says so.

    It returns None, or how much of the change has reached the flash: nothing, half, all."""

    watch: Callable[[str, str, bytes], str | None] | None = None

    def _asked(self, call: str, name: str, data: bytes = b"") -> str | None:
        return self.watch(call, name, data) if self.watch else None

    def append(self, name: str, data: bytes) -> None:
        self._torn("append", name, data)

    def write(self, name: str, data: bytes) -> None:
        self._torn("write", name, data)

    def _torn(self, call: str, name: str, data: bytes) -> None:
        do = getattr(MemoryFiles, call)
        reached = self._asked(call, name, data)
        if reached in (None, "all"):
            do(self, name, data)
        elif reached == "half":
            do(self, name, data[: len(data) // 2])
        if reached:
            raise Power

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


def made_of(name: str, tz: str, channels: list[Channel], **own: Any) -> Setup:
    """A set-up; its zone is one of ZONES."""
    made = Setup(Zone(parse(tz)), channels)
    made.groups = own.get("groups", [])
    made.separate = own.get("separate", [])
    made.tz = tz
    made.name = name
    return made


def changed(made: Setup, name: str, tz: str = "", **own: object) -> Setup:
    """A copy of a set-up with another name, and other attributes of its first channel."""
    new = made_of(
        name,
        tz or made.tz,
        [copy.copy(c) for c in made.channels],
        groups=made.groups,
        separate=made.separate,
    )
    for key, value in own.items():
        setattr(new.channels[0], key, value)
    return new


def lines_of(data: bytes) -> list[bytes]:
    """The whole lines of a file whose checksum (IEEE 802.3) fits, without it."""
    out = []
    for line in data.split(b"\n")[:-1]:
        body, _, crc = line.rpartition(b" ")
        if crc == b"%08x" % zlib.crc32(body):
            out.append(body)
    return out


def read(body: bytes) -> tuple[int, int, str, tuple[int, ...], str]:
    """(sequence, delta, kind, fields with zeros behind, text) of a record's body."""
    head, _, text = body.decode().partition(' "')
    seq, delta, kind, *fields = head.split(" ")
    return int(seq), int(delta), kind, tuple(map(int, fields)) + (0,) * 80, text


def portrait(state: State) -> dict[str, Any]:
    """All that a state is, whatever its snapshot may leave out."""

    def own(thing: Any) -> dict[str, Any]:
        names = {n for n in dir(thing) if not n.startswith("_")}
        return {n: v for n in names if not callable(v := getattr(thing, n))}

    whole = own(state)
    whole["channels"] = [own(c) for c in state.channels]
    for c in whole["channels"]:
        ring = c.pop("ring")
        c["window"] = list(ring.data), ring.total_ul, ring.since_s
    return whole


class Rig:
    """One controller, its flash and its truth; see the module."""

    def __init__(
        self, made: Setup, wall: int, stated: bool = True, files: Flash | None = None
    ) -> None:
        self.flash = files or Flash()
        self.laws = Laws()
        self.laws.stated = stated
        self.known: dict[bytes, Setup] = {}
        self.wall = wall
        self.now = self.skew = 0
        self.memory = State()  # what the records add up to, by the fold, in one go
        self.agenda: list[tuple[int, Callable[[], object]]] = []
        self.give: tuple[int, int] | None = None  # counts beyond the told ones, cause; once
        self.cut_after: int | None = None  # power goes so many seconds into the next run
        self.cut_s = 40  # how long it is away
        self.clock_after = True  # the clock is told after a start
        self.known_counts = False  # a start knows what the cut run gave
        self.cause = 0
        self.request = 0
        self.heard: tuple[int, int, int] | None = None
        self.exhausted = ""  # memory runs out in the next record: "before" or "after" its fold
        self.fails = 0  # writes of records to come that fail
        self.fail_how: Any = "nothing"  # what has reached the flash then
        self.engine: Engine | None = None
        self.setup = made
        self._power_on()
        self.tell(clock.USER)
        self.adopt(made, given_ul=0 if stated else -1)

    # Records on their way

    def _wrap(self, journal: Journal) -> None:
        put = journal.put

        def watched(now_s: int, kind: str, fields: tuple[int, ...], text: str = "") -> None:
            if self.fails:
                self.fails -= 1
                self.flash.fail(1, self.fail_how)
                self.laws.forgive_low()
            fold = journal.state.apply
            if self.exhausted:
                how, self.exhausted = self.exhausted, ""

                def out(*own: Any) -> None:
                    if how == "after":
                        fold(*own)
                    raise MemoryError

                journal.state.apply = out
            try:
                put(now_s, kind, fields, text)
            except MemoryError:
                self.laws.dead = True
                raise
            finally:
                journal.state.__dict__.pop("apply", None)
            self._seen(journal.name)
            if self.laws.now_s != now_s:
                broken(24, f"the record says {self.laws.now_s} s, it is {now_s}")

        journal.put = watched

    def _seen(self, name: str) -> None:
        """Take the newest record off the flash, where it must be."""
        if self.laws.dead:
            broken(26, "memory ran out in a record, and another one follows it")
        data = bytes(self.flash.files.get(name, b""))
        found = lines_of(data[data.rfind(b"\n", 0, -1) + 1 :])
        if not found or found[0].startswith(b"S "):
            broken(14, "a record was said to be durable, and the flash does not end with it")
        if int(found[0].split(b" ")[0]) != self.laws.seq + 1:
            broken(14, "a record was said to be durable, and the flash ends with another")
        self._take(found[0])

    def _take(self, body: bytes) -> None:
        seq, delta, kind, fields, text = read(body)
        self.laws.record(seq, self.laws.now_s + delta, kind, fields, text)
        self.memory.apply(delta, kind, fields, text)

    def _reconcile(self) -> None:
        """After a cut: what is on the flash and was never said to be."""
        names = sorted(n for n in self.flash.files if n[:1] == "j")
        limit = None
        for name in reversed(names[-3:]):
            bodies = lines_of(bytes(self.flash.files[name]))
            newer = [b for b in bodies if not b.startswith(b"S ")]
            newer = [b for b in newer if int(b.split(b" ")[0]) > self.laws.seq]
            if limit is not None:
                newer = [b for b in newer if int(b.split(b" ")[0]) <= limit]
            if newer:
                if len(newer) > 1:
                    broken(24, f"{len(newer)} records that were never acknowledged")
                self.laws.may_set = True  # whoever it was, the laws judged it when he spoke
                self._take(newer[0])
                self.laws.may_set = False
            heads = [b for b in bodies if b.startswith(b"S aliquot-journal ")]
            ends = [b for b in bodies if b.startswith(b"S end ")]
            if heads and ends:
                return

    # Starts

    def _power_on(self) -> None:
        """Start from what the flash holds; the power may go again meanwhile."""
        self.engine = None
        self.laws.dead = False
        journal, findings = recover.open_journal(self.flash, self._lost)
        if self.laws.seq:
            self._reconcile()
            if journal.state.seq != self.laws.seq:
                broken(24, f"record {self.laws.seq} was durable, {journal.state.seq} is found")
            if portrait(journal.state) != portrait(self.memory):
                own, told = portrait(self.memory), portrait(journal.state)
                broken(24, f"read back, the state differs: {_differing(own, told)}")
        self.findings = findings
        self.journal = journal
        self.now = journal.state.now_s
        self._wrap(journal)
        self.judge = clock.Judge()
        self.heard = None
        made = self.setup
        if journal.state.hash:
            word, data = config.settle(self.flash, journal.state.hash)
            if word != "ok":
                broken(17, f"the set-up that was adopted is {word}")
            made = self.known[bytes(data)]
            if made.hash != self.laws.hash:
                broken(17, f"{made.name} is in force and was not adopted")
        self.setup = made
        self.engine = Engine(made, journal)

    def _lost(self, state: State, n: int) -> tuple[int, ...]:
        return tuple(c.ring.used_ul(state.now_s) for c in state.channels)

    def boot(self) -> None:
        """The power is back: start, again and again while it goes in the middle of that."""
        self.flash.mend()
        self.exhausted, self.fails = "", 0
        for _ in range(STARTS_MOST):
            try:
                self._power_on()
                counts = -1
                if self.known_counts and self.laws.open and self.laws.open.given >= 0:
                    counts = self.laws.open.given
                elif self.laws.open:
                    self.laws.open.given = -1
                    self.laws.unwritten = False
                events.boot(self.engine, self.now, self.cause, counts)
                self.laws.booted()
                if self.clock_after:
                    self.tell(clock.USER)
            except Power:
                continue
            return
        raise AssertionError("more cuts than starts")

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
        """A source says what time it is, wrong by `skew`; the laws know whether it may."""
        wall = self.wall + self.skew
        offset = wall - self.now
        laws = self.laws
        near = laws.quality == 2 and abs(offset - laws.offset) <= 600
        sure = source == clock.USER or near
        if not sure and source != clock.PHONE and self.heard:
            other, then, at = self.heard
            agree = abs(offset - then) <= 60 and self.now - at <= 3600
            sure = other != source and agree
        laws.may_set = sure or (source == clock.PHONE and not laws.quality)
        laws.stepped = laws.stepped or laws.turning
        if not sure and source != clock.PHONE:
            self.heard = (source, offset, self.now)
        elif source != clock.PHONE:
            self.heard = None
        answer = self.judge.hear(self.engine, self.now, wall, source)
        laws.may_set = False
        return answer

    # Time

    def sleep(self, seconds: int) -> None:
        self.wall += seconds
        self.now += seconds
        self.laws.powered += seconds

    def step(self, until: int) -> None:
        """Poll once; let a run happen, or time pass to what comes next."""
        job = self.engine.poll(self.now)
        if job is None:
            wake = self.wall + max(0, self.engine.wake_s - self.now)
            self.sleep(max(0, min(wake, until, *(at for at, _ in self.agenda)) - self.wall))
            return
        self._run(*job)

    def _run(self, ch: int, counts: int, most_s: int) -> None:
        engine, laws = self.engine, self.laws
        laws.started(ch, counts)
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
            if engine.poll(self.now) is not None:
                broken(2, "a second run while the first is under way")
        if cut is not None:
            laws.ended(min(gives, counts, (stop - begun) * speed))
            raise Power
        laws.ended(gives)
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
            if self.laws.turning:
                self.laws.ended(0, known=False)
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
            before = self.laws.seq
            try:
                do = getattr(acts, name)
                done = do(self.engine, self.now, *own, request=request, **more)
            except acts.Refused:
                if self.laws.seq != before and name != "hold":
                    broken(24, f"{name} was refused and left a record")
                return False
            except OSError:
                if self.journal.broken:
                    self.guarded(self._raise)
                return False
            except (Power, MemoryError) as error:
                self.guarded(lambda error=error: self._raise(error))
                continue
            before = self.laws.seq
            try:
                again = done and do(self.engine, self.now, *own, request=request, **more)
            except acts.Refused:
                again = True
            if again:
                broken(7, f"{name}, pressed twice, was looked at twice")
            if self.laws.seq != before:
                broken(7, f"{name}, pressed twice, left a second record")
            if done and request not in self.laws.requests:
                broken(24, f"{name} was accepted and is not recorded")
            return bool(done)
        raise AssertionError("more cuts than starts")

    def _raise(self, error: Exception | None = None) -> None:
        raise error or Power

    def adopt(self, new: Setup, given_ul: int = -1) -> bool:
        """A new set-up, as the store takes it."""
        self.request += 1
        data = f"set-up {new.name}".encode()
        new.hash = config.hash_of(data)
        self.known[data] = new
        self.laws.setups[new.hash] = new
        self.laws.shifts[new.hash] = ZONES[new.tz]

        def record(own: str) -> None:
            adopt.adopt(self.engine, new, self.now, self.request, given_ul)

        try:
            config.adopt(self.flash, data, record)
        except (acts.Refused, OSError):
            return False
        self.setup = new
        return True

    def fault(self, scope: int, code: int, latched: int) -> None:
        events.fault(self.engine, self.now, scope, code, latched)

    def mend(self, scope: int) -> None:
        """The user looks at a fault and ends it, by two acts where one is not enough."""
        self.act("clear", scope)
        if scope in self.laws.faults:
            self.act("see", scope)
            self.act("clear", scope)

    # What is asked at any time

    def check(self) -> None:
        """The laws that hold between two events."""
        engine, laws = self.engine, self.laws
        if not laws.made:
            return
        for ch, c in enumerate(engine.state.channels):
            laws.room(ch, lambda c_, later: room.left_ul(engine, c_, self.now + later))
            laws.books_of(ch, c.tot, sum(c.owed[1::2]), c.wm_w)
            if laws.open is None:
                laws.reservoir(ch, status.left_ul(engine, ch))

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


__all__ = ["ALL", "DATE", "DAY", "UTC", "ZONES", "Power", "Rig", "changed", "made_of"]
