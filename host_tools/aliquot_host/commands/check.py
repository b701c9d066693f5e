"""`aliquot check`: all that is wrong with a set-up, and what is odd. It changes nothing."""

from __future__ import annotations

import dataclasses
import datetime
from collections.abc import Iterable
from pathlib import Path
from typing import Any, NoReturn

import click

from aliquot.core.decimals import date_of_text
from aliquot_host import (
    advice,
    board_file,
    boards,
    errors,
    help_texts,
    meaning,
    output,
    paths,
    setup_file,
    spelling,
    toml_text,
)
from aliquot_host.board_file import Data
from aliquot_host.setup_file import Loaded

# What a list of times says by itself.
LISTED = ("channel.doses", "channel.daily_ul")


@click.command("check")
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--boards",
    "place",
    type=click.Path(path_type=Path),
    help="A board file of your own, or a folder of them; files beside FILE are found anyway.",
)
@click.option("--explain", is_flag=True, help="List every default in use, and what it is for.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
@click.pass_context
def command(
    ctx: click.Context, file: Path, place: Path | None, explain: bool, as_json: bool
) -> None:
    """Say everything that is wrong with the set-up FILE, and what to do about it.

    FILE may also be a board file of your own, or a folder of them. Errors make the exit code 2; a
    board would refuse the file too. Warnings do not: they are what you may have meant, or may
    regret.
    """
    today = datetime.date.today()
    if file.is_dir() or (file.suffix == ".json" and board_file.says_so(file)):
        check_boards(ctx, file, as_json)
        return
    try:
        own = boards.at(place) if place else None
        loaded = setup_file.load(file, today=today, own=own)
    except errors.BadInput as wrong:
        if not as_json:
            raise
        refuse(ctx, file, wrong)
    warnings = advice.warnings(loaded, today)
    if as_json:
        payload: dict[str, object] = {
            "file": str(file),
            "ok": True,
            "sha256": loaded.digest,
            "bytes": len(loaded.canonical),
            "problems": [warning.as_json() for warning in warnings],
            "cautions": advice.cautions(loaded.data),
        }
        if explain:
            payload["defaults"] = [
                {"path": path, "value": value, "why": why} for path, value, why in defaults(loaded)
            ]
        output.print_json("aliquot-check", payload)
        return
    show(loaded, date_of_text(today.isoformat()))
    if explain:
        output.table(("field", "in use", "why, and what it is for"), defaults(loaded))
    output.problems(warnings, err=False)
    for caution in advice.cautions(loaded.data):
        output.say(f"caution: {caution}")


def refuse(ctx: click.Context, file: Path, wrong: errors.BadInput) -> NoReturn:
    """Print the problems as JSON and leave."""
    found = [problem.as_json() for problem in wrong.problems]
    output.print_json("aliquot-check", {"file": str(file), "ok": False, "problems": found})
    ctx.exit(errors.BAD_INPUT)


def check_boards(ctx: click.Context, place: Path, as_json: bool) -> None:
    """The same for a board file, or all of a folder."""
    good: dict[str, Data] = {}
    wrong: list[errors.Problem] = []
    warned: list[errors.Problem] = []
    files = boards.files(place)
    for file in files:
        try:
            board = boards.at(file)
            good.update(board)
            found = [p for each in board.values() for p in board_file.warnings(each)]
            warned += named(found, file, files)
        except errors.BadInput as bad:
            wrong += named(bad.problems, file, files)
    if wrong:
        told = errors.BadInput(wrong, str(place))
        if as_json:
            refuse(ctx, place, told)
        raise told
    if as_json:
        payload = {"problems": [p.as_json() for p in warned], "boards": list(good)}
        output.print_json("aliquot-check", {"file": str(place), "ok": True, **payload})
        return
    for name, board in good.items():
        output.say(f"{name}: no errors; {board['label']}, {len(board['outputs'])} outputs.")
    output.problems(warned, err=False)


def named(
    found: Iterable[errors.Problem], file: Path, files: list[Path]
) -> Iterable[errors.Problem]:
    """Problems with the file's name in front where there are several files."""
    for problem in found:
        path = f"{file.name}: {problem.path}" if len(files) > 1 else problem.path
        yield dataclasses.replace(problem, path=path)


def show(loaded: Loaded, date: int) -> None:
    """What the set-up means, a line a channel."""
    rows: list[tuple[object, ...]] = []
    for channel in loaded.data["channel"]:
        left = advice.days_left(channel, date)
        rows.append(
            (
                channel["id"],
                meaning.ml(channel["daily_ul"]),
                meaning.doses(channel),
                meaning.times(channel),
                meaning.days(channel),
                meaning.ml(channel["cap_ul"]),
                "" if left is None else f"{left} days",
            )
        )
    columns = ("channel", "a day", "doses", "times", "days", "cap in 24 h", "reservoir lasts")
    output.table(columns, rows, title=f"{loaded.where}: no errors")


def defaults(loaded: Loaded) -> list[tuple[str, str, str]]:
    """(field, value, why) of everything that a default decided, in the order of the table.

    A canonical file has every field written: there it is what TOML would leave out."""
    if not loaded.toml:
        own = {loaded.board["name"]: loaded.board} if loaded.board else None
        loaded = setup_file.load(toml_text.dump(loaded.data).encode(), own=own)
    found: list[tuple[str, str, str]] = []
    for path in loaded.filled:
        place = paths.plain(path)
        row = paths.row(path)
        value = _value(loaded.data, path)
        said = spelling.measured(row[2], value) if row else "none"
        why = help_texts.DERIVED.get(place, "")
        if place in LISTED and _value(loaded.data, path.rpartition(".")[0] + ".at"):
            why = "from the listed times"
        text = f"{spelling.sentence(why)} {help_texts.HELP[place]}".strip()
        found.append((loaded.shown(path), said, text))
    return found


def _value(data: Any, path: str) -> Any:
    for part in path.split("."):
        data = data[int(part) if paths.is_index(part) else part]
    return data
