"""Reads the POSIX TZ string of a time zone, such as "CET-1CEST,M3.5.0,M10.5.0/3".

Needed when a set-up is checked or taken over, so the board imports it on demand. It never looks
a zone up by its name, never guesses a rule that is not written, and never changes a time.

Source: IEEE Std 1003.1-2024, chapter 8.3, TZ, the form "std offset [dst [offset] ,start[/time]
,end[/time]]"; the extension of the hour to -167..167 is also RFC 9636, section 3.3.1. The form
with a leading colon is up to each system and is refused, and so is daylight saving time without
the two dates, for which the standard leaves the choice to the system.

A rule is a tuple of ints: (offset,) without changes, else
(standard offset, summer offset, month, week, day, second, month, week, day, second), offsets in
seconds east of Greenwich, then the start and the end of summer time, each by the clock that it
changes. month 1 to 12: week 1 to 5 (5 the last), day a weekday, 0 for Monday. month 0: day the day
of the year from 0, 29 February counted. month -1: the same but 29 February never counted.
"""

from aliquot.core.zone import summer

_DIGITS = "0123456789"
_LETTERS = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"
# The standard sets no limit that reaches us; no zone comes near this one.
LENGTH_MOST = 80


def parse(text: str) -> tuple[int, ...]:
    """The rule of a POSIX TZ string; ValueError says what is wrong and at which character."""
    return read(text)[1]


def read(text: str) -> tuple[tuple[str, ...], tuple[int, ...]]:
    """((name,) or (name, summer name), rule): parse, with the abbreviations that people see."""
    if len(text) > LENGTH_MOST:
        raise ValueError("the rule is longer than %d characters" % LENGTH_MOST)
    if text[:1] == ":":
        raise ValueError("character 1: a rule that begins with ':' differs from system to system")
    name, at = _name(text, 0, "the name of standard time")
    if at == len(text):
        raise ValueError(_where(text, at, "the offset from UTC is missing"))
    west, at = _time(text, at, 24, "the offset from UTC")
    standard = -west
    if at == len(text):
        return (name,), (standard,)
    summer_name, at = _name(text, at, "the name of summer time")
    offset = standard + 3600
    if text[at : at + 1] not in ("", ","):
        west, at = _time(text, at, 24, "the offset of summer time")
        offset = -west
    if at == len(text):
        raise ValueError(
            _where(text, at, "the dates when summer time starts and ends are missing")
        )
    start, at = _change(text, at, "the start of summer time")
    end, at = _change(text, at, "the end of summer time")
    if at != len(text):
        raise ValueError(_where(text, at, "nothing may follow the end of summer time"))
    return (name, summer_name), _least((standard, offset) + start + end)


def _least(rule: tuple[int, ...]) -> tuple[int, ...]:
    """The same rule, or the one offset of a rule whose clock never changes.

    That is so where both offsets are equal, or where summer time reaches the next one in each of
    the 400 years after which the calendar repeats (RFC 9636, section 3.3.1, "all year").
    """
    if rule[0] == rule[1]:
        return rule[:1]
    for year in range(2000, 2400):
        if summer(rule, year)[1] < summer(rule, year + 1)[0]:
            return rule
    return rule[1:2]


def _where(text: str, at: int, what: str) -> str:
    shown = '"%s"' % text[at : at + 12] if at < len(text) else "the end of it"
    return "character %d, %s: %s" % (at + 1, shown, what)


def _name(text: str, at: int, what: str) -> tuple[str, int]:
    """Three letters or more, or letters, digits and signs between < and >."""
    allowed = _LETTERS
    first = at
    quoted = text[at : at + 1] == "<"
    if quoted:
        allowed = _LETTERS + _DIGITS + "+-"
        first = at + 1
    end = first
    while end < len(text) and text[end] in allowed:
        end += 1
    if quoted and text[end : end + 1] != ">":
        raise ValueError(_where(text, end, what + " needs > after letters, digits, + and -"))
    if end - first < 3:
        raise ValueError(_where(text, at, what + " needs at least three letters"))
    return text[first:end], end + quoted


def _number(text: str, at: int, low: int, high: int, what: str) -> tuple[int, int]:
    end = at
    while end < len(text) and text[end] in _DIGITS:
        end += 1
    if end == at:
        raise ValueError(_where(text, at, what + " must be a number"))
    if end - at > 3 or not low <= int(text[at:end]) <= high:
        raise ValueError(_where(text, at, "%s must be %d to %d" % (what, low, high)))
    return int(text[at:end]), end


def _time(text: str, at: int, hours_most: int, what: str) -> tuple[int, int]:
    """Seconds of [+|-]hh[:mm[:ss]]."""
    sign = -1 if text[at : at + 1] == "-" else 1
    if text[at : at + 1] in ("+", "-"):
        at += 1
    hours, at = _number(text, at, 0, hours_most, what + ", the hours,")
    seconds = hours * 3600
    for name, unit in ((", the minutes,", 60), (", the seconds,", 1)):
        if text[at : at + 1] != ":":
            break
        part, end = _number(text, at + 1, 0, 59, what + name)
        if end - at != 3:
            raise ValueError(_where(text, at + 1, what + name + " must have two digits"))
        seconds += part * unit
        at = end
    return sign * seconds, at


def _change(text: str, at: int, what: str) -> tuple[tuple[int, int, int, int], int]:
    """(month, week, day, second) of ",date[/time]" for one of the three forms of date."""
    if text[at : at + 1] != ",":
        raise ValueError(_where(text, at, "a comma and " + what + " must follow"))
    at += 1
    form = text[at : at + 1]
    month = week = 0
    if form == "M":
        month, at = _number(text, at + 1, 1, 12, what + ", the month,")
        week, at = _number(text, _point(text, at, what), 1, 5, what + ", the week,")
        day, at = _number(text, _point(text, at, what), 0, 6, what + ", the weekday,")
        day = (day + 6) % 7  # written with 0 for Sunday
    elif form == "J":
        day, at = _number(text, at + 1, 1, 365, what + ", the day of the year,")
        month = -1
        day -= 1
    else:
        day, at = _number(text, at, 0, 365, what + " (Mm.w.d, Jn or n)")
    second = 7200
    if text[at : at + 1] == "/":
        second, at = _time(text, at + 1, 167, what)
    return (month, week, day, second), at


def _point(text: str, at: int, what: str) -> int:
    if text[at : at + 1] != ".":
        raise ValueError(_where(text, at, what + " must be written Mm.w.d"))
    return at + 1
