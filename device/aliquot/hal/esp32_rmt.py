"""The ESP32's pulse sender, taken for one run and given back: what both ESP32 drivers share.

All pulse memory goes to the pump that runs, so that a burst is in the hardware as a whole and no
interrupt has to follow it: a flash write cannot add or lose a pulse. It sends no burst by itself.
"""

import esp32
from machine import Pin

from aliquot.hal.bounds import BURST_MS
from aliquot.hal.motor import Motor

# One unit of every duration is one microsecond.
RESOLUTION_HZ = 1000000
# One half of a symbol holds 15 bits.
HALF_MOST_US = 32000
# A sender that is still busy after this has lost its way.
DONE_MS = BURST_MS + 50


class Rmt(Motor):
    """A motor whose step pin is an RMT output."""

    rmt: "esp32.RMT | None" = None

    def grab(self) -> None:
        # A WS2812 light would ask for pulse memory in the middle of a run: it is sent by hand.
        esp32.RMT.bitstream_rmt(False)
        self.rmt = esp32.RMT(
            pin=self.step,
            resolution_hz=RESOLUTION_HZ,
            idle_level=False,
            num_symbols=self.symbols,
        )

    def idle(self) -> bool:
        assert self.rmt is not None
        return self.rmt.wait_done(timeout=0)

    def wait(self) -> bool:
        """Let the burst under way end; whether it did."""
        assert self.rmt is not None
        return self.rmt.wait_done(timeout=DONE_MS)

    def release(self) -> None:
        rmt, self.rmt = self.rmt, None
        try:
            if rmt is not None:
                # The ESP32 would spin with interrupts off for as long as a burst is being sent.
                if not self.abort:
                    rmt.wait_done(timeout=DONE_MS)
                rmt.deinit()
        finally:
            # deinit leaves the pin floating, and reading it back has pulled it up.
            self.step.init(Pin.OUT, 0, value=0)
