"""A status light that is one WS2812: white and dim when on, sent by hand. Resident where fitted.

It never uses the pulse memory of an ESP32: that belongs to the pump that runs.
"""

from machine import bitstream

TYPE_CHECKING = False
if TYPE_CHECKING:
    from machine import Pin

# Nanoseconds: high and low of a 0, high and low of a 1 (data sheet of the WS2812B: each within
# 150 of 400, 850, 800, 450).
TIMES = (400, 850, 800, 450)
ON = b"\x08\x08\x08"
OFF = b"\x00\x00\x00"


class Light:
    """One lamp on a pin."""

    def __init__(self, pin: "Pin") -> None:
        self.pin = pin
        self.lit = True
        self.show(False)

    def show(self, on: bool) -> None:
        """Switch it; sends nothing where that changes nothing."""
        if on != self.lit:
            self.lit = on
            bitstream(self.pin, 0, TIMES, ON if on else OFF)
