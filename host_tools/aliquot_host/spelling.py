"""Turns a field's value as people write it into the stored whole number, and back, exactly.

The table of fields says which unit a field has; what a unit means is said here and nowhere else on
the desk. Nothing is rounded and nothing is checked against a range: that is the validator's work.
"""

from __future__ import annotations

import dataclasses
import datetime

from aliquot.core import decimals, fields


@dataclasses.dataclass(frozen=True)
class Number:
    """A number that is not a plain whole one, kept as it was written: `36.50`, `1e3`, `nan`."""

    text: str

    def __str__(self) -> str:
        return self.text


class Refused(ValueError):
    """What was written cannot be stored. `limit` is a phrase, `advice` a sentence or empty."""

    def __init__(self, limit: str, advice: str = "") -> None:
        self.limit = limit
        self.advice = advice
        super().__init__(limit)


# Unit -> (name as written, places after the point, stored units in one written unit, stored name).
NUMBERS = {
    "ml": ("mL", 3, 1000, "µL"),
    "l": ("litres", 3, 1000, "mL"),
    "micro": ("", 6, 1000000, "millionths"),
    "min": ("minutes", 1, 60, "s"),
    "h": ("hours", 3, 3600, "s"),
}


def stored(unit: str, value: object) -> object:
    """Return what is stored for a written value; Refused where nothing can be.

    Texts, words and ids pass as they are, the validator judges them."""
    if unit in NUMBERS:
        return _scaled(unit, value)
    if unit == "time":
        return _time(value)
    if unit == "date":
        return _date(value)
    if unit == "weekdays":
        return _weekdays(value)
    if unit == "yes":
        if not isinstance(value, bool):
            raise Refused("true or false", "Write it without quotes.")
        return int(value)
    if unit == "int" and (isinstance(value, bool) or not isinstance(value, int)):
        raise Refused("a whole number", "Write it without a point and without quotes.")
    return value


def _scaled(unit: str, value: object) -> int:
    name, places, scale, _ = NUMBERS[unit]
    if unit == "h" and isinstance(value, str):
        return _hours(value)
    if isinstance(value, bool) or not isinstance(value, (int, Number)):
        raise Refused(f"a number{' of ' if name else ''}{name}", "Write it without quotes.")
    text = str(value) if isinstance(value, Number) or abs(value) < 10**40 else "9" * 40
    digits = f"at most {places} digit{'s' if places > 1 else ''} after the point"
    limit = f"a number of {name}, {digits}" if name else f"a number, {digits}"
    units = _with_reason(lambda: decimals.micro(text, places), limit)
    whole, rest = divmod(units * scale, 10**places)
    if rest or whole % fields.STEP_S.get(unit, 1):
        raise Refused("whole minutes", 'Write hours and minutes between quotes, such as "01:20".')
    return whole


def _hours(text: str) -> int:
    hours, colon, minutes = text.partition(":")
    digits = (hours + minutes).isascii() and (hours + minutes).isdigit()
    if not (colon and digits and 2 <= len(hours) <= 3 and len(minutes) == 2 and minutes < "60"):
        raise Refused("hours and minutes as HH:MM", 'Write them as in "01:20", or a number.')
    return int(hours) * 3600 + int(minutes) * 60


def _with_reason(read: object, limit: str) -> int:
    try:
        return read()  # type: ignore[operator, no-any-return]
    except ValueError as wrong:
        reason = str(wrong).rpartition('": ')[2]
        raise Refused(limit, sentence(reason)) from wrong


def _time(value: object) -> int:
    if isinstance(value, datetime.time) and not value.microsecond and value.tzinfo is None:
        return value.hour * 3600 + value.minute * 60 + value.second
    if not isinstance(value, str):
        raise Refused("a time as HH:MM", 'Write it between quotes, such as "08:30".')
    return _with_reason(lambda: decimals.time_of_text(value), "00:00 to 23:59:59")


def _date(value: object) -> int:
    if isinstance(value, datetime.date) and not isinstance(value, datetime.datetime):
        value = value.isoformat()
    if not isinstance(value, str):
        raise Refused("a date", "Write year-month-day without quotes, such as 2026-03-29.")
    return _with_reason(lambda: decimals.date_of_text(value), "a date as year-month-day")


def _weekdays(value: object) -> int:
    limit = "a list of " + ", ".join(fields.DAYS)
    if not isinstance(value, list) or not value:
        raise Refused(limit, 'Write it as ["mon", "thu"], or leave it out for every day.')
    bits = 0
    for name in value:  # type: ignore[reportUnknownVariableType]
        if name not in fields.DAYS:
            raise Refused(limit, "Write the first three letters, small.")
        bit = 1 << fields.DAYS.index(name)  # type: ignore[reportUnknownArgumentType]
        if bits & bit:
            raise Refused("each day once", f'Take the second "{name}" out.')
        bits |= bit
    return bits


def sentence(text: str) -> str:
    """A phrase as a sentence: a capital first, a point last."""
    text = text.strip()
    if not text:
        return ""
    return text[0].upper() + text[1:] + ("" if text[-1] in ".?!" else ".")


def amount(unit: str, value: object) -> str:
    """A stored value as people write it, without its unit: 36500 µL as "36.5"."""
    if value is None:
        return "none"
    if isinstance(value, list):
        return ", ".join(map(str, value))  # type: ignore[reportUnknownArgumentType]
    if not isinstance(value, int) or unit in ("text", "id", "word", "int", "ids"):
        return str(value) if value != "" else "none"
    if unit == "time":
        return decimals.time_text(value)
    if unit == "date":
        return decimals.date_text(value)
    if unit == "weekdays":
        days = [name for i, name in enumerate(fields.DAYS) if value >> i & 1]
        return "every day" if len(days) == 7 else ", ".join(days)
    if unit == "yes":
        return "true" if value else "false"
    _, places, scale, _ = NUMBERS[unit]
    units, rest = divmod(value * 10**places, scale)
    return decimals.time_text(value) if rest else decimals.text_of(units, places)


def measured(unit: str, value: object) -> str:
    """A stored value with its written unit: "36.5 mL"."""
    text = amount(unit, value)
    name = NUMBERS[unit][0] if unit in NUMBERS else ""
    return f"{text} {name}" if name and value is not None and ":" not in text else text


def kept(unit: str, value: object) -> str:
    """A stored value with its stored unit, "36500 µL"; "" where it reads like the written one."""
    if not isinstance(value, int) or isinstance(value, bool):
        return ""
    if unit in NUMBERS:
        return f"{value} {NUMBERS[unit][3]}"
    return {
        "time": f"second {value} of the day",
        "date": f"day {value} from 2000-01-01",
        "weekdays": f"bits {value:07b}, Monday last",
        "yes": str(value),
    }.get(unit, "")


def span(unit: str, least: int, most: int, default: str) -> str:
    """The range of a field as a phrase: "0.001 to 2000 mL"."""
    if unit == "word":
        return " or ".join(fields.choices(default))
    if unit == "text":
        return f"{least} to {most} characters"
    if unit == "id":
        return f"{least} to {most} small letters, digits, - or _"
    if unit == "ids":
        return f"{least} channel ids" if least == most else f"{least} to {most} channel ids"
    if unit == "yes":
        return "true or false"
    if unit == "weekdays":
        return "a list of " + ", ".join(fields.DAYS)
    if least == most:
        return amount(unit, least)
    return f"{amount(unit, least)} to {measured(unit, most)}"
