"""Draws how pumps, supply, sensors and tubes hang on a board, as one SVG page.

It reads complete board data and gives bytes; it never writes a file. The page is tall and narrow,
for a phone and for a sheet of paper, and all in black, so that no colour carries a meaning. Parts
that a builder may leave out are dashed.
"""

from __future__ import annotations

from typing import Any

from aliquot import __version__
from aliquot_host import drawing
from aliquot_host.cautions import BUILD
from aliquot_host.chips import CHIPS, Chip
from aliquot_host.drawing import GROUND, OPTIONAL, POWER, SIGNAL, SMALL, TUBE, Pen

Data = dict[str, Any]

WIDTH = 800
LEFT, BOARD_W = 24, 118
EDGE = LEFT + BOARD_W
BUS_X, DRIVER_X, DRIVER_W = 372, 392, 150
PLUS_X, ZERO_X, PUMP_X = 592, 618, 692
HANG_X = 268
ROW_H = 88

SENSORS = {
    "float": ("Float switch", "water too high"),
    "leak": ("Leak sensor", "water on the floor"),
    "supply": ("Supply sense", "motors have voltage"),
    "stop": ("Stop button", "pressed"),
    "reset": ("Reset button or reed", "held 5 s or 15 s"),
}
# (the motors' voltage, upper resistor, lower resistor): at 10 % more than that the pin has no more
# than 3.3 V, and at 10 % less it is still high (0.75 of 3.3 V).
DIVIDERS = (("12 V", "100 k", "33 k"), ("24 V", "100 k", "13 k"))


def ohms(value: int) -> str:
    """ "10 k" or "4.7 k"."""
    return f"{value / 1000:g} k"


def level(value: int) -> str:
    """ "low" or "high"."""
    return "high" if value else "low"


def on(value: int) -> str:
    """ "on when low" or "on when high"."""
    return f"on when {level(value)}"


def draw(board: Data, pumps: int | None = None) -> bytes:
    """The SVG of a board with its first `pumps` outputs, all of them by default."""
    chip = CHIPS[board["chip"]]
    outputs: list[Data] = board["outputs"][:pumps]
    title = f"Wiring: {board['label']}"
    what = f"{len(outputs)} pumps, their supply, sensors and tubes on the board {board['name']}."
    pen = Pen(WIDTH, title, what)
    pen.text(LEFT, 44, title, size=26, bold=1)
    head = f"Board {board['name']}, chip {chip.label}. Drawn by Aliquot {__version__}."
    pen.text(LEFT, 68, head, size=SMALL)
    pen.text(LEFT, 88, "Numbers in triangles: the cautions at the end.", size=SMALL)
    _power(pen)
    y = _motors(pen, chip, outputs, 314)
    y = _side(pen, board, chip, y)
    pen.box(LEFT, 300, BOARD_W, y - 300, fill=drawing.SHADE)
    _board_words(pen, chip)
    y = _timed(pen, chip, pen.fit(y + 46, 180))
    y = _water(pen, pen.fit(y + 40, 256))
    y = _cautions(pen, pen.fit(y + 46, 560))
    return pen.finish(int(_legend(pen, pen.fit(y + 20, 60))) + 20)


def _power(pen: Pen) -> None:
    """Outlet, supply, fuse, converter, and the two rails down to the drivers."""
    y = 160
    pen.box(LEFT, y - 40, 128, 80)
    pen.paragraph(LEFT + 10, y - 18, "Outlet behind a residual-current device", 116)
    pen.mark(LEFT + 128, y - 40, 1)
    pen.line((LEFT + 128, y), (190, y), (190, y + 58), (222, y + 58), (222, y), (244, y))
    pen.mark(206, y + 36, 3)
    pen.text(166, y + 78, "drip loop", size=SMALL)
    pen.box(244, y - 40, 150, 80)
    pen.text(254, y - 16, "Supply", bold=1)
    pen.paragraph(254, y + 4, "12 V or 24 V DC, closed, approved", 140)
    pen.text(384, y - 16, "+", size=20, at="end", bold=1)
    pen.text(384, y + 37, "0 V", size=SMALL, at="end")
    pen.line((394, y - 22), (430, y - 22), style=POWER)
    pen.fuse(430, y - 22)
    pen.mark(460, y - 56, 2)
    pen.text(460, y + 6, "fuse", size=SMALL, at="middle")
    pen.line((490, y - 22), (PLUS_X, y - 22), (PLUS_X, 314), style=POWER)
    pen.line((394, y + 28), (ZERO_X, y + 28), (ZERO_X, 314), style=GROUND)
    pen.mark(ZERO_X + 30, y + 28, 6)
    pen.text(PLUS_X + 12, y - 18, "V+ for the motors", size=SMALL)
    pen.text(ZERO_X + 50, y + 33, "0 V, one for all", size=SMALL)
    pen.box(300, 246, 150, 62)
    pen.text(310, 268, "Converter", bold=1)
    pen.text(310, 288, "V+ to 5 V, 1 A", size=SMALL)
    pen.across(450, PLUS_X, 262, (), style=POWER)
    pen.dot(PLUS_X, 262, 6)
    pen.across(
        450, ZERO_X, 292, (PLUS_X,), style={"stroke-width": "3", "stroke-dasharray": "10 4"}
    )
    pen.dot(ZERO_X, 292, 6)
    pen.line((300, 262), (83, 262), (83, 300), style=POWER)
    pen.text(120, 254, "5 V to the board, or USB", size=SMALL)
    pen.line((300, 284), (113, 284), (113, 300), style=GROUND)


def _board_words(pen: Pen, chip: Chip) -> None:
    pen.text(83, 314, "VSYS" if chip.pio else "5V", size=12, at="middle")
    pen.text(113, 314, "GND", size=12, at="middle")
    pen.text(LEFT + 10, 336, "Board", bold=1)
    pen.text(LEFT + 10, 353, chip.label, size=SMALL)


def _name(pin: int | str) -> str:
    return str(pin) if isinstance(pin, str) else f"GPIO {pin}"


def _pin(pen: Pen, y: float, pin: int | str) -> None:
    """A pin at the board's edge; its words lie over the board, which is drawn before them."""
    pen.dot(EDGE, y, 4)
    pen.later(EDGE - 10, y + 5, _name(pin))


def _motors(pen: Pen, chip: Chip, outputs: list[Data], y: float) -> float:
    """One row an output, after the shared enable lines. Gives where the rows end."""
    enables = [output["enable"] for output in outputs if output["enable"] is not None]
    shared = [pin for pin in dict.fromkeys(enables) if enables.count(pin) > 1]
    top = y
    starts: dict[int, tuple[float, float]] = {}
    for i, pin in enumerate(shared):
        # Room for the resistor, which a line below would otherwise cross.
        at, bus = y + 54, BUS_X - 14 * i
        output = next(each for each in outputs if each["enable"] == pin)
        _pin(pen, at, pin)
        pen.line((EDGE, at), (bus, at))
        pen.text(EDGE + 8, at - 6, f"enable, {on(output['enable_on'])}", size=SMALL)
        _off(pen, chip, 330, at, output["enable_on"])
        starts[pin] = (bus, at)
        y += 68
    if not shared:
        # Else the words on the board would meet those of the first pins.
        y += 52
    buses = [bus for bus, _ in starts.values()]
    ends: dict[int, float] = {}
    for output in outputs:
        high = _high(output)
        y = pen.fit(y, high)
        _row(pen, chip, output, y, starts, buses)
        if output["enable"] in starts:
            ends[output["enable"]] = y + 14
        y += high
    for pin, (bus, at) in starts.items():
        pen.line((bus, at), (bus, ends[pin]))
    pen.line((PLUS_X, top), (PLUS_X, y), style=POWER)
    pen.line((ZERO_X, top), (ZERO_X, y), style=GROUND)
    return y


def _high(output: Data) -> int:
    """The height of an output's row; a speed input needs a line more."""
    return ROW_H if output["pwm"] is None else ROW_H + 26


def _off(pen: Pen, chip: Chip, x: float, y: float, on: int) -> None:
    """The resistor that keeps an enable line off: up to 3.3 V, or down to 0 V."""
    pen.dot(x, y)
    if on:
        pen.resistor(x, y, ohms(chip.pull_ohm))
        pen.ground(x, y + 34)
    else:
        pen.resistor(x, y - 34, "10 k")
        pen.text(x, y - 38, "3.3 V", size=SMALL, at="middle")


def _row(
    pen: Pen,
    chip: Chip,
    output: Data,
    y: float,
    starts: dict[int, tuple[float, float]],
    buses: list[float],
) -> None:
    """One output: its pins, resistor, driver and pump."""
    number = output["output"]
    enable, direction, step = y + 14, y + 34, y + 54
    pen.box(DRIVER_X, y + 2, DRIVER_W, _high(output) - 14)
    pen.text(DRIVER_X + DRIVER_W - 8, y + 19, f"Driver {number}", size=SMALL, at="end", bold=1)
    pin = output["enable"]
    if pin in starts:
        bus = starts[pin][0]
        pen.across(bus, DRIVER_X, enable, [x for x in buses if x > bus])
        pen.dot(bus, enable)
    elif pin is not None:
        _pin(pen, enable, pin)
        pen.across(EDGE, DRIVER_X, enable, buses)
        off = f"{ohms(chip.pull_ohm)} to 0 V" if output["enable_on"] else "10 k to 3.3 V"
        words = f"enable, {on(output['enable_on'])}; {off}"
        pen.text(EDGE + 8, enable - 5, words, size=SMALL)
    if pin is not None:
        pen.text(DRIVER_X + 8, enable + 5, "EN", size=SMALL)
    if output["direction"] is not None:
        _pin(pen, direction, output["direction"])
        pen.across(EDGE, DRIVER_X, direction, buses)
        pen.text(EDGE + 8, direction - 5, "direction", size=SMALL)
    fixed = "" if output["direction"] is not None else " wired to 0 V"
    pen.text(DRIVER_X + 8, direction + 5, f"DIR{fixed}", size=SMALL)
    _pin(pen, step, output["step"])
    pen.across(EDGE, DRIVER_X, step, buses)
    counts = output["count"] not in (None, output["step"])
    also = f", and to {_name(output['count'])} (counts)" if counts else ""
    pen.text(EDGE + 8, step - 5, f"step{also}", size=SMALL)
    if output["pwm"] is not None:
        # Below the resistor, which it would otherwise cross.
        _pin(pen, y + 92, output["pwm"])
        pen.across(EDGE, DRIVER_X, y + 92, buses)
        pen.text(EDGE + 8, y + 87, "speed (PWM)", size=SMALL)
        pen.text(DRIVER_X + 8, y + 97, "PWM", size=SMALL)
    pen.text(DRIVER_X + 8, step + 5, "STEP", size=SMALL)
    pen.dot(HANG_X, step)
    pen.resistor(HANG_X, step, ohms(chip.pull_ohm), length=26)
    pen.ground(HANG_X, step + 26)
    if number == 1:
        pen.mark(HANG_X + 68, step + 15, 5)
    right = DRIVER_X + DRIVER_W
    pen.line((right, y + 13), (PLUS_X, y + 13), style={"stroke-width": "3"})
    pen.dot(PLUS_X, y + 13, 5)
    pen.across(right, ZERO_X, y + 33, (PLUS_X,), style={"stroke-width": "2.4"})
    pen.dot(ZERO_X, y + 33, 5)
    pen.across(right, PUMP_X - 25, y + 58, (PLUS_X, ZERO_X))
    pen.line((right + 12, y + 64), (right + 20, y + 52))
    pen.text(right + 20, y + 72, "4", size=12)
    pen.pump(PUMP_X, y + 50)
    pen.text(PUMP_X + 32, y + 55, f"Pump {number}")


def _side(pen: Pen, board: Data, chip: Chip, y: float) -> float:
    """Sensors, buttons, light and clock chip, one row each. Gives where they end."""
    y += 12
    for each in board["inputs"]:
        y = _input(pen, chip, each, pen.fit(y, 98))
    light, clock = board["light"], board["clock"]
    if light:
        y = pen.fit(y, 62)
        own = isinstance(light["pin"], str)
        _pin(pen, y + 26, light["pin"])
        pen.line((EDGE, y + 26), (DRIVER_X, y + 26), style=OPTIONAL if own else SIGNAL)
        pen.box(DRIVER_X, y + 4, DRIVER_W, 44, dashed=own)
        pen.text(DRIVER_X + 10, y + 31, "Status light")
        kind = (
            "already on the board"
            if own
            else "addressable (WS2812), 5 V and 0 V"
            if light["kind"] == "ws2812"
            else f"with a resistor of 1 k, {on(light['on'])}"
        )
        pen.paragraph(DRIVER_X + DRIVER_W + 12, y + 22, kind, 210)
        y += 62
    if clock:
        y = pen.fit(y, 74)
        for i, role in enumerate(("sda", "scl")):
            _pin(pen, y + 20 + 24 * i, clock[role])
            pen.line((EDGE, y + 20 + 24 * i), (DRIVER_X, y + 20 + 24 * i), style=OPTIONAL)
            pen.text(EDGE + 8, y + 15 + 24 * i, role.upper(), size=SMALL)
        pen.box(DRIVER_X, y + 2, DRIVER_W, 58, dashed=True)
        pen.text(DRIVER_X + 10, y + 26, "Clock chip")
        chips = "DS3231 or PCF8563" if clock["chip"] == "any" else clock["chip"].upper()
        pen.text(DRIVER_X + 10, y + 46, chips, size=SMALL)
        words = "3.3 V and 0 V; its module has the pull-ups; a coin cell keeps the time"
        pen.paragraph(DRIVER_X + DRIVER_W + 12, y + 20, words, 230)
        y += 74
    return y


def _input(pen: Pen, chip: Chip, each: Data, y: float) -> float:
    """A sensor or button: its line, its resistor, what its level means."""
    name, meaning = SENSORS[each["input"]]
    optional = not each["fitted"]
    style = OPTIONAL if optional else SIGNAL
    line = y + 44
    _pin(pen, line, each["pin"])
    supply = each["input"] == "supply"
    _, upper, lower = DIVIDERS[0]
    pen.line((EDGE, line), (DRIVER_X, line), style=style)
    if each["pull"] != "outside":
        pen.text(EDGE + 8, line - 6, f"pull-{each['pull']} inside the chip", size=SMALL)
    elif supply:
        pen.dot(HANG_X, line)
        pen.resistor(HANG_X, line, lower, length=32)
        pen.ground(HANG_X, line + 32)
        pen.box(306, line - 5, 44, 10)
        pen.text(328, line - 10, upper, size=SMALL, at="middle")
    else:
        pen.dot(HANG_X, line)
        pen.resistor(HANG_X, line - 34, "10 k")
        pen.text(HANG_X, line - 38, "3.3 V", size=SMALL, at="middle")
    pen.box(DRIVER_X, y + 16, DRIVER_W, 56, dashed=optional)
    pen.paragraph(DRIVER_X + 10, y + 40, name, DRIVER_W - 10, size=15)
    if supply:
        voltage, _, other = DIVIDERS[1]
        words = f"from V+ behind the fuse; at {voltage} take {other} in place of {lower}"
        pen.paragraph(DRIVER_X + DRIVER_W + 12, y + 34, words, 236)
        return y + 98
    words = f"{level(each['on'])}: {meaning}."
    if each["input"] == "reset" and each["pin"] in chip.straps:
        words += " The board's BOOT button."
    elif each["input"] == "leak":
        words += " Module at 3.3 V."
    else:
        words += " Other wire to 0 V."
    if optional:
        words += " May be left out."
    pen.paragraph(DRIVER_X + DRIVER_W + 12, y + 34, words, 236)
    return y + 74


def _timed(pen: Pen, chip: Chip, y: float) -> float:
    """How a motor without steps hangs on the same pin."""
    pen.text(LEFT, y, "A timed (DC) motor instead of a driver", size=20, bold=1)
    top = y + 24
    x = 400
    pen.text(LEFT, top + 92, "step pin of the output", size=SMALL)
    pen.line((LEFT, top + 102), (240, top + 102))
    pen.box(240, top + 97, 44, 10)
    pen.text(262, top + 90, "100 ohms", size=SMALL, at="middle")
    pen.line((284, top + 102), (372, top + 102))
    pen.dot(318, top + 102)
    pen.resistor(318, top + 102, ohms(chip.pull_ohm), length=36)
    pen.ground(318, top + 138)
    pen.line((372, top + 84), (372, top + 120), style={"stroke-width": "3"})
    pen.line((380, top + 84), (380, top + 120), style={"stroke-width": "3"})
    pen.line((380, top + 90), (x, top + 90), (x, top + 64))
    pen.line((380, top + 114), (x, top + 114), (x, top + 134))
    pen.ground(x, top + 134)
    pen.text(x + 14, top + 108, "MOSFET, fully on at 3.3 V", size=SMALL)
    pen.line((x, top + 64), (x, top + 60))
    pen.pump(x, top + 36, 24)
    pen.line((x, top + 12), (x, top + 4), (520, top + 4), style=POWER)
    pen.text(528, top + 9, "V+", bold=1)
    pen.line((x, top + 64), (460, top + 64), (460, top + 48))
    pen.dot(x, top + 64)
    pen.diode(460, top + 24)
    pen.line((460, top + 24), (460, top + 4))
    pen.dot(460, top + 4)
    pen.text(476, top + 42, "diode across the motor, stripe to V+", size=SMALL)
    return top + 150


def _water(pen: Pen, y: float) -> float:
    """Containers, tubes and the tank, with what keeps water where it belongs."""
    pen.text(LEFT, y, "Tubes and tank", size=20, bold=1)
    top = y + 30
    floor = top + 210
    # The container, below the outlet, vented.
    pen.box(LEFT + 6, floor - 110, 110, 110)
    pen.line((LEFT + 6, floor - 62), (LEFT + 116, floor - 62))
    pen.line((LEFT + 96, floor - 110), (LEFT + 96, floor - 122), style={"stroke-width": "4"})
    pen.text(LEFT + 106, floor - 118, "vent", size=SMALL)
    pen.text(LEFT + 16, floor - 30, "container", size=SMALL)
    pen.text(LEFT + 16, floor - 12, "below outlet", size=SMALL)
    suction = LEFT + 40
    pen.line((suction, floor - 46), (suction, top + 60), (226, top + 60), style=TUBE)
    pen.pump(254, top + 60, 28)
    pen.text(254, top + 108, "pump", size=SMALL, at="middle")
    outlet = 640
    pen.line(
        (282, top + 60), (360, top + 60), (360, top + 10), (outlet, top + 10), (outlet, top + 62),
        style=TUBE,
    )  # fmt: skip
    pen.dot(430, top + 10, 7)
    pen.line((430, top + 10), (430, top - 12), style={"stroke-width": "3"})
    pen.text(440, top - 6, "siphon break: a hole or valve at the highest point", size=SMALL)
    # The tank.
    pen.line((520, top + 88), (520, floor), (770, floor), (770, top + 88), style=POWER)
    pen.line((520, top + 118), (770, top + 118))
    for x in range(530, 760, 26):
        pen.line((x, top + 124), (x + 12, top + 124), style={"stroke-width": "1"})
    pen.text(645, floor - 30, "tank", at="middle")
    pen.line((690, top + 62), (690, top + 118), style={"stroke-width": "1"})
    for end, d in ((top + 62, 8), (top + 118, -8)):
        pen.line((685, end + d), (690, end), (695, end + d), style={"stroke-width": "1"})
    pen.line((outlet, top + 62), (700, top + 62), style={"stroke-width": "1"})
    pen.text(698, top + 82, "2 cm of air", size=SMALL)
    pen.text(698, top + 100, "or more", size=SMALL)
    pen.mark(600, top + 60, 4)
    pen.mark(LEFT + 150, floor - 20, 8)
    # A cable with its drip loop.
    pen.box(330, top + 118, 76, 40)
    pen.text(368, top + 143, "box", size=SMALL, at="middle")
    pen.line((406, top + 138), (430, top + 138), (430, top + 188), (462, top + 188))
    pen.line((462, top + 188), (462, top + 130))
    pen.mark(446, top + 168, 3)
    pen.text(344, top + 208, "cable with drip loop", size=SMALL)
    return floor + 14


def _cautions(pen: Pen, y: float) -> float:
    pen.text(LEFT, y, "Cautions", size=20, bold=1)
    y += 32
    for i, (name, text) in enumerate(BUILD):
        pen.mark(LEFT + 18, y, i + 1)
        pen.text(LEFT + 48, y + 4, name, size=15, bold=1)
        y = max(y + 34, pen.paragraph(LEFT + 140, y + 4, text, WIDTH - LEFT - 164) + 12)
    return y


def _legend(pen: Pen, y: float) -> float:
    kinds = (
        (POWER, "V+"),
        (GROUND, "0 V"),
        (SIGNAL, "signal"),
        (OPTIONAL, "may be left out"),
        (TUBE, "tube"),
    )
    x: float = LEFT
    for style, words in kinds:
        pen.line((x, y), (x + 46, y), style=style)
        pen.text(x + 56, y + 5, words, size=SMALL)
        x += 72 + len(words) * SMALL * drawing.LETTER + 24
    pen.across(LEFT, LEFT + 46, y + 34, (LEFT + 23,))
    pen.line((LEFT + 23, y + 24), (LEFT + 23, y + 44))
    pen.text(LEFT + 56, y + 39, "not joined", size=SMALL)
    pen.line((LEFT + 170, y + 34), (LEFT + 216, y + 34))
    pen.line((LEFT + 193, y + 24), (LEFT + 193, y + 44))
    pen.dot(LEFT + 193, y + 34)
    pen.text(LEFT + 226, y + 39, "joined", size=SMALL)
    return y + 50
