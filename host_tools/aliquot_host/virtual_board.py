"""A board on the desk: the `hw` of `aliquot/app.py`, behind which the simulator's world stands.

The app is the real one and sees what it sees on a board: ticks, files, pumps, inputs, a serial
port, servers that tell the time. The truth is that of `world.py`: its pumps, their tubing and
containers, its weather. Nothing here decides about dosing, and nothing reads a real clock: all
time is the loop's.

For speed, a board that is run more than a hundred times as fast as life looks less often while
nothing can happen: with no motor running, no input that changed lately, and no client on the
line, sleeps of 50 to 1000 ms end together at the next whole two seconds. A dose then begins up to
two seconds late, and nothing else differs.
"""

from __future__ import annotations

import asyncio
import random
from collections import defaultdict
from collections.abc import Awaitable, Callable
from typing import TYPE_CHECKING, Any

from aliquot.core.clock import NETWORK
from aliquot.core.ledger import CUP
from aliquot.core.records import decode
from aliquot.store.files import Files
from aliquot_host import happenings
from aliquot_host.happenings import Event
from aliquot_host.memory_files import MemoryFiles
from aliquot_host.setup_file import Data, Loaded
from aliquot_host.virtual_line import Port
from aliquot_host.virtual_pump import TICKS, Motor
from aliquot_host.warp import SECOND_US, WarpLoop
from aliquot_host.world import INTO, Pump, Run, Weather

if TYPE_CHECKING:
    from aliquot.app import App

POWER, WATCHDOG, PROGRAM = 1, 2, 3
WDT_MS = 8000
INPUTS = ("float", "leak", "supply", "stop", "reset")
LOOK_MS = 50
# The ticks wrap ten minutes after a virtual board is made, so that every longer life crosses it.
BORN_MS = TICKS + 1 - 600_000
FAST = 100
SLOT_US = 2 * SECOND_US
IDLE_MS = (50, 1000)
# The app counts how often it saw an input on, and a minute of looks until it takes one as off:
# until it is sure, it looks as often as on a board.
SETTLE_US = 75 * SECOND_US
SERVERS = 3
ANSWER_MS = (20, 120)
OFF_MS = 30


class Restart(SystemExit):
    """The board begins anew; `cause` says why. Ends the loop at once, as a reset does."""

    def __init__(self, cause: int) -> None:
        super().__init__(f"restart {cause}")
        self.cause = cause


class Told:
    """Files that tell of every line that is added to one of them, before it is written."""

    told: Callable[[bytes], None] | None = None

    def append(self, name: str, data: bytes) -> None:
        """See Files."""
        if self.told:
            self.told(data)
        super().append(name, data)  # type: ignore[misc]


class Memory(Told, MemoryFiles):
    """A flash that is gone when the desk is cleared."""


class Folder(Told, Files):
    """A flash that stays: a folder on disk."""


class Truth:
    """What is true of pumps and liquids, whatever the board believes; a place is one in `ids`."""

    def __init__(self, seed: int) -> None:
        self.rng = random.Random(seed)
        self.ids: list[str] = []
        self.pumps: list[Pump] = []
        self.runs: list[Run] = []
        self.dry: set[int] = set()  # places whose container ran dry and was not filled since
        self.by_date: dict[tuple[int, int], float] = defaultdict(float)  # (date, place) -> µL

    def take(self, data: Data) -> None:
        """Know a set-up's channels: those that are new get a pump."""
        for c in data["channel"]:
            if c["id"] in self.ids:
                self.pumps[self.ids.index(c["id"])].set_to(c)
            else:
                self.ids.append(c["id"])
                self.pumps.append(Pump.drawn(self.rng, c))

    def heard(self, kind: str, place: int, number: int) -> None:
        """Somebody told the board that he filled a container or put in new tubing: it is true."""
        if kind == "F":
            self.pumps[place].left_ul = float(number)
            self.pumps[place].dry = False
            self.dry.discard(place)
        elif kind == "N":
            self.pumps[place].renew(self.rng)


class Board:
    """The hardware of one board, through all its lives; `hal.Hardware` says what each part does.

    start_w: the true time at the loop's 0. weather: `silences` in which no server answers; its
    outages are the power's business. ppm: how much faster than true time the oscillator runs.
    say: told of what happens."""

    wdt_ms = WDT_MS

    def __init__(
        self,
        loop: WarpLoop,
        loaded: Loaded,
        files: Memory | Folder,
        start_w: int,
        seed: int,
        weather: Weather,
        say: Callable[[Event], None],
        ppm: int = 0,
    ) -> None:
        self.loop = loop
        self.files: Files = files
        files.told = self._told
        self.start_w = start_w
        self.weather = weather
        self.say = say
        self.ppm = ppm
        self.truth = Truth(seed)
        self.wiring = loaded.board
        self.zone = loaded.setup.zone
        self.settings: list[Data] = []
        self.cause = POWER
        self.app: App | None = None
        self.motor: Motor | None = None
        self.memory: tuple[int, int] | None = None
        self.lamp = False
        self.chip_w = 0
        self.on: dict[str, bool] = dict.fromkeys(INPUTS, False)
        self.inputs: list[tuple[str, Callable[[], object], int]] = [
            (what, self._looker(what), self._sure(what)) for what in INPUTS
        ]
        ear = random.Random(f"servers {seed}")
        self.sources: list[tuple[int, Callable[[], Awaitable[int]]]] = [
            (NETWORK + i, self._server(ear)) for i in range(SERVERS)
        ]
        self.port = Port(self.greeting, self.rouse)
        self.fast = not loop.warp.speed or loop.warp.speed > FAST
        self._restless_us = 0
        self._slot: asyncio.Future[None] | None = None
        self._dog: asyncio.TimerHandle | None = None
        self._fed_us = 0
        self._lines: list[bytes] = []
        self._seq = 0

    # Time

    def now_w(self) -> int:
        """The true second."""
        return self.now_ms() // 1000

    def now_ms(self) -> int:
        """The true time in milliseconds."""
        us = self.loop.now_us()
        return 1000 * self.start_w + (us - us * self.ppm // 1_000_000) // 1000

    def ticks_ms(self) -> int:
        """See Hardware."""
        return (BORN_MS + self.loop.now_us() // 1000) & TICKS

    def diff(self, later: int, earlier: int) -> int:
        """See Hardware."""
        half = (TICKS + 1) // 2
        return ((later - earlier + half) & TICKS) - half

    async def sleep_ms(self, ms: int) -> None:
        """See Hardware; what is left out for speed stands at the top."""
        if self.fast and IDLE_MS[0] <= ms <= IDLE_MS[1] and self._calm():
            if self._slot is None:
                now_us = self.loop.now_us()
                self._slot = slot = self.loop.create_future()
                next_us = (now_us // SLOT_US + 1) * SLOT_US
                self.loop.call_at(next_us / SECOND_US, self._end, slot)
            await self._slot
        else:
            await asyncio.sleep(ms / 1000)

    def _calm(self) -> bool:
        quiet = self.motor is None and not self.port.busy
        return quiet and self.loop.now_us() >= self._restless_us

    def _end(self, slot: asyncio.Future[None]) -> None:
        if self._slot is slot:
            self._slot = None
        if not slot.done():
            slot.set_result(None)

    def rouse(self) -> None:
        """End the sleeps that were made longer: something happens."""
        if self._slot:
            self._end(self._slot)

    def _server(self, ear: random.Random) -> Callable[[], Awaitable[int]]:
        """One server of time: it answers after a moment, and is a little off."""
        off_ms = round(ear.gauss(0.0, OFF_MS))

        async def ask() -> int:
            await asyncio.sleep(ear.randrange(*ANSWER_MS) / 1000)
            if self.weather.silent(self.now_w() - self.start_w):
                return 0
            return (self.now_ms() + off_ms) // 1000

        return ask

    def set_chip(self, wall_w: int) -> None:
        """See Hardware: a virtual board has no clock chip; what it would be set to is kept."""
        self.chip_w = wall_w

    # Lives

    def begin(self, cause: int) -> None:
        """A life begins: nothing of the one before is left but what outlives `cause`."""
        self.cause = cause
        self._slot = None
        self.lamp = False
        if cause == POWER:
            self.memory = None

    def stop(self) -> None:
        """A life is over, by whatever: the motor rests where it is, the watchdog is off."""
        motor, self.motor, self.app = self.motor, None, None
        if motor:
            motor.cut()
        if self._dog:
            self._dog.cancel()
            self._dog = None

    def keep(self, seq: int, counts: int) -> None:
        """See Hardware."""
        self.memory = (seq, counts) if seq else None

    def kept(self) -> tuple[int, int] | None:
        """See Hardware."""
        return self.memory

    def feed(self) -> None:
        """See Hardware."""
        self._fed_us = self.loop.now_us()
        if not self._dog:
            self._dog = self.loop.call_later(self.wdt_ms / 1000, self._bite)

    def _bite(self) -> None:
        """The watchdog looks: it bites, or looks again when it would have to."""
        left_us = self._fed_us + 1000 * self.wdt_ms - self.loop.now_us()
        if left_us > 0:
            self._dog = self.loop.call_later(left_us / SECOND_US, self._bite)
            return
        raise Restart(WATCHDOG)

    def reset(self) -> None:
        """See Hardware."""
        raise Restart(PROGRAM)

    # Pumps

    def unfit(self, data: Data) -> str:
        """See Hardware."""
        name = self.wiring["name"] if self.wiring else ""
        if data["board"] != name:
            return f"board {data['board'] or 'none'}: this is {name or 'a desk without a board'}"
        for c in data["channel"]:
            try:
                Motor(self.wiring, c["pump"], self.ticks_ms)
            except ValueError as problem:
                return f"{c['id']}: {problem}"
        return ""

    def fit(self, data: Data) -> None:
        """See Hardware."""
        self.settings = [c["pump"] for c in data["channel"]]
        self.truth.take(data)

    def pump(self, ch: int) -> Any:
        """See Hardware: a Motor of the desk; what comes out goes into the truth."""
        assert self.app
        state = self.app.journal.state
        _, ul, counts, into, *_ = state.open
        c = state.channels[ch]
        place = self.truth.ids.index(state.ids[ch])
        key = (c.date, c.index, c.wm_w) if INTO[into] == "dose" else (0, 0, 0)
        start_w = self.now_w()

        def ended(motor: Motor) -> None:
            self.motor = None
            how = "done" if motor.given == counts else "partial" if self.app else "cut"
            self._moved(motor, place, into, how, ul, key, start_w)

        self.motor = motor = Motor(
            self.wiring, self.settings[ch], self.ticks_ms, lambda: not self.on["supply"], ended
        )
        return motor

    def _moved(
        self,
        motor: Motor,
        place: int,
        into: int,
        how: str,
        ul: int,
        key: tuple[int, int, int],
        start_w: int,
    ) -> None:
        """A run is over: what came out of the tube, and whether it drew air."""
        truth = self.truth
        name, pump = truth.ids[place], truth.pumps[place]
        true_ul = pump.move(motor.true)
        if into == CUP:
            ul = 0
        elif how == "partial":
            ul = ul * motor.given // motor.asked
        now_w = self.now_w()
        truth.runs.append(
            Run(
                start_w, now_w, place, INTO[into], motor.asked, motor.true, true_ul, how,
                ul, *key,
            )
        )  # fmt: skip
        if into == CUP:
            text = f"{name}: {motor.given:,} counts into the cup, which holds"
            self.say(Event(now_w, "cup", f"{text} {happenings.ml(true_ul)}", name))
        else:
            truth.by_date[self.zone.date_of(start_w), place] += true_ul
            text = f"{name}: {happenings.ml(ul)}, {motor.given:,} of {motor.asked:,} counts"
            self.say(Event(now_w, "dose", text, name, ul=ul))
        if pump.dry and place not in truth.dry:
            truth.dry.add(place)
            text = f"{name}: the container is truly empty and the pump draws air"
            self.say(Event(now_w, "dry", text, name))

    def rest(self) -> None:
        """See Hardware."""
        if self.motor and self.motor.running:
            raise AssertionError("a motor turns while its pins are put to rest")
        self.motor = None

    # Inputs, light and line

    def _looker(self, what: str) -> Callable[[], bool]:
        return lambda: self.on[what]

    def _sure(self, what: str) -> int:
        """Looks in a row that make an input sure, by the board file's debouncing."""
        for one in self.wiring["inputs"] if self.wiring else ():
            if one["input"] == what:
                return max(2, -(-int(one["debounce_ms"]) // LOOK_MS))
        return 2

    def switch(self, what: str, on: bool) -> None:
        """Somebody presses or lets go; water comes or goes."""
        self.on[what] = on
        self._restless_us = self.loop.now_us() + SETTLE_US
        self.rouse()

    def light(self, on: bool) -> None:
        """See Hardware."""
        self.lamp = on

    def greeting(self) -> bytes:
        """What the port says that is no message."""
        from aliquot import __version__

        return b"\r\nvirtual board, Aliquot %s: lines without a check sum are talk\r\n" % (
            __version__.encode()
        )

    def read(self) -> bytes:
        """See Hardware."""
        return self.port.read()

    def write(self, data: bytes) -> None:
        """See Hardware."""
        self.port.write(data)

    # The journal, as it is written

    def _told(self, line: bytes) -> None:
        if not self._lines:
            self.loop.call_soon(self.listen)
        self._lines.append(line)

    def listen(self) -> None:
        """Say what the records tell that were written since the last time."""
        lines, self._lines = self._lines, []
        journal: Any = self.app.journal if self.app else None
        for line in lines:
            try:
                seq, _, kind, fields, _ = decode(line[:-1])
            except (ValueError, IndexError):
                continue  # the opening of a segment, or another file's line
            if journal is None or not self._seq < seq <= journal.state.seq:
                continue
            self._seq = seq
            ids = journal.state.ids
            if kind in "FN" and fields[0] < len(ids):
                self.truth.heard(kind, self.truth.ids.index(ids[fields[0]]), fields[1])
            event = happenings.of_record(self.now_w(), journal.state, kind, fields)
            if event:
                self.say(event)
