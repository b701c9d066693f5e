"""Calendar dates as whole days since 2000-01-01, which is date 0.

For everything that needs a year, a month or a weekday: zones, plans, texts. It never reads a
clock, never knows a time zone, and never checks its arguments: texts are checked where they
enter. The calendar is the proleptic Gregorian one; 1900 to 2399 is what the tests promise.
"""


def days_of(year: int, month: int, day: int) -> int:
    """The date of a calendar day; month 13 is the January after, which finds a month's end.

    Years begin in March here, so that the leap day is the last one and the months before
    it follow one straight line, (153 * month - 457) // 5.
    """
    if month < 3:
        year -= 1
        month += 12
    leap_days = year // 4 - year // 100 + year // 400
    return year * 365 + leap_days + (153 * month - 457) // 5 + day - 730426


def ymd(date: int) -> tuple[int, int, int]:
    """(year, month, day) of a date: the inverse of days_of."""
    date -= 60  # from 2000-03-01, where a cycle of 400 years begins
    day = date % 146097
    year = (day - day // 1460 + day // 36524 - day // 146096) // 365
    day -= year * 365 + year // 4 - year // 100
    month = (5 * day + 2) // 153
    day -= (153 * month + 2) // 5
    year += date // 146097 * 400 + 2000
    if month < 10:
        return year, month + 3, day + 1
    return year + 1, month - 9, day + 1


def weekday(date: int) -> int:
    """0 for Monday to 6 for Sunday; date 0 was a Saturday."""
    return (date + 5) % 7
