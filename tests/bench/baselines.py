"""What the figures are measured against: the same doses, worked out with nothing else around them.

Each baseline knows the one set-up of `conformance/tank.py` by heart (channel by channel, Berlin,
2026, clock changes written down), which is why it is short and fast. Nothing here imports aliquot.
"""

from collections.abc import Iterator
from datetime import datetime
from zoneinfo import ZoneInfo

import simpy
from croniter import croniter

from conformance.tank import SEPARATE_S

FIRST, DAYS = (
    9498,
    365,
)  # from 2026-01-02, in days since 2000-01-01; a board believes 2026 and later
SPRING, AUTUMN = 9584, 9794  # 2026-03-29 and 2026-10-25, the clock changes in Berlin
CHANNELS, DOSES = 4, 24
EPOCH_S = 946684800  # 2000-01-01T00:00Z on the clock of POSIX
Dose = tuple[int, int, int]


def run_s(ul: int, i: int) -> int:
    """The seconds that the largest dose of a day of `ul` may take, raised by a quarter."""
    largest = (ul + 23) // 24
    raised = largest + largest * 25 // 100
    counts = (2 * raised * (12800 + i) + 10020) // 20040 + 1
    return (counts + 499) // 500


def bare(days: int = DAYS, ramp: bool = False) -> list[Dose]:
    """The year as (channel, UTC second since 2000, microlitres): one straight integer loop."""
    doses: list[Dose] = []
    add = doses.append
    for date in range(FIRST, FIRST + days):
        start = date * 86400 - (7200 if SPRING < date <= AUTUMN else 3600)
        length = 82800 if date == SPRING else 90000 if date == AUTUMN else 86400
        after = 0
        for i in range(CHANNELS):
            ul = 36500 + 1000 * i
            if ramp:
                ul = 20000 + (ul - 20000) * (date - FIRST) // DAYS
            first = start + i // 2 * 1800 + after
            # Every second channel follows the one before it.
            after = SEPARATE_S + run_s(ul, i) if i % 2 == 0 else 0
            for k in range(DOSES):
                due = first + k * length // DOSES
                add((i, due, (2 * (k + 1) * ul + DOSES) // 48 - (2 * k * ul + DOSES) // 48))
    return doses


def cron(days: int) -> list[tuple[int, datetime]]:
    """The first days as (channel, local time), by one cron expression a channel."""
    begin = datetime(2026, 1, 1, 23, 59, 59, tzinfo=ZoneInfo("Europe/Berlin"))
    doses: list[tuple[int, datetime]] = []
    for i, ul in enumerate((36500, 37500, 38500, 39500)):
        after = SEPARATE_S + run_s(ul - 1000, i - 1) if i % 2 else 0
        minute, second = divmod(i // 2 * 1800 + after, 60)
        times = croniter(f"{minute} * * * * {second}", begin)
        doses += [(i, times.get_next(datetime)) for _ in range(days * DOSES)]
    return doses


def bare_processes(doses: list[Dose], speed_s: int = 4) -> list[Dose]:
    """Run one simpy process per dose and return the doses in the order in which they ended."""
    env = simpy.Environment()
    done: list[Dose] = []
    begin = min(due for _, due, _ in doses)

    def process(dose: Dose) -> Iterator[simpy.Event]:
        yield env.timeout(dose[1] - begin)
        yield env.timeout(speed_s)
        done.append(dose)

    for dose in doses:
        env.process(process(dose))
    env.run()
    return done
