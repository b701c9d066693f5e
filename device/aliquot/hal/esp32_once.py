"""What a start asks of an ESP32, once: why it started, its backup memory, the light's sender.

It never resets anything and keeps nothing itself.
"""

import esp32
import machine

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable


def cause() -> int:
    """1 power-on, 2 watchdog, 3 the program, 4 a soft reset (mp_machine_reset_cause of the port).

    The button EN looks like power-on. HARD_RESET is what machine.reset and a panic of the
    firmware give.
    """
    causes = {
        machine.WDT_RESET: 2,
        machine.HARD_RESET: 3,
        machine.DEEPSLEEP_RESET: 3,
        machine.SOFT_RESET: 4,
    }
    return causes.get(machine.reset_cause(), 1)


def memory() -> "Callable[..., bytes]":
    """Reads the backup memory, or with bytes writes it: RTC slow memory, lost at power-on."""
    return machine.RTC().memory


def by_hand() -> None:
    """Bits of a light are sent by the processor, not out of the pulse memory."""
    esp32.RMT.bitstream_rmt(False)
