"""A stepper on an RP2: a state machine sends exactly the steps of each word, a staircase a burst.

The word holds how many steps and how far apart; a burst is at most as many words as the queue
takes, is sent whole, and stands by itself. It never feeds a word into a burst that runs.
"""

import rp2

from aliquot.hal import ramps
from aliquot.hal.bounds import top_cps
from aliquot.hal.motor import TICKS
from aliquot.hal.rp2_pio import Pio

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

    from rp2.asm_pio import (
        block,
        isr,
        jmp,
        label,
        mov,
        out,
        pull,
        wrap,
        wrap_target,
        x,
        x_dec,
        y,
        y_dec,
    )

# Microseconds of a step outside its innermost loop: ten high, one to set up, one to leave.
STEP_EXTRA_US = 12
COUNT_BITS = 12


@rp2.asm_pio(sideset_init=rp2.PIO.OUT_LOW, out_shiftdir=rp2.PIO.SHIFT_RIGHT)
def _steps():
    # x counts down with the rising edge of each step, in the same cycle: so it is always exact.
    wrap_target()
    pull(block).side(0)
    out(x, 12).side(0)
    out(isr, 20).side(0)
    label("step")
    mov(y, isr).side(0)
    label("low")
    jmp(y_dec, "low").side(0)
    jmp(x_dec, "step").side(1)[9]
    wrap()


class Driver(Pio):
    """Step and direction by PIO. Raises ValueError for a speed beyond the staircase."""

    def __init__(
        self, board: "dict[str, Any]", settings: "dict[str, Any]", ticks_ms: "Callable[[], int]"
    ) -> None:
        super().__init__(board, settings, ticks_ms)
        most = top_cps(self.chip, self.microsteps)
        if self.speed_cps > most:
            raise ValueError("speed_cps %d: at most %d" % (self.speed_cps, most))
        self.pace_ms = 0
        self.way_cps = self.speed_cps
        if ramps.interval_us(self.speed_cps) > ramps.STEP_MOST_US:
            self.pace_ms = ramps.interval_us(self.speed_cps) // 1000 + 1
            self.way_cps = ramps.SECOND_US // ramps.STEP_MOST_US + 1
        self.most = ramps.total(self._way(ramps.STAIR_STEPS_MOST * 8))[0]
        self.burst_ms = self.over_ms = 0

    def _way(self, most: int) -> "list[tuple[int, int]]":
        return ramps.stairs(self.way_cps, self.microsteps, 1 if self.pace_ms else most)

    def needs_ms(self, counts: int) -> int:
        """See Motor."""
        if self.pace_ms:
            return self.worst_ms(counts, counts * self.pace_ms)
        whole, rest = divmod(counts, self.most)
        total_us = whole * ramps.total(self._way(self.most))[1]
        total_us += ramps.total(self._way(rest))[1] if rest else 0
        return self.worst_ms(whole + 1, total_us // 1000 + 2 * whole + 2)

    def grab(self) -> None:
        self.load(_steps)

    def feed(self) -> None:
        assert self.machine is not None
        way = self._way(self.left)
        steps, us = ramps.total(way)
        self.took(steps)
        self.words = [n for n, _ in way]
        for n, step_us in way:
            # Never waits: the first word is taken at once, and the queue holds the others.
            self.machine.put((n - 1) | (step_us - STEP_EXTRA_US) << COUNT_BITS)
        self.burst_ms = self.ticks_ms()
        self.over_ms = us // 1000 + 2
        self.next_ms = (self.burst_ms + self.pace_ms) & TICKS

    def over(self) -> bool:
        assert self.machine is not None
        if (self.ticks_ms() - self.burst_ms) & TICKS < self.over_ms:
            return False
        # By its time the burst is over; it counts only if the registers say so too.
        self.freeze()
        given = self._given()
        if given != self.sent:
            self.miscount(given)
        self.gave(given)
        self.words = []
        self.machine.active(1)
        return True

    def _given(self) -> int:
        """The steps of this burst that have been sent; the machine must be stopped."""
        taken = self.taken()
        if not taken:
            return 0
        rest = self.rest_of_word()
        last = self.words[taken - 1]
        return sum(self.words[: taken - 1]) + (0 if rest < 0 else last - rest)

    def halt(self) -> "tuple[int, bool]":
        assert self.machine is not None
        self.freeze()
        return self._given(), True
