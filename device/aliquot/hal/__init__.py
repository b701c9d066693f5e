"""Everything that touches hardware: the only part that imports machine, esp32 and rp2.

Pumps: one small module a way of making motion, one interface. `pump(board, settings, ticks_ms)`
takes a board file (format `aliquot-board`), the `pump` section of a channel, both as parsed JSON,
and the clock, and gives the driver of that output. A driver is used for many runs:

    start(counts, most_ms, reverse=False)  wakes the motor's driver; refuses with
        ValueError, before anything moves, what its own ceilings forbid (S3), a run while another
        pump runs, and a reverse run that is too long or has no direction pin (S9)
    poll()              feeds the hardware, at least every POLL_MS; False once the run is over.
        Raises Fault with the motor at rest when the run takes too long (OVERTIME) or when the
        pulses counted back on the pin are not those that were sent (MISCOUNT)
    stop()              rests the motor, at any time and as often as wanted; returns (counts
        given, whether that is exact). Where it is not exact it is the most that can have been
        given: the cap counts it in full. After a run it says what the run gave
    needs_ms(counts)    how long a run takes when it is polled in time; longest_ms(counts) is the
        driver's own ceiling for it. `most_ms` lowers that, and is refused below needs_ms
    stop_ms             S11: a stop by the user rests the motor within so many milliseconds

`ticks_ms` is `time.ticks_ms`. S4: a motor that is not polled rests after BURST_MS at most, since
no more than that is ever handed to the hardware. However a run ends, also by an exception out of
poll, the hardware is released, the pin driven low and the enable line switched off.

An output of a board file has `step` (a stepper's step input, or the switch of a timed motor; it
rests low, S4 depends on it), `direction` (a pin or null), and may have
    enable, enable_on   the pin of an enable line and its level when on; several outputs may share
                        one: only one pump runs at a time
    count               the pin on which an ESP32 counts the step pulses back: by default the step
                        pin itself; null where the firmware cannot read a pin that it drives
    pwm, duty_pct       a timed motor's speed input, held at a fixed duty; it only sets the speed
A motor behind an I/O expander is out of scope: nothing there can stop it when the program hangs.
"""

OVERTIME = 1
MISCOUNT = 2

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

    from aliquot.hal.motor import Motor


class Fault(Exception):
    """A run that ended with a fault; the motor is at rest. `code` is OVERTIME or MISCOUNT."""

    def __init__(self, code: int, text: str) -> None:
        super().__init__(text)
        self.code = code


def pump(
    board: "dict[str, Any]", settings: "dict[str, Any]", ticks_ms: "Callable[[], int]"
) -> "Motor":
    """Return the driver of the output that `settings` name, on this board; its pins are at rest.

    ValueError where the board or the driver cannot do what is asked.
    """
    from aliquot.hal.bounds import CHIPS

    if board["chip"] not in CHIPS:
        raise ValueError("chip %s: one of %s" % (board["chip"], ", ".join(sorted(CHIPS))))
    timed = settings["kind"] == "timed"
    if CHIPS[board["chip"]][0] == "rp2":
        if timed:
            from aliquot.hal import rp2_timed

            return rp2_timed.Timed(board, settings, ticks_ms)
        from aliquot.hal import rp2_step

        return rp2_step.Steps(board, settings, ticks_ms)
    if timed:
        from aliquot.hal import esp32_timed

        return esp32_timed.Timed(board, settings, ticks_ms)
    from aliquot.hal import esp32_step

    return esp32_step.Steps(board, settings, ticks_ms)
