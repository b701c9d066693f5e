"""The lives of a virtual board, one after the other, until the desk is cleared.

What `main.py` does on a board is done here: a start, the app, and what follows when it ends. Power
cuts and pressed buttons come from the command; everything else the app does itself. The set-up is
loaded as a client would load it, in the first life and never again.
"""

from __future__ import annotations

import asyncio
import dataclasses
import random
from collections import Counter, deque
from collections.abc import Callable, Iterable
from typing import Any

from aliquot import start
from aliquot.app import App
from aliquot.core.clock import LATEST_S
from aliquot.core.ledger import USER
from aliquot.core.state import State
from aliquot_host import happenings, world
from aliquot_host.errors import bad
from aliquot_host.happenings import TROUBLES, Event
from aliquot_host.setup_file import Loaded
from aliquot_host.virtual_board import (
    INPUTS,
    POWER,
    PROGRAM,
    WATCHDOG,
    Board,
    Folder,
    Memory,
    Restart,
)
from aliquot_host.warp import SECOND_US, WarpLoop
from aliquot_host.world import Weather

__all__ = ["INPUTS", "Desk", "Press"]

EVENTS_KEPT = 1000
PIECE = 512
# main.py waits so long before it restarts a board whose program stopped.
CRASH_S = 10
# A run that is under way when the time is over may end first: a driver's longest run, twice.
LAST_RUN_S = 2 * 900
# Ordinary crystals are that good, in parts of a million.
PPM_MOST = 20
CAUSES = {POWER: "power", WATCHDOG: "watchdog", PROGRAM: "program"}
BURIALS = 16


class Power(SystemExit):
    """The power goes for `length_s`."""

    def __init__(self, length_s: int) -> None:
        super().__init__(f"off for {length_s} s")
        self.length_s = length_s


class Over(SystemExit):
    """The time asked for is over."""


@dataclasses.dataclass(frozen=True)
class Press:
    """An input that is on for `length_s`, from `at_s` after the start on."""

    what: str
    at_s: int
    length_s: int


class Desk:
    """A virtual board with its set-up, its line on a port, and what happens to it; `live` runs it.

    start_w: the true second at which power comes. speed: virtual seconds a second, 0: as fast as
    it goes. The outages of weather, presses and for_s: in the loop's seconds from the start; for_s
    is when it ends, 0: never. number: the TCP port, 0 for any. network: whether servers of time
    are there. said: told of each event. The same arguments, with no client, give the same journal
    to the byte."""

    def __init__(
        self,
        loaded: Loaded,
        files: Memory | Folder,
        *,
        start_w: int,
        speed: float = 1,
        seed: int = 1,
        weather: Weather | None = None,
        presses: Iterable[Press] = (),
        for_s: int = 0,
        number: int = 0,
        network: bool = True,
        said: Callable[[Event], None] = lambda event: None,
    ) -> None:
        self.loaded = loaded
        self.said = said
        self.events: deque[Event] = deque(maxlen=EVENTS_KEPT)
        self.starts: Counter[str] = Counter()
        self.loop = loop = WarpLoop(speed)
        weather = weather or Weather()
        if not network:
            weather = dataclasses.replace(weather, silences=[(0, LATEST_S)])
        ppm = random.Random(f"oscillator {seed}").randint(-PPM_MOST, PPM_MOST)
        self.board = Board(loop, loaded, files, start_w, seed, weather, self.say, ppm)
        self.over = False
        self.app: App | None = None
        self._loaded = False
        for at_s, length_s in weather.outages:
            loop.call_later(at_s, self._cut, length_s)
        for press in presses:
            loop.call_later(press.at_s, self.board.switch, press.what, True)
            loop.call_later(press.at_s + press.length_s, self.board.switch, press.what, False)
        self.for_s = for_s
        self._last_us = (for_s + LAST_RUN_S) * SECOND_US
        if for_s:
            loop.call_later(for_s, self.end)
        try:
            self.board.port.open(loop, number)
        except OSError:
            loop.close()
            raise

    # What comes from outside

    def say(self, event: Event) -> None:
        """Note what happened, and tell it; of doses there are too many to keep."""
        if event.kind != "dose":
            self.events.append(event)
        self.said(event)

    def _say(self, kind: str, text: str, seconds: int = 0) -> None:
        self.say(Event(self.board.now_w(), kind, text, seconds=seconds))

    def _cut(self, length_s: int) -> None:
        if self.board.app:
            raise Power(length_s)

    def end(self) -> None:
        """The time is over; a motor that turns may end its run first."""
        if self.board.motor and self.loop.now_us() < self._last_us:
            self.loop.call_later(1, self.end)
            return
        self.over = True
        raise Over

    def interrupt(self) -> None:
        """End it as the keyboard does, between two steps of the program."""
        self.loop.call_soon_threadsafe(self._interrupt)

    def _interrupt(self) -> None:
        raise KeyboardInterrupt

    # Lives

    def live(self) -> Desk:
        """Let the board live until the time is over, or until KeyboardInterrupt."""
        cause = POWER
        try:
            while not self.over:
                cause = self._life(cause)
        except Over:
            self._say("over", "The time asked for is over")
        except KeyboardInterrupt:
            self._interrupted()
            raise
        return self

    def _interrupted(self) -> None:
        """The keyboard: motors first, and the outcome is recorded, as at a board's prompt."""
        if self.board.app and self.app:
            self.app.halt(USER)
        self._bury()

    def close(self) -> None:
        """Clear the desk: no task and no port is left."""
        if self.loop.is_closed():
            return
        self._bury()
        self.board.port.close()
        self._settle()
        self.loop.close()

    def _life(self, cause: int) -> int:
        """One life from its start to its end; returns the cause of the next one."""
        self._start(cause)
        assert self.app
        try:
            self.loop.run_until_complete(self.app.tasks())
            return PROGRAM
        except Restart as restart:
            self._bury()
            if restart.cause == WATCHDOG:
                self._say("watchdog", "The program hangs: the watchdog restarts the board")
            return restart.cause
        except Power as power:
            self._bury()
            text = f"The power is off for {happenings.span(power.length_s)}"
            self._say("outage", text, power.length_s)
            self._pass(power.length_s)
            return POWER
        except (Over, KeyboardInterrupt):
            raise
        except Exception as problem:  # noqa: BLE001 - whatever it is, as in main.py
            self.app.halt()
            self.app.crashed(problem)
            self._bury()
            self._say("crash", f"The program stopped: {problem!r}")
            self._pass(CRASH_S)
            return PROGRAM

    def _start(self, cause: int) -> None:
        board = self.board
        board.begin(cause)
        self.starts[CAUSES[cause]] += 1
        board.write(board.greeting())
        self.app = board.app = app = App(board)
        start.start(app)
        if not self._loaded:
            self._loaded = True
            self._adopt(app)
        board.listen()
        if app.why:
            self._say("idle", f"The board does not dose: {app.why}")

    def _adopt(self, app: App) -> None:
        """Load the set-up over the line, unless the board has it from the time before, or has a
        journal that only a person may put aside."""
        loaded = self.loaded
        if not app.journal or (app.engine and app.journal.state.hash == loaded.digest):
            return
        text = loaded.canonical
        orders: list[dict[str, object]] = [
            {"do": "load", "at": at, "hex": text[at : at + PIECE].hex()}
            for at in range(0, len(text), PIECE)
        ]
        for order in [*orders, {"do": "adopt", "hash": loaded.digest}]:
            reply: dict[str, Any] = app.answer(order)
            if not reply["ok"]:
                raise bad(
                    str(reply["field"]),
                    reply["value"],
                    limit=str(reply["limit"]),
                    advice=f"The board does not take the set-up: {reply['advice']}.",
                )

    def _pass(self, seconds: int) -> None:
        """Time goes on without the program."""
        self.loop.run_until_complete(asyncio.sleep(seconds))

    def _bury(self) -> None:
        """What is left of a program that no longer runs: nothing of it may act again."""
        self.board.stop()
        self._settle()

    def _settle(self) -> None:
        for _ in range(BURIALS):
            tasks = asyncio.all_tasks(self.loop)
            for task in tasks:
                task.cancel()
            try:
                # Two rounds of the loop: in the second one what was closed is gone.
                self.loop.run_until_complete(_rounds(tasks))
            except SystemExit:
                continue
            if not tasks:
                return

    # What came of it

    def state(self) -> State | None:
        """What the board believes, while it runs."""
        journal: Any = self.app.journal if self.app else None
        return journal.state if journal else None

    def totals(self) -> dict[str, dict[str, int]]:
        """Per channel its doses, and the engine's totals beside the truth."""
        state, truth = self.state(), self.board.truth
        if not state:
            return {}
        found = world.totals(truth.ids, state, truth.runs, {})
        doses = Counter(run.channel for run in truth.runs if run.into == "dose")
        return {
            name: {"doses": doses[place], **found[name]} for place, name in enumerate(truth.ids)
        }

    def troubles(self) -> list[Event]:
        """What is worth a line to a person."""
        return [e for e in self.events if e.kind in TROUBLES or e.kind in ("watchdog", "crash")]


async def _rounds(tasks: Iterable[asyncio.Task[Any]]) -> None:
    await asyncio.gather(*tasks, return_exceptions=True)
    await asyncio.sleep(0)
    await asyncio.sleep(0)
