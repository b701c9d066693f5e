"""Paths of a set-up: from the dotted ones of the validator to the ones people see, and to the table.

`channel.0.daily_ul` is shown as `channel[alk].daily_ml` beside a TOML file. Nothing is checked here.
"""

from __future__ import annotations

import functools
from typing import Any

from aliquot.core import fields

Row = tuple[str, str, str, int, int, str]


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
        channels: Any = data.get("channel") if isinstance(data, dict) else None
        listed: list[Any] = channels if isinstance(channels, list) else []
        ids = [c.get("id") if isinstance(c, dict) else None for c in listed]
        name = ids[index] if index < len(ids) else None
        if isinstance(name, str) and 0 < len(name) <= 16 and ids.count(name) == 1:
            return name
    return str(index + 1)
