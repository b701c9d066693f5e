"""Finds the POSIX rule of a named time zone, and says whether it can be relied on.

A board has no zone database; it keeps one rule for all years. The rule is the footer of the
zone's TZif file, and it holds only after the last change that the file lists (RFC 9636, section
3.3), so it is compared with `zoneinfo` for years ahead. Never fetches anything, never makes a
rule up, and never accepts one that differs from the database.

Instants are wall_s, UTC seconds since 2000-01-01T00:00Z, as on the board.
"""

from __future__ import annotations

import dataclasses
import datetime
import difflib
import functools
import importlib
import importlib.resources
import io
import re
import zoneinfo
from collections.abc import Callable, Iterator
from pathlib import Path

from aliquot.core.decimals import date_of_text, stamp_text, time_text
from aliquot.core.zone import Zone
from aliquot.core.zone_text import parse

YEARS = 5
EPOCH = datetime.datetime(2000, 1, 1)
HEADER = 44
NAME_PART = re.compile(r"[A-Za-z0-9_+-]{1,40}")


class UnknownZone(LookupError):
    """No zone database here has this name; `close` lists names that look like it."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.close = close_names(name)
        super().__init__(f"no time zone is called {name!r}")


@dataclasses.dataclass(frozen=True)
class Difference:
    """Where rule and database part: the first instant, and when they agree again for good.

    zone_s, rule_s: seconds east of UTC at at_s. until_s: None where they differ until the end.
    """

    at_s: int
    zone_s: int
    rule_s: int
    until_s: int | None

    def text(self) -> str:
        """One or two sentences."""
        said = (
            f"From {stamp_text(self.at_s)} local time is {offset_text(self.zone_s)}, "
            f"and the rule would make it {offset_text(self.rule_s)}."
        )
        if self.until_s is not None:
            said += f" The last of the differences ends at {stamp_text(self.until_s)}."
        return said


@dataclasses.dataclass(frozen=True)
class Verdict:
    """What is known of a named zone.

    text:       its POSIX rule, "" where the database has none.
    origin:     the database that it comes from.
    since, until: the dates between which it was compared.
    difference: where it does not hold, or None.
    fault:      why it cannot be used at all, or "".
    elsewhere:  what a second database on this machine says, where that is another rule.
    """

    name: str
    text: str
    origin: str
    since: datetime.date
    until: datetime.date
    difference: Difference | None = None
    fault: str = ""
    elsewhere: str = ""

    @property
    def holds(self) -> bool:
        """True where a board may run by the rule."""
        return self.difference is None and not self.fault

    @property
    def reason(self) -> str:
        """Why it does not hold; "" where it does."""
        return self.fault or (self.difference.text() if self.difference else "")


def check(name: str, since: datetime.date, years: int = YEARS) -> Verdict:
    """The rule of a zone, compared with the zone database from `since` on.

    UnknownZone where no database has the name.
    """
    found = list(_files(name))
    if not found:
        raise UnknownZone(name)
    origin, data = found[0]
    until = years_later(since, years)
    # zoneinfo takes the first database, even where it is years behind the second.
    others = [
        f"{where}: {_said(other)}" for where, other in found[1:] if _said(other) != _said(data)
    ]
    verdict = Verdict(name, "", origin, since, until, elsewhere="; ".join(others))
    try:
        text = footer(data)
        parse(text)
        zone = zoneinfo.ZoneInfo.from_file(io.BytesIO(data), key=name)
        difference = compare(text, zone, since, until)
    except ValueError as wrong:
        return dataclasses.replace(verdict, text=_said(data), fault=f"It cannot be used: {wrong}.")
    return dataclasses.replace(verdict, text=text, difference=difference)


def footer(data: bytes) -> str:
    """The POSIX rule at the end of a TZif file (RFC 9636, section 3); ValueError where none is."""
    counts = _counts(data, 0)
    if data[4:5] < b"2":
        raise ValueError("the zone file is of version 1, which holds no rule")
    second = HEADER + _size(counts, 4)
    end = second + HEADER + _size(_counts(data, second), 8)
    text, newline, _ = data[end + 1 :].partition(b"\n")
    if data[end : end + 1] != b"\n" or not newline:
        raise ValueError("the zone file ends before its rule")
    if not text:
        raise ValueError("the zone file gives no rule for the years after its last change")
    return text.decode("ascii")


def compare(
    text: str, zone: datetime.tzinfo, since: datetime.date, until: datetime.date
) -> Difference | None:
    """The first difference between a POSIX rule and a zone from `since` to before `until`.

    Looks at every hour, and to the second wherever one of the two has changed within one.
    ValueError where the text is no rule.
    """
    rule = Zone(parse(text)).offset
    east = functools.partial(_east, zone)
    first = _second_of(since)
    before = (rule(first), east(first))
    begun = first if before[0] != before[1] else None
    agreed: int | None = None
    for instant in range(first + 3600, _second_of(until), 3600):
        now = (rule(instant), east(instant))
        if now == before:
            continue
        # One of the two changed within the hour: look at the changes themselves, in order.
        moments = {_change(rule, instant - 3600, instant), _change(east, instant - 3600, instant)}
        for moment in sorted(moments):
            if rule(moment) != east(moment):
                begun = moment if begun is None else begun
                agreed = None
            elif begun is not None and agreed is None:
                agreed = moment
        before = now
    if begun is None:
        return None
    return Difference(begun, east(begun), rule(begun), agreed)


def changes(zone: Zone, since_s: int, until_s: int) -> Iterator[tuple[int, int, int]]:
    """(wall_s, seconds east before, seconds east after) of a rule's changes after since_s."""
    before = zone.offset(since_s)
    instant = zone.stretch(since_s)[1]
    while instant < until_s:
        after = zone.offset(instant)
        if after != before:
            yield instant, before, after
        before = after
        instant = zone.stretch(instant)[1]


def years_later(date: datetime.date, years: int) -> datetime.date:
    """The same day some years on."""
    # A 29 February has no like in most years; a day earlier is as good.
    day = 28 if (date.month, date.day) == (2, 29) else date.day
    return date.replace(year=date.year + years, day=day)


def offset_text(east_s: int) -> str:
    """3600 as "UTC+01:00"."""
    return "UTC" + ("-" if east_s < 0 else "+") + time_text(abs(east_s))


def close_names(name: str) -> list[str]:
    """At most five names of zones that may have been meant, the likeliest first."""
    spellings: dict[str, list[str]] = {}
    for known in sorted(zoneinfo.available_timezones()):
        for spelling in {_plain(known), _plain(known.rpartition("/")[2])}:
            spellings.setdefault(spelling, []).append(known)
    wanted = _plain(name[:80])
    near = difflib.get_close_matches(wanted, spellings, n=5, cutoff=0.7)
    near += difflib.get_close_matches(wanted.rpartition("/")[2], spellings, n=3, cutoff=0.8)
    names = [known for spelling in near for known in spellings[spelling]]
    return list(dict.fromkeys(names))[:5]


def _plain(name: str) -> str:
    return name.strip().casefold().replace(" ", "_")


def _files(name: str) -> Iterator[tuple[str, bytes]]:
    """(database, TZif file) wherever a zone is found, in the order in which zoneinfo looks."""
    parts = name.split("/")
    if len(parts) > 4 or not all(NAME_PART.fullmatch(part) for part in parts):
        return
    for folder in zoneinfo.TZPATH:
        path = Path(folder, *parts)
        data = path.read_bytes() if path.is_file() else b""
        if data[:4] == b"TZif":
            yield folder, data
            break  # further folders hold the same, or are never looked at
    try:
        data = importlib.resources.files("tzdata").joinpath("zoneinfo", *parts).read_bytes()
    except (ModuleNotFoundError, OSError):
        return  # without the package, or without the zone in it, the system's answer stands alone
    if data[:4] == b"TZif":
        version = str(vars(importlib.import_module("tzdata")).get("IANA_VERSION", ""))
        yield f"tzdata {version}".rstrip(), data


def _said(data: bytes) -> str:
    try:
        return footer(data)
    except ValueError:
        return ""


def _counts(data: bytes, at: int) -> list[int]:
    """isutcnt, isstdcnt, leapcnt, timecnt, typecnt, charcnt of a TZif header."""
    if data[at : at + 4] != b"TZif" or len(data) < at + HEADER:
        raise ValueError("the zone file is damaged")
    return [int.from_bytes(data[at + i : at + i + 4], "big") for i in range(20, 44, 4)]


def _size(counts: list[int], time_bytes: int) -> int:
    """Bytes of the data block after a header: RFC 9636, section 3.2."""
    isut, isstd, leaps, times, types, chars = counts
    return times * (time_bytes + 1) + types * 6 + chars + leaps * (time_bytes + 4) + isstd + isut


def _change(offset: Callable[[int], int], low: int, high: int) -> int:
    """The first instant of the offset that holds at `high`; `high` where it does at `low` too."""
    before = offset(low)
    if before == offset(high):
        return high
    while high - low > 1:
        middle = (low + high) // 2
        if offset(middle) == before:
            low = middle
        else:
            high = middle
    return high


def _east(zone: datetime.tzinfo, wall_s: int) -> int:
    utc = EPOCH.replace(tzinfo=zone) + datetime.timedelta(seconds=wall_s)
    shift = zone.fromutc(utc) - utc
    return shift.days * 86400 + shift.seconds


def _second_of(date: datetime.date) -> int:
    return date_of_text(date.isoformat()) * 86400
