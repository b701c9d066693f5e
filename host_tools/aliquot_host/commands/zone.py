"""`aliquot zone`: a time zone's rule in words, its next changes, and whether it can be relied on.

It only shows; it never writes a file and never chooses a zone.
"""

from __future__ import annotations

import datetime

import click

from aliquot.core.dates import ymd
from aliquot.core.decimals import date_of_text, date_text, stamp_text, time_text
from aliquot.core.zone import Zone
from aliquot.core.zone_text import read
from aliquot_host import errors, output, zones

NEXT_MOST = 4
MONTHS = (
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)
WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
WEEKS = ("first", "second", "third", "fourth", "last")
LIMIT = "a name of the zone database, such as Europe/Berlin, or a POSIX rule"


@click.command("zone")
@click.argument("name")
@click.option("--date", "since", metavar="DATE", help="Look ahead from this date, not from today.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
def command(name: str, since: str | None, as_json: bool) -> None:
    """Show the rule of time zone NAME, and whether a board may run by it.

    NAME is a name of the zone database, such as Europe/Berlin, or a POSIX rule, such as
    "CET-1CEST,M3.5.0,M10.5.0/3". A board keeps one rule for all years; the rule of a named zone
    is compared with the database for the coming five years. Exit code 1 where it does not hold.
    """
    first = start_date(since)
    try:
        verdict = zones.check(name, first)
    except zones.UnknownZone as unknown:
        verdict = literal(name, first, unknown)
    lines: list[str] = []
    changes: list[tuple[int, int, int]] = []
    if verdict.text and not verdict.fault:
        names, rule = read(verdict.text)
        lines = words(names, rule)
        start_s = date_of_text(first.isoformat()) * 86400
        end_s = date_of_text(verdict.until.isoformat()) * 86400
        changes = list(zones.changes(Zone(rule), start_s, end_s))[:NEXT_MOST]
    if as_json:
        output.print_json("aliquot-zone", payload(verdict, lines, changes))
    else:
        show(verdict, lines, changes)
    if not verdict.holds:
        raise errors.Finding(
            *([] if as_json else [f"{name}: no one rule holds there, so a board cannot keep it."])
        )


def start_date(text: str | None) -> datetime.date:
    """The date to look ahead from."""
    if text is None:
        return datetime.date.today()
    try:
        date = date_of_text(text)
    except ValueError as wrong:
        raise errors.bad("--date", text, advice=f"{wrong}.") from wrong
    if ymd(date)[0] + zones.YEARS > 2399:
        raise errors.bad("--date", text, limit="five years before 2399 at the latest")
    return datetime.date(*ymd(date))


def literal(name: str, since: datetime.date, unknown: zones.UnknownZone) -> zones.Verdict:
    """The verdict on a POSIX rule; BadInput where the text is neither a rule nor a name."""
    try:
        read(name)
    except ValueError as wrong:
        advice = "Did you mean " + " or ".join(unknown.close) + "?" if unknown.close else ""
        if "," in name or name.startswith(("<", ":")):
            advice = f"As a rule: {wrong}."
        raise errors.bad(
            "NAME", name, limit=LIMIT, advice=advice or "Look the name of your zone up."
        ) from wrong
    return zones.Verdict(name, name, "", since, zones.years_later(since, zones.YEARS))


def words(names: tuple[str, ...], rule: tuple[int, ...]) -> list[str]:
    """The rule as sentences. The times are those of the clock that is about to change."""
    lines = [f"{names[0]} is {zones.offset_text(rule[0])}."]
    if len(names) == 1:
        return [f"{lines[0]} The clock never changes."]
    if len(rule) == 1:
        return [f"{names[1]} is {zones.offset_text(rule[0])}, all year round."]
    lines.append(f"{names[1]} is {zones.offset_text(rule[1])}.")
    lines.append(f"{names[1]} starts {change_words(rule[2:6])} {names[0]}.")
    lines.append(f"{names[1]} ends {change_words(rule[6:10])} {names[1]}.")
    return lines


def change_words(change: tuple[int, ...]) -> str:
    """ "on the last Sunday of March at 02:00"."""
    month, week, day, second = change
    if month > 0:
        what = f"the {WEEKS[week - 1]} {WEEKDAYS[day]} of {MONTHS[month - 1]}"
    elif month < 0:
        # The days of 2001, a year without a leap day, as the rule counts them.
        _, named, number = ymd(date_of_text("2001-01-01") + day)
        what = f"{number} {MONTHS[named - 1]}"
    else:
        what = f"day {day + 1} of the year"
    days, at = divmod(second, 86400)
    if days:
        count = "the day" if abs(days) == 1 else f"{abs(days)} days"
        what = f"{count} {'after' if days > 0 else 'before'} {what}"
    return f"on {what} at {time_text(at)}" if abs(days) < 2 else f"{what} at {time_text(at)}"


def local_text(wall_s: int, east_s: int) -> str:
    """ "2026-03-29 02:00" by a clock that is east_s ahead of UTC."""
    local_s = wall_s + east_s
    return f"{date_text(local_s // 86400)} {time_text(local_s % 86400)}"


def payload(
    verdict: zones.Verdict, lines: list[str], changes: list[tuple[int, int, int]]
) -> dict[str, object]:
    """What --json prints under its format and version."""
    difference = verdict.difference
    return {
        "name": verdict.name,
        "posix": verdict.text,
        "origin": verdict.origin,
        "words": lines,
        "changes": [
            {
                "utc": stamp_text(at_s),
                "local_before": stamp_text(at_s, before_s),
                "local_after": stamp_text(at_s, after_s),
                "offset_before_s": before_s,
                "offset_after_s": after_s,
            }
            for at_s, before_s, after_s in changes
        ],
        "compared": bool(verdict.origin),
        "compared_from": verdict.since.isoformat(),
        "compared_until": verdict.until.isoformat(),
        "holds": verdict.holds,
        "reason": verdict.reason,
        "differs": None
        if difference is None
        else {
            "utc": stamp_text(difference.at_s),
            "zone_offset_s": difference.zone_s,
            "rule_offset_s": difference.rule_s,
            "until_utc": None if difference.until_s is None else stamp_text(difference.until_s),
        },
        "elsewhere": verdict.elsewhere,
    }


def show(verdict: zones.Verdict, lines: list[str], changes: list[tuple[int, int, int]]) -> None:
    """The same for a person, on stdout."""
    if verdict.name == verdict.text:
        output.say(f"Rule   {errors.printable(verdict.text, most=0)}")
    else:
        output.say(
            f"Zone   {verdict.name}  ({verdict.origin})", f"Rule   {verdict.text or 'none'}"
        )
    output.say(*(f"       {line}" for line in lines))
    if changes:
        output.table(
            ["Next changes, UTC", "from local time", "to local time", "shift"],
            [
                (
                    stamp_text(at_s),
                    f"{local_text(at_s, before_s)}  {zones.offset_text(before_s)}",
                    f"{local_text(at_s, after_s)}  {zones.offset_text(after_s)}",
                    ("+" if after_s > before_s else "-") + time_text(abs(after_s - before_s)),
                )
                for at_s, before_s, after_s in changes
            ],
        )
    if not verdict.origin:
        output.say("A rule of its own: there is no database to compare it with.", style="yellow")
    elif verdict.holds:
        output.say(f"It holds from {verdict.since} to {verdict.until}.", style="green")
    else:
        output.say(f"It does not hold. {verdict.reason}", style="bold red")
        output.say(
            "Give the set-up a POSIX rule instead of this name. One that never changes the clock,",
            'such as "UTC0", keeps the tank on one time all year.',
        )
    if verdict.elsewhere:
        output.say(
            f"A second database here says otherwise ({verdict.elsewhere}): one of the two is old.",
            "Bring the older one up to date and look again.",
            style="yellow",
        )
