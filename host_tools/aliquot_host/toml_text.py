"""Writes canonical data as TOML of few lines: what a default would give again is left out.

Reading the text back gives the same canonical data, to the byte; a test holds that. Comments of a
file that somebody wrote are not kept, because canonical data has none.
"""

from __future__ import annotations

import copy
import datetime
from typing import Any

import tomlkit
from tomlkit.items import Float, Trivia

from aliquot.core import fields
from aliquot.core.dates import ymd
from aliquot.core.decimals import time_text
from aliquot.core.validate import SKIP
from aliquot_host import defaults, spelling, zones

Data = dict[str, Any]

# Tables of a channel that fit on a line.
INLINE = ("ramp", "calibration", "pump", "reservoir", "catch_up", "remind", "strength")


def dump(data: Data, today: datetime.date | None = None) -> str:
    """Return the TOML text of complete, valid canonical data.

    today: from when on the zone's rule must hold to be left out, as in `setup_file.load`."""
    short = _shortened(data, today or datetime.date.today())
    document = tomlkit.document()
    _put(document, "", short)
    if short.get("tank"):
        document.add("tank", _table("tank", short["tank"]))
    for name in ("channel", "separate", "group"):
        if short.get(name):
            document.add(name, _tables(name, short[name]))
    if short.get("clock"):
        document.add("clock", _table("clock", short["clock"]))
    return tomlkit.dumps(document)  # type: ignore[reportUnknownMemberType]


def _shortened(data: Data, today: datetime.date) -> Data:
    """A copy of the data without anything that filling in would give again."""
    short: Data = copy.deepcopy(data)
    short.pop("format")
    _strip("", short)
    for channel in short["channel"]:
        listed = channel.get("at")
        if listed:
            channel.pop("doses", None)
            if "ul" in listed[0]:
                channel.pop("daily_ul", None)
    _restore("", short, _derived(data, today), data)
    return short


def _derived(data: Data, today: datetime.date) -> Data:
    """A copy of the data in which each derived field holds what reading would derive for it."""
    full: Data = copy.deepcopy(data)
    taken: set[int] = set()
    for channel in full["channel"]:
        channel["pump"]["output"] = channel["run_most_s"] = channel["grace_s"] = SKIP
        channel["catch_up"]["max_ul"] = SKIP
        if channel["reservoir"]:
            channel["reservoir"]["left_ul"] = SKIP
        defaults.derive_channel(channel, taken)
    defaults.derive_grace(full)
    outputs = [[c["pump"]["output"] for c in each["channel"]] for each in (full, data)]
    for channel in full["channel"]:
        channel["pump"]["speed_cps"] = defaults.SPEED_CPS[channel["pump"]["kind"]]
        # Outputs depend on each other: all of them are written, or none.
        if outputs[0] != outputs[1]:
            channel["pump"]["output"] = None
    try:
        verdict = defaults.verdict(data["timezone"], today)
        full["tz"] = verdict.text if verdict.holds else None
    except zones.UnknownZone:
        full["tz"] = None
    return full


def _strip(path: str, value: Data) -> None:
    """Take fixed defaults and all derived fields out, and objects that are empty then."""
    for key, _, unit, _, _, default in fields.rows(path):
        if default == "*" or (
            default not in ("!", "~")
            and key in value
            and value[key] == fields.plain(unit, default)
        ):
            value.pop(key, None)
    for name in fields.children(path):
        inner = f"{path}.{name}" if path else name
        held = value.get(name)
        for entry in held if isinstance(held, list) else [held] if held else []:  # type: ignore[reportUnknownVariableType]
            _strip(inner, entry)  # type: ignore[reportUnknownArgumentType]
        if held is None or held == [] or (held == {} and fields.section(inner)[0] == "="):
            value.pop(name, None)


def _restore(path: str, short: Data, full: Data, data: Data) -> None:
    """Put derived fields back whose value differs from what would be derived."""
    for key, _, _, _, _, default in fields.rows(path):
        if default == "*" and full[key] != data[key]:
            short[key] = data[key]
    for name in fields.children(path):
        inner = f"{path}.{name}" if path else name
        held, worked = data[name], full[name]
        if isinstance(held, list):
            for i, entry in enumerate(held):  # type: ignore[reportUnknownArgumentType, reportUnknownVariableType]
                _restore(inner, short[name][i], worked[i], entry)  # type: ignore[reportUnknownArgumentType]
        elif held:
            kept: Data = short.get(name, {})
            _restore(inner, kept, worked, held)
            if kept:
                short[name] = kept


def _tables(path: str, entries: list[Data]) -> Any:
    made: Any = tomlkit.aot()
    for entry in entries:
        made.append(_table(path, entry))
    return made


def _table(path: str, value: Data) -> Any:
    made = tomlkit.table()
    _put(made, path, value)
    if path == "channel":
        if value.get("at"):
            made.add("at", _listed(value["at"]))
        for name in INLINE:
            if name in value:
                inline = tomlkit.inline_table()
                _put(inline, f"channel.{name}", value[name])
                made.add(name, inline)
    if value.get("water"):
        made.add("water", _tables("tank.water", value["water"]))
    return made


def _listed(doses: list[Data]) -> Any:
    made: Any = tomlkit.array()
    for dose in doses:
        inline = tomlkit.inline_table()
        _put(inline, "channel.at", dose)
        made.append(inline)
    if len(doses) > 3:
        made.multiline(True)
    return made


def _put(table: Any, path: str, value: Data) -> None:
    """Add the fields of a section, in the order of the table of fields."""
    for key, toml, unit, _, _, _ in fields.rows(path):
        if key in value:
            table.add(toml, item(unit, value[key]))


def item(unit: str, value: Any) -> Any:
    """A stored value as TOML holds it."""
    if unit == "date":
        return datetime.date(*ymd(value))
    if unit == "time":
        return time_text(value)
    if unit == "weekdays":
        return [name for i, name in enumerate(fields.DAYS) if value >> i & 1]
    if unit == "yes":
        return bool(value)
    if unit not in spelling.NUMBERS:
        return value
    text = spelling.amount(unit, value)
    if ":" in text:
        return text
    # The text itself, because a float could print as 1e-06.
    return Float(float(text), Trivia(), text) if "." in text else int(text)
