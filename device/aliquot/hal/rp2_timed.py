"""A timed motor on an RP2: a state machine holds the switch on for the time of each word.

The queue holds a quarter of a second and no more: a program that hangs starves it, and the switch
goes off. Counts are milliseconds; the dead time of a motor is the offset of its calibration.
"""

import rp2

from aliquot.hal.bounds import BURST_MS
from aliquot.hal.motor import TICKS
from aliquot.hal.rp2_pio import FIFO_WORDS, Pio
from aliquot.hal.timed import SOFT_MS, SOFT_US, Speed, check

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

    from rp2.asm_pio import block, jmp, label, out, pull, wrap, wrap_target, x, x_dec, y, y_dec

# One word is being used while the queue is full of others.
WORD_MS = BURST_MS // (FIFO_WORDS + 1)
OFF_BITS = 16


@rp2.asm_pio(sideset_init=rp2.PIO.OUT_LOW, out_shiftdir=rp2.PIO.SHIFT_RIGHT)
def _hold():
    # On for x + 1 microseconds, off for y and the four it takes to begin the next word.
    wrap_target()
    pull(block).side(0)
    out(x, 16).side(0)
    label("on")
    jmp(x_dec, "on").side(1)
    out(y, 16).side(0)
    label("off")
    jmp(y_dec, "off").side(0)
    wrap()


class Driver(Pio):
    """A motor that runs for as long as its switch is on."""

    def __init__(
        self, board: "dict[str, Any]", settings: "dict[str, Any]", ticks_ms: "Callable[[], int]"
    ) -> None:
        super().__init__(board, settings, ticks_ms)
        check(settings)
        self.speed = Speed(self.output)
        # Words of the soft start that are still listed; when the queue was first seen empty.
        self.soft = self.last_ms = 0
        self.waits = False

    def needs_ms(self, counts: int) -> int:
        """See Motor."""
        return self.worst_ms(2, counts + counts // WORD_MS + WORD_MS)

    def grab(self) -> None:
        self.soft = 0
        self.load(_hold)
        self.speed.on()

    def feed(self) -> None:
        """Fill the queue. The words stay listed until all of them have been used."""
        assert self.machine is not None
        if not self.given and not self.words and self.left >= SOFT_MS:
            self.soft = len(SOFT_US)
            for on_us, off_us in SOFT_US:
                self._put(SOFT_MS // len(SOFT_US), on_us, off_us)
        while self.left and self.machine.tx_fifo() < FIFO_WORDS:
            counts = min(self.left, WORD_MS)
            self._put(counts, counts * 1000, 0)
        self.waits = True

    def release(self) -> None:
        try:
            self.speed.off()
        finally:
            super().release()

    def _put(self, counts: int, on_us: int, off_us: int) -> None:
        assert self.machine is not None
        self.took(counts)
        self.words.append(counts)
        self.machine.put((on_us - 1) | off_us << OFF_BITS)

    def over(self) -> bool:
        assert self.machine is not None
        # Of what was taken only the last word may still be in use.
        for _ in range(self.taken() - 1):
            self.gave(self.words.pop(0))
            self.soft -= 1
        if self.left:
            return True
        if self.machine.tx_fifo():
            return False
        if self.waits:
            self.waits = False
            self.last_ms = self.ticks_ms()
        if (self.ticks_ms() - self.last_ms) & TICKS < WORD_MS + 2:
            return False
        # By its time the last word is over; it counts only if the registers say so too.
        self.freeze()
        given, _ = self._given()
        if given != self.sent:
            self.miscount(given)
        self.gave(given)
        return True

    def _given(self) -> "tuple[int, bool]":
        """(counts of what is listed that have been given, exact); the machine must be stopped.

        A millisecond that has begun counts in full. So does a word of the soft start.
        """
        taken = self.taken()
        if not taken:
            return 0, True
        before, last = sum(self.words[: taken - 1]), self.words[taken - 1]
        if self.soft > taken - 1:
            return before + last, False
        rest_us = self.rest_of_word()
        return before + (0 if rest_us < 0 else last - rest_us // 1000), True

    def halt(self) -> "tuple[int, bool]":
        assert self.machine is not None
        self.freeze()
        return self._given()
