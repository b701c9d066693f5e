"""A start and a dose of the whole program on MicroPython: the app, the board and its driver.

Only `machine`, `esp32` and `rp2` are not real (see `motors.py` and `whole.py`). The tasks are
driven one by one, as in `app_rig.py`, and the clock of the stand-ins is all the time there is.
"""

import motors
import whole

import app_rig
from aliquot.app import App
from aliquot.start import start
from aliquot.store.files import Files

TICKS = 0x3FFFFFFF


def begin(port, chip):
    hw = whole.made(port, chip)
    hw.files = Files("/data")
    hw.ticks_ms = motors.ticks_ms
    hw.sleep_ms = app_rig.sleep
    hw.diff = lambda later, earlier: (later - earlier) & TICKS
    app = App(hw)
    start(app)
    return hw, app


def run(app, seconds, counts=0):
    """Let the tasks go on, always the one whose sleep ends first; at most until a run has given so
    many counts."""
    tasks = [[motors.now[0], getattr(app, name)()] for name in app_rig.TASKS]
    end = motors.now[0] + 1000 * seconds
    while True:
        turn = tasks[0]
        for one in tasks:
            if one[0] < turn[0]:
                turn = one
        if turn[0] > end or (counts and app.pump and app.pump.given >= counts):
            return
        motors.now[0] = max(motors.now[0], turn[0])
        ms = turn[1].send(None)
        # Nothing is due between the looks of an idle board, so some are left out.
        turn[0] = motors.now[0] + (ms if app.job or ms < 50 else min(1000, ms * 20))


def dose(port, chip, wall_w, seconds):
    """A dose from the set-up to its record, with every burst that the hardware was given."""
    motors.now[0] = 1000
    hw, app = begin(port, chip)
    print("begun", repr(app.why), app.answer({"do": "clock", "wall_w": wall_w, "id": 5})["ok"])
    run(app, seconds)
    state = app.engine.state
    print("last", *app.last)
    print("told", [(c.tot[1], c.tot[2]) for c in state.channels], state.seq, hw.kept())


def reset_in_a_run(port, chip, wall_w, seconds):
    """The program ends in the middle of a run; the next start knows what was sent."""
    motors.now[0] = 1000
    _, app = begin(port, chip)
    app.answer({"do": "clock", "wall_w": wall_w, "id": 5})
    run(app, seconds, 300)
    pump = app.pump
    sent = pump.given + pump.sent
    pump.stop()
    again = begin(port, chip)[1]
    c = again.journal.state.channels[0]
    print("reset", sent > 0, c.tot[2] == sent, c.tot[8], again.journal.state.open)
