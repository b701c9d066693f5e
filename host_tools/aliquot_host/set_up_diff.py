"""Compares two set-ups in what they mean: two spellings of the same plan do not differ."""

from __future__ import annotations

import dataclasses
from typing import Any

from aliquot_host import meaning

Data = dict[str, Any]


@dataclasses.dataclass(frozen=True)
class Change:
    """One difference. where: a channel's id, "" for the set-up; before, after: "" if absent."""

    where: str
    what: str
    before: str
    after: str


def compare(a: Data, b: Data) -> list[Change]:
    """Every difference from canonical `a` to canonical `b`, the set-up's own first."""
    changes = _items("", meaning.whole(a), meaning.whole(b))
    before = {channel["id"]: channel for channel in a["channel"]}
    after = {channel["id"]: channel for channel in b["channel"]}
    for name in dict.fromkeys([*before, *after]):
        old = meaning.channel(before[name]) if name in before else []
        new = meaning.channel(after[name]) if name in after else []
        changes += _items(name, old, new)
    return changes


def _items(where: str, old: list[meaning.Item], new: list[meaning.Item]) -> list[Change]:
    before = {item.what: item for item in old}
    after = {item.what: item for item in new}
    changes: list[Change] = []
    for what in dict.fromkeys([*before, *after]):
        one, other = before.get(what), after.get(what)
        if one and other and one.same_as == other.same_as:
            continue
        changes.append(Change(where, what, one.text if one else "", other.text if other else ""))
    return changes
