"""Decimals, plans and whole days' tables. Runs on both interpreters."""

from tank import canonical

from aliquot.core.decimals import micro, text_of
from aliquot.core.plan import count, day_ul, dose_ul
from aliquot.core.setup import build
from aliquot.core.timetable import Timetable

# An ordinary day, the days of 23 and of 25 hours, and one beyond 2034.
DATES = (9500, 9584, 9794, 13000)
WRITTEN = (
    "0",
    "36.5",
    "10.02",
    "0.001",
    "9999.999",
    "1.0001",
    "-1",
    "+1",
    "1e3",
    " 1",
    "",
    "1.",
    "x",
)


def changed(**values):
    data = canonical(4)
    data["channel"][1].update(values)
    return data


SETUPS = (
    changed(),
    changed(doses=144, dose_most_ul=2000),
    changed(from_s=79200, span_s=14400, doses=7),
    changed(weekdays=42, every_days=3, start_date=9499),
    changed(ramp={"from_ul": 5000, "start_date": 9490, "days": 30}),
    changed(
        at=[{"time_s": 7200, "ul": 900}, {"time_s": 9000, "ul": 50}, {"time_s": 79200, "ul": 901}]
    ),
    changed(at=[{"time_s": 9000, "share": 1}, {"time_s": 9060, "share": 2}]),
    changed(daily_ul=1, dose_least_ul=1),
)


def main():
    for text in WRITTEN:
        try:
            value = micro(text)
            print(text, value, text_of(value))
        except ValueError as error:
            print(text, error)
    for n, data in enumerate(SETUPS):
        setup = build(data)
        table = Timetable(setup, [(12800, 10020)] * 4)
        for date in DATES:
            day = table.day(date)
            print(n, date, day.totals, day.run_s, day.late)
            for i, c in enumerate(setup.channels):
                doses = [(t, day.ul(i, k)) for k, t in enumerate(day.times[i])]
                print(i, len(doses), sum([ul for _, ul in doses]), doses)
                total = day_ul(c, date, [-500, date, 1])
                each = [dose_ul(c, total, count(c, total), k) for k in range(count(c, total))]
                print(total, each[:3], sum(each))
