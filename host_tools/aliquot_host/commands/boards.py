"""`aliquot boards`: which boards there are, what hangs on which pin, and a drawing of the wiring.

It writes nothing but that drawing and a board's own files, and never over a file unasked.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from aliquot.hal import bounds
from aliquot_host import board_file, boards, chips, errors, output, resources, wiring
from aliquot_host.board_file import Data
from aliquot_host.commands.convert import write

# Microsteps for which the fastest speeds are shown, and those that most drivers are set to.
MICROSTEPS = (1, 2, 4, 8, 16, 32)
USUAL = "16"
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
@click.option(
    "--files",
    "folder",
    type=click.Path(path_type=Path),
    help="Write the board's own two files into this folder: board.json and pins.txt.",
)
@click.option("--force", is_flag=True, help="Write over files that are there.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
def command(
    board: str | None,
    place: Path | None,
    drawing: Path | None,
    pumps: int | None,
    folder: Path | None,
    force: bool,
    as_json: bool,
) -> None:
    """List the boards, or show one: its pins, their levels at rest, what the chip can do.

    ID is a board's name, or the path of a board file or of a folder of them. Every file is checked
    before it is shown. With --wiring the board is drawn: supply, fuse, drivers, pumps, resistors,
    sensors, tubes and cautions, on sheets of A4. With --files it gets what belongs into its root,
    beside the program: what hangs on it, and the motor pins that boot.py puts to rest.
    """
    given = boards.at(place) if place else {}
    shown = given or boards.known()
    if board is not None:
        shown = chosen(board, given)
    one = next(iter(shown.values())) if len(shown) == 1 else None
    for option, path in (("--wiring", drawing), ("--files", folder)):
        if path and one is None:
            advice = f"Name the board: {', '.join(shown)}."
            raise errors.bad(option, str(path), limit="one board", advice=advice)
    made = own_files(one, folder) if one and folder else {}
    for path in (*made, *([drawing] if drawing else [])):
        if not force and path.exists():
            advice = "Choose another name, or write over it with --force."
            raise errors.bad(str(path), limit="a new file", advice=advice)
    if folder and made:
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as wrong:
            raise errors.bad(str(folder), advice=f"No such folder: {wrong.strerror}.") from None
    for path, content in made.items():
        write(path, content, force)
    if made:
        output.note(f"{' and '.join(map(str, made))} are written: copy them to the board's root.")
    if drawing and one:
        write(drawing, wiring.draw(one, pumps), force)
        output.note(f"{drawing} is written: open it in a browser, or print it on A4.")
    if as_json:
        payload: dict[str, object] = {"boards": [as_data(each) for each in shown.values()]}
        if drawing:
            payload["wiring"] = str(drawing)
        if made:
            payload["files"] = [str(path) for path in made]
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


def own_files(board: Data, folder: Path) -> dict[Path, bytes]:
    """Path -> content of what a board needs beside the program."""
    # Notes are for people, and a board has little memory.
    data = {key: value for key, value in board.items() if key != "notes"}
    rest = board_file.at_rest(board)
    head = f"# {board['name']}: motor pins and their levels at rest; boot.py reads this file.\n"
    pins = head + "".join(f"{pin} {level}\n" for pin, level in rest)
    return {
        folder / "board.json": json.dumps(data, separators=(",", ":")).encode() + b"\n",
        folder / "pins.txt": pins.encode(),
    }


def limits(board: Data) -> dict[str, Any]:
    """What the chip of a board and its drivers can do for pumps, as `--json` gives it."""
    name = board["chip"]
    chip = chips.CHIPS[name]
    counted = any(output["count"] is not None for output in board["outputs"])
    return {
        "pulses": "rmt" if chip.rmt else "pio",
        "burst_most_steps": chips.burst_most_steps(chip) or None,
        "burst_most_ms": bounds.BURST_MS,
        "rate_most_cps": {str(micro): boards.fastest_cps(board, micro) for micro in MICROSTEPS},
        "untended_ms": bounds.BURST_MS,
        "stop_ms": {kind: bounds.stop_ms(name, kind, counted) for kind in board_file.KINDS},
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
        rows.append(
            (
                name,
                board["label"],
                chips.CHIPS[board["chip"]].label,
                len(board["outputs"]),
                f"{can['rate_most_cps'][USUAL]} steps/s",
                "yes" if can["pulse_counters"] else "no",
            )
        )
    columns = ("board", "is", "chip", "outputs", f"fastest at {USUAL} microsteps", "counts back")
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
        pins = (each["output"], each["step"], each["direction"], words, each["pwm"])
        rows.append((*pins, " ".join(each["kinds"])))
    columns = ("output", "step or switch", "direction", "enable", "speed (PWM)", "drives")
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
    """How fast the board can step, how soon it stops, and why, as sentences."""
    chip, can = chips.CHIPS[board["chip"]], limits(board)
    steps = can["burst_most_steps"]
    source = chip.sources["rmt" if chip.rmt else "pio"]
    held = f"at most {steps} steps and " if steps else "at most "
    rates = ", ".join(f"{rate} at {micro}" for micro, rate in can["rate_most_cps"].items())
    stops = ", ".join(f"{kind} {ms} ms" for kind, ms in can["stop_ms"].items())
    return [
        f"Steps come in bursts of {held}{can['burst_most_ms']} ms ({source}).",
        f"Fastest steps a second, by microsteps: {rates}.",
        f"A motor that nobody tends rests within {can['untended_ms']} ms, one that is stopped "
        f"within: {stops}.",
        f"{chip.pcnt} units can count pulses back on a pin ({chip.sources['pcnt']})."
        if chip.pcnt
        else "Nothing counts pulses back on a pin.",
    ]
