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
    from collections.abc import Awaitable, Callable
    from typing import Any, Protocol

    from aliquot.hal.motor import Motor
    from aliquot.store.files import Files

    class Hardware(Protocol):
        """All that the app knows of the world: `board.Board`, or a virtual one on a desk."""

        files: Files  # the folder of journal and set-up
        cause: int  # why it started: 1 power, 2 watchdog, 3 the program, 4 a soft reset
        wdt_ms: int  # S23: the watchdog bites so long after it was last fed
        # (what, whether it is on, looks in a row that make it sure); what: float, leak, supply
        # (on: no supply), stop, reset
        inputs: list[tuple[str, Callable[[], object], int]]
        # (number of a source in core/clock.py, asks it for wall seconds since 2000, 0 for none)
        sources: list[tuple[int, Callable[[], Awaitable[int]]]]

        def ticks_ms(self) -> int: ...
        def diff(self, later: int, earlier: int) -> int: ...
        def sleep_ms(self, ms: int) -> Awaitable[None]: ...
        def keep(self, seq: int, counts: int) -> None:
            """Hold both in memory that outlives a reset, not a power cut; (0, 0) clears it."""
            ...

        def kept(self) -> "tuple[int, int] | None": ...
        def unfit(self, data: "dict[str, Any]") -> str:
            """Why this board cannot do a canonical set-up, or an empty text. No motor may run."""
            ...

        def fit(self, data: "dict[str, Any]") -> None:
            """Take what `pump` needs of a canonical set-up that fits."""
            ...

        def pump(self, ch: int) -> Motor: ...
        def rest(self) -> None:
            """After a run: every motor pin at rest, the driver dropped."""
            ...

        def light(self, on: bool) -> None: ...
        def set_chip(self, wall_w: int) -> None:
            """Set the clock chip, if one is fitted and it is off by more than two seconds."""
            ...

        def read(self) -> bytes:
            """What has come in over the serial port; never waits."""
            ...

        def write(self, data: bytes) -> None: ...
        def feed(self) -> None:
            """Feed the watchdog; the first time starts it."""
            ...

        def reset(self) -> None: ...


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
    # The module of a port and a kind; its class bears the same name in all of them.
    name = CHIPS[board["chip"]][0] + ("_timed" if settings["kind"] == "timed" else "_step")
    module = __import__("aliquot.hal." + name, None, None, ("Driver",))
    return module.Driver(board, settings, ticks_ms)
