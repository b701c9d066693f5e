"""A state machine of the RP2's PIO, taken for one run: what both RP2 drivers share.

The programs wait for a word with the pin low, so that a program that hangs starves the motor. What
a stop leaves is read out of the registers. State machine 0 serves all pumps, one at a time.
"""

import rp2
from machine import Pin

from aliquot.hal.motor import Motor

MACHINE = 0
FREQ_HZ = 1000000
FIFO_WORDS = 4
# Single instructions, as the data sheet of the RP2040 codes them (section 3.4).
X_ALL_ONES = 0xA02B  # mov(x, invert(null))
ISR_FROM_X = 0xA0C1  # mov(isr, x)
ISR_FROM_OSR = 0xA0C7  # mov(isr, osr)
PUSH = 0x8000  # push(noblock)
ALL_ONES = 0xFFFFFFFF

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any


class Pio(Motor):
    """A motor whose step pin is the side-set pin of a state machine.

    A word in the queue begins with how often x is counted down. When it is used up, x is all ones
    and the shift register is empty; the word that is taken next fills the register first.
    """

    machine: "rp2.StateMachine | None" = None
    # Counts of the words handed over in this burst, in order.
    words: "list[int]" = []  # noqa: RUF012 - a run has its own, see load

    def load(self, program: "Any") -> None:
        self.words = []
        machine = rp2.StateMachine(MACHINE, program, freq=FREQ_HZ, sideset_base=self.step)
        machine.exec(X_ALL_ONES)
        self.machine = machine
        machine.active(1)

    def freeze(self) -> None:
        """Stop at once, with the pin low. The registers stay; a restart drops what is delayed."""
        assert self.machine is not None
        self.machine.active(0)
        self.machine.restart()

    def _read(self, from_register: int) -> int:
        assert self.machine is not None
        self.machine.exec(from_register)
        self.machine.exec(PUSH)
        return self.machine.get()

    def taken(self) -> int:
        """How many of the words have been taken out of the queue."""
        assert self.machine is not None
        return len(self.words) - self.machine.tx_fifo()

    def rest_of_word(self) -> int:
        """How often x of the last word taken has still to be counted down, or -1: not begun.

        The machine must be stopped.
        """
        x = self._read(ISR_FROM_X)
        osr = self._read(ISR_FROM_OSR)
        if x == ALL_ONES:
            return -1 if osr else 0
        return x + 1

    def release(self) -> None:
        machine, self.machine = self.machine, None
        if machine is not None:
            machine.active(0)
        # The pin is taken back from the state machine, which may have left it high.
        self.step.init(Pin.OUT, value=0)
