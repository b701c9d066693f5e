"""What every pump driver has in common: ceilings, lines, one run at a time, and rest at its end.

A driver adds how bursts are sent; see `hal/__init__.py` for what all of them promise. This module
never sends a pulse.
"""

from machine import Pin

from aliquot.hal import MISCOUNT, OVERTIME, Fault
from aliquot.hal.bounds import (
    CHIPS,
    COUNTS_MOST,
    POLL_MS,
    REVERSE_MOST_S,
    RUN_MOST_S,
    STOP_MS,
    WAKE_MS,
)

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

# ticks_ms counts modulo this plus one.
TICKS = 0x3FFFFFFF


class Motor:
    """A pump at one output. What a driver overrides is below the line."""

    # The pump that runs: the memory of the hardware and a shared enable line are for one.
    busy: "Motor | None" = None

    def __init__(
        self, board: "dict[str, Any]", settings: "dict[str, Any]", ticks_ms: "Callable[[], int]"
    ) -> None:
        outputs = board["outputs"]
        if not 0 < settings["output"] <= len(outputs):
            raise ValueError("output %d: this board has %d" % (settings["output"], len(outputs)))
        output = outputs[settings["output"] - 1]
        if board.get("rest", 0):
            raise ValueError("rest 1: a step pin or motor switch must rest low")
        self.ticks_ms = ticks_ms
        self.chip: str = board["chip"]
        self.port, self.symbols, self.abort, counter = CHIPS[self.chip]
        self.output: dict[str, Any] = output
        self.speed_cps: int = settings["speed_cps"]
        self.microsteps: int = settings["microsteps"]
        # Where the pump is mounted the other way round, forward is the other level.
        self.forward: int = settings["reverse"]
        self.count_pin = output.get("count", output["step"]) if counter else None
        self.stop_ms = STOP_MS
        self.step = Pin(output["step"], Pin.OUT, value=0)
        self.direction = self.enable = None
        if output["direction"] is not None:
            self.direction = Pin(output["direction"], Pin.OUT, value=0)
        elif self.forward:
            raise ValueError("reverse 1: this output has no direction pin")
        if output.get("enable") is not None:
            self.enable_off = 1 - output.get("enable_on", 0)
            self.enable = Pin(output["enable"], Pin.OUT, value=self.enable_off)
        self.running = False
        # Of the run: counts not yet sent, given, in the burst under way; whether that is exact.
        self.left = self.given = self.sent = 0
        self.exact = True
        self.limit_ms = self.began_ms = self.next_ms = 0

    def start(self, counts: int, most_ms: int, reverse: bool = False) -> None:
        """Wake the motor's driver for a run of `counts`; the first poll after WAKE_MS moves it."""
        self._check(counts, most_ms, reverse)
        self.left, self.given, self.sent, self.exact = counts, 0, 0, True
        self.limit_ms = min(most_ms, self.longest_ms(counts))
        self.began_ms = self.ticks_ms()
        self.next_ms = (self.began_ms + WAKE_MS) & TICKS
        self.running = True
        Motor.busy = self
        woken = False
        try:
            if self.direction is not None:
                self.direction.value(1 - self.forward if reverse else self.forward)
            self.grab()
            if self.enable is not None:
                self.enable.value(1 - self.enable_off)
            woken = True
        finally:
            if not woken:
                self._rest()

    def _check(self, counts: int, most_ms: int, reverse: bool) -> None:
        if Motor.busy is not None:
            raise ValueError("busy: another run is under way")
        most = min(COUNTS_MOST, RUN_MOST_S * self.speed_cps)
        if reverse:
            if self.direction is None:
                raise ValueError("reverse: this output has no direction pin")
            most = min(most, REVERSE_MOST_S * self.speed_cps)
        if not 0 < counts <= most:
            raise ValueError("counts %d: 1 to %d" % (counts, most))
        if most_ms < self.needs_ms(counts):
            raise ValueError("most_ms %d: at least %d" % (most_ms, self.needs_ms(counts)))

    def poll(self) -> bool:
        """Feed the hardware; whether the run is still under way. Fault when it went wrong."""
        if not self.running:
            return False
        done = False
        try:
            more = self._tend()
            done = True
            return more
        finally:
            # Whatever came up, also a KeyboardInterrupt: the motor rests first. What was under
            # way counts as given.
            if not done and self.running:
                self._end(self.sent, not self.sent)

    def _tend(self) -> bool:
        now_ms = self.ticks_ms()
        if (now_ms - self.began_ms) & TICKS > self.limit_ms:
            self.stop()
            raise Fault(OVERTIME, "overtime: more than %d ms" % self.limit_ms)
        if self.sent and not self.over():
            return True
        if self.left == 0:
            self._end(0, True)
            return False
        # A difference beyond half the range is one that has not come yet.
        if (now_ms - self.next_ms) & TICKS <= TICKS // 2:
            self.feed()
        return True

    def took(self, counts: int) -> None:
        """Hold `counts` as being sent."""
        self.left -= counts
        self.sent += counts

    def gave(self, counts: int) -> None:
        """`counts` of what was being sent have been given."""
        self.sent -= counts
        self.given += counts

    def miscount(self, counted: int) -> None:
        """End the run: other pulses were counted than sent. The larger number counts."""
        sent = self.sent
        self._end(max(sent, counted), False)
        raise Fault(MISCOUNT, "miscount: %d sent, %d counted" % (sent, counted))

    def stop(self) -> "tuple[int, bool]":
        """Rest the motor; return the counts given in this or the last run, and if they are exact.

        A motor that rests already is left alone.
        """
        if self.running:
            part, exact = self.sent, not self.sent
            try:
                if self.sent:
                    part, exact = self.halt()
            finally:
                self._end(part, exact)
        return self.given, self.exact

    def _end(self, part: int, exact: bool) -> None:
        """The run is over: of the burst under way `part` was given."""
        self.given += part
        self.left = self.sent = 0
        self.exact = self.exact and exact
        self._rest()

    def _rest(self) -> None:
        """Everything off. A failure on the way does not keep the rest from being done."""
        try:
            if self.enable is not None:
                self.enable.value(self.enable_off)
        finally:
            try:
                self.release()
            finally:
                self.step.init(Pin.OUT, value=0)
                if self.direction is not None:
                    self.direction.value(0)
                self.running = False
                Motor.busy = None

    def longest_ms(self, counts: int) -> int:
        """The driver's own ceiling: twice what a run needs, so that late polls are no fault."""
        return 2 * self.needs_ms(counts) + 2000

    def worst_ms(self, bursts: int, total_ms: int) -> int:
        return WAKE_MS + total_ms + (bursts + 2) * POLL_MS

    # What a driver adds: ----------------------------------------------------------------

    def needs_ms(self, counts: int) -> int:
        """How long a run of `counts` takes when it is polled every POLL_MS."""
        raise NotImplementedError

    def grab(self) -> None:
        """Take the hardware; nothing moves yet."""
        raise NotImplementedError

    def feed(self) -> None:
        """Send the next burst, not longer than BURST_MS."""
        raise NotImplementedError

    def over(self) -> bool:
        """Whether the burst under way is over, or the next one may follow it without a gap."""
        raise NotImplementedError

    def halt(self) -> "tuple[int, bool]":
        """Stop the pulses; return how many counts of `sent` were given, and if that is exact."""
        raise NotImplementedError

    def release(self) -> None:
        """Give the hardware back, whatever state it is in."""
        raise NotImplementedError
