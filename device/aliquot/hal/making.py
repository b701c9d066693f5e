"""What hangs on a board, made from its board file: once at a start, then dropped.

It makes inputs, light and backup memory, and finds out why the board started. It never makes a
motor's driver: motor lines are only written down, with their levels at rest.
"""

import sys

from machine import Pin, Signal

from aliquot.hal.bounds import CHIPS

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

    from aliquot.hal.board import Board

    Dict = dict[str, Any]

# The app looks at inputs so often; a level counts once it was seen in so many looks in a row.
LOOK_MS = 50


def make(hw: "Board", board: "Dict") -> None:
    """Fill in what `Board` declares; ValueError where the file is for another chip."""
    chip = board["chip"]
    if chip not in CHIPS or CHIPS[chip][0] != sys.platform:
        raise ValueError("board.json is for %s, this chip is %s" % (chip, sys.platform))
    hw.chip = chip
    if sys.platform == "rp2":
        from aliquot.hal import rp2_keep, rp2_once

        hw.cause = rp2_once.cause(chip)
        hw.memory = rp2_keep.Memory(chip).memory
    else:
        from aliquot.hal import esp32_once

        hw.cause = esp32_once.cause()
        hw.memory = esp32_once.memory()
    hw.lines = at_rest(board)
    hw.inputs = [
        (each["input"], look(each), -(-each.get("debounce_ms", LOOK_MS) // LOOK_MS))
        for each in board.get("inputs") or ()
        if each.get("fitted", 1)
    ]
    hw.light = light(board.get("light"))
    clock = board.get("clock")
    hw.clock = (clock["sda"], clock["scl"], clock.get("chip", "any")) if clock else None


def look(each: "Dict") -> "Callable[[], object]":
    """What tells whether an input is on. For the motors' supply, on means that it is missing."""
    # None: no pull of the chip's own.
    pull: Any = {"up": Pin.PULL_UP, "down": Pin.PULL_DOWN}.get(each.get("pull", "up"))
    pin = Pin(each["pin"], Pin.IN, pull)
    on = each["on"]
    if each["input"] == "supply":
        on = 1 - on
    return Signal(pin, invert=not on).value


def light(found: "Dict | None") -> "Callable[[bool], object]":
    """What switches the status light, off to begin with; it does nothing where there is none."""
    if not found:
        return lambda on: None
    if found["kind"] == "ws2812":
        if sys.platform == "esp32":
            from aliquot.hal import esp32_once

            esp32_once.by_hand()
        from aliquot.hal.ws2812 import Light

        return Light(Pin(found["pin"], Pin.OUT, value=0)).show
    on = found.get("on", 1)
    return Signal(Pin(found["pin"], Pin.OUT, value=1 - on), invert=not on).value


def at_rest(board: "Dict") -> bytes:
    """(pin, level) of every motor line, each pin once; the same that pins.txt lists."""
    levels: dict[int, int] = {}
    for output in board["outputs"]:
        levels[output["step"]] = board.get("rest", 0)
        if output["direction"] is not None:
            levels[output["direction"]] = 0
        if output.get("enable") is not None:
            levels[output["enable"]] = 1 - output.get("enable_on", 0)
        if output.get("pwm") is not None:
            levels[output["pwm"]] = 0
    found = bytearray()
    for pin in levels:
        found.extend(bytes((pin, levels[pin])))
    return bytes(found)
