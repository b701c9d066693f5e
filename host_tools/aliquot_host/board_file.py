"""Reads a board file and says everything that is wrong with it, with the reason from the chip.

The format is `aliquot-board`, version 1; `boards/README.md` describes it for builders, TABLES
below holds its fields. `read` gives complete data: what an older or shorter file leaves out stands
there with its default. The file is only read; nothing here knows a set-up.
"""

from __future__ import annotations

import dataclasses
import difflib
from pathlib import Path
from typing import Any

from aliquot_host import raw_file
from aliquot_host.chips import CHIPS, WITHOUT, Chip, number
from aliquot_host.errors import BadInput, Problem, bad
from aliquot_host.paths import as_list, as_table, is_list, is_table

FORMAT = "aliquot-board"
VERSION = 1
Data = dict[str, Any]

KINDS = ("stepper", "timed")
INPUTS = ("float", "leak", "supply", "stop", "reset")
PULLS = ("up", "down", "outside")
# What a name is made of: nothing that could lead out of a folder.
LETTERS = frozenset("abcdefghijklmnopqrstuvwxyz0123456789-_")
# What moves a motor or could: these rest at a known level from the first line of boot.py.
MOTOR = ("step", "enable", "direction", "pwm")

# name -> (what it must be, whether it must be written, the default)
#   ("int", least, most) ("word", choices) ("text", most) ("id", most) ("pin", null, name)
#   ("table", table, null) ("list", table or "text", least, most) ("words", choices)
Field = tuple[tuple[Any, ...], bool, object]
TABLES: dict[str, dict[str, Field]] = {
    "": {
        "format": (("word", (FORMAT,)), True, None),
        "version": (("int", VERSION, VERSION), True, None),
        "name": (("id", 32), True, None),
        "label": (("text", 60), True, None),
        "chip": (("word", tuple(CHIPS)), True, None),
        "rest": (("int", 0, 0), True, None),
        "outputs": (("list", "output", 1, 16), True, None),
        "notes": (("list", "text", 0, 16), False, ()),
        "psram": (("word", ("none", "quad", "octal")), False, "none"),
        "radio": (("int", 0, 1), False, 1),
        "console": (("word", ("both", "usb", "uart")), False, "both"),
        "taken": (("int", 0, 12), False, 0),
        "inputs": (("list", "input", 0, 8), False, ()),
        "light": (("table", "light"), False, None),
        "clock": (("table", "clock"), False, None),
    },
    "output": {
        "output": (("int", 1, 16), True, None),
        "step": (("pin", False), True, None),
        "direction": (("pin", True), True, None),
        "kinds": (("words", KINDS), True, None),
        "enable": (("pin", True), False, None),
        "enable_on": (("int", 0, 1), False, 0),
        "count": (("pin", True), False, "step"),
        "pwm": (("pin", True), False, None),
        "duty_pct": (("int", 1, 100), False, 100),
    },
    "input": {
        "input": (("word", INPUTS), True, None),
        "pin": (("pin", False), True, None),
        "on": (("int", 0, 1), True, None),
        "pull": (("word", PULLS), False, "up"),
        "debounce_ms": (("int", 10, 5000), False, 50),
        "fitted": (("int", 0, 1), False, 1),
    },
    "light": {
        "pin": (("pin", False), True, None),
        "kind": (("word", ("plain", "ws2812")), True, None),
        "on": (("int", 0, 1), False, 1),
    },
    "clock": {
        "sda": (("pin", False), True, None),
        "scl": (("pin", False), True, None),
        "chip": (("word", ("any", "ds3231", "pcf8563")), False, "any"),
    },
}


@dataclasses.dataclass(frozen=True)
class Line:
    """One pin in use.

    path: where it stands in the file. role: what hangs on it: a word of MOTOR or INPUTS, count,
    light, sda or scl. pin: number, or the name of a pin on the radio chip. level: its level at
    rest, None where it may have either. output: the output's number, 0 for what is no output's.
    """

    path: str
    role: str
    pin: int | str
    level: int | None
    output: int = 0


def read(file: Path) -> Data:
    """The complete data of a board file; BadInput with every problem where it is not good."""
    content = raw_file.read(file)
    raw, toml = raw_file.parse(content, str(file), "board")
    if toml:
        advice = "A board file is JSON: copy one of ours and change it."
        raise bad(str(file), limit="a file of JSON", advice=advice)
    board, found = checked(raw)
    wrong = [problem for problem in found if problem.level == "error"]
    if wrong:
        raise BadInput(wrong, str(file))
    if board["name"] != file.stem:
        limit = f'"{file.stem}", as the file is called'
        advice = "Give the file the board's name, so that a set-up's `board` finds it."
        raise BadInput(Problem("name", board["name"], "", limit, advice), str(file))
    return board


def is_board(raw: Data) -> bool:
    """Whether what was read says of itself that it is a board."""
    return raw.get("format") == FORMAT


def says_so(file: Path) -> bool:
    """Whether a file says of itself that it is a board; False where it cannot be read as JSON."""
    try:
        raw, _ = raw_file.parse(raw_file.read(file), str(file))
    except BadInput:
        return False
    return is_board(raw)


def checked(raw: Data) -> tuple[Data, list[Problem]]:
    """The complete data of what a board file holds, and its problems: errors and warnings.

    Where the shape is wrong, only that is said and the data is not to be used."""
    found: list[Problem] = []
    board = _table(found, "", raw, "")
    if not found:
        _outputs(found, board)
    if found:
        return board, found
    chip = CHIPS[board["chip"]]
    used = lines(board)
    for line in used:
        _pin(found, board, chip, line)
    _once(found, used, board)
    _inputs(found, board, chip)
    _channels(found, board, chip)
    return board, found


def warnings(board: Data) -> list[Problem]:
    """What a good board is better without."""
    return [problem for problem in checked(board)[1] if problem.level == "warning"]


def lines(board: Data) -> list[Line]:
    """Every pin in use, in the order of the file; a shared enable line once for each output."""
    found: list[Line] = []
    for i, output in enumerate(board["outputs"]):
        at, which = f"outputs[{i + 1}]", output["output"]
        found.append(Line(f"{at}.step", "step", output["step"], board["rest"], which))
        for role, level in (
            ("direction", 0),
            ("enable", 1 - output["enable_on"]),
            ("pwm", 0),
            ("count", None),
        ):
            # By default pulses are counted back on the step pin itself.
            if output[role] is not None and (role != "count" or output[role] != output["step"]):
                found.append(Line(f"{at}.{role}", role, output[role], level, which))
    for i, each in enumerate(board["inputs"]):
        # A button is let go at reset; a float switch, a leak sensor or a supply may be either.
        level = 1 - each["on"] if each["input"] in ("stop", "reset") else None
        found.append(Line(f"inputs[{i + 1}].pin", each["input"], each["pin"], level))
    light, clock = board["light"], board["clock"]
    if light:
        level = 0 if light["kind"] == "ws2812" else 1 - light["on"]
        found.append(Line("light.pin", "light", light["pin"], level))
    if clock:
        found += [Line(f"clock.{role}", role, clock[role], 1) for role in ("sda", "scl")]
    return found


def at_rest(board: Data) -> list[tuple[int | str, int]]:
    """(pin, level at rest) of every motor line, each pin once: what `pins.txt` lists."""
    levels = {line.pin: line.level or 0 for line in lines(board) if line.role in MOTOR}
    return list(levels.items())


# The shape.


def _table(found: list[Problem], name: str, value: Any, where: str) -> Data:
    if not is_table(value):
        found.append(Problem(where, value, "", "an object", "Write its fields between braces."))
        return {}
    raw = as_table(value)
    fields = TABLES[name]
    dot = where + "." if where else ""
    if isinstance(value, raw_file.Table):
        for twice in value.twice:
            found.append(Problem(dot + twice, None, "", "each field once", "Take one out."))
    made: Data = {}
    for key in raw:
        if key not in fields:
            found.append(_unknown(dot, key, raw[key], fields))
    for key, (kind, needed, default) in fields.items():
        if key in raw:
            made[key] = _value(found, kind, raw[key], dot + key)
        elif needed:
            found.append(Problem(dot + key, None, "", "must be there", "Add it, as ours have it."))
        else:
            made[key] = list[Any]() if default == () else default
    return made


def _unknown(dot: str, key: str, value: object, fields: dict[str, Field]) -> Problem:
    near = difflib.get_close_matches(key[:60], fields, n=1)
    meant = f"Did you mean {near[0]}?" if near else f"The fields here are {', '.join(fields)}."
    return Problem(dot + key, value, "", "no such field", meant)


def _value(found: list[Problem], kind: tuple[Any, ...], value: Any, where: str) -> Any:
    what = kind[0]
    if what == "table":
        return None if value is None else _table(found, kind[1], value, where)
    if what == "list":
        return _list(found, kind, value, where)
    limit = _misfit(kind, value)
    if limit:
        advice = ""
        if where == "chip" and isinstance(value, str) and value in WITHOUT:
            advice = f"The {value} will not do: {WITHOUT[value]}. Take another board."
        found.append(Problem(where, _seen(value), "", limit, advice or "Change it."))
    return value


def _misfit(kind: tuple[Any, ...], value: Any) -> str:
    """The limit that a value breaks, as a phrase; empty where it is good."""
    what, *args = kind
    if what == "int":
        low, high = args
        if not _within(value, low, high):
            return f"{low} to {high}" if high > low else str(low)
    elif what == "word":
        if not isinstance(value, str) or value not in args[0]:
            return " or ".join(args[0])
    elif what in ("text", "id"):
        letters = "small letters, digits, - and _" if what == "id" else "characters"
        if not _is_text(value, args[0], what == "id"):
            return f"1 to {args[0]} {letters}"
    elif what == "pin":
        null = args[0] and value is None
        if not null and not _is_text(value, 16, False) and not _within(value, 0, 99):
            return "the number of a pin" + (", or null" if args[0] else "")
    else:
        words = as_list(value)
        if not words or any(words.count(word) > 1 or word not in args[0] for word in words):
            return "a list of " + " and ".join(args[0]) + ", one or both"
    return ""


def _within(value: Any, low: int, high: int) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and low <= value <= high


def _is_text(value: Any, most: int, plain: bool) -> bool:
    if not isinstance(value, str) or not 1 <= len(value) <= most or not value.isprintable():
        return False
    return not plain or not set(value) - LETTERS


def _seen(value: object) -> object:
    """A value as a problem shows it; what is not there at all is null in JSON."""
    return "null" if value is None else value


def _list(found: list[Problem], kind: tuple[Any, ...], value: Any, where: str) -> list[Any]:
    _, inner, least, most = kind
    if not is_list(value) or not least <= len(as_list(value)) <= most:
        limit = f"a list of {least} to {most} entries"
        found.append(Problem(where, _seen(value), "", limit, "Write them between brackets."))
        return []
    made: list[Any] = []
    for i, each in enumerate(as_list(value)):
        at = f"{where}[{i + 1}]"
        if inner == "text":
            made.append(_value(found, ("text", 200), each, at))
        else:
            made.append(_table(found, inner, each, at))
    return made


# What pins can do.


def _outputs(found: list[Problem], board: Data) -> None:
    for i, output in enumerate(board["outputs"]):
        if output["output"] != i + 1:
            advice = "Number the outputs from 1, in order: set-ups name them by that number."
            at = f"outputs[{i + 1}].output"
            found.append(Problem(at, output["output"], "", str(i + 1), advice))
        chip = CHIPS[board["chip"]] if not found else None
        if chip and output["count"] == "step":
            output["count"] = output["step"] if chip.pcnt else None
        elif chip and output["count"] is not None and not chip.pcnt:
            at = f"outputs[{i + 1}].count"
            advice = f"{chip.label} has nothing that counts pulses back."
            found.append(Problem(at, output["count"], "", "null", advice))


def _pin(found: list[Problem], board: Data, chip: Chip, line: Line) -> None:
    """What the pin of one line cannot do; the first thing that rules it out."""
    for limit, reason, source in _reasons(board, chip, line):
        advice = f"{reason} ({chip.sources[source]})."
        found.append(Problem(line.path, line.pin, "", limit, advice))
        return
    strap = chip.straps.get(line.pin) if isinstance(line.pin, int) else None
    if strap and line.role in MOTOR:
        advice = (
            f"GPIO{line.pin} is read at reset: {strap.what}. Nothing but the chip and the "
            f"resistor may pull this line, or take another pin ({chip.sources['straps']})."
        )
        found.append(Problem(line.path, line.pin, "", "", advice, "warning"))


def _reasons(board: Data, chip: Chip, line: Line) -> list[tuple[str, str, str]]:
    """(limit, reason, name of the source) of all that rules a pin out for what hangs on it."""
    pin, role = line.pin, line.role
    if isinstance(pin, str):
        if role == "light" and pin in chip.names and board["radio"]:
            return []
        limit = "the number of a pin"
        names = ", ".join(sorted(chip.names)) or "none"
        reason = f"Only the light may hang on a pin with a name; {chip.label} has {names}"
        return [(limit, reason, "names" if chip.names else "pins")]
    if pin not in chip.pins:
        reason = f"{chip.label} has no GPIO{pin}: take one of {number(chip.pins)}"
        return [(f"a pin of {chip.label}", reason, "pins")]
    motor, drives = role in MOTOR, role in MOTOR or role in ("light", "sda", "scl")
    found: list[tuple[str, str, str]] = []
    if pin in chip.flash:
        reason = f"GPIO{pin} belongs to the chip's flash memory: a line on it stops the program"
        found.append((f"not GPIO{number(chip.flash)}", reason, "flash"))
    extra = chip.psram.get(board["psram"], frozenset())
    if pin in extra:
        reason = f"GPIO{pin} belongs to this board's extra memory ({board['psram']} PSRAM)"
        found.append((f"not GPIO{number(extra)}", reason, "psram"))
    if board["radio"] and pin in chip.radio:
        reason = f"GPIO{pin} belongs to the radio: a line on it ends the network"
        found.append((f"not GPIO{number(chip.radio)}", reason, "radio"))
    if pin in chip.usb and (motor or board["console"] != "uart"):
        reason = f"GPIO{pin} is USB: it moves whenever the board is plugged in or flashed"
        found.append((f"not GPIO{number(chip.usb)}", reason, "usb"))
    if pin in chip.serial and (motor or board["console"] != "usb"):
        reason = f"GPIO{pin} is the serial port: the start-up log runs over it at every reset"
        found.append((f"not GPIO{number(frozenset(chip.serial))}", reason, "serial"))
    if drives and pin in chip.input_only:
        reason = f"GPIO{pin} can only be an input: it cannot drive a line"
        found.append((f"not GPIO{number(chip.input_only)}", reason, "input_only"))
    return found + _at_reset(board, chip, line, pin)


def _at_reset(board: Data, chip: Chip, line: Line, pin: int) -> list[tuple[str, str, str]]:
    """What rules a pin out because of its level while the chip starts."""
    found: list[tuple[str, str, str]] = []
    strap = chip.straps.get(pin)
    level = line.level
    limit = "a pin that the chip does not read at reset"
    if strap and strap.boots is not None and level != strap.boots:
        low = ("low", "high")[1 - strap.boots]
        reason = (
            f"GPIO{pin} decides at reset how the chip starts: {strap.what}, and "
            f"{'this line may hold it' if level is None else 'at rest this line is'} {low}"
        )
        found.append((limit, reason, "straps"))
    elif strap and line.role in ("step", "enable") and strap.pull not in (None, level):
        what = "step or run" if line.role == "step" else "be switched on"
        reason = (
            f"GPIO{pin} decides at reset how the chip starts, and the chip pulls it "
            f"{('down', 'up')[strap.pull or 0]} then: the motor could {what}"
        )
        found.append((limit, reason, "straps"))
    if line.role == "step" and level is not None and 1 - level in chip.glitches.get(pin, ()):
        reason = (
            f"the chip drives GPIO{pin} {('low', 'high')[1 - level]} for a moment at power-on, "
            "stronger than any resistor: the motor could step or run"
        )
        found.append(
            ("a pin that is quiet at power-on", reason[0].upper() + reason[1:], "glitches")
        )
    return found


def _once(found: list[Problem], used: list[Line], board: Data) -> None:
    """Pins used twice; only an enable line may be shared, and then with one polarity."""
    first: dict[int | str, Line] = {}
    for line in used:
        before = first.setdefault(line.pin, line)
        if before is line:
            continue
        if before.role == line.role == "enable":
            if before.level != line.level:
                at = line.path.replace(".enable", ".enable_on")
                limit = f"{1 - (before.level or 0)}, as at {before.path}_on"
                advice = "Outputs that share an enable line share its polarity."
                found.append(Problem(at, 1 - (line.level or 0), "", limit, advice))
            continue
        advice = "Take another pin for one of the two; only an enable line can be shared."
        limit = f"each pin once; {before.path} has it already"
        found.append(Problem(line.path, line.pin, "", limit, advice))


def _inputs(found: list[Problem], board: Data, chip: Chip) -> None:
    for i, each in enumerate(board["inputs"]):
        at = f"inputs[{i + 1}]"
        if each["pin"] in chip.input_only and each["pull"] != "outside":
            advice = (
                f"GPIO{each['pin']} has no pull inside: fit a resistor and write outside "
                f"({chip.sources['input_only']})."
            )
            found.append(Problem(f"{at}.pull", each["pull"], "", "outside", advice))
    for word in ("supply", "stop", "reset"):
        where = [i for i, each in enumerate(board["inputs"]) if each["input"] == word]
        for i in where[1:]:
            limit = f"one {word} input; inputs[{where[0] + 1}] is it already"
            found.append(Problem(f"inputs[{i + 1}].input", word, "", limit, "Take one out."))


def _channels(found: list[Problem], board: Data, chip: Chip) -> None:
    """Whether the chip has enough that makes pulses, beside what else the board uses it for."""
    if chip.rmt:
        have, what, source = chip.rmt[0], "RMT channels that transmit", "rmt"
        need, why = have, "the memory of all of them for the running pump"
    else:
        have, what, source = chip.pio, "PIO state machines", "pio"
        radio = chip.radio_pio if board["radio"] else 0
        need = 1 + radio
        why = "one for the running pump" + (f" and {radio} for the radio" if radio else "")
    if board["taken"] + need > have:
        limit = f"at most {have - need}"
        advice = (
            f"{chip.label} has {have} {what}, and Aliquot needs {why}: use fewer for other "
            f"things ({chip.sources[source]})."
        )
        found.append(Problem("taken", board["taken"], "", limit, advice))
