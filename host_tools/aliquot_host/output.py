"""How results leave a command: tables and sentences for people, one JSON document for programs.

Results go to stdout; progress, warnings and errors go to stderr, so a pipe carries results alone.
Text that came from a file is never read as markup. The libraries load when first used.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, TypeVar

from aliquot_host.errors import Problem, printable

if TYPE_CHECKING:
    from rich.console import Console

T = TypeVar("T")

# A pipe has no width; this one keeps the rows of a timetable whole.
PIPE_WIDTH = 160


def console(*, err: bool = False) -> Console:
    """The console of stdout, or with err=True of stderr."""
    from rich.console import Console

    stream = sys.stderr if err else sys.stdout
    return Console(
        stderr=err,
        width=None if stream.isatty() else PIPE_WIDTH,
        markup=False,
        highlight=False,
        emoji=False,
        soft_wrap=not stream.isatty(),
    )


def say(*lines: str, style: str | None = None) -> None:
    """Sentences on stdout."""
    for line in lines:
        console().print(line, style=style)


def note(*lines: str, style: str | None = None) -> None:
    """Sentences on stderr: progress, warnings, what was written where."""
    for line in lines:
        console(err=True).print(line, style=style)


def table(
    columns: Sequence[str],
    rows: Iterable[Sequence[object]],
    *,
    title: str = "",
    numbers: Iterable[str] = (),
) -> None:
    """Print rows under columns on stdout.

    columns: headings, each with its unit. numbers: the headings whose cells stand to the right.
    A row has one cell a column (ValueError otherwise); None leaves a cell empty.
    """
    from rich import box
    from rich.table import Table
    from rich.text import Text

    right = set(numbers)
    grid = Table(
        title=title or None, title_justify="left", title_style="bold", box=box.SIMPLE_HEAD
    )
    for column in columns:
        grid.add_column(Text(column), justify="right" if column in right else "left")
    for row in rows:
        if len(row) != len(columns):
            raise ValueError(f"a row of {len(row)} cells under {len(columns)} columns")
        grid.add_row(*(Text("" if cell is None else printable(str(cell), most=0)) for cell in row))
    console().print(grid)


def print_json(format: str, payload: Mapping[str, object], version: int = 1) -> None:
    """Print one JSON document on stdout: `format` and `version` first, then the payload.

    format: the name of the shape, for example `aliquot-timetable`. version rises when a program
    that reads the shape would have to change. NaN and infinities are refused (ValueError).
    """
    for name in ("format", "version"):
        if name in payload:
            raise ValueError(f"{name} is print_json's own key")
    document = {"format": format, "version": version, **payload}
    sys.stdout.write(json.dumps(document, ensure_ascii=False, allow_nan=False, indent=2) + "\n")


def problems(found: Iterable[Problem], *, err: bool = True) -> None:
    """Print problems, errors before warnings, on stderr or with err=False on stdout."""
    ordered = sorted(found, key=lambda problem: problem.level != "error")
    for problem in ordered:
        style = "red" if problem.level == "error" else "yellow"
        target = console(err=err)
        target.print(f"{problem.level}: ", style=f"bold {style}", end="")
        target.print(problem.text())


def progress(items: Sequence[T], what: str) -> Iterator[T]:
    """Yield the items, with a bar on stderr where that is a terminal."""
    if not sys.stderr.isatty():
        yield from items
        return
    from rich.progress import track

    yield from track(items, description=what, console=console(err=True), transient=True)
