"""Brings a canonical configuration of an older version up to this one, step by step.

Each released change of the format adds one step, a function from a dict of version n to one of
n + 1 that keeps what the file meant; golden files of every version must pass through. Nothing here
guesses: a file of a newer version, of another format, or without a version is refused.
"""

from aliquot.core import fields

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

# Version n -> what makes n + 1 of it. Version 1 is the first, so there is nothing to climb yet.
STEPS: "dict[int, Any]" = {}


def migrate(
    data: "dict[str, Any]", steps: "dict[int, Any]" = STEPS, version: int = fields.VERSION
) -> "tuple[dict[str, Any], list[Any]]":
    """Return (data of `version`, problems); the data is as it came where there are problems.

    A problem has the form of those of `validate.py`."""
    if data.get("format") != fields.FORMAT:
        advice = "this is not a set-up of Aliquot, or not a whole one"
        return data, [("format", data.get("format"), "must be", fields.FORMAT, advice)]
    found = data.get("version")
    if isinstance(found, bool) or not isinstance(found, int) or found < 1:
        return data, [
            ("version", found, "must be", "a whole number from 1", "take an intact copy")
        ]
    if found > version:
        advice = (
            "a newer Aliquot wrote this: update Aliquot here, or export the file again from there"
        )
        return data, [("version", found, "at most", version, advice)]
    changed = data
    while found < version:
        if found not in steps:
            advice = "this Aliquot no longer reads version %d: convert it with an older one first"
            return data, [("version", found, "at least", found + 1, advice % found)]
        changed = steps[found](dict(changed))
        found += 1
        changed["version"] = found
    return changed, []
