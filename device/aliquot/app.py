"""The app: wires engine, journal, pumps, clock, inputs and the serial line together with asyncio.

`hw` is all that it knows of the world (`hal/board.py` on a board, the virtual board on a desk):
ticks, files, pumps, pins, memory that outlives a reset. The app moves a motor only for a run that
the engine has recorded, stops it before anything else when something goes wrong, and feeds the
watchdog only while every task goes on. It decides nothing about dosing.
"""

import asyncio

from aliquot.core import events
from aliquot.core.demand import forget
from aliquot.core.ledger import FAULT, OK
from aliquot.hal import Fault

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

    from aliquot.core.clock import Judge
    from aliquot.core.engine import Engine

# Tasks that must report, or the watchdog bites.
DOSE, TIME, INPUTS, LIGHT, SERIAL = 1, 2, 4, 8, 16
ALL_TASKS = 31
FEED_MS = 1000
STEP_MS = 10
LOOK_MS = 50
READ_MS = 50
IDLE_MS = 200
LIGHT_STEPS = 20
ASK_S = 6 * 3600
ASK_AGAIN_S = 60
QUIET_S = 30  # no lookup of the time so shortly before a dose
F_MOTOR = 3


class App:
    """One controller; `why` says in words why it does not dose, "" where it does."""

    version = ""

    def __init__(self, hw: "Any") -> None:
        self.hw = hw
        self.engine: Engine | None = None
        self.why = "starting"
        self.findings: list[str] = []
        self.seen: set[str] = set()  # channels whose pump the user saw turn
        self.pump: Any = None
        self.ending = OK  # why the run under way is to end
        self.reported = 0
        self.seconds = 0
        self.ms = 0
        self.ticks = hw.ticks_ms()
        self._judge: Judge | None = None

    # Time and state

    def now_s(self) -> int:
        """Powered seconds; the tick counter may wrap in between."""
        ticks = self.hw.ticks_ms()
        self.ms += self.hw.diff(ticks, self.ticks)
        self.ticks = ticks
        if self.ms >= 1000:
            self.seconds += self.ms // 1000
            self.ms %= 1000
        return self.seconds

    def judge(self) -> "Judge":
        """What keeps in mind what the sources of time said."""
        if not self._judge:
            from aliquot.core.clock import Judge

            self._judge = Judge()
        return self._judge

    def running(self) -> str:
        """The channel whose motor turns, or ""."""
        engine = self.engine
        return engine.state.ids[engine.state.open[0]] if engine and self.pump else ""

    def set_up(self) -> "dict[str, Any]":
        """The canonical set-up, read anew: the board has no room to keep it."""
        import json

        return json.loads(self.hw.files.read("setup.json"))

    def wake(self) -> None:
        """Something changed: the engine is asked at once."""
        if self.engine:
            self.engine.wake_s = 0

    def stop(self, cause: int) -> None:
        """End the run under way, if any; its outcome is recorded by the task that runs it."""
        if self.pump:
            self.ending = cause

    # Tasks

    async def dose(self) -> None:
        """Ask the engine, run what it says."""
        while True:
            self.reported |= DOSE
            job = self.engine.poll(self.now_s()) if self.engine else None
            if job:
                await self.run(*job)
            else:
                await self.hw.sleep_ms(IDLE_MS)

    async def run(self, ch: int, counts: int, most_s: int) -> None:
        """One run of a pump, to its recorded outcome."""
        hw, engine = self.hw, self.engine
        self.ending = OK
        cause = OK
        pump = self.pump = hw.pump(ch)
        seq = engine.state.seq
        try:
            hw.keep(seq, 0)
            pump.start(counts, max(1000 * most_s, pump.needs_ms(counts)))
            while pump.poll():
                self.reported |= DOSE
                hw.keep(seq, pump.given + pump.sent)
                if self.ending:
                    cause = self.ending
                    break
                await hw.sleep_ms(STEP_MS)
        except (Fault, ValueError) as problem:
            cause = FAULT
            self.findings = [str(problem)]
        finally:
            given, _ = pump.stop()
            self.pump = None
        engine.ended(self.now_s(), given, cause)
        hw.keep(0, 0)
        if cause == FAULT:
            events.fault(engine, self.now_s(), ch, F_MOTOR, 0)

    async def time(self) -> None:
        """Ask the sources of time, when no motor turns and no dose is near."""
        boot_s, ask_s = self.now_s(), self.now_s() + 5
        while True:
            self.reported |= TIME
            engine, now_s = self.engine, self.now_s()
            quiet = engine and not self.pump and engine.wake_s > now_s + QUIET_S
            if quiet and now_s >= ask_s:
                ask_s = now_s + (await self._ask())
                if not engine.state.quality:
                    self.judge()
                    from aliquot.core.clock import carry_on

                    if carry_on(engine, self.now_s(), boot_s):
                        self.wake()
            await self.hw.sleep_ms(IDLE_MS)

    async def _ask(self) -> int:
        """Hear every source once; returns the seconds until the next time."""
        engine = self.engine
        for source, ask in self.hw.sources:
            wall_w = await ask()
            self.reported |= TIME
            if wall_w and not self.pump:
                self.judge().hear(engine, self.now_s(), wall_w, source)
        sure = engine.state.quality == 2
        if sure:
            self._judge = None
            forget("aliquot.core.clock")
        self.wake()
        return ASK_S if sure else ASK_AGAIN_S

    async def inputs(self) -> None:
        """Look at switches and buttons; see `watch.py`."""
        from aliquot.watch import Watch

        watch = Watch(self)
        while True:
            self.reported |= INPUTS
            watch.look()
            await self.hw.sleep_ms(LOOK_MS)

    async def light(self) -> None:
        """Blink how it stands: see `blinks`."""
        step = 0
        while True:
            self.reported |= LIGHT
            step = (step + 1) % LIGHT_STEPS
            n = self.blinks()
            self.hw.light(bool(self.pump) or (step % 2 == 0 and step < 2 * n))
            await self.hw.sleep_ms(IDLE_MS)

    def blinks(self) -> int:
        """Short blinks every four seconds: 1 all is well, 2 the clock is unset, 3 held, 4 a fault
        or lost records, 5 no set-up or no journal. Steady: a motor turns."""
        if not self.engine:
            return 5
        state = self.engine.state
        if state.fault or state.gap or state.foreign or any([c.fault for c in state.channels]):
            return 4
        if state.hold_w >= 0 or any([c.hold_w >= 0 or c.cup for c in state.channels]):
            return 3
        return 1 if state.quality else 2

    async def serial(self) -> None:
        """Answer orders; a port that is not read must not stop the board."""
        from aliquot.link import Lines, pack, unpack

        lines = Lines()
        while True:
            self.reported |= SERIAL
            data = self.hw.read()
            for line in lines.feed(data) if data else ():
                order = unpack(line)
                if order is not None:
                    self.hw.write(pack(self.answer(order)))
            await self.hw.sleep_ms(STEP_MS if data else READ_MS)

    def answer(self, order: "dict[str, Any]") -> "dict[str, Any]":
        """Carry out an order from whatever door it came in by."""
        from aliquot import orders

        try:
            reply = orders.answer(self, order)
        finally:
            forget("aliquot.orders", "aliquot.core.acts", "aliquot.core.fits")
            forget("aliquot.core.extras", "aliquot.core.room", "aliquot.core.status")
        reply["re"] = order.get("id")
        return reply

    async def watch(self) -> None:
        """Feed the watchdog while every task has reported since the last time."""
        while True:
            if self.reported & ALL_TASKS == ALL_TASKS:
                self.reported = 0
                self.hw.feed()
            await self.hw.sleep_ms(FEED_MS)

    async def live(self) -> None:
        """All tasks, until one of them ends: then motors first, the record, and the exception."""
        tasks = [
            asyncio.create_task(one())
            for one in (
                self.dose,
                self.time,
                self.inputs,
                self.light,
                self.serial,
                self.watch,
            )
        ]
        try:
            await asyncio.gather(*tasks)
        finally:
            if self.pump:
                self.pump.stop()
            for task in tasks:
                task.cancel()
