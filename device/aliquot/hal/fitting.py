"""Set-ups held to the board: what is not there is said, what a run needs is written down.

Imported when needed and dropped. It starts no run; making a driver only puts its pins to rest.
"""

from aliquot import hal

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

    from aliquot.hal.motor import Motor

    Dict = dict[str, Any]

_PUMP = ("kind", "speed_cps", "microsteps", "reverse")
# What an output holds, and what stands there where the file says nothing.
_OUTPUT = ("step", "direction", "enable", "enable_on", "count", "pwm", "duty_pct")
_ELSE = (None, None, None, 0, None, None, 100)


def unfit(board: "Dict", data: "Dict", ticks_ms: "Callable[[], int]") -> str:
    """Why a board cannot do a canonical set-up, as a sentence; "" where it can."""
    name = data["board"]
    if name and name != board["name"]:
        return "the set-up is for board %s, this is %s" % (name, board["name"])
    try:
        lines = pumps(board, data)
    except ValueError as problem:
        return str(problem)
    for c, line in zip(data["channel"], lines):
        kinds = board["outputs"][c["pump"]["output"] - 1]["kinds"]
        if line[0] not in kinds:
            return "channel %s: its output drives %s" % (c["id"], " ".join(kinds))
        try:
            driver(board["chip"], line, ticks_ms)
        except ValueError as problem:
            return "channel %s: %s" % (c["id"], problem)
    return ""


def pumps(board: "Dict", data: "Dict") -> "list[tuple[Any, ...]]":
    """What `driver` needs, a channel each: as small as it can be kept."""
    outputs = board["outputs"]
    found: list[tuple[Any, ...]] = []
    for c in data["channel"]:
        pump = c["pump"]
        if not 0 < pump["output"] <= len(outputs):
            text = "channel %s: output %d: this board has %d"
            raise ValueError(text % (c["id"], pump["output"], len(outputs)))
        output = outputs[pump["output"] - 1]
        made = [pump[key] for key in _PUMP]
        for key, default in zip(_OUTPUT, _ELSE):
            # Pulses are counted back on the step pin where the file does not say otherwise.
            made.append(output.get(key, output["step"] if key == "count" else default))
        found.append(tuple(made))
    return found


def driver(chip: str, line: "tuple[Any, ...]", ticks_ms: "Callable[[], int]") -> "Motor":
    """The driver of a channel; ValueError where there is none for it."""
    settings: Dict = dict(zip(_PUMP, line))
    settings["output"] = 1
    output: Dict = dict(zip(_OUTPUT, line[len(_PUMP) :]))
    return hal.pump({"chip": chip, "outputs": [output]}, settings, ticks_ms)
