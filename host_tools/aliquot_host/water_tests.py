"""Dated tests of the water, from a CSV file or from the test records of a journal.

One row a testing day: when, then a column for each value with its unit in the heading. Beside the
tests stand water changes and what was put in by hand, because both move the water too. Values are
turned into the set-up's units; nothing is averaged, left out or believed here.
"""

from __future__ import annotations

import dataclasses
import datetime
import math
import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from aliquot_host import chemistry, csv_file
from aliquot_host.chemistry import ALKALINITY
from aliquot_host.csv_file import Row, Table
from aliquot_host.errors import bad
from aliquot_host.intake import TEST, Entry

EPOCH = datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC)
DAY_S = 86400
# A date without a time is taken for noon of that day.
NOON = datetime.time(12)
WHEN = ("time", "date", "day")
CHANGE, ADDED = "change", "added"
PLAIN = frozenset((*WHEN, "salinity", "kit", "note", "change_l"))
VALUE_MOST = 1e6
_HEADING = re.compile(r"\s*([^\s_\[(][^\[(_]*?)\s*(?:_(.+)|[\[(]\s*(.+?)\s*[\])])?\s*")
_PART = re.compile(r"(?:([a-z][a-z ]*?)[\s:=]+)?(-?\d+(?:\.\d+)?)\s*(\S.*)?", re.IGNORECASE)


@dataclasses.dataclass(frozen=True)
class Reading:
    """One value of the water. at_d: days since 2000-01-01T00:00Z, or as the file counts them.

    salinity: of the same sample, 0.0 where it was not measured. kit: "" where there was one."""

    at_d: float
    value: float
    salinity: float = 0.0
    kit: str = ""


@dataclasses.dataclass(frozen=True)
class Change:
    """A water change of so many litres; values: of the new water, by the water's name."""

    at_d: float
    litres: float
    values: dict[str, float]


@dataclasses.dataclass(frozen=True)
class Added:
    """What somebody put in by hand: how much it raised one value of the tank."""

    at_d: float
    water: str
    raised: float


@dataclasses.dataclass
class Tests:
    """All that was written down: readings by the water's name, in the order of time.

    counted: times are plain days, so they cannot be set beside a journal."""

    readings: dict[str, list[Reading]] = dataclasses.field(
        default_factory=dict[str, list[Reading]]
    )
    units: dict[str, str] = dataclasses.field(default_factory=dict[str, str])
    changes: list[Change] = dataclasses.field(default_factory=list[Change])
    added: list[Added] = dataclasses.field(default_factory=list[Added])
    counted: bool = False
    where: str = ""

    def sort(self) -> None:
        """Put everything into the order of time."""
        for found in self.readings.values():
            found.sort(key=lambda reading: reading.at_d)
        self.changes.sort(key=lambda change: change.at_d)
        self.added.sort(key=lambda added: added.at_d)


def days_of(at_w: float) -> float:
    """Days since 2000 of a wall second."""
    return at_w / DAY_S


def date_of(at_d: float, zone: str = "UTC") -> datetime.datetime:
    """The local time of a day count."""
    return (EPOCH + datetime.timedelta(days=at_d)).astimezone(ZoneInfo(zone))


def units_of(data: Mapping[str, Any] | None) -> dict[str, str]:
    """The units that a set-up states its water in, by name."""
    tank = data["tank"] if data else None
    return {water["name"]: water["unit"] for water in tank["water"]} if tank else {}


def read(path: Path, units: Mapping[str, str], zone: str = "UTC") -> Tests:
    """Read a CSV file of tests.

    units: of the set-up, by the water's name; values are turned into them. zone: of times without
    an offset. BadInput: a heading, a time or a value that cannot be used."""
    return from_table(csv_file.read(path), units, zone)


def from_table(table: Table, units: Mapping[str, str], zone: str = "UTC") -> Tests:
    """Like `read`, of a table."""
    when = csv_file.need(table, WHEN)
    found = Tests(counted=when == "day", where=table.where)
    columns = {
        column: _heading(table, column, units) for column in table.columns if column not in PLAIN
    }
    if not columns:
        shown = ",".join(table.columns)
        advice = "Name each value with its unit: time,alkalinity_dKH,calcium_mg/L"
        raise bad(table.where, shown, limit="a column of tests", advice=advice)
    for role, name, _, unit in columns.values():
        if role in ("", ADDED):
            found.units[name] = units.get(name, unit)
            found.readings.setdefault(name, [])
    for row in table.rows:
        _row(found, row, when, columns, zone)
    found.sort()
    return found


def _row(
    found: Tests, row: Row, when: str, columns: dict[str, tuple[str, str, str, str]], zone: str
) -> None:
    """Take over one row."""
    at_d = _time(row, when, zone)
    salinity = row.number("salinity", 1, 60) or 0.0
    new: dict[str, float] = {}
    for column, (role, name, unit, stored) in columns.items():
        value = row.number(column, -VALUE_MOST, VALUE_MOST)
        if value is None:
            continue
        value = chemistry.converted(value, unit, stored, row.at(column))
        if role == CHANGE:
            new[name] = value
        elif role == ADDED:
            found.added.append(Added(at_d, name, value))
        else:
            reading = Reading(at_d, value, salinity, row.text("kit"))
            found.readings[name].append(reading)
    litres = row.number("change_l", 0, VALUE_MOST)
    if litres:
        found.changes.append(Change(at_d, litres, new))
    elif new:
        advice = "Say how many litres were changed, in a column change_l."
        raise bad(row.at("change_l"), limit="litres", advice=advice)


def _heading(table: Table, column: str, units: Mapping[str, str]) -> tuple[str, str, str, str]:
    """(role, water, its unit here, the unit to keep) of a column."""
    role, text = "", column
    for word in (CHANGE, ADDED):
        if column.lower().startswith(word + "_"):
            role, text = word, column[len(word) + 1 :]
    match = _HEADING.fullmatch(text)
    name = match[1].strip().lower() if match else ""
    unit = (match[2] or match[3] or "") if match else ""
    known = own_name(name, unit, units)
    path = f"{table.where}, heading {column}"
    if not name:
        raise bad(path, column, limit="NAME_UNIT", advice="For example alkalinity_dKH.")
    if not unit and known not in units and chemistry.kind(name) == ALKALINITY:
        limit = ", ".join(chemistry.ALKALINITY_UNITS)
        raise bad(path, column, limit=limit, advice="Say its unit: alkalinity_dKH")
    alkaline = chemistry.kind(name, unit) == ALKALINITY
    kept = units.get(known) or ("dKH" if alkaline else unit)
    unit = unit or kept
    chemistry.converted(1.0, unit, kept, path)
    return role, known, unit, kept


def own_name(name: str, unit: str, units: Mapping[str, str]) -> str:
    """What the set-up calls a value: the same name, or another for the same thing."""
    same = next((water for water in units if water.lower() == name), None)
    wanted = chemistry.kind(name, unit)
    alike = (water for water in units if chemistry.kind(water, units[water]) == wanted)
    return same or next(alike, name)


def readable(text: str) -> bool:
    """Whether a test record says a value that `from_journal` can read."""
    return any(_PART.fullmatch(part.strip()) for part in text.split(","))


def _time(row: Row, when: str, zone: str) -> float:
    """The day count of a row's time."""
    if when == "day":
        value = row.number(when, -VALUE_MOST, VALUE_MOST)
        if value is None:
            raise bad(row.at(when), limit="a number of days", advice="Say when it was tested.")
        return value
    text = row.text(when)
    return day_of_text(text, zone, row.at(when))


def day_of_text(text: str, zone: str, path: str) -> float:
    """The day count of a date or a time as ISO 8601 writes it; BadInput where it is none."""
    try:
        at = datetime.datetime.fromisoformat(text)
        if len(text) <= len("2026-03-10"):
            at = datetime.datetime.combine(at.date(), NOON)
    except ValueError:
        advice = "Write it as 2026-03-10 or 2026-03-10T19:30."
        raise bad(path, text, limit="a date or a time (ISO 8601)", advice=advice) from None
    if at.tzinfo is None:
        at = at.replace(tzinfo=ZoneInfo(zone))
    return (at - EPOCH) / datetime.timedelta(days=1)


def from_journal(
    entries: Iterable[Entry], units: Mapping[str, str], raised_by: Mapping[str, str]
) -> tuple[Tests, list[str]]:
    """The tests that stand in a journal, and what of them could not be read, as sentences.

    A test record is values with commas between: `alkalinity 8.1 dKH, calcium 425 mg/L`, or after
    `change 30 L` those of the new water. A value without a name is what the record's channel
    raises (`raised_by`: channel id -> water)."""
    found, odd = Tests(where="journal"), list[str]()
    for entry in entries:
        if entry.kind != TEST:
            continue
        at_d = days_of(entry.at_w)
        litres, values = 0.0, dict[str, float]()
        for part in entry.text.split(","):
            match = _PART.fullmatch(part.strip())
            name = (match[1] or "").strip().lower() if match else ""
            if match and name in ("change", "water change"):
                litres = float(match[2])
                continue
            name = name or raised_by.get(entry.channel, "")
            unit = (match[3] or "").strip() if match else ""
            name = own_name(name, unit, units)
            unit = unit or units.get(name, "")
            alkaline = chemistry.kind(name, unit) == ALKALINITY
            kept = units.get(name) or ("dKH" if alkaline else unit)
            fits = chemistry.plain_unit(unit) == chemistry.plain_unit(kept)
            alike = chemistry.is_alkalinity(unit) and chemistry.is_alkalinity(kept)
            if not match or not name or not (fits or alike):
                odd.append(f'record {entry.seq}: "{part.strip()}" is no value of the water')
                continue
            values[name] = chemistry.converted(float(match[2]), unit, kept)
            found.units.setdefault(name, kept)
        if litres:
            found.changes.append(Change(at_d, litres, values))
            continue
        for name, value in values.items():
            found.readings.setdefault(name, []).append(Reading(at_d, value))
    found.sort()
    return found, odd


def joined(a: Tests, b: Tests) -> Tests:
    """The tests of two places; one that stands in both (same minute, same value) counts once."""
    if a.counted != b.counted and (a.readings or a.changes) and (b.readings or b.changes):
        advice = "Write dates instead of day numbers."
        raise bad(a.where if a.counted else b.where, limit="a column time", advice=advice)
    both = Tests(units={**b.units, **a.units}, counted=a.counted, where=a.where)
    both.changes = [*a.changes, *b.changes]
    both.added = [*a.added, *b.added]
    for name in dict.fromkeys([*a.readings, *b.readings]):
        kept = list(a.readings.get(name, []))
        for reading in b.readings.get(name, []):
            if not any(_same(reading, other) for other in kept):
                kept.append(reading)
        both.readings[name] = kept
    both.sort()
    return both


def _same(a: Reading, b: Reading) -> bool:
    close = math.isclose(a.value, b.value, rel_tol=1e-9)
    return close and abs(a.at_d - b.at_d) * DAY_S < 90
