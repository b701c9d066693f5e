"""Zones and local days. Runs on both interpreters."""

from aliquot.core.zone import Zone
from aliquot.core.zone_text import parse

# POSIX TZ strings (IEEE 1003.1), each for one feature of the grammar.
RULES = (
    "UTC0",
    "CET-1CEST,M3.5.0,M10.5.0/3",
    "EST5EDT,M3.2.0,M11.1.0",
    "NST3:30NDT,M3.2.0,M11.1.0",
    "<+1030>-10:30<+11>-11,M10.1.0,M4.1.0",
    "NZST-12NZDT,M9.5.0,M4.1.0/3",
    "IST-5:30",
    "IST-1GMT0,M10.5.0,M3.5.0/1",
    "IST-2IDT,M3.4.4/26,M10.5.0",
    "<-02>2<-01>,M3.5.0/-1,M10.5.0/0",
    "AAA3BBB,J60/0,J300/0",
    "AAA-3BBB,59/2,299/2:30:15",
    "XXX3EDT4,0/0,J365/23",
)
REFUSED = (
    "",
    "EST5EDT",
    "CET",
    "C1",
    "CET-25",
    "CET-1CEST,M13.1.0,M10.5.0",
    "CET-1CEST,M3.6.0,M10.5.0",
    "CET-1CEST,M3.5.0",
    "CET-1CEST,J0,J9",
    "CET-1CEST,M3.5.0/168,M10.5.0",
    "<+1>-1x",
)
FIRST, LAST = 9497, 11323  # 2026-01-01 to 2030-12-31, days since 2000-01-01


def main():
    for text in RULES:
        rule = parse(text)
        zone = Zone(rule)
        print(text, rule)
        total = 0
        for date in range(FIRST, LAST + 1):
            start = zone.day_start(date)
            if not zone.ordinary(date):
                hours = [zone.wall(date, s) - start for s in range(0, 90000, 1800)]
                print(date, start, zone.day_start(date + 1) - start, hours)
                print([zone.offset(start + s) for s in range(0, 90000, 1800)])
            if zone.date_of(start) != date or zone.date_of(start - 1) != date - 1:
                print("not itself:", date)
            total = (total * 31 + start + zone.wall(date, 43200)) % 1000003
        print(total)
        # Past the 31-bit small integers of a board (2034) and the 32-bit epoch of 1970 (2038).
        for date in (12430, 12431, 13898, 13900, 36500):
            print(date, zone.day_start(date), zone.wall(date, 86399))
    for text in REFUSED:
        try:
            print(text, parse(text))
        except ValueError as error:
            print(text, error)
