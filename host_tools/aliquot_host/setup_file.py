"""Reads a set-up, TOML or canonical JSON, into complete canonical data, and writes either.

Whatever is wrong with a file, whoever made it, becomes one BadInput with every problem; nothing
else is ever raised, and no value is rounded, guessed or cut. Numbers are read as text and kept
exact. The file is only read; writing belongs to the commands.
"""

from __future__ import annotations

import dataclasses
import datetime
import difflib
import functools
import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from aliquot.core import consistent, fields, migrate, validate
from aliquot.core.decimals import date_of_text
from aliquot.core.plan import Setup
from aliquot.core.setup import build
from aliquot.core.validate import SKIP
from aliquot.core.zone_text import parse
from aliquot_host import boards, defaults, help_texts, paths, raw_file, spelling, zones
from aliquot_host.errors import BadInput, Problem, bad
from aliquot_host.paths import as_list, as_table, is_list, is_table
from aliquot_host.raw_file import Raw
from aliquot_host.spelling import Refused, sentence

CANONICAL_MOST_BYTES = 16 * 1024
PROBLEMS_MOST = 100

Data = dict[str, Any]


@dataclasses.dataclass(frozen=True)
class Loaded:
    """A set-up that is valid.

    data:    canonical, complete.
    toml:    whether it was written as TOML.
    where:   the file's name, "" for bytes.
    written: dotted path -> the value as it stood in the file.
    filled:  dotted paths of what was left out and filled in.
    board:   the complete data of the board it names; None where it names none.
    """

    data: Data
    toml: bool
    where: str
    written: dict[str, object]
    filled: tuple[str, ...]
    board: Data | None = None

    @functools.cached_property
    def canonical(self) -> bytes:
        """The bytes that a board keeps."""
        return dump_json(self.data)

    @functools.cached_property
    def digest(self) -> str:
        """SHA-256 of the canonical bytes, as hex."""
        return hashlib.sha256(self.canonical).hexdigest()

    @functools.cached_property
    def setup(self) -> Setup:
        """The compiled set-up that the engine runs."""
        return build(self.data, self.digest)

    def shown(self, path: str) -> str:
        """A dotted path as people see it beside this file."""
        return paths.shown(path, self.data, self.toml)


@dataclasses.dataclass
class _Reading:
    """What is known while a file is read."""

    toml: bool
    where: str
    today: datetime.date
    near: Path | None = None
    boards: Mapping[str, Data] = dataclasses.field(default_factory=dict[str, Data])
    board: Data | None = None
    problems: list[Problem] = dataclasses.field(default_factory=list[Problem])
    written: dict[str, object] = dataclasses.field(default_factory=dict[str, object])
    bad: list[str] = dataclasses.field(default_factory=list[str])
    unknown: list[str] = dataclasses.field(default_factory=list[str])
    filled: list[str] = dataclasses.field(default_factory=list[str])
    data: Any = None

    def add(
        self,
        path: str,
        value: object,
        limit: str,
        advice: str,
        stored: str = "",
        unknown: str = "",
    ) -> None:
        """Note a problem at a dotted path, or with `unknown` at a name there that is no field."""
        self.bad.append(f"{path}.{unknown}" if unknown else path)
        place = paths.plain(path)
        advice = advice or help_texts.RANGE.get(place) or help_texts.HELP.get(place, "")
        self.problems.append(Problem(path, value, stored, limit, advice))
        self.unknown.append(unknown)

    def told(self) -> list[Problem]:
        """The problems in the order of the file, with paths as people see them."""
        order = ["", *fields.children("")]

        def place(at: int) -> tuple[int, int]:
            parts = self.bad[at].split(".")
            section = order.index(parts[0]) if parts[0] in order else 0
            entry = int(parts[1]) if len(parts) > 1 and paths.is_index(parts[1]) else 0
            return section, entry

        told: list[Problem] = []
        for at in sorted(range(len(self.problems)), key=place)[:PROBLEMS_MOST]:
            # Only now, when all ids are known: two channels may bear the same one.
            problem, unknown = self.problems[at], self.unknown[at]
            shown = ".".join(filter(None, (self.shown(problem.path), unknown)))
            told.append(dataclasses.replace(problem, path=shown or self.where or "the file"))
        return told

    def shown(self, path: str) -> str:
        """A dotted path as people see it."""
        return paths.shown(path, self.data, self.toml)


def load(
    source: str | Path | bytes,
    *,
    where: str = "",
    today: datetime.date | None = None,
    own: Mapping[str, Data] | None = None,
) -> Loaded:
    """Return the set-up of a file or of bytes; BadInput with every problem where it is not valid.

    today: decides which clock changes are tried (the coming five years); default: this day.
    own: boards beside ours, by name; that of a file is looked for near the file too.
    """
    near = None if isinstance(source, bytes) else Path(source).parent
    if isinstance(source, bytes):
        content = source
    else:
        where = where or str(source)
        content = raw_file.read(Path(source))
    raw, toml = raw_file.parse(content, where or "the file")
    reading = _Reading(toml, where, today or datetime.date.today(), near, own or {})
    return _read(raw, reading)


def _read(raw: Raw, reading: _Reading) -> Loaded:
    """From what the parser gave to a valid set-up."""
    if reading.toml:
        if not any(key in raw for key in ("timezone", "channel", "tank", "version")):
            advice = "Nothing in it belongs to a set-up: there is no timezone and no [[channel]]."
            raise bad(reading.where or "the file", limit="a set-up of Aliquot", advice=advice)
        reading.data = data = _from_toml(reading, "", raw, "")
        version = data.get("version", fields.VERSION)
        _, refused = migrate.migrate({"format": fields.FORMAT, "version": version})
    else:
        reading.data = data = raw
        data, refused = migrate.migrate(raw)
        reading.data = data
        _twice(reading, data, "")
    if refused and "version" not in reading.bad:
        reading.problems.clear()
        reading.bad.clear()
        reading.unknown.clear()
        _tell(reading, refused)
        raise BadInput(reading.told(), reading.where)
    reading.filled = defaults.fill(data)
    _tell(reading, validate.shape(data))
    _derive_and_check(reading, data)
    if reading.problems:
        raise BadInput(reading.told(), reading.where)
    filled = tuple(reading.filled)
    loaded = Loaded(data, reading.toml, reading.where, reading.written, filled, reading.board)
    if len(loaded.canonical) > CANONICAL_MOST_BYTES:
        raise bad(
            reading.where or "the file",
            f"{len(loaded.canonical)} bytes as the board keeps it",
            limit=f"at most {CANONICAL_MOST_BYTES} bytes",
            advice="List fewer times, or spread doses evenly.",
        )
    return loaded


def _twice(reading: _Reading, value: Any, where: str) -> None:
    """Names that a JSON object holds twice, anywhere."""
    if isinstance(value, raw_file.Table):
        for name in value.twice:
            at = f"{where}.{name}" if where else name
            reading.add(at, None, "each field once", "Take one of the two out.")
    for name, inner in as_table(value).items():
        _twice(reading, inner, f"{where}.{name}" if where else name)
    for i, inner in enumerate(as_list(value)):
        _twice(reading, inner, f"{where}.{i}")


def _from_toml(reading: _Reading, path: str, table: Raw, where: str) -> Data:
    """The canonical object of a TOML table: names and units changed, nothing filled in."""
    made: Data = {}
    if not where:
        reading.data = made
    dot = where + "." if where else ""
    rows = {row[1]: row for row in fields.rows(path)}
    inner = fields.children(path)
    for name, value in table.items():
        if name in rows:
            made[rows[name][0]] = _field(reading, rows[name], value, dot)
        elif name in inner:
            made[name] = _section(
                reading, f"{path}.{name}" if path else name, made, name, value, dot
            )
        else:
            reading.add(where, _plain(value), "no such field", _meant(name, path, rows), "", name)
    return made


def _field(reading: _Reading, row: paths.Row, value: object, dot: str) -> object:
    """What is stored for a written value; SKIP where nothing can be, which is then said."""
    key, _, unit, least, most, default = row
    reading.written[dot + key] = value
    try:
        return spelling.stored(unit, value)
    except Refused as refused:
        advice = refused.advice
        if unit in spelling.NUMBERS:
            advice = f"{advice} The range is {spelling.span(unit, least, most, default)}.".strip()
        reading.add(dot + key, _plain(value), refused.limit, advice)
        return SKIP


def _section(reading: _Reading, path: str, owner: Data, name: str, value: Any, dot: str) -> object:
    """The canonical form of the table, or the list of tables, that stands for a section."""
    shape = fields.section(path)[0]
    where = dot + name
    if not shape.startswith("*"):
        if is_table(value):
            return _from_toml(reading, path, as_table(value), where)
        reading.add(where, _plain(value), "a table", f"Write [{path}], or {name} = {{ ... }}.")
        return SKIP
    if not is_list(value):
        advice = f"Write [[{path}]] with two brackets before each of them."
        reading.add(where, _plain(value), "a list of tables", advice)
        return SKIP
    made: list[object] = []
    owner[name] = made
    for i, entry in enumerate(as_list(value)):
        if is_table(entry):
            # Stands there while it is read, so that problems in it can name their channel.
            made.append({"id": as_table(entry).get("id")})
            made[i] = _from_toml(reading, path, as_table(entry), f"{where}.{i}")
        else:
            made.append(SKIP)
            advice = f"Write [[{path}]] with two brackets before each of them."
            reading.add(f"{where}.{i}", _plain(entry), "a table", advice)
    return made


def _plain(value: object) -> object:
    """A value as a problem shows it."""
    return "an empty text" if value == "" else value


def _meant(name: str, path: str, rows: dict[str, paths.Row]) -> str:
    """Advice for a field that does not exist: the one that was probably meant."""
    for row in rows.values():
        if row[0] == name:
            return (
                f"In TOML it is called {row[1]}, in {spelling.NUMBERS[row[2]][0]}."
                if (row[2] in spelling.NUMBERS and spelling.NUMBERS[row[2]][0])
                else f"In TOML it is called {row[1]}."
            )
    known = [*rows, *fields.children(path)]
    near = difflib.get_close_matches(name[:60], known, n=1, cutoff=0.6)
    if near:
        return f"Did you mean {near[0]}?"
    return "Take it out. The fields here are " + ", ".join(known) + "."


def _derive_and_check(reading: _Reading, data: Data) -> None:
    """Work out the defaults that depend on others, then look at how all of it fits together."""
    listed = as_list(data.get("channel"))
    clean = [i for i in range(len(listed)) if not _is_bad(reading, f"channel.{i}")]
    found: list[Any] = []
    if not _is_bad(reading, "timezone") and "tz" not in reading.bad:
        _zone(reading, data)
    taken = {listed[i]["pump"]["output"] for i in clean if listed[i]["pump"]["output"] is not SKIP}
    for i in clean:
        defaults.derive_channel(listed[i], taken)
    if reading.bad:
        for i in clean:
            consistent.channel(found, listed[i], f"channel.{i}")
        _names(reading, data, found)
        _tell(reading, found)
        return
    try:
        parse(data["tz"])
    except ValueError as wrong:
        advice = sentence(str(wrong)) + " Leave it out to have the zone's own."
        reading.add("tz", data["tz"], "a POSIX rule of a time zone", advice)
        return
    for i in clean:
        consistent.channel(found, listed[i], f"channel.{i}")
    consistent.names(found, data)
    reading.board = boards.find(data["board"], reading.near, reading.boards)
    found += boards.problems(data, reading.board)
    date = date_of_text(reading.today.isoformat())
    if not found:
        defaults.derive_grace(data)
        found = consistent.problems(data, date)
    _tell(reading, found)


def _names(reading: _Reading, data: Data, found: list[Any]) -> None:
    """Look at names even where other fields are wrong, as long as the names themselves are not."""
    seen: list[Any] = []
    channels = [] if _is_bad(reading, "tank") else as_list(data.get("channel"))
    for i, channel in enumerate(channels):
        names = [f"channel.{i}.{name}" for name in ("id", "pump", "strength")]
        if f"channel.{i}" in reading.bad or any(_is_bad(reading, name) for name in names):
            return
        output: Any = channel["pump"]["output"]
        pump = {"output": -1 - i if output is SKIP else output}
        seen.append({"id": channel["id"], "strength": channel["strength"], "pump": pump})
    if seen:
        bad_pairs = [key for key in ("separate", "group") if _is_bad(reading, key)]
        pairs: Data = {key: list[Any]() for key in bad_pairs}
        consistent.names(found, {**data, **pairs, "channel": seen})


def _is_bad(reading: _Reading, where: str) -> bool:
    """Whether anything at or below a path is wrong, or what holds it."""
    if "" in reading.bad or where.split(".")[0] in reading.bad:
        return True
    return any(path == where or path.startswith(where + ".") for path in reading.bad)


def _zone(reading: _Reading, data: Data) -> None:
    """The rule of the named zone; one that does not hold for years is not taken over unasked."""
    name = data["timezone"]
    try:
        verdict = defaults.verdict(name, reading.today)
    except zones.UnknownZone as unknown:
        close = ", ".join(unknown.close)
        advice = f"Did you mean {close}?" if close else "Write it as Europe/Berlin is written."
        reading.add("timezone", name, "a name of the zone database", advice)
        return
    if data["tz"] is not SKIP:
        return
    if verdict.holds:
        data["tz"] = verdict.text
        return
    advice = (
        f"{verdict.reason} A board keeps one rule for all years: choose a zone with the same "
        "clock, or write tz yourself and mind the days on which it is wrong."
    )
    reading.add("timezone", name, f"a zone whose rule holds for {zones.YEARS} years", advice)


def _tell(reading: _Reading, found: list[Any]) -> None:
    """Turn problems of the validator into ones for people."""
    for path, value, rule, limit, advice in found:
        row = paths.row(path)
        if rule == "is used by":
            limit = reading.shown(limit)
        phrase = _limit(row, rule, limit)
        stored = ""
        seen: object = value
        if row and reading.toml:
            seen = reading.written.get(path, value)
            stored = spelling.kept(row[2], value)
        if path in reading.filled:
            stored = f"{spelling.kept(row[2], value) or value}, by default" if row else ""
            seen = None
        if rule == "is":
            advice = help_texts.MISSING.get(paths.plain(path), advice) or advice
            seen, stored = None, ""
        if row and not reading.toml and rule in ("at least", "at most"):
            stored = spelling.measured(row[2], value) if row[2] in spelling.NUMBERS else stored
        reading.add(path, seen, phrase, sentence(str(advice)), stored)


def _limit(row: paths.Row | None, rule: str, limit: object) -> str:
    """What is allowed, as a phrase in the units that people write."""
    if rule == "is":
        return "must be there"
    if not row or not isinstance(limit, int):
        return f"{rule} {limit}"
    _, _, unit, least, most, default = row
    if (rule == "at least" and limit == least) or (rule == "at most" and limit == most):
        return spelling.span(unit, least, most, default)
    return f"{rule} {spelling.measured(unit, limit)}"


def dump_json(data: Data) -> bytes:
    """The canonical bytes of canonical data: whole numbers, keys sorted, no blanks, UTF-8."""
    text = json.dumps(
        data, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
    )
    return text.encode()
