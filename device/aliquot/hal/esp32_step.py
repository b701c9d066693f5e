"""A stepper on an ESP32: bursts of steps out of the pulse memory, counted back where that is.

It never sends more than one burst at a time, and never a burst that does not stand by itself.
"""

import esp32
from machine import Pin

from aliquot.hal import ramps
from aliquot.hal.bounds import stop_ms, top_cps
from aliquot.hal.esp32_rmt import HALF_MOST_US, Rmt
from aliquot.hal.motor import TICKS

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

# Shorter pulses than this many ticks of 80 MHz on the counter's pin are noise.
FILTER_TICKS = 80


class Driver(Rmt):
    """Step and direction by RMT. Raises ValueError for a speed beyond the bursts of the chip."""

    counter: "esp32.PCNT | None" = None

    def __init__(
        self, board: "dict[str, Any]", settings: "dict[str, Any]", ticks_ms: "Callable[[], int]"
    ) -> None:
        super().__init__(board, settings, ticks_ms)
        most = top_cps(self.chip, self.microsteps)
        if self.speed_cps > most:
            raise ValueError("speed_cps %d: at most %d" % (self.speed_cps, most))
        self.ramp = ramps.up(self.speed_cps, self.microsteps)
        self.step_us = ramps.interval_us(self.speed_cps)
        self.pace_ms = 0
        # The end of a burst takes a symbol of its own.
        self.most = self.symbols - 1
        if self.step_us > HALF_MOST_US:
            self.pace_ms = self.step_us // 1000 + 1
            self.step_us = HALF_MOST_US
            self.most = 1
        self.most = ramps.longest(self.ramp, self.step_us, self.most)
        self.stop_ms = stop_ms(self.chip, "stepper", self.count_pin is not None)
        # The burst that was sent last; most runs send the same one again and again.
        self.pulses: list[int] = []

    def needs_ms(self, counts: int) -> int:
        """See Motor."""
        if self.pace_ms:
            return self.worst_ms(counts, counts * self.pace_ms)
        whole, rest = divmod(counts, self.most)
        one_us = ramps.burst_us(self.ramp, self.step_us, self.most)
        total_us = whole * one_us + ramps.burst_us(self.ramp, self.step_us, rest)
        return self.worst_ms(whole + 1, total_us // 1000 + 1)

    def grab(self) -> None:
        super().grab()
        if self.count_pin is not None:
            # After the sender: the pin stays its output, and becomes an input as well.
            counter = esp32.PCNT(
                0, pin=Pin(self.count_pin), rising=esp32.PCNT.INCREMENT, filter=FILTER_TICKS
            )
            self.counter = counter
            counter.value(0)
            counter.start()

    def feed(self) -> None:
        assert self.rmt is not None
        steps = min(self.left, self.most)
        if len(self.pulses) != 2 * steps:
            self.pulses = []
            self.pulses = ramps.pulses(self.ramp, self.step_us, steps)
        self.took(steps)
        self.rmt.write_pulses(self.pulses)
        self.next_ms = (self.ticks_ms() + self.pace_ms) & TICKS

    def over(self) -> bool:
        if not self.idle():
            return False
        if self.counter is not None:
            counted = self.counter.value(0)
            if counted != self.sent:
                self.miscount(counted)
        self.gave(self.sent)
        return True

    def halt(self) -> "tuple[int, bool]":
        assert self.rmt is not None
        if self.counter is None:
            return self.sent, self.wait()
        if self.abort:
            self.rmt.active(False)
            counted = self.counter.value()
            return counted, counted <= self.sent
        self.wait()
        counted = self.counter.value()
        return max(self.sent, counted), counted == self.sent

    def release(self) -> None:
        counter, self.counter = self.counter, None
        try:
            if counter is not None:
                counter.stop()
                counter.deinit()
        finally:
            super().release()
