"""The steps that run most, each under a locked heap on the VM: which of them ask for memory.

Every step is taken once before the heap is locked, so that what it keeps is there.
"""

import micropython
from rig import Rig
from tank import canonical

from aliquot.core.amounts import part, run_s, to_counts
from aliquot.core.dates import weekday, ymd

WALL_S = 827100000


def steps():
    rig = Rig("/hot", canonical(8), WALL_S)
    rig.boot()
    rig.sleep(30)
    rig.clock()
    for _ in range(60):
        rig.step(rig.now_s + 3600)
    engine = rig.engine
    zone = engine.setup.zone
    ring = engine.state.channels[0].ring
    day = engine.table.day(9573)
    now_s = rig.now_s
    return (
        ("an idle poll", lambda: engine.poll(engine.wake_s - 1)),
        ("the offset of a second", lambda: zone.offset(WALL_S)),
        ("the start of a date", lambda: zone.day_start(9573)),
        ("the date of a second", lambda: zone.date_of(WALL_S)),
        ("whether a date is ordinary", lambda: zone.ordinary(9573)),
        ("the weekday of a date", lambda: weekday(9573)),
        ("what the last 24 h brought", lambda: ring.used_ul(now_s)),
        ("when room comes free", lambda: ring.frees_s(now_s, 1000)),
        ("a part of a day", lambda: part(36500, 24, 7)),
        ("the volume of a dose", lambda: day.ul(0, 7)),
        ("counts of a volume", lambda: to_counts(1521, 12800, 10020, 3000)),
        ("seconds of a run", lambda: run_s(1943, 500)),
        # This one makes a tuple: it shows that the lock is there.
        ("year, month and day", lambda: ymd(9573)),
    )


def main():
    for name, step in steps():
        step()
        asked = 0
        micropython.heap_lock()
        try:
            step()
        except MemoryError:
            asked = 1
        micropython.heap_unlock()
        print("asks" if asked else "free", name)
