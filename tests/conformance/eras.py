"""Days on core and store alone around a moment at which a number of seconds outgrows its bits.

`quiet` prints every run of days on which nothing goes wrong, `main` lives through both kinds:
those, and days with the mishaps of `month.py`. The same on every interpreter.
"""

from month import Month
from rig import Rig
from tank import canonical

DAYS = 5


def quiet(root, start_w):
    """Days without mishaps: the wall second at which each motor rests, its channel and counts.

    The board is switched on ten minutes before `start_w`, a midnight."""
    rig = Rig(root, canonical(), start_w - 600)
    rig.boot()
    rig.sleep(1)
    rig.clock()
    offset = rig.wall_s - rig.now_s
    until = start_w - offset + DAYS * 86400
    while rig.now_s < until:
        rig.step(until)
    for end_s, ch, counts, given in rig.ends:
        print("run", end_s + offset, ch, counts, given)
    for i, c in enumerate(rig.engine.state.channels):
        print("channel", i, c.rev, c.wm_w, c.date, c.index, c.rem, c.tot)


def rough(root, start_w):
    """As many days with outages, cut runs, faults of motors, and starts without a clock."""
    month = Month(root, 3, start_w)
    for day in range(DAYS):
        month.day(day)
    month.report()


def main(start_w, root=""):
    quiet(root + "/quiet", start_w)
    rough(root + "/rough", start_w)
