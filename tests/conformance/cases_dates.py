"""The calendar by number. Runs on both interpreters."""

from aliquot.core.dates import days_of, weekday, ymd

# Known days: 2000-01-01 was a Saturday, 1900 and 2100 have no leap day, 2000 has one.
DATES = (
    (1900, 1, 1), (1900, 2, 28), (1900, 3, 1), (1970, 1, 1), (1999, 12, 31), (2000, 1, 1),
    (2000, 2, 29), (2000, 3, 1), (2024, 2, 29), (2026, 3, 29), (2033, 12, 31), (2034, 1, 10),
    (2038, 1, 19), (2100, 2, 28), (2100, 3, 1), (2399, 12, 31),
)  # fmt: skip


def main():
    for y, m, d in DATES:
        date = days_of(y, m, d)
        print(y, m, d, date, weekday(date), ymd(date))
    total = 0
    for date in range(days_of(1900, 1, 1), days_of(2399, 12, 31) + 1, 13):
        y, m, d = ymd(date)
        total = (total * 31 + (y * 400 + m * 32 + d) * 7 + weekday(date)) % 1000003
        if days_of(y, m, d) != date:
            print("not itself:", date)
    print(total)
