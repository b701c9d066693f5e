"""Reads a CSV file that a person or a spreadsheet wrote, cell by cell, with the line to blame.

Comma, semicolon or tab, whichever the header uses; beside semicolons and tabs a decimal comma is
read too. Empty lines and lines that begin with `#` are comments. Nothing is guessed: a cell that
is no number is bad input.
"""

from __future__ import annotations

import csv
import dataclasses
import io
import math
from collections.abc import Iterable
from pathlib import Path

from aliquot_host import raw_file
from aliquot_host.errors import bad

SIZE_MOST = 32 << 20
DELIMITERS = (";", "\t", ",")


@dataclasses.dataclass(frozen=True)
class Row:
    """The cells of one line of the file, by the heading as it stands there."""

    where: str
    line: int
    cells: dict[str, str]
    comma: bool

    def at(self, column: str) -> str:
        """Where a cell stands, for an error."""
        return f"{self.where}, line {self.line}, {column}"

    def text(self, column: str) -> str:
        """The cell without blanks at its ends; "" where the column or the value is absent."""
        return self.cells.get(column, "")

    def number(
        self, column: str, least: float = -math.inf, most: float = math.inf, advice: str = ""
    ) -> float | None:
        """The cell as a number, None where it is empty. BadInput: no number, or out of range."""
        text = self.text(column)
        if not text:
            return None
        plain = text.replace(",", ".") if self.comma and "." not in text else text
        try:
            # Python would take these, and no instrument writes them.
            value = float(plain) if "_" not in plain else math.nan
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            raise bad(
                self.at(column), text, limit="a number", advice=advice or "Write digits and a dot."
            )
        if not least <= value <= most:
            limit = f"{least:g} to {most:g}" if math.isfinite(most) else f"{least:g} or more"
            raise bad(self.at(column), text, limit=limit, advice=advice or "Look for a slip.")
        return value


@dataclasses.dataclass(frozen=True)
class Table:
    """The headings in their order, and the rows."""

    where: str
    columns: list[str]
    rows: list[Row]


def read(path: Path, rows_most: int = 200_000) -> Table:
    """Return a file's rows. BadInput: unreadable, no header, a row of another width."""
    where = str(path)
    content = raw_file.read(path, SIZE_MOST)
    if len(content) > SIZE_MOST:
        raise bad(where, limit=f"at most {SIZE_MOST >> 20} MB", advice="Read a part of it.")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        advice = "Save it as CSV in UTF-8."
        raise bad(where, limit="text in UTF-8", advice=advice) from None
    return parse(text, where, rows_most)


def parse(text: str, where: str, rows_most: int = 200_000) -> Table:
    """Like `read`, of a text."""
    lines = [
        (number, line)
        for number, line in enumerate(text.splitlines(), 1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not lines:
        raise bad(where, limit="a header and rows", advice="The file is empty.")
    if len(lines) > rows_most + 1:
        advice = "Take every tenth reading, or a part of it."
        raise bad(where, len(lines) - 1, limit=f"{rows_most} rows", advice=advice)
    head = lines[0][1]
    delimiter = next((d for d in DELIMITERS if d in head), ",")
    columns = [name.strip() for name in _cells(head, delimiter, where, lines[0][0])]
    twice = [name for i, name in enumerate(columns) if name in columns[:i] or not name]
    if twice:
        advice = "Give each column a name of its own."
        raise bad(f"{where}, line {lines[0][0]}", twice[0], limit="named once", advice=advice)
    rows: list[Row] = []
    for number, line in lines[1:]:
        cells = _cells(line, delimiter, where, number)
        while len(cells) > len(columns) and not cells[-1].strip():
            cells.pop()
        if len(cells) > len(columns):
            limit = f"{len(columns)} cells, as in the header"
            advice = "Put a text with a comma in quotes, and write decimals with a dot."
            raise bad(f"{where}, line {number}", len(cells), limit=limit, advice=advice)
        named = dict(zip(columns, (cell.strip() for cell in cells), strict=False))
        rows.append(Row(where, number, named, delimiter != ","))
    return Table(where, columns, rows)


def need(table: Table, wanted: Iterable[str]) -> str:
    """The first heading of `wanted` that is there. BadInput: none is."""
    names = list(wanted)
    for name in names:
        if name in table.columns:
            return name
    limit = f"a column {' or '.join(names)}"
    shown = ",".join(table.columns)
    raise bad(table.where, shown, limit=limit, advice="Put it into the first line.")


def _cells(line: str, delimiter: str, where: str, number: int) -> list[str]:
    try:
        reader = csv.reader(io.StringIO(line), delimiter=delimiter, strict=True)
        found: list[str] = next(reader)
    except csv.Error as error:
        advice = f"{str(error).capitalize()}: look at the quotes of this line."
        raise bad(f"{where}, line {number}", line, limit="CSV", advice=advice) from None
    return found
