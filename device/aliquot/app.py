"""The app: wires engine, journal, pumps, clock, inputs and the serial line together with asyncio.

`hw` is all that it knows of the world (`hal/board.py` on a board, the virtual board on a desk):
ticks, files, pumps, pins, memory that outlives a reset. The app moves a motor only for a run that
the engine has recorded, stops it before anything else when something goes wrong, and feeds the
watchdog only while every task goes on. It decides nothing about dosing.
"""

import asyncio

from aliquot.core.demand import forget
from aliquot.core.ledger import FAULT, OK, USER
from aliquot.hal import Fault
from aliquot.link import Lines, pack, unpack
from aliquot.watch import Watch

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Iterable
    from typing import Any

    from aliquot.core.clock import Judge
    from aliquot.hal import Hardware

# Tasks that must report, or the watchdog bites.
DOSE, TIME, INPUTS, LIGHT, SERIAL = 1, 2, 4, 8, 16
ALL_TASKS = 31
FEED_MS = 1000
STEP_MS = 10
LOOK_MS = 50
IDLE_MS = 200
FIRST_ASK_S = 5
ASK_S = 6 * 3600
ASK_AGAIN_S = 60
QUIET_S = 30  # no lookup of the time so shortly before a dose
LATE = 4  # looks of the watch task after which a task that does not report is written down
F_MOTOR = 3


class App:
    """One controller; `why` says in words why it does not dose, "" where it does."""

    def __init__(self, hw: "Hardware") -> None:
        self.hw = hw
        self.engine: Any = None  # the Engine, once there is a set-up
        self.journal: Any = None
        self.why = "starting"
        self.findings: list[str] = []
        self.seen: list[str] = []  # channels whose pump the user saw turn the right way
        self.job: tuple[int, int] | None = None  # channel and counts of the run under way
        self.pump: Any = None  # its driver
        self.ending = OK  # why the run under way is to end
        self.last: tuple[Any, ...] = ()  # the last run: id, counts planned, given, cause, record
        self.pressed = 0  # how far the reset button is pressed: 1 network, 2 all but the journal
        self.heard: list[int] = []  # the last orders that leave no number in the journal
        self.restart = False
        self.reported = self.late = 0
        self.seconds = self.ms = 0
        self.ticks = hw.ticks_ms()
        self._judge: Judge | None = None
        self._watch = Watch(self)

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
        """The channel of the run under way, or ""."""
        return self.engine.state.ids[self.job[0]] if self.engine and self.job else ""

    def stop(self, cause: int) -> None:
        """Rest the motor, if one turns; the outcome is recorded by the task that runs it."""
        if self.job:
            self.ending = cause
        if self.pump:
            self.pump.stop()

    # The run of a pump

    async def dose(self) -> None:
        """Ask the engine, run what it says."""
        while True:
            self.reported |= DOSE
            job = self.engine.poll(self.now_s()) if self.engine else None
            if self.journal and self.journal.broken:
                raise RuntimeError("the journal's state is not whole")
            if job:
                await self._run(*job)
            elif self.restart:
                self.hw.reset()
            await self.hw.sleep_ms(IDLE_MS)

    async def _run(self, ch: int, counts: int, most_s: int) -> None:
        """One run of a pump, to its recorded outcome. What comes up goes to `halt`."""
        hw = self.hw
        self.job = ch, counts
        self.ending = OK
        hw.keep(self.engine.state.seq, 0)
        failed = False
        try:
            pump = self.pump = hw.pump(ch)
            pump.start(counts, max(1000 * most_s, pump.longest_ms(counts)))
            while pump.poll() and not self.ending:
                self.reported |= DOSE
                self.mark()
                await hw.sleep_ms(STEP_MS)
        except (Fault, ValueError) as problem:
            self.findings = [str(problem)]
            failed = True
        self._over(FAULT if failed else self.ending)
        if failed:
            from aliquot.core import events

            self.record(events.fault, ch, F_MOTOR, 0)

    def record(self, do: "Any", *own: "Any") -> None:
        """Have something recorded; where the flash does not take it, that is tried again later."""
        try:
            do(self.engine, self.now_s(), *own)
        except OSError:
            self.engine.failed_s = self.seconds

    def mark(self) -> None:
        """Keep what the run under way gave at most, beside the number of the newest record."""
        if self.pump:
            self.hw.keep(self.engine.state.seq, self.pump.given + self.pump.sent)

    def _over(self, cause: int) -> None:
        """End the run under way: the motor first, then the record."""
        if not self.job:
            return
        hw, engine = self.hw, self.engine
        ch, planned = self.job
        given = 0
        try:
            if self.pump:
                given = self.pump.stop()[0]
        finally:
            self.job = self.pump = None
            hw.rest()
        hw.keep(engine.state.seq, given)
        self.last = (engine.state.ids[ch], planned, given, cause, engine.state.seq)
        engine.ended(self.now_s(), given, cause)
        if not engine.result:
            hw.keep(0, 0)

    def halt(self, cause: int = FAULT) -> None:
        """Whatever came up: the motor rests, and its run is recorded as far as it came."""
        if self.pump:
            self.pump.stop()
        self._over(cause)

    # Other tasks

    async def time(self) -> None:
        """Ask the sources of time, when no motor turns and no dose is near."""
        boot_s = self.now_s()
        ask_s = boot_s + FIRST_ASK_S
        while True:
            self.reported |= TIME
            engine = self.engine
            now_s = self.now_s()
            if engine and not self.job and now_s >= ask_s and engine.wake_s > now_s + QUIET_S:
                ask_s = now_s + await self._ask()
            wait_s = engine.setup.carry_on_s if engine and not engine.state.quality else 0
            if 0 < wait_s <= now_s - boot_s:
                from aliquot.core.clock import carry_on

                self.record(carry_on, boot_s)
            await self.hw.sleep_ms(IDLE_MS)

    async def _ask(self) -> int:
        """Hear every source once; returns the seconds until the next time."""
        engine = self.engine
        for source, ask in self.hw.sources:
            wall_w = await ask()
            self.reported |= TIME
            if wall_w and not self.job:
                self.record(self.judge().hear, wall_w, source)
        sure = engine.state.quality == 2
        if sure:
            self.hw.set_chip(self.now_s() + engine.state.offset)
            self._judge = None
            forget("aliquot.core.clock", "aliquot.core.events")
        return ASK_S if sure else ASK_AGAIN_S

    async def inputs(self) -> None:
        """Look at switches and buttons; see `watch.py`."""
        while True:
            self.reported |= INPUTS
            self._watch.look()
            await self.hw.sleep_ms(LOOK_MS)

    async def light(self) -> None:
        """Show how it stands; see `watch.py`."""
        while True:
            self.reported |= LIGHT
            self.hw.light(self._watch.lit())
            await self.hw.sleep_ms(IDLE_MS)

    def unwritten(self) -> bool:
        """Whether the journal could not be written within the last minute."""
        failed_s = self.engine.failed_s
        return failed_s >= 0 and self.seconds - failed_s < 60

    async def serial(self) -> None:
        """Answer orders; one that takes long goes on in slices, and others come in between."""
        lines = Lines()
        work: Any = None
        while True:
            self.reported |= SERIAL
            data = self.hw.read()
            for line in lines.feed(data) if data else ():
                order = unpack(line)
                if order is not None:
                    slices = iter(self.begin(order))
                    reply = next(slices)
                    if reply:
                        self.hw.write(pack(reply))
                    elif not work:  # else its sender asks again
                        work = slices
            if work:
                reply = next(work)
                if reply:
                    self.hw.write(pack(reply))
                    work = None
            await self.hw.sleep_ms(STEP_MS if data or work else LOOK_MS)

    def begin(self, order: "dict[str, Any]") -> "Iterable[dict[str, Any] | None]":
        """Carry out an order from any door, in slices: None after each, at last the reply."""
        from aliquot import orders

        return orders.begin(self, order)

    def answer(self, order: "dict[str, Any]") -> "dict[str, Any]":
        """The same in one go, also where it takes long."""
        return next(reply for reply in self.begin(order) if reply)

    async def watch(self) -> None:
        """Feed the watchdog while every task has reported since the last time."""
        while True:
            missing = ALL_TASKS & ~self.reported
            if not missing:
                self.reported = self.late = 0
                self.hw.feed()
            else:
                self.late += 1
                # A record in a run would part its kept count from it: then nobody knew it.
                if self.late == LATE and not self.job:
                    self.note("tasks %d do not report" % missing)
            await self.hw.sleep_ms(FEED_MS)

    # Life

    async def tasks(self) -> None:
        """All tasks, until one of them ends."""
        await asyncio.gather(
            self.dose(), self.time(), self.inputs(), self.light(), self.serial(), self.watch()
        )

    def live(self) -> None:
        """Go on until something comes up; then motors first, and on with it."""
        cause = FAULT
        try:
            asyncio.run(self.tasks())
        except KeyboardInterrupt:
            cause = USER
            raise
        finally:
            self.halt(cause)

    def note(self, text: str) -> None:
        """Write a line into the journal, if it takes one."""
        from aliquot import troubles

        troubles.note(self, text)
        forget("aliquot.troubles")

    def crashed(self, problem: BaseException) -> None:
        """Leave a record of what came up, in the journal and beside it; never raises."""
        from aliquot import troubles

        troubles.crashed(self, problem)
