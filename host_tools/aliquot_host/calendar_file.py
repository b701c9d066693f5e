"""The planned doses as a calendar file (RFC 5545): one event a dose, at instants in UTC.

Instants in UTC mean the same in every calendar program, whatever it knows of the tank's zone. The
UID of an event is made from the set-up's name, the channel and the dose's key, so that a file made
again after a change of volumes replaces its events. Only plans are written: a calendar proves no
delivery.
"""

from __future__ import annotations

import datetime
import uuid
from collections.abc import Iterable, Sequence
from typing import Any

from aliquot.core.decimals import date_text, text_of
from aliquot_host.timetables import Date, Dose, instant

EVENTS_MOST = 100_000
OPENING = b"BEGIN:VCALENDAR"
PRODUCT = "-//Aliquot//timetable//EN"
# Any constant would do; it is drawn once and never changes.
NAMESPACE = uuid.UUID("5f0b8c52-93a7-4e0c-8d0f-6a4d1b7f2c31")


def uid(name: str, dose: Dose, date: int) -> str:
    """The UID of a dose of the set-up `name`: a UUID, as RFC 7986, section 5.3 recommends."""
    key = f"{name} {dose.channel} {dose.revision} {date_text(date)} {dose.index}"
    return str(uuid.uuid5(NAMESPACE, key))


def calendar(name: str, dates: Iterable[Date], made_s: int) -> bytes:
    """The calendar file of all doses of the dates of the set-up `name`.

    made_s: when it is made, in UTC seconds since 2000."""
    from icalendar import Calendar, Event

    stamp = instant(made_s)
    whole: Any = Calendar()
    whole.add("prodid", PRODUCT)
    whole.add("version", "2.0")
    for date in dates:
        for dose in date.doses:
            event: Any = Event()
            event.add("uid", uid(name, dose, date.date))
            event.add("dtstamp", stamp)
            event.add("dtstart", instant(dose.wall_s))
            # A run of less than a second still takes place: an event needs a length above zero.
            event.add("duration", datetime.timedelta(seconds=-(-max(dose.run_ms, 1) // 1000)))
            event.add("summary", f"{dose.channel} {text_of(dose.volume_ul)} mL")
            event.add("description", words(dose, date.date))
            event.add("categories", [dose.channel])
            event.add("transp", "TRANSPARENT")
            whole.add_component(event)
    data: bytes = whole.to_ical()
    return data


def words(dose: Dose, date: int) -> str:
    """What the event says below its title."""
    return (
        f"Planned: dose {date_text(date)}#{dose.index} at {dose.local}, {dose.counts} counts in "
        f"{text_of(dose.run_ms)} s. Whether it was given stands in the journal alone."
    )


def events(dates: Sequence[Date]) -> int:
    """How many events the dates would make."""
    return sum(len(date.doses) for date in dates)
