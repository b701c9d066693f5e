"""Fills in what a set-up leaves out: first what the table fixes, then what depends on other fields.

It never replaces what was written, and never makes up what has no default: the daily volume, the
cap, the largest dose and the calibration.
"""

from __future__ import annotations

from typing import Any

from aliquot.core import consistent, fields, survey
from aliquot.core.setup import build
from aliquot.core.validate import SKIP

GRACE_S = 1800
GRACE_LEAST_S = 120
RUN_LEAST_S = 10
SPEED_CPS = {"stepper": 500, "timed": 1000}

Data = dict[str, Any]


def fill(data: Data) -> list[str]:
    """Fill in the fixed defaults in place, SKIP for those that `derive` works out later.

    Returns the dotted paths of all that was not written."""
    filled: list[str] = []
    channels = data.get("channel")
    for i, channel in enumerate(channels if isinstance(channels, list) else []):
        if isinstance(channel, dict):
            _listed(channel, f"channel.{i}", filled)
    _object("", data, "", filled)
    return filled


def _listed(channel: Data, where: str, filled: list[str]) -> None:
    """Listed times say themselves how many doses there are, and with volumes how much that is."""
    listed = channel.get("at")
    if not isinstance(listed, list) or not listed:
        return
    if "doses" not in channel:
        channel["doses"] = len(listed)
        filled.append(f"{where}.doses")
    volumes = [dose.get("ul") if isinstance(dose, dict) else None for dose in listed]
    if "daily_ul" not in channel and all(isinstance(ul, int) for ul in volumes):
        channel["daily_ul"] = sum(volumes)
        filled.append(f"{where}.daily_ul")


def _object(path: str, value: Any, where: str, filled: list[str]) -> None:
    if not isinstance(value, dict):
        return
    dot = where + "." if where else ""
    for key, _, unit, _, _, default in fields.rows(path):
        if key not in value and default not in ("!", "~"):
            value[key] = SKIP if default == "*" else fields.plain(unit, default)
            filled.append(dot + key)
    for name in fields.children(path):
        inner = f"{path}.{name}" if path else name
        shape, least, _ = fields.section(inner)
        if name not in value and shape != "!" and not (shape == "*" and least):
            value[name] = {"=": {}, "?": None, "*": [], "*?": None}[shape]
            if shape != "=":
                filled.append(dot + name)
        listed = value.get(name)
        if isinstance(listed, list):
            for i, entry in enumerate(listed):
                _object(inner, entry, f"{dot}{name}.{i}", filled)
        else:
            _object(inner, listed, dot + name, filled)


def derive_channel(channel: Data, taken: set[int]) -> None:
    """Fill in what depends on other fields of the same channel, all of which are right.

    `taken` holds the outputs in use; grace waits for `derive_grace`."""
    pump, most = channel["pump"], channel["dose_most_ul"]
    if pump["output"] is SKIP:
        pump["output"] = min(set(range(1, 17)) - taken)
        taken.add(pump["output"])
    if pump["speed_cps"] is SKIP:
        pump["speed_cps"] = SPEED_CPS[pump["kind"]]
    if channel["run_most_s"] is SKIP:
        longest = fields_most("channel", "run_most_s")
        channel["run_most_s"] = min(longest, max(RUN_LEAST_S, 2 * consistent.longest_s(channel, most)))
    if channel["reservoir"] and channel["reservoir"]["left_ul"] is SKIP:
        channel["reservoir"]["left_ul"] = channel["reservoir"]["size_ul"]
    if channel["catch_up"]["max_ul"] is SKIP:
        channel["catch_up"]["max_ul"] = channel["daily_ul"] // 2


def derive_grace(data: Data, date: int) -> None:
    """Fill in the grace of each channel from the shortest time between two of its doses.

    The days are laid out as the board will lay them out; where one cannot be, the least stands."""
    waiting = [channel for channel in data["channel"] if channel["grace_s"] is SKIP]
    for channel in waiting:
        channel["grace_s"] = GRACE_LEAST_S
    if not waiting:
        return
    gaps, _, _ = survey.survey(build(data), consistent.calibrations(data), date)
    for channel, gap_s in zip(data["channel"], gaps, strict=True):
        if any(channel is one for one in waiting):
            channel["grace_s"] = max(GRACE_LEAST_S, min(GRACE_S, (gap_s - 60) // 60 * 60))


def fields_most(section: str, key: str) -> int:
    """The largest value that the table allows for a field."""
    return next(row[4] for row in fields.rows(section) if row[0] == key)
