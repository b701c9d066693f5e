"""Decimal numbers, dates and times of day as text, exactly, without a float on the way.

A float would read 6.1 mL as 6.0999999 on a board. Needed where people or files are spoken to, so
the board imports it on demand. It never rounds, never guesses a unit and never takes a text that
could be read in two ways. Every refusal is a ValueError that says what to write.
"""

from aliquot.core.dates import days_of, ymd

_DIGITS = "0123456789"
# Beyond any volume or time of ours, and short enough for a quick refusal.
DIGITS_MOST = 12
LAST_YEAR = 2399


def _digits(text: str) -> bool:
    """True for one or more of 0 to 9; isdigit also takes digits of other scripts."""
    for letter in text:
        if letter not in _DIGITS:
            return False
    return text != ""


def micro(text: str, places: int = 3) -> int:
    """ "36.5" as 36500: a decimal number in units of its last place, exactly.

    With 3 places millilitres become microlitres, with 6 anything its millionths.
    """
    shown = '"%s"' % text[:24]
    if text[:1] in ("+", "-"):
        raise ValueError("%s: write the number without a sign" % shown)
    if "," in text:
        raise ValueError("%s: write a point, not a comma" % shown)
    whole, point, rest = text.partition(".")
    if not _digits(whole) or (point and not _digits(rest)):
        raise ValueError("%s: write digits, or digits, a point and digits, such as 36.5" % shown)
    if len(whole) > DIGITS_MOST:
        raise ValueError("%s: more than %d digits before the point" % (shown, DIGITS_MOST))
    if len(rest) > places:
        few = "no digits" if places == 0 else "at most %d digits" % places
        raise ValueError("%s: %s after the point" % (shown, few))
    return int(whole + rest + "0" * (places - len(rest)))


def text_of(value: int, places: int = 3) -> str:
    """36500 as "36.5": the shortest text that micro reads as the same number; -500 as "-0.5"."""
    sign = "-" if value < 0 else ""
    unit = 10**places
    whole = sign + str(abs(value) // unit)
    rest = str(unit + abs(value) % unit)[1:].rstrip("0")
    return whole + "." + rest if rest else whole


def date_text(date: int) -> str:
    """Date 9584 as "2026-03-29" (ISO 8601, RFC 3339 full-date)."""
    return "%04d-%02d-%02d" % ymd(date)


def date_of_text(text: str) -> int:
    """ "2026-03-29" as 9584; any other form, or a day that does not exist, is refused."""
    parts = text.split("-")
    if [len(p) for p in parts] != [4, 2, 2] or not _digits("".join(parts)):
        raise ValueError('"%s": write a date as year-month-day, such as 2026-03-29' % text[:24])
    year, month, day = [int(p) for p in parts]
    if not 2000 <= year <= LAST_YEAR:
        raise ValueError('"%s": the year must be 2000 to %d' % (text, LAST_YEAR))
    if not 1 <= month <= 12:
        raise ValueError('"%s": the month must be 01 to 12' % text)
    date = days_of(year, month, day)
    if ymd(date) != (year, month, day):
        last = days_of(year, month + 1, 1) - days_of(year, month, 1)
        raise ValueError('"%s": the day must be 01 to %d' % (text, last))
    return date


def time_of_text(text: str, most_s: int = 86399) -> int:
    """Seconds after midnight of "HH:MM" or "HH:MM:SS"; most_s=86400 also takes "24:00"."""
    parts = text.split(":")
    if [len(p) for p in parts] not in ([2, 2], [2, 2, 2]) or not _digits("".join(parts)):
        raise ValueError('"%s": write a time as hours:minutes, such as 08:30' % text[:24])
    hours, minutes, seconds = [int(p) for p in (parts + ["00"])[:3]]
    if minutes > 59 or seconds > 59:
        raise ValueError('"%s": minutes and seconds must be 00 to 59' % text)
    second = hours * 3600 + minutes * 60 + seconds
    if second > most_s:
        raise ValueError('"%s": must be %s at the latest' % (text, time_text(most_s)))
    return second


def time_text(second: int) -> str:
    """600 as "00:10", 605 as "00:10:05"; the next date's hours go on, 90000 is "25:00"."""
    if second < 0:
        raise ValueError("%d s: a time of day cannot be negative" % second)
    text = "%02d:%02d" % (second // 3600, second // 60 % 60)
    return text + ":%02d" % (second % 60) if second % 60 else text


def stamp_text(wall_s: int, east_s: int = 0) -> str:
    """A wall_s as RFC 3339 text: "2026-03-29T03:00:00+02:00", or with Z where east_s is 0."""
    local_s = wall_s + east_s
    text = "%sT%s:%02d" % (
        date_text(local_s // 86400),
        time_text(local_s % 86400 // 60 * 60),
        local_s % 60,
    )
    if east_s == 0:
        return text + "Z"
    return text + ("-" if east_s < 0 else "+") + time_text(abs(east_s))
