"""A pump's driver on a desk: the bursts, ceilings and stops of the real ones, without a chip.

It keeps the interface of `aliquot/hal/__init__.py` and takes its bounds and ramps from there; in
place of pulses it tells how many counts the motor truly made. A burst that nobody follows up ends
by itself. What comes out of the tube is `world.Pump`'s to say, not known here.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from aliquot.hal import OVERTIME, Fault, bounds, ramps

# ticks_ms counts modulo this plus one.
TICKS = 0x3FFFFFFF

Data = dict[str, Any]


class Motor:
    """The motor of one output. board: None where the set-up names none: a desk has no limits of a
    chip. live: whether the motor's supply is there. ended: told of a run that is over."""

    def __init__(
        self,
        board: Data | None,
        settings: Data,
        ticks_ms: Callable[[], int],
        live: Callable[[], bool] = lambda: True,
        ended: Callable[[Motor], None] = lambda motor: None,
    ) -> None:
        self.ticks_ms = ticks_ms
        self.live = live
        self.ended = ended
        self.timed = settings["kind"] == "timed"
        self.speed_cps: int = settings["speed_cps"]
        self.microsteps: int = settings["microsteps"]
        self.direction = board is None
        self.chip = ""
        counted = False
        if board:
            output = self._output(board, settings)
            self.direction = output["direction"] is not None
            self.chip = board["chip"]
            counted = bool(bounds.CHIPS[self.chip][3]) and output["count"] is not None
        self._bursts()
        self.stop_ms = bounds.STOP_MS
        if self.chip:
            self.stop_ms = bounds.stop_ms(self.chip, settings["kind"], counted)
        self.running = False
        # Of the run: counts not yet sent, given, in the burst under way; what the motor truly made
        # in bursts that are over; whether the burst under way moves it.
        self.asked = self.left = self.given = self.sent = 0
        self.true = 0
        self.moves = False
        self.exact = True
        self.limit_ms = self.began_ms = self.burst_ms = self.until_ms = 0

    def _output(self, board: Data, settings: Data) -> Data:
        outputs = board["outputs"]
        if settings["output"] > len(outputs):
            raise ValueError(f"output {settings['output']}: this board has {len(outputs)}")
        output: Data = outputs[settings["output"] - 1]
        if settings["kind"] not in output["kinds"]:
            raise ValueError(f"output {settings['output']}: not for a {settings['kind']} motor")
        if settings["reverse"] and output["direction"] is None:
            raise ValueError("reverse 1: this output has no direction pin")
        return output

    def _bursts(self) -> None:
        """How many counts a full burst has; ValueError for a speed that no burst reaches."""
        self.ramp: list[int] = []
        self.stairs = bool(self.chip) and bounds.CHIPS[self.chip][0] == "rp2" and not self.timed
        self.step_us = ramps.interval_us(self.speed_cps)
        self.most = bounds.BURST_MS
        if self.timed:
            if self.speed_cps != 1000:
                raise ValueError(f"speed_cps {self.speed_cps}: 1000, a count is a ms")
            return
        if self.chip and self.speed_cps > bounds.top_cps(self.chip, self.microsteps):
            most = bounds.top_cps(self.chip, self.microsteps)
            raise ValueError(f"speed_cps {self.speed_cps}: at most {most}")
        if self.step_us > ramps.STEP_MOST_US:
            self.stairs, self.most = False, 1
        elif self.stairs:
            self.most = self._burst(bounds.COUNTS_MOST)[0]
        else:
            self.ramp = ramps.up(self.speed_cps, self.microsteps)
            steps = bounds.CHIPS[self.chip][1] - 1 if self.chip else bounds.COUNTS_MOST
            self.most = ramps.longest(self.ramp, self.step_us, steps)
            if not self.most:  # only where no chip forbids it
                self.ramp = []
                self.most = ramps.longest([], self.step_us, steps)

    def _burst(self, left: int) -> tuple[int, int]:
        """(counts, microseconds) of the next burst of a run with `left` counts to go."""
        if self.stairs:
            return ramps.total(ramps.stairs(self.speed_cps, self.microsteps, left))
        counts = min(left, self.most)
        if self.timed:
            return counts, 1000 * counts
        return counts, ramps.burst_us(self.ramp, self.step_us, counts)

    def needs_ms(self, counts: int) -> int:
        """How long a run takes when it is polled every POLL_MS."""
        whole, rest = divmod(counts, self.most)
        total_us = whole * self._burst(self.most)[1]
        bursts = whole + 1
        while rest:  # a staircase of few steps may leave some for another one
            steps, us = self._burst(rest)
            rest -= steps
            total_us += us
            bursts += 1
        return bounds.WAKE_MS + total_us // 1000 + bursts + (bursts + 2) * bounds.POLL_MS

    def longest_ms(self, counts: int) -> int:
        """The driver's own ceiling: twice what a run needs, so that late polls are no fault."""
        return 2 * self.needs_ms(counts) + 2000

    def start(self, counts: int, most_ms: int, reverse: bool = False) -> None:
        """Begin a run; ValueError, before anything moves, for what no run may be."""
        if self.running:
            raise ValueError("busy: another run is under way")
        most = min(bounds.COUNTS_MOST, bounds.RUN_MOST_S * self.speed_cps)
        if reverse:
            if not self.direction:
                raise ValueError("reverse: this output has no direction pin")
            most = min(most, bounds.REVERSE_MOST_S * self.speed_cps)
        if not 0 < counts <= most:
            raise ValueError(f"counts {counts}: 1 to {most}")
        if most_ms < self.needs_ms(counts):
            raise ValueError(f"most_ms {most_ms}: at least {self.needs_ms(counts)}")
        self.asked = self.left = counts
        self.given = self.sent = self.true = 0
        self.exact = True
        self.limit_ms = min(most_ms, self.longest_ms(counts))
        self.began_ms = self.ticks_ms()
        self.until_ms = (self.began_ms + bounds.WAKE_MS) & TICKS
        self.running = True

    def poll(self) -> bool:
        """Feed the motor; whether the run is under way. Fault where it takes too long."""
        if not self.running:
            return False
        now_ms = self.ticks_ms()
        if (now_ms - self.began_ms) & TICKS > self.limit_ms:
            self.stop()
            raise Fault(OVERTIME, f"overtime: more than {self.limit_ms} ms")
        # A difference beyond half the range is one that has not come yet.
        if (now_ms - self.until_ms) & TICKS > TICKS // 2:
            return True
        self._gave(self.sent)
        if not self.left:
            self._end()
            return False
        self.sent, us = self._burst(self.left)
        self.left -= self.sent
        self.moves = self.live()
        self.burst_ms = now_ms
        self.until_ms = (now_ms + -(-us // 1000)) & TICKS
        return True

    def _gave(self, counts: int) -> None:
        self.given += counts
        self.sent -= counts
        if self.moves:
            self.true += counts

    def stop(self) -> tuple[int, bool]:
        """Rest the motor: (counts given, whether that is exact)."""
        if self.running:
            turned, count = self.turned(), self.sent
            if self.stop_ms == bounds.STOP_MS:
                count = turned
                if self.timed and self.chip and bounds.CHIPS[self.chip][0] == "esp32":
                    # Its switch is let go between two looks at the clock: never too few.
                    count = min(self.sent, turned + 2)
                    self.exact = count == turned
            # A burst that cannot be broken off goes on to its end.
            self._gave(count)
            if self.moves and not self.exact:
                self.true += turned - count
            self._end()
        return self.given, self.exact

    def turned(self) -> int:
        """How many counts of the burst under way are made by now."""
        whole_ms = (self.until_ms - self.burst_ms) & TICKS
        if not self.sent or not whole_ms:
            return self.sent
        passed_ms = (self.ticks_ms() - self.burst_ms) & TICKS
        return min(self.sent, self.sent * min(passed_ms, whole_ms) // whole_ms)

    def cut(self) -> None:
        """The power is gone, or the chip begins anew: the motor rests where it is."""
        if self.running:
            self.given += self.sent
            self.true += self.turned() if self.moves else 0
            self._end()

    def _end(self) -> None:
        self.running = False
        self.left = self.sent = 0
        self.ended(self)
