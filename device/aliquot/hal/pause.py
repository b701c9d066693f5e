"""The time after Ctrl-C: the watchdog is fed for ten minutes, then the board starts again.

The watchdog cannot be stopped. While somebody types or copies files, a timer feeds it; a board
that was forgotten like this doses again by itself. It never starts a motor. Imported only then.
"""

import sys

from machine import Timer

TYPE_CHECKING = False
if TYPE_CHECKING:
    from aliquot.hal.board import Board

MINUTES = 10
PERIOD_MS = 1000


class Pause:
    """Feeds the watchdog once a second, for so many minutes from the last `stay` on."""

    def __init__(self, hw: "Board") -> None:
        self.hw = hw
        self.left_s = 0
        self.stay()
        hw.feed()
        # A timer of the chip on ESP32s; RP2s only have those of the firmware.
        self.timer = Timer(0 if sys.platform == "esp32" else -1)
        self.timer.init(period=PERIOD_MS, mode=Timer.PERIODIC, callback=self.tick)

    def stay(self) -> None:
        """Ten more minutes from now on."""
        self.left_s = 60 * MINUTES
        print(
            "The motors rest and nothing is dosed. In %d minutes the board starts again;" % MINUTES
        )
        print("stay() gives it %d more, Ctrl-D starts it now." % MINUTES)

    def tick(self, _: object) -> None:
        self.left_s -= 1
        if self.left_s > 0:
            self.hw.feed()
        else:
            self.hw.reset()
