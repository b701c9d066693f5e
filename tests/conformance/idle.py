"""Ten thousand polls with nothing to do, under a locked heap. Runs on the VM.

A second at a time passes; each poll that comes before the engine's own `wake_s` is idle and runs
under `micropython.heap_lock()`, where any allocation raises MemoryError. The others do work (a
dose, a record an hour, a slice of tomorrow's table) and run free. What is printed shows that each
state was what its name says.
"""

import gc

import micropython
from rig import Rig
from tank import canonical

ALL = 255  # as in core/ledger.py
POLLS = 10000
START_W = 827017200  # midnight in Berlin


def locked(engine, now_s):
    """One poll with the heap locked; whether it asked for memory."""
    micropython.heap_lock()
    try:
        job = engine.poll(now_s)
    except MemoryError:
        micropython.heap_unlock()
        return True
    micropython.heap_unlock()
    if job:
        raise ValueError("not an idle poll")
    return False


def begin(name):
    rig = Rig("/" + name.replace(" ", ""), canonical(8), START_W + 77000)
    rig.boot()
    if name != "clock unset":
        rig.sleep(30)
        rig.clock()
    live(rig, 400)
    if name == "held":
        rig.engine.act(rig.now_s, "H", (ALL, 0, 1))
    if name == "catch-up pending":
        # Two doses of each channel go missing; giving them back takes some hours.
        rig.off(7200)
        rig.boot()
        rig.sleep(30)
        rig.clock()
    live(rig, 400)
    return rig


def live(rig, seconds):
    until = rig.now_s + seconds
    while rig.now_s < until:
        rig.step(until)


def run(name):
    """Print the state's name, the idle polls, how many allocated, and those that worked."""
    rig = begin(name)
    engine = rig.engine
    idle = worked = guilty = 0
    date = (rig.wall_s + 3600) // 86400
    while idle < POLLS:
        if rig.now_s < engine.wake_s:
            guilty += locked(engine, rig.now_s)
            idle += 1
            rig.sleep(1)
        else:
            worked += 1
            rig.step(rig.now_s + 1)
    state = engine.state
    held = state.hold_w == 0
    owed = sum([c.owed[1] for c in state.channels if c.owed])
    crossed = (rig.wall_s + 3600) // 86400 - date
    print(name, idle, guilty, worked, state.quality, held, owed > 0, crossed)


def planted():
    """A poll that makes a list must be found out."""

    class Wasteful:
        def poll(self, now_s):
            self.seen = [now_s]

    print("planted", locked(Wasteful(), 0))


def main():
    planted()
    for name in ("across midnight", "held", "clock unset", "catch-up pending"):
        run(name)
        gc.collect()
