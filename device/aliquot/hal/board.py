"""The real board: all that the app knows of the world, on ESP32s and on RP2s.

Resident, and small for that: drivers, clocks and what only a start needs are imported when they
are needed and dropped. It decides nothing; only a driver that `pump` gave can move a motor.
"""

import asyncio
import sys
import time
from binascii import crc32
from select import POLLIN, poll

import machine
from machine import Pin

from aliquot.core.demand import forget

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

    from aliquot.hal.motor import Motor
    from aliquot.store.files import Files

# S23. The RP2040 can count to 8388 ms and no further.
WDT_MS = 8000
READ_MOST = 256
WRITE_PIECE = 64
# A reply of 2 KB takes 180 ms at 115200 baud; a host that does not read must not hold the board.
WRITE_MOST_MS = 400
# Sources of time as core/clock.py numbers them: the chip, then the network's servers.
CHIP, FIRST_SERVER, SERVERS = 3, 4, 3
# Modules of this package that stay; all others are dropped after use.
_STAY = ("aliquot.hal.board", "aliquot.hal.rp2_keep", "aliquot.hal.ws2812")


class Board:
    """See `Hardware` in hal/__init__.py for what each part promises.

    `board` gives the board file's data anew whenever it is called: it is large and seldom needed.
    Raises ValueError where that file is for another chip, with its reason.
    """

    wdt_ms = WDT_MS

    if TYPE_CHECKING:
        # What making.py finds on the board.
        cause: int
        chip: str
        memory: Any  # () reads the backup memory, (data) writes it
        inputs: list[tuple[str, Callable[[], object], int]]
        light: Any  # (on) switches the status light
        clock: tuple[int, int, str] | None
        lines: bytes  # (pin, level at rest) of every motor line, two bytes each
        # One channel each, as fitting.py packs them.
        pumps: list[tuple[Any, ...]]

    def __init__(self, files: "Files", board: "Callable[[], dict[str, Any]]") -> None:
        from aliquot.hal import making

        self.files = files
        self.board = board
        # The network's station once something has joined one: `isconnected()`, `ifconfig()`.
        self.station: Any = None
        self._wdt: machine.WDT | None = None
        self._seq = self._counts = -1
        # Straight from the firmware, whose calls ask for no memory.
        clock: Any = time
        loop: Any = asyncio
        self.ticks_ms = clock.ticks_ms
        self.diff = clock.ticks_diff
        self.sleep_ms = loop.sleep_ms
        self._in: Any = sys.stdin.buffer
        self._one = bytearray(1)
        self._poll: Any = poll()
        self._poll.register(sys.stdin, POLLIN)
        making.make(self, board())
        self._forget()

    def _forget(self) -> None:
        """Drop what was imported on demand."""
        mine = [name for name in sys.modules if name.startswith("aliquot.hal.")]
        forget(*[name for name in mine if name not in _STAY])

    # Memory that outlives a reset

    def keep(self, seq: int, counts: int) -> None:
        """Hold both with their sum; asks for memory only where they changed."""
        if self._counts != counts or self._seq != seq:
            self._seq = seq
            self._counts = counts
            data = seq.to_bytes(4, "little") + counts.to_bytes(4, "little")
            # Nothing kept has a sum that is wrong.
            self.memory(data + (crc32(data) if seq else 0).to_bytes(4, "little"))

    def kept(self) -> "tuple[int, int] | None":
        """What was held last; None where nothing was, or the memory lost power since."""
        data = self.memory()
        if len(data) != 12 or int.from_bytes(data[8:], "little") != crc32(data[:8]):
            return None
        return int.from_bytes(data[:4], "little"), int.from_bytes(data[4:8], "little")

    # Pumps

    def unfit(self, data: "dict[str, Any]") -> str:
        """Why this board cannot do a canonical set-up, or an empty text."""
        from aliquot.hal import fitting

        why = fitting.unfit(self.board(), data, self.ticks_ms)
        self._forget()
        return why

    def fit(self, data: "dict[str, Any]") -> None:
        """Take what `pump` needs; ValueError where a channel's output is not there."""
        from aliquot.hal import fitting

        self.pumps = fitting.pumps(self.board(), data)
        self._forget()

    def pump(self, ch: int) -> "Motor":
        """The driver of a channel; ValueError where it cannot be made."""
        from aliquot.hal import fitting

        return fitting.driver(self.chip, self.pumps[ch], self.ticks_ms)

    def rest(self) -> None:
        """After a run: every motor line at rest, the driver's modules dropped."""
        lines = self.lines
        for i in range(0, len(lines), 2):
            Pin(lines[i], Pin.OUT, value=lines[i + 1])
        self._forget()

    # Time

    @property
    def sources(self) -> "list[tuple[int, Callable[[], Any]]]":
        """(number in core/clock.py, asks it); made anew, since it is seldom looked at."""
        first = CHIP if self.clock else FIRST_SERVER
        return [(n, self._asker(n)) for n in range(first, FIRST_SERVER + SERVERS)]

    def _asker(self, source: int) -> "Callable[[], Any]":
        return lambda: self._ask(source)

    async def _ask(self, source: int) -> int:
        """Wall seconds since 2000 of a source, 0 for none; over within 5 s."""
        if source != CHIP and not (self.station and self.station.isconnected()):
            return 0
        from aliquot.hal import clock

        try:
            if source == CHIP:
                return clock.chip_w(self.clock)
            return await clock.server_w(self, source - FIRST_SERVER)
        finally:
            self._forget()

    def set_chip(self, wall_w: int) -> None:
        """Set the clock chip, if one is fitted and it is off by more than two seconds."""
        if self.clock:
            from aliquot.hal import clock

            clock.set_chip(self.clock, wall_w)
            self._forget()

    # Serial port

    def read(self) -> bytes:
        """What has come in, at most READ_MOST bytes; never waits."""
        data = None
        for _ in range(READ_MOST):
            ready = 0
            # One stream, so one answer at most.
            for each in self._poll.ipoll(0):
                ready = each[1]
            if not ready & POLLIN:
                break
            # More than one byte at a time would wait for the second one.
            if self._in.readinto(self._one) != 1:
                break
            if data is None:
                data = bytearray()
            data.extend(self._one)
        return bytes(data) if data else b""

    def write(self, data: bytes) -> None:
        """Send; what a host does not take in time is dropped, and it asks again."""
        began = self.ticks_ms()
        view = memoryview(data)
        for at in range(0, len(data), WRITE_PIECE):
            sys.stdout.buffer.write(view[at : at + WRITE_PIECE])
            if self.diff(self.ticks_ms(), began) > WRITE_MOST_MS:
                return

    # Watchdog

    def feed(self) -> None:
        """Feed the watchdog; the first time starts it, and nothing stops it again."""
        if self._wdt is None:
            self._wdt = machine.WDT(timeout=WDT_MS)
        self._wdt.feed()

    def reset(self) -> None:
        machine.reset()
