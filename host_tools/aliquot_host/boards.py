"""The boards at hand, ours and a builder's own, and whether a set-up fits on one.

`board_file` reads and checks a single file. A builder's own board is looked for where `--boards`
points, beside the set-up, and in a folder `boards` beside it, always as NAME.json; a name of ours
stays ours. Nothing here writes a file.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping
from pathlib import Path

from aliquot_host import board_file, chips, resources
from aliquot_host.board_file import Data
from aliquot_host.errors import bad

FOLDER_MOST = 64


@functools.cache
def known() -> dict[str, Data]:
    """Every board that comes along, by name. BadInput where a file of ours is not good."""
    return {name: board_file.read(file) for name, file in resources.boards().items()}


def at(place: Path) -> dict[str, Data]:
    """The boards of a file or of a folder, by name; BadInput where one of them is not good."""
    found: dict[str, Data] = {}
    for file in files(place):
        found.update(own(board_file.read(file), file))
    return found


def files(place: Path) -> list[Path]:
    """The one file, or the JSON files of a folder; BadInput where there are none or too many."""
    if not place.is_dir():
        return [place]
    found = sorted(file for file in place.iterdir() if file.suffix == ".json" and file.is_file())
    if not 1 <= len(found) <= FOLDER_MOST:
        limit = f"a folder with 1 to {FOLDER_MOST} board files"
        advice = "Board files end in .json: name one of them, or their folder."
        raise bad(str(place), f"{len(found)} JSON files", limit=limit, advice=advice)
    return found


def own(board: Data, file: Path) -> dict[str, Data]:
    """A builder's board by its name; BadInput where it bears the name of another one of ours."""
    name = board["name"]
    ours = resources.boards().get(name)
    if ours is not None and ours.resolve() != file.resolve():
        advice = "A board of ours has that name: give the file and the board another one."
        raise bad("name", name, limit="a name of its own", advice=advice, where=str(file))
    return {name: board}


def find(name: str, near: Path | None, given: Mapping[str, Data]) -> Data | None:
    """The board that a set-up names; None where there is none.

    near: the folder of the set-up, None for one that is no file. given: boards named otherwise."""
    board = known().get(name) or given.get(name)
    if board is None and near is not None and not set(name) - board_file.LETTERS:
        for file in (near / f"{name}.json", near / "boards" / f"{name}.json"):
            # A set-up in JSON may bear that name too.
            if file.is_file() and board_file.says_so(file):
                return board_file.read(file)
    return board


def problems(data: Data, board: Data | None) -> list[tuple[str, object, str, object, str]]:
    """What of canonical data does not fit its board, in the form of the validator's problems."""
    name = data["board"]
    if not name:
        return []
    if board is None:
        advice = (
            "a board of your own is one file: put it beside the set-up as NAME.json, "
            "or point to it with --boards"
        )
        return [("board", name, "must be", "one of " + ", ".join(known()), advice)]
    found: list[tuple[str, object, str, object, str]] = []
    outputs = board["outputs"]
    for i, channel in enumerate(data["channel"]):
        pump, where = channel["pump"], f"channel.{i}.pump"
        if pump["output"] > len(outputs):
            advice = f"{name} has {len(outputs)} outputs: give each channel another one of them"
            found.append((f"{where}.output", pump["output"], "at most", len(outputs), advice))
            continue
        output = outputs[pump["output"] - 1]
        if pump["kind"] not in output["kinds"]:
            limit = " or ".join(output["kinds"])
            found.append((f"{where}.kind", pump["kind"], "must be", limit, "take another output"))
        if pump["reverse"] and output["direction"] is None:
            advice = "this output has no direction pin: turn the motor's coil round instead"
            found.append((f"{where}.reverse", pump["reverse"], "must be", 0, advice))
        if pump["kind"] == "stepper":
            found += _rate(f"{where}.speed_cps", pump["speed_cps"], board)
    return found


def _rate(where: str, speed_cps: int, board: Data) -> list[tuple[str, object, str, object, str]]:
    """A step rate beyond what bursts of pulses can keep up, or below the slowest pulse."""
    chip = chips.CHIPS[board["chip"]]
    taken = board_file.symbols_taken(board)
    most, least = chips.rate_most_cps(chip, taken), chips.rate_least_cps(chip)
    if most is None or least is None:
        return []
    if speed_cps > most:
        advice = (
            f"a burst of {chip.label} holds {chips.burst_most_steps(chip, taken)} steps "
            f"({chip.sources['rmt']}) and must last {chips.GAP_MOST_MS} ms: go slower, or use "
            "fewer microsteps and measure the pump again"
        )
        return [(where, speed_cps, "at most", most, advice)]
    if speed_cps < least:
        advice = (
            f"one step is at most {2 * chips.PULSE_MAX} ticks of {chip.label}'s RMT, of 1 µs: "
            "go faster, or use more microsteps and measure the pump again"
        )
        return [(where, speed_cps, "at least", least, advice)]
    return []
