"""`aliquot boards`: which boards there are, what hangs on which pin, and a drawing of the wiring.

It writes nothing but the drawing, and that never over a file unasked.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from aliquot_host import board_file, boards, chips, errors, output, resources, wiring
from aliquot_host.board_file import Data
from aliquot_host.commands.convert import write

MEANING = {
    "float": "holds dosing: water too high",
    "leak": "holds dosing: water where none should be",
    "supply": "without it a dose is missed, not done",
    "stop": "stops every pump",
    "reset": "held 5 s: network and password; 15 s: all but calibrations and journal",
    "light": "status light",
    "sda": "clock chip, data",
    "scl": "clock chip, clock",
}


@click.command("boards")
@click.argument("board", metavar="[ID]", required=False)
@click.option(
    "--boards",
    "place",
    type=click.Path(path_type=Path),
    help="A board file of your own, or a folder of them.",
)
@click.option(
    "--wiring",
    "drawing",
    type=click.Path(path_type=Path),
    help="Draw the wiring to this SVG file.",
)
@click.option(
    "--pumps", type=click.IntRange(1, 16), help="Draw no more than the first so many outputs."
)
@click.option("--force", is_flag=True, help="Write over a drawing that is there.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
def command(
    board: str | None,
    place: Path | None,
    drawing: Path | None,
    pumps: int | None,
    force: bool,
    as_json: bool,
) -> None:
    """List the boards, or show one: its pins, their levels at rest, what the chip can do.

    ID is a board's name, or the path of a board file or of a folder of them. Every file is checked
    before it is shown. With --wiring the board is drawn: supply, fuse, drivers, pumps, resistors,
    sensors, tubes and cautions, on sheets of A4.
    """
    given = boards.at(place) if place else {}
    shown = given or boards.known()
    if board is not None:
        shown = chosen(board, given)
    one = next(iter(shown.values())) if len(shown) == 1 else None
    if drawing:
        if one is None:
            advice = f"Name the board to draw: {', '.join(shown)}."
            raise errors.bad("--wiring", str(drawing), limit="one board", advice=advice)
        if not force and drawing.exists():
            advice = "Choose another name, or write over it with --force."
            raise errors.bad(str(drawing), limit="a new file", advice=advice)
        write(drawing, wiring.draw(one, pumps), force)
        output.note(f"{drawing} is written: open it in a browser, or print it on A4.")
    if as_json:
        payload: dict[str, object] = {"boards": [as_data(each) for each in shown.values()]}
        if drawing:
            payload["wiring"] = str(drawing)
        output.print_json("aliquot-boards", payload)
    elif one is not None:
        show(one)
    else:
        list_all(shown)


def chosen(name: str, given: dict[str, Data]) -> dict[str, Data]:
    """The boards that an ID or a path means; BadInput where there is none."""
    found = given.get(name) or boards.known().get(name)
    if found:
        return {name: found}
    path = Path(name)
    if path.exists():
        return boards.at(path)
    names = ", ".join({**boards.known(), **given})
    advice = "Name one of these, or the path of your own board file."
    raise errors.bad("ID", name, limit=names, advice=advice)


def limits(board: Data) -> dict[str, Any]:
    """What the chip of a board can do for pumps, as `--json` gives it."""
    chip = chips.CHIPS[board["chip"]]
    taken = board_file.symbols_taken(board)
    return {
        "pulses": "rmt" if chip.rmt else "pio",
        "symbols": chips.symbols(chip, taken) or None,
        "burst_most_steps": chips.burst_most_steps(chip, taken) or None,
        "burst_most_ms": chips.BURST_MOST_MS if chip.rmt else None,
        "rate_most_cps": chips.rate_most_cps(chip, taken),
        "rate_least_cps": chips.rate_least_cps(chip),
        "state_machines": chip.pio or None,
        "pulse_counters": chip.pcnt,
        "pull_down_ohm": chip.pull_ohm,
        "sources": dict(chip.sources),
    }


def as_data(board: Data) -> dict[str, object]:
    """A board as `--json` prints it."""
    return {
        **board,
        "own": board["name"] not in resources.boards(),
        "at_rest": [{"pin": pin, "level": level} for pin, level in board_file.at_rest(board)],
        "limits": limits(board),
        "problems": [problem.as_json() for problem in board_file.warnings(board)],
    }


def list_all(shown: dict[str, Data]) -> None:
    """One line a board."""
    rows: list[tuple[object, ...]] = []
    for name, board in shown.items():
        can = limits(board)
        rate = can["rate_most_cps"]
        rows.append(
            (
                name,
                board["label"],
                chips.CHIPS[board["chip"]].label,
                len(board["outputs"]),
                f"{rate} steps/s" if rate else "as the set-up allows",
                "yes" if can["pulse_counters"] else "no",
            )
        )
    columns = ("board", "is", "chip", "outputs", "fastest", "counts pulses back")
    output.table(columns, rows, numbers=("outputs",))
    output.say("aliquot boards ID shows one, and --wiring FILE.svg draws it.")


def show(board: Data) -> None:
    """Everything about one board."""
    chip = chips.CHIPS[board["chip"]]
    rows: list[tuple[object, ...]] = []
    for each in board["outputs"]:
        enable = each["enable"]
        shared = [o["output"] for o in board["outputs"] if o["enable"] == enable]
        words = None
        if enable is not None:
            words = f"{enable}, {wiring.on(each['enable_on'])}"
            words += ", shared" if len(shared) > 1 else ""
        pins = (each["output"], each["step"], each["direction"], words, each["speed"])
        rows.append((*pins, " ".join(each["kinds"])))
    columns = ("output", "step or switch", "direction", "enable", "speed", "drives")
    output.table(columns, rows, title=f"{board['name']}: {board['label']}, {chip.label}")
    output.table(("pin", "is", "level", "resistor", "means"), others(board))
    rest = ", ".join(f"{pin}={level}" for pin, level in board_file.at_rest(board))
    output.say(f"Motor pins at rest: {rest}.")
    output.say(f"Resistor at each step pin: {chips.kilohms(chip.pull_ohm)} or less.")
    for line in (*pulses(board), *board["notes"]):
        output.say(line)
    output.problems(board_file.warnings(board), err=False)


def others(board: Data) -> list[tuple[object, ...]]:
    """(pin, what, level, resistor, meaning) of what is no output's."""
    rows: list[tuple[object, ...]] = []
    for each in board["inputs"]:
        level = wiring.level(each["on"])
        pull = "outside" if each["pull"] == "outside" else f"{each['pull']}, in the chip"
        place = "" if each["fitted"] else "not fitted; "
        rows.append((each["pin"], each["input"], level, pull, place + MEANING[each["input"]]))
    light, clock = board["light"], board["clock"]
    if light:
        level = "data" if light["kind"] == "ws2812" else wiring.on(light["on"])
        rows.append((light["pin"], f"light, {light['kind']}", level, "", MEANING["light"]))
    if clock:
        for role in ("sda", "scl"):
            rows.append((clock[role], role, "high", "up, outside", MEANING[role]))
    return rows


def pulses(board: Data) -> list[str]:
    """How fast the board can step, and why, as sentences."""
    chip, can = chips.CHIPS[board["chip"]], limits(board)
    if chip.rmt:
        return [
            f"Steps come in bursts of at most {can['burst_most_steps']} ({can['symbols']} symbols "
            f"of the RMT) and {chips.BURST_MOST_MS} ms; {can['rate_least_cps']} to "
            f"{can['rate_most_cps']} steps/s ({chip.sources['rmt']}).",
            f"{chip.pcnt} units can count pulses back on a pin ({chip.sources['pcnt']})."
            if chip.pcnt
            else f"Nothing counts pulses back ({chip.sources['pcnt']}).",
        ]
    return [f"Steps come from a state machine, one by one ({chip.sources['pio']})."]
