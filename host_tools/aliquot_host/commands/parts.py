"""`aliquot parts`: what to buy for a set-up, as ratings; where each figure is from; and cautions.

It only shows; it names no product and writes no file.
"""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

import click

from aliquot.core.decimals import date_of_text
from aliquot_host import boards, output, parts, setup_file


@click.command("parts")
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--boards",
    "place",
    type=click.Path(path_type=Path),
    help="A board file of your own, or a folder of them; files beside FILE are found anyway.",
)
@click.option(
    "--supply-v",
    type=click.IntRange(5, 48),
    help=f"Volts of the motors' supply; else {parts.Assumed.supply_v}.",
)
@click.option(
    "--stepper-ma",
    type=click.IntRange(50, 5000),
    help=f"Milliamperes of a stepper's coil; else {parts.Assumed.stepper_ma}.",
)
@click.option(
    "--timed-ma",
    type=click.IntRange(10, 5000),
    help=f"Milliamperes of a timed motor that runs; else {parts.Assumed.timed_ma}.",
)
@click.option(
    "--bore-um",
    type=click.IntRange(200, 20000),
    help=f"Bore of the line in µm; else {parts.Assumed.bore_um}.",
)
@click.option(
    "--line-cm",
    type=click.IntRange(1, 10000),
    help=f"Length of a line in cm; else {parts.Assumed.line_cm}.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
def command(file: Path, place: Path | None, as_json: bool, **figures: int | None) -> None:
    """List what the set-up FILE needs: supply, fuse, drivers, resistors, tubes, containers.

    Ratings, no brands. A set-up says nothing of motors and tubes: what is assumed about them is
    listed as common practice, and each can be given as an option. Power below 50 V only; for
    anything at mains voltage follow your local electrical code and ask a licensed electrician.
    """
    given: dict[str, Any] = {name: value for name, value in figures.items() if value is not None}
    assumed = parts.Assumed(**given, given=frozenset(given))
    today = datetime.date.today()
    own = boards.at(place) if place else None
    loaded = setup_file.load(file, today=today, own=own)
    found = parts.parts(loaded, assumed, date_of_text(today.isoformat()))
    if as_json:
        payload: dict[str, object] = {
            "file": str(file),
            "board": loaded.data["board"] or None,
            "assumptions": parts.assumptions(assumed),
            "parts": [part.as_json() for part in found],
            "cautions": parts.told(),
        }
        output.print_json("aliquot-parts", payload)
        return
    rows = [(part.count, part.item, part.rating, part.why, part.source) for part in found]
    columns = ("number", "part", "rating", "because", "from")
    output.table(columns, rows, title=f"{file}: parts", numbers=("number",))
    for each in parts.assumptions(assumed):
        if each["source"] == parts.PRACTICE:
            output.say(f"assumed: {each['what']} {each['value']} {each['unit']}, common practice.")
    if loaded.board is None:
        output.say("No board is named: add board to the set-up for its resistors and sensors.")
    for caution in parts.told():
        output.say(f"caution: {caution}")
