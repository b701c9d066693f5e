"""Reads the boards that come with Aliquot, and says whether a set-up fits on one.

A board file is JSON, format `aliquot-board`, version 1:
name     what `board` in a set-up calls it; also the file's name.
label    a line for people.
chip     the port's name of the chip: esp32, esp32s3, esp32c3, rp2040, rp2350.
outputs  in order, numbered from 1: {output, step, direction, kinds}. `step` is the pin of a step
         input or of a timed motor's switch, `direction` the pin of the driver's
         direction input, or null where that is wired firmly: such a pump never runs in reverse.
rest     the level of every step pin at rest, 0 or 1; the builder's pull resistor holds it.
notes    sentences for the builder.
It checks outputs and kinds alone; nothing here knows what else hangs on a pin.
"""

from __future__ import annotations

import functools
import json
from pathlib import Path
from typing import Any

from aliquot_host import resources

FORMAT = "aliquot-board"
VERSION = 1
Data = dict[str, Any]


@functools.cache
def known() -> dict[str, Data]:
    """Every board by name. ValueError where a file of ours is not of the format."""
    return {name: read(file) for name, file in resources.boards().items()}


def read(file: Path) -> Data:
    """The data of one board file; ValueError where it is not one."""
    board: Data = json.loads(file.read_text(encoding="utf-8"))
    if board.get("format") != FORMAT or board.get("version") != VERSION:
        raise ValueError(f"{file.name} is not {FORMAT} version {VERSION}")
    if [output["output"] for output in board["outputs"]] != list(
        range(1, len(board["outputs"]) + 1)
    ):
        raise ValueError(f"{file.name}: the outputs are not numbered from 1 in order")
    return board


def problems(data: Data) -> list[tuple[str, object, str, object, str]]:
    """What of canonical data does not fit its board, in the form of the validator's problems."""
    name = data["board"]
    if not name:
        return []
    board = known().get(name)
    if board is None:
        return [("board", name, "must be", "one of " + ", ".join(known()), "")]
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
    return found
