"""The boards at hand, ours and a builder's own, and whether a set-up fits on one.

`board_file` reads and checks a single file. A builder's own board is looked for where `--boards`
points, beside the set-up, and in a folder `boards` beside it, always as NAME.json; a name of ours
stays ours. Nothing here writes a file.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping
from pathlib import Path

from aliquot.core.amounts import to_counts
from aliquot.hal import bounds, ramps
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
        found += _speed(channel, f"channel.{i}", board)
    return found


def fastest_cps(board: Data, microsteps: int) -> int:
    """The highest speed of a stepper on a board, in steps a second."""
    return bounds.top_cps(board["chip"], microsteps)


def needs_s(channel: Data, board: Data) -> int:
    """The seconds that the largest dose of a channel takes on a board, the pauses between bursts
    counted in, rounded up. The speed is one that the board reaches."""
    pump, cal = channel["pump"], channel["calibration"]
    counts = to_counts(channel["dose_most_ul"], cal["counts"], cal["ul"], 0) + 1 + cal["offset"]
    mean_cps = 1000
    if pump["kind"] == "stepper":
        mean_cps = ramps.mean_cps(board["chip"], pump["speed_cps"], pump["microsteps"])
    pauses_ms = 0
    if pump["kind"] == "timed":
        pauses_ms = counts // bounds.BURST_MS * bounds.POLL_MS
    run_ms = counts * 1000 // mean_cps + pauses_ms + bounds.WAKE_MS + 3 * bounds.POLL_MS
    return -(-run_ms // 1000)


def _speed(channel: Data, where: str, board: Data) -> list[tuple[str, object, str, object, str]]:
    """A step rate beyond what bursts reach, or a longest run too short for their pauses."""
    pump, chip = channel["pump"], chips.CHIPS[board["chip"]]
    if pump["kind"] == "stepper":
        most = fastest_cps(board, pump["microsteps"])
        if pump["speed_cps"] > most:
            steps = chips.burst_most_steps(chip)
            holds = f" of at most {steps} steps ({chip.sources['rmt']})" if steps else ""
            advice = (
                f"a burst of {chip.label}{holds} and {bounds.BURST_MS} ms speeds up and slows "
                f"down again within itself, at {pump['microsteps']} microsteps no further than "
                "this: go slower, or use fewer microsteps and measure the pump again"
            )
            return [(f"{where}.pump.speed_cps", pump["speed_cps"], "at most", most, advice)]
    need_s = needs_s(channel, board)
    if need_s > channel["run_most_s"]:
        advice = (
            f"with the pauses between bursts dose_most_ml takes that long on {board['name']}: "
            "raise run_most_s, or lower dose_most_ml"
        )
        return [(f"{where}.run_most_s", channel["run_most_s"], "at least", need_s, advice)]
    return []
