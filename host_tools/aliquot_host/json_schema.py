"""Makes the JSON Schema (2020-12) of a set-up from the table of fields, for either spelling.

An editor that knows the schema of the TOML spelling completes names and shows help and ranges
while somebody types. A schema says what a field may be; how fields fit together only `check` can
say.
"""

from __future__ import annotations

from typing import Any

from aliquot.core import fields
from aliquot_host import help_texts, spelling

Schema = dict[str, Any]

DIALECT = "https://json-schema.org/draft/2020-12/schema"
TIME = "^([01][0-9]|2[0-3]):[0-5][0-9](:[0-5][0-9])?$"
HOURS = "^[0-9]{2}:[0-5][0-9]$"
DATE = "^2[0-9]{3}-[01][0-9]-[0-3][0-9]$"
ID = "^[a-z0-9_-]*$"


def make(canonical: bool = False) -> Schema:
    """Return the schema of the TOML spelling, or of the canonical JSON."""
    spelled = "canonical JSON" if canonical else "TOML"
    return {
        "$schema": DIALECT,
        "title": f"A set-up of Aliquot ({fields.FORMAT} {fields.VERSION}, {spelled})",
        **_object("", canonical),
    }


def _object(path: str, canonical: bool) -> Schema:
    properties: Schema = {}
    required: list[str] = []
    for key, toml, unit, least, most, default in fields.rows(path):
        name = key if canonical else toml
        place = f"{path}.{key}" if path else key
        properties[name] = _described(place, unit, default, canonical) | (
            _stored(unit, least, most, default)
            if canonical
            else _written(unit, least, most, default)
        )
        needed = default != "~" if canonical else default == "!"
        # A list of times with volumes says itself what the day is.
        if needed and (canonical or place != "channel.daily_ul"):
            required.append(name)
    for name in fields.children(path):
        place = f"{path}.{name}" if path else name
        properties[name] = _section(place, canonical)
        shape, least, _ = fields.section(place)
        if canonical or shape == "!" or (shape == "*" and least):
            required.append(name)
    made: Schema = {"description": help_texts.HELP[path], "type": "object"}
    return made | {
        "properties": properties,
        "required": required,
        "additionalProperties": False,
    }


def _section(path: str, canonical: bool) -> Schema:
    shape, least, most = fields.section(path)
    inner = _object(path, canonical)
    if shape.startswith("*"):
        inner = {
            "description": inner["description"],
            "type": "array",
            "items": inner,
            "minItems": least,
            "maxItems": most,
        }
    return {"anyOf": [inner, {"type": "null"}]} if canonical and shape.endswith("?") else inner


def _described(place: str, unit: str, default: str, canonical: bool) -> Schema:
    text = help_texts.HELP[place]
    derived = help_texts.DERIVED.get(place)
    if derived:
        text += f" Default: {derived}."
    if canonical and unit in spelling.NUMBERS:
        text += f" In {spelling.NUMBERS[unit][3]}."
    elif unit in spelling.NUMBERS and spelling.NUMBERS[unit][0]:
        text += f" In {spelling.NUMBERS[unit][0]}."
    made: Schema = {"description": text}
    if not canonical and default not in ("!", "~", "*", "?"):
        made["default"] = _default(unit, fields.plain(unit, default))
    return made


def _default(unit: str, value: Any) -> Any:
    if unit == "weekdays":
        return [name for i, name in enumerate(fields.DAYS) if value >> i & 1]
    if unit == "yes":
        return bool(value)
    if unit in spelling.NUMBERS:
        number = float(spelling.amount(unit, value))
        return int(number) if number == int(number) else number
    return spelling.amount(unit, value) if unit == "time" else value


def _stored(unit: str, least: int, most: int, default: str) -> Schema:
    """A field of the canonical JSON."""
    if unit in ("text", "id", "word", "ids"):
        return _words(unit, least, most, default)
    made: Schema = {"type": "integer", "minimum": least, "maximum": most}
    if unit in fields.STEP_S:
        made["multipleOf"] = fields.STEP_S[unit]
    return {"anyOf": [made, {"type": "null"}]} if default == "?" else made


def _words(unit: str, least: int, most: int, default: str) -> Schema:
    if unit == "word":
        return {"enum": fields.choices(default)}
    if unit == "ids":
        entry = {"type": "string"}
        return {"type": "array", "items": entry, "minItems": least, "maxItems": most}
    made: Schema = {"type": "string", "minLength": least, "maxLength": most}
    return made | ({"pattern": ID} if unit == "id" else {})


def _written(unit: str, least: int, most: int, default: str) -> Schema:
    """A field of the TOML spelling. Editors see dates and times of TOML as texts."""
    if unit in ("text", "id", "word", "ids"):
        return _words(unit, least, most, default)
    if unit in spelling.NUMBERS:
        scale = spelling.NUMBERS[unit][2]
        number: Schema = {"type": "number", "minimum": least / scale, "maximum": most / scale}
        return {"anyOf": [number, {"type": "string", "pattern": HOURS}]} if unit == "h" else number
    if unit == "time":
        return {"type": "string", "pattern": TIME}
    if unit == "date":
        return {"type": "string", "pattern": DATE}
    if unit == "weekdays":
        return {
            "type": "array",
            "items": {"enum": list(fields.DAYS)},
            "minItems": 1,
            "uniqueItems": True,
        }
    if unit == "yes":
        return {"type": "boolean"}
    return {"type": "integer", "minimum": least, "maximum": most}
