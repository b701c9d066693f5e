"""Reads bytes as TOML or JSON, whatever they are, into plain tables, lists and values.

Numbers stay exact: whole ones are ints, all others `spelling.Number`. What is too large, too deep,
no text, or no TOML or JSON is one BadInput. Nothing here knows what a set-up is.
"""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

from aliquot_host.errors import BadInput, bad
from aliquot_host.paths import as_list, as_table, is_table
from aliquot_host.spelling import Number, sentence

FILE_MOST_BYTES = 64 * 1024
DEPTH_MOST = 8
DIGITS_MOST = 4000

Raw = dict[str, Any]


class Table(dict[str, Any]):
    """A JSON object that remembers names which stood in it twice."""

    def __init__(self, pairs: list[tuple[str, Any]]) -> None:
        super().__init__(pairs)
        seen: set[str] = set()
        self.twice = [name for name, _ in pairs if name in seen or seen.add(name)]


def parse(content: bytes, where: str, what: str = "set-up") -> tuple[Raw, bool]:
    """Return (what stands in a file, whether it is TOML).

    where: names the file in problems. what: what it should be, for the advice in them."""
    if len(content) > FILE_MOST_BYTES:
        limit = f"at most {FILE_MOST_BYTES} bytes"
        raise bad(where, limit=limit, advice=f"This is too large for a {what}.")
    text = _decoded(content, where)
    # TOML may open with [tank], but never with {.
    toml = not where.endswith(".json") and not text.lstrip().startswith("{")
    return _parsed(text, toml, where, what), toml


def read(file: Path, most: int = FILE_MOST_BYTES) -> bytes:
    """The bytes of a file, one more than `most` at most; BadInput where it cannot be read."""
    try:
        with file.open("rb") as stream:
            return stream.read(most + 1)
    except FileNotFoundError:
        raise bad(
            str(file), advice="There is no such file: look at its name and folder."
        ) from None
    except IsADirectoryError:
        raise bad(str(file), advice="This is a folder: name the file in it.") from None
    except (OSError, ValueError) as wrong:
        raise bad(str(file), advice=f"It cannot be read: {wrong}.") from None


def _decoded(content: bytes, where: str) -> str:
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as wrong:
        line = content[: wrong.start].count(b"\n") + 1
        advice = f"Line {line} has bytes that are not text: save the file as UTF-8."
        raise bad(where, limit="text in UTF-8", advice=advice) from None


def _parsed(text: str, toml: bool, where: str, what: str) -> Raw:
    language = "TOML" if toml else "JSON"
    try:
        if toml:
            raw: Any = tomllib.loads(text, parse_float=Number)
        else:
            raw = json.loads(
                text,
                object_pairs_hook=Table,
                parse_float=Number,
                parse_constant=Number,
                parse_int=_whole,
            )
    except RecursionError:
        raise _deep(where, what) from None
    except ValueError as wrong:
        advice = f"It cannot be read as {language}: {sentence(str(wrong))}"
        raise bad(where, limit=f"a whole file of {language}", advice=advice) from None
    if _depth(raw) > DEPTH_MOST:
        raise _deep(where, what)
    if not is_table(raw):
        raise bad(where, raw, limit="an object", advice=f"This is not a {what} of Aliquot.")
    return as_table(raw)


def _deep(where: str, what: str) -> BadInput:
    limit = f"at most {DEPTH_MOST} levels inside each other"
    return bad(where, limit=limit, advice=f"This is not a {what} of Aliquot.")


def _whole(text: str) -> object:
    return int(text) if len(text) <= DIGITS_MOST else Number(text)


def _depth(raw: Any) -> int:
    """How many tables and lists stand inside each other, counted without recursion."""
    depth = 0
    level: list[Any] = [raw]
    while level and depth <= DEPTH_MOST:
        level = [
            inner for value in level for inner in [*as_table(value).values(), *as_list(value)]
        ]
        depth += 1
    return depth
