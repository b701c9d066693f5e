"""`aliquot timetable`: the doses that a set-up plans on some dates, as table, JSON or calendar.

It shows plans only; it knows no journal and changes no set-up.
"""

from __future__ import annotations

from pathlib import Path

import click

from aliquot.core.dates import weekday
from aliquot.core.decimals import date_text, text_of, time_text
from aliquot_host import calendar_file, errors, output, setup_file, timetables

WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
HEADINGS = ("local time", "channel", "dose", "mL", "counts", "run s")
NUMBERS = ("dose", "mL", "counts", "run s")


@click.command("timetable")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--date", "since", metavar="DATE", help="First date; default: today, at the tank.")
@click.option(
    "--days",
    type=click.IntRange(1, timetables.DAYS_MOST),
    default=1,
    show_default=True,
    help="How many dates.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
@click.option(
    "--ics",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Write the doses into a calendar file besides (iCalendar, RFC 5545).",
)
def command(file: Path, since: str | None, days: int, as_json: bool, ics: Path | None) -> None:
    """List the doses that set-up FILE plans: local time, volume, counts and run time.

    The counts are those of a board that starts the first date with no remainder and gives every
    dose as planned. Doses are numbered from 0 within a channel's date, as in the journal.
    Exit code 1 where a dose finds no room between those of other channels.
    """
    loaded = setup_file.load(file)
    setup = loaded.setup
    timezone = str(loaded.data["timezone"])
    first = timetables.today(setup) if since is None else timetables.date_given(since, days)
    cals = timetables.calibrations(loaded.data)
    which = output.progress(range(first, first + days), "Laying out")
    listed = list(timetables.dates(setup, cals, which))
    if ics is not None:
        save(ics, file.stem, listed)
    if as_json:
        output.print_json("aliquot-timetable", payload(timezone, listed))
    else:
        for date in listed:
            show(date)
    late = [f"{name} on {date_text(date.date)}" for date in listed for name in date.late]
    if late:
        where = ", ".join(late)
        raise errors.Finding(f"No room between the doses of other channels: {where}.")


def payload(timezone: str, dates: list[timetables.Date]) -> dict[str, object]:
    """What --json prints under its format and version."""
    return {
        "timezone": timezone,
        "days": [
            {
                "date": date_text(date.date),
                "length_s": date.length_s,
                "doses": [dose.as_json() for dose in date.doses],
            }
            for date in dates
        ],
    }


def show(date: timetables.Date) -> None:
    """One date for a person: its doses, and beneath them what each channel adds up to."""
    title = f"{date_text(date.date)} {WEEKDAYS[weekday(date.date)]}"
    if date.length_s != 86400:
        title += f", a day of {hours(date.length_s)} h: the clocks change"
    if not date.doses:
        output.say(title, style="bold")
        output.say("No doses.", "")
        return
    rows = [
        (
            clock(dose),
            dose.channel,
            f"#{dose.index}",
            places(dose.volume_ul),
            dose.counts,
            places(dose.run_ms),
        )
        for dose in date.doses
    ]
    output.table(HEADINGS, rows, title=title, numbers=NUMBERS)
    output.say(*(total(name, date) for name in dict.fromkeys(d.channel for d in date.doses)), "")


def total(channel: str, date: timetables.Date) -> str:
    """ "alk: 24 doses, 36.5 mL, 46627 counts"."""
    doses = [dose for dose in date.doses if dose.channel == channel]
    ul, counts = sum(d.volume_ul for d in doses), sum(d.counts for d in doses)
    many = "1 dose" if len(doses) == 1 else f"{len(doses)} doses"
    return f"  {channel}: {many}, {text_of(ul)} mL, {counts} counts"


def clock(dose: timetables.Dose) -> str:
    """The time on the wall, to the second."""
    second = (dose.wall_s + dose.east_s) % 86400
    return f"{time_text(second // 60 * 60)}:{second % 60:02}"


def hours(seconds: int) -> str:
    """88200 as "24.5"."""
    return text_of(seconds * 1000 // 3600)


def places(thousandths: int) -> str:
    """1521 as "1.521", always with three places, so that columns line up."""
    return f"{thousandths // 1000}.{thousandths % 1000:03}"


def save(file: Path, name: str, dates: list[timetables.Date]) -> None:
    """Write the calendar file; BadInput rather than over a file that is something else."""
    events = calendar_file.events(dates)
    if events > calendar_file.EVENTS_MOST:
        limit = f"at most {calendar_file.EVENTS_MOST} doses in a calendar"
        raise errors.bad("--ics", f"{events} doses", limit=limit, advice="Ask for fewer --days.")
    if file.is_file():
        with file.open("rb") as there:
            opening = there.read(len(calendar_file.OPENING))
        if opening and opening != calendar_file.OPENING:
            advice = "There is a file of another kind: choose another name."
            raise errors.bad("--ics", str(file), limit="a calendar file", advice=advice)
    listed = output.progress(dates, "Writing")
    file.write_bytes(calendar_file.calendar(name, listed, timetables.now_s()))
    output.note(f"{events} doses written to {errors.printable(str(file), most=0)}.")
