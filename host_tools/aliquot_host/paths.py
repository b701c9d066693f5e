"""Paths of a set-up: the dotted ones of the validator, as people see them, and in the table.

`channel.0.daily_ul` is shown as `channel[alk].daily_ml` beside a TOML file. Nothing is checked
here: the data may be anything that a parser can give.
"""

from __future__ import annotations

import functools
from typing import Any, cast

from aliquot.core import fields

Row = tuple[str, str, str, int, int, str]


def as_table(value: object) -> dict[str, Any]:
    """The value where it is a table, else an empty one."""
    return cast("dict[str, Any]", value) if isinstance(value, dict) else {}


def is_table(value: Any) -> bool:
    """Whether the value is a table; says no more to a type checker."""
    return isinstance(value, dict)


def is_list(value: Any) -> bool:
    """Whether the value is a list; says no more to a type checker."""
    return isinstance(value, list)


def as_list(value: object) -> list[Any]:
    """The value where it is a list, else an empty one."""
    return cast("list[Any]", value) if isinstance(value, list) else []


@functools.cache
def rows() -> dict[str, Row]:
    """Path in the table, such as `channel.daily_ul` -> its row, for every field."""
    found: dict[str, Row] = {}
    for path in sections():
        for row in fields.rows(path):
            found[f"{path}.{row[0]}" if path else row[0]] = row
    return found


@functools.cache
def sections() -> tuple[str, ...]:
    """Every section of the table, parents before children; the first is "", the file itself."""
    found = [""]
    for path in found:
        found += [f"{path}.{name}" if path else name for name in fields.children(path)]
    return tuple(found)


def plain(path: str) -> str:
    """`channel.0.daily_ul` as `channel.daily_ul`, its place in the table."""
    return ".".join(part for part in path.split(".") if not is_index(part))


def is_index(part: str) -> bool:
    """Whether a part of a dotted path is the place in a list."""
    return part.isascii() and part.isdigit() and len(part) < 6


def row(path: str) -> Row | None:
    """The row of a dotted path, or None for a section or an unknown field."""
    return rows().get(plain(path))


def shown(path: str, data: Any, toml: bool) -> str:
    """The path as people see it: channels by their id, other entries by number from 1."""
    said = ""
    parts = path.split(".") if path else []
    at = ""
    for part in parts:
        if is_index(part) and at:
            said += f"[{_entry(at, int(part), data)}]"
            continue
        at = f"{at}.{part}" if at else part
        known = rows().get(at)
        said += ("." if said else "") + (known[1] if known and toml else part)
    return said


def _entry(section: str, index: int, data: Any) -> str:
    if section == "channel":
        ids = [as_table(c).get("id") for c in as_list(as_table(data).get("channel"))]
        name = ids[index] if index < len(ids) else None
        if isinstance(name, str) and 0 < len(name) <= 16 and ids.count(name) == 1:
            return name
    return str(index + 1)
