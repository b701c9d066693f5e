"""Fills in what a set-up leaves out: first what the table fixes, then what depends on others.

It never replaces what was written, and never makes up what has no default: the daily volume, the
cap, the largest dose and the calibration.
"""

from __future__ import annotations

import datetime
import functools
from typing import Any

from aliquot.core import consistent, fields, survey
from aliquot.core.dates import days_of
from aliquot.core.setup import build
from aliquot.core.validate import SKIP
from aliquot_host import zones
from aliquot_host.paths import as_list, as_table, is_table

GRACE_S = 1800
RUN_LEAST_S = 10
SPEED_CPS = {"stepper": 500, "timed": 1000}

Data = dict[str, Any]


@functools.lru_cache(maxsize=64)
def verdict(name: str, today: datetime.date) -> zones.Verdict:
    """What `zones.check` says of a zone; comparing five years takes a tenth of a second."""
    return zones.check(name, today)


def fill(data: Data) -> list[str]:
    """Fill in the fixed defaults in place, SKIP for those that `derive` works out later.

    Returns the dotted paths of all that was not written."""
    filled: list[str] = []
    for i, channel in enumerate(as_list(data.get("channel"))):
        if is_table(channel):
            _listed(as_table(channel), f"channel.{i}", filled)
    _object("", data, "", filled)
    return filled


def _listed(channel: Data, where: str, filled: list[str]) -> None:
    """Listed times say themselves how many doses there are, and with volumes how much that is."""
    listed = as_list(channel.get("at"))
    if not listed:
        return
    if "doses" not in channel:
        channel["doses"] = len(listed)
        filled.append(f"{where}.doses")
    volumes: list[object] = [as_table(dose).get("ul") for dose in listed]
    known = [ul for ul in volumes if isinstance(ul, int)]
    if "daily_ul" not in channel and known:
        channel["daily_ul"] = sum(known)
        filled.append(f"{where}.daily_ul")


def _object(path: str, value: Data, where: str, filled: list[str]) -> None:
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
        held = value.get(name)
        if is_table(held):
            _object(inner, as_table(held), dot + name, filled)
        for i, entry in enumerate(as_list(held)):
            if is_table(entry):
                _object(inner, as_table(entry), f"{dot}{name}.{i}", filled)


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
        channel["run_most_s"] = min(
            longest, max(RUN_LEAST_S, 2 * consistent.longest_s(channel, most))
        )
    if channel["reservoir"] and channel["reservoir"]["left_ul"] is SKIP:
        channel["reservoir"]["left_ul"] = channel["reservoir"]["size_ul"]
    if channel["catch_up"]["max_ul"] is SKIP:
        channel["catch_up"]["max_ul"] = channel["daily_ul"] // 2


def derive_grace(data: Data) -> None:
    """Fill in the grace of each channel from the shortest time between two of its doses.

    The days are laid out as the board will lay them out, from a day on which every channel has
    started and every ramp is over: the same file gives the same grace whenever it is read. Where a
    day cannot be laid out the least stands, and the validator says why."""
    waiting = [i for i, channel in enumerate(data["channel"]) if channel["grace_s"] is SKIP]
    for i in waiting:
        data["channel"][i]["grace_s"] = consistent.GRACE_LEAST_S
    if not waiting:
        return
    date = days_of(2026, 1, 1)
    for channel in data["channel"]:
        ramp = channel["ramp"]
        date = max(date, channel["start_date"] or 0)
        date = max(date, ramp["start_date"] + ramp["days"] if ramp else 0)
    gaps, _, _ = survey.survey(build(data), consistent.calibrations(data), date)
    least = consistent.GRACE_LEAST_S
    for i in waiting:
        shortest = (gaps[i] - 60) // 60 * 60
        data["channel"][i]["grace_s"] = max(least, min(GRACE_S, shortest))


def fields_most(section: str, key: str) -> int:
    """The largest value that the table allows for a field."""
    return next(row[4] for row in fields.rows(section) if row[0] == key)
