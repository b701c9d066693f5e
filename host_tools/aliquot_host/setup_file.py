"""Reads a set-up, TOML or canonical JSON, into complete canonical data, and writes either.

Whatever is wrong with a file, whoever made it, becomes one BadInput with every problem; nothing else
is ever raised, and no value is rounded, guessed or cut. Numbers are read as text and kept exact. The
file is only read; writing belongs to the commands.
"""

from __future__ import annotations

import dataclasses
import datetime
import difflib
import functools
import hashlib
import json
import tomllib
from pathlib import Path
from typing import Any

from aliquot.core import consistent, fields, migrate, validate
from aliquot.core.decimals import date_of_text
from aliquot.core.plan import Setup
from aliquot.core.setup import build
from aliquot.core.validate import SKIP
from aliquot.core.zone_text import parse
from aliquot_host import defaults, help_texts, paths, spelling, zones
from aliquot_host.errors import BadInput, Problem, bad
from aliquot_host.spelling import Number, Refused, sentence

FILE_MOST_BYTES = 64 * 1024
CANONICAL_MOST_BYTES = 16 * 1024
DEPTH_MOST = 8
DIGITS_MOST = 4000
PROBLEMS_MOST = 100

Data = dict[str, Any]
Raw = dict[str, Any]


@dataclasses.dataclass(frozen=True)
class Loaded:
    """A set-up that is valid.

    data:    canonical, complete.
    toml:    whether it was written as TOML.
    where:   the file's name, "" for bytes.
    written: dotted path -> the value as it stood in the file.
    filled:  dotted paths of what was left out and filled in.
    """

    data: Data
    toml: bool
    where: str
    written: dict[str, object]
    filled: tuple[str, ...]

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


class _Table(dict[str, Any]):
    """A JSON object that remembers names which stood in it twice."""

    def __init__(self, pairs: list[tuple[str, Any]]) -> None:
        super().__init__(pairs)
        seen: set[str] = set()
        self.twice = [name for name, _ in pairs if name in seen or seen.add(name)]


@dataclasses.dataclass
class _Reading:
    """What is known while a file is read."""

    toml: bool
    where: str
    today: datetime.date
    problems: list[Problem] = dataclasses.field(default_factory=list[Problem])
    written: dict[str, object] = dataclasses.field(default_factory=dict[str, object])
    bad: list[str] = dataclasses.field(default_factory=list[str])
    filled: list[str] = dataclasses.field(default_factory=list[str])
    data: Any = None

    def add(self, path: str, value: object, limit: str, advice: str, stored: str = "") -> None:
        """Note a problem at a dotted path."""
        self.bad.append(path)
        shown = paths.shown(path, self.data, self.toml) or self.where or "the file"
        self.problems.append(Problem(shown, value, stored, limit, advice))


def load(
    source: str | Path | bytes, *, where: str = "", today: datetime.date | None = None
) -> Loaded:
    """Return the set-up of a file or of bytes; BadInput with every problem where it is not valid.

    today: decides which clock changes are tried (the coming five years); default is the day's date.
    """
    if isinstance(source, bytes):
        content = source
    else:
        where = where or str(source)
        content = read(Path(source))
    if len(content) > FILE_MOST_BYTES:
        limit = f"at most {FILE_MOST_BYTES} bytes"
        raise bad(where or "the file", limit=limit, advice="This is too large for a set-up.")
    text = _decoded(content, where or "the file")
    toml = not (where.endswith(".json") or text.lstrip()[:1] in ("{", "["))
    # A TOML file may open with [tank]; JSON never holds an = outside its texts on that line.
    if text.lstrip()[:1] == "[" and not where.endswith(".json"):
        toml = True
    raw = _parsed(text, toml, where or "the file")
    reading = _Reading(toml, where, today or datetime.date.today())
    return _read(raw, reading)


def read(file: Path) -> bytes:
    """The bytes of a file, no more than can be a set-up; BadInput where it cannot be read."""
    try:
        with file.open("rb") as stream:
            return stream.read(FILE_MOST_BYTES + 1)
    except FileNotFoundError:
        raise bad(str(file), advice="There is no such file: look at its name and folder.") from None
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


def _parsed(text: str, toml: bool, where: str) -> Raw:
    language = "TOML" if toml else "JSON"
    try:
        if toml:
            raw: Any = tomllib.loads(text, parse_float=Number)
        else:
            raw = json.loads(
                text,
                object_pairs_hook=_Table,
                parse_float=Number,
                parse_constant=Number,
                parse_int=_whole,
            )
    except RecursionError:
        raise _deep(where) from None
    except ValueError as wrong:
        advice = f"It cannot be read as {language}: {sentence(str(wrong))}"
        raise bad(where, limit=f"a whole file of {language}", advice=advice) from None
    if _depth(raw) > DEPTH_MOST:
        raise _deep(where)
    if not isinstance(raw, dict):
        raise bad(where, raw, limit="an object", advice="This is not a set-up of Aliquot.")
    return raw  # type: ignore[reportUnknownVariableType]


def _deep(where: str) -> BadInput:
    limit = f"at most {DEPTH_MOST} levels inside each other"
    return bad(where, limit=limit, advice="This is not a set-up of Aliquot.")


def _whole(text: str) -> object:
    return int(text) if len(text) <= DIGITS_MOST else Number(text)


def _depth(raw: Any) -> int:
    """How many tables and lists stand inside each other, counted without recursion."""
    depth = 0
    level: list[Any] = [raw]
    while level and depth <= DEPTH_MOST:
        level = [
            inner
            for value in level
            if isinstance(value, (dict, list))
            for inner in (value.values() if isinstance(value, dict) else value)
        ]
        depth += 1
    return depth


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
        _tell(reading, refused)
        raise BadInput(reading.problems, reading.where)
    reading.filled = defaults.fill(data)
    reading.bad += [problem[0] for problem in _tell(reading, validate.shape(data))]
    _derive_and_check(reading, data)
    if reading.problems:
        shown = reading.problems[:PROBLEMS_MOST]
        raise BadInput(shown, reading.where)
    loaded = Loaded(data, reading.toml, reading.where, reading.written, tuple(reading.filled))
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
    if isinstance(value, _Table):
        for name in value.twice:
            at = f"{where}.{name}" if where else name
            reading.add(at, None, "each field once", "Take one of the two out.")
    if isinstance(value, dict):
        for name, inner in value.items():  # type: ignore[reportUnknownVariableType]
            _twice(reading, inner, f"{where}.{name}" if where else str(name))  # type: ignore[reportUnknownArgumentType]
    elif isinstance(value, list):
        for i, inner in enumerate(value):  # type: ignore[reportUnknownArgumentType, reportUnknownVariableType]
            _twice(reading, inner, f"{where}.{i}")


def _from_toml(reading: _Reading, path: str, table: Raw, where: str) -> Data:
    """The canonical object of a TOML table: names and units changed, nothing filled in."""
    made: Data = {}
    if not where:
        reading.data = made
    dot = where + "." if where else ""
    rows = {row[1]: row for row in fields.rows(path)}
    inner = fields.children(path)
    # Ids first, so that problems further down can name their channel.
    for name in sorted(table, key=lambda name: name != "id"):
        value = table[name]
        if name in rows:
            key, _, unit, least, most, default = rows[name]
            reading.written[dot + key] = value
            try:
                made[key] = spelling.stored(unit, value)
            except Refused as refused:
                made[key] = SKIP
                advice = refused.advice
                if unit in spelling.NUMBERS:
                    advice = f"{advice} The range is {spelling.span(unit, least, most, default)}."
                reading.add(dot + key, _plain(value), refused.limit, advice)
        elif name in inner:
            made[name] = _section(
                reading, f"{path}.{name}" if path else name, made, name, value, dot
            )
        else:
            reading.add(dot + name, _plain(value), "no such field", _meant(name, path, rows))
    return made


def _section(
    reading: _Reading, path: str, owner: Data, name: str, value: Any, dot: str
) -> object:
    """The canonical form of the table, or the list of tables, that stands for a section."""
    shape = fields.section(path)[0]
    where = dot + name
    if not shape.startswith("*"):
        if isinstance(value, dict):
            return _from_toml(reading, path, value, where)  # type: ignore[reportUnknownArgumentType]
        reading.add(where, _plain(value), "a table", f"Write [{path}], or {name} = {{ ... }}.")
        return SKIP
    if not isinstance(value, list):
        advice = f"Write [[{path}]] with two brackets before each of them."
        reading.add(where, _plain(value), "a list of tables", advice)
        return SKIP
    made: list[object] = []
    owner[name] = made
    for i, entry in enumerate(value):  # type: ignore[reportUnknownArgumentType, reportUnknownVariableType]
        if isinstance(entry, dict):
            made.append({"id": entry.get("id")})  # type: ignore[reportUnknownMemberType]
            made[i] = _from_toml(reading, path, entry, f"{where}.{i}")  # type: ignore[reportUnknownArgumentType]
        else:
            made.append(SKIP)
            reading.add(f"{where}.{i}", _plain(entry), "a table", "")
    return made


def _plain(value: object) -> object:
    """A value as a problem shows it."""
    return "an empty text" if value == "" else value


def _meant(name: str, path: str, rows: dict[str, paths.Row]) -> str:
    """Advice for a field that does not exist: the one that was probably meant."""
    for row in rows.values():
        if row[0] == name:
            return f"In TOML it is called {row[1]}, in {spelling.NUMBERS[row[2]][0]}." if (
                row[2] in spelling.NUMBERS and spelling.NUMBERS[row[2]][0]
            ) else f"In TOML it is called {row[1]}."
    known = [*rows, *fields.children(path)]
    near = difflib.get_close_matches(name[:60], known, n=1, cutoff=0.6)
    if near:
        return f"Did you mean {near[0]}?"
    return "Take it out. The fields here are " + ", ".join(known) + "."


def _derive_and_check(reading: _Reading, data: Data) -> None:
    """Work out the defaults that depend on others, then look at how all of it fits together."""
    found: list[Any] = []
    channels: Any = data.get("channel")
    listed: list[Any] = channels if isinstance(channels, list) else []
    clean = [i for i in range(len(listed)) if not _is_bad(reading, f"channel.{i}")]
    if not _is_bad(reading, "timezone") and "tz" not in reading.bad:
        _zone(reading, data)
    taken = {
        listed[i]["pump"]["output"] for i in clean if listed[i]["pump"]["output"] is not SKIP
    }
    for i in clean:
        defaults.derive_channel(listed[i], taken)
    if reading.bad:
        for i in clean:
            consistent.channel(found, listed[i], f"channel.{i}")
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
    date = date_of_text(reading.today.isoformat())
    if not found:
        defaults.derive_grace(data, date)
        found = consistent.problems(data, date)
    _tell(reading, found)


def _is_bad(reading: _Reading, where: str) -> bool:
    """Whether anything at or below a path is wrong, or what holds it."""
    if "" in reading.bad or where.split(".")[0] in reading.bad:
        return True
    return any(path == where or path.startswith(where + ".") for path in reading.bad)


@functools.lru_cache(maxsize=64)
def _verdict(name: str, today: datetime.date) -> zones.Verdict:
    return zones.check(name, today)


def _zone(reading: _Reading, data: Data) -> None:
    """The rule of the named zone; a rule that does not hold for years is not taken over unasked."""
    name = data["timezone"]
    try:
        verdict = _verdict(name, reading.today)
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


def _tell(reading: _Reading, found: list[Any]) -> list[Any]:
    """Turn problems of the validator into ones for people, and return them."""
    for path, value, rule, limit, advice in found:
        row = paths.row(path)
        phrase = _limit(row, rule, limit)
        stored = ""
        seen: object = value
        if row and reading.toml:
            seen = reading.written.get(path, value)
            stored = spelling.kept(row[2], value)
        if path in reading.filled:
            stored = f"{spelling.kept(row[2], value) or value}, by default" if row else ""
            seen = None
        if row and rule in ("at least", "at most") and not advice:
            advice = help_texts.HELP.get(paths.plain(path), "")
        if rule == "is":
            advice = help_texts.MISSING.get(paths.plain(path), advice) or advice
            seen, stored = None, ""
        if row and not reading.toml and rule in ("at least", "at most"):
            stored = spelling.measured(row[2], value) if row[2] in spelling.NUMBERS else stored
        reading.add(path, seen, phrase, sentence(str(advice)), stored)
    return found


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
