"""A timed motor on an ESP32: its switch is an RMT output, so that it cannot stay on.

The hardware holds the switch on for at most one burst and then lets it go, whatever the program
does. The next burst is handed over shortly before the one under way ends and follows it within
microseconds. Counts are milliseconds; the dead time of a motor is the offset of its calibration.
It never sets a speed while a motor runs.
"""

from aliquot.hal.bounds import BURST_MS, stop_ms
from aliquot.hal.esp32_rmt import HALF_MOST_US, Rmt
from aliquot.hal.motor import TICKS
from aliquot.hal.timed import SOFT_MS, SOFT_US, Speed, check

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

# The call that hands the next burst over waits for the end of the one under way: not longer than
# this, and long enough that one late poll leaves no gap.
HAND_OVER_MS = 20


class Driver(Rmt):
    """A motor that runs for as long as its switch is on."""

    def __init__(
        self, board: "dict[str, Any]", settings: "dict[str, Any]", ticks_ms: "Callable[[], int]"
    ) -> None:
        super().__init__(board, settings, ticks_ms)
        check(settings)
        self.speed = Speed(self.output)
        self.stop_ms = stop_ms(self.chip, "timed", False)
        # When the burst under way began.
        self.burst_ms = 0

    def needs_ms(self, counts: int) -> int:
        """See Motor."""
        return self.worst_ms(counts // BURST_MS + 1, counts)

    def grab(self) -> None:
        super().grab()
        self.speed.on()

    def feed(self) -> None:
        assert self.rmt is not None
        first = self.given + self.sent == 0
        counts = min(self.left, BURST_MS)
        times, levels = burst(counts, first)
        before = self.sent
        self.took(counts)
        # Blocks until the burst under way is over.
        self.rmt.write_pulses(times, levels)
        self.gave(before)
        self.burst_ms = self.ticks_ms()

    def over(self) -> bool:
        if self.idle():
            self.gave(self.sent)
            return True
        on_ms = (self.ticks_ms() - self.burst_ms) & TICKS
        return bool(self.left) and self.sent - on_ms <= HAND_OVER_MS

    def halt(self) -> "tuple[int, bool]":
        assert self.rmt is not None
        if not self.abort:
            return self.sent, self.wait()
        if self.idle():
            return self.sent, True
        self.rmt.active(False)
        # Both times were read after what they are for, and in whole milliseconds: never too few.
        on_ms = ((self.ticks_ms() - self.burst_ms) & TICKS) + 2
        return min(self.sent, on_ms), False

    def release(self) -> None:
        try:
            self.speed.off()
        finally:
            super().release()


def burst(counts: int, first: bool) -> "tuple[list[int], list[bool]]":
    """Return (times, levels) of a burst of `counts` ms; the first of a run starts softly."""
    times: list[int] = []
    levels: list[bool] = []
    left_us = counts * 1000
    if first and counts >= SOFT_MS:
        for on_us, off_us in SOFT_US:
            times += [on_us, off_us]
            levels += [True, False]
        left_us -= SOFT_MS * 1000
    while left_us > 0:
        part = min(left_us, HALF_MOST_US)
        times.append(part)
        levels.append(True)
        left_us -= part
    return times, levels
