"""A dose during which memory runs out, at every allocation there is (S26). Runs on the VM alone.

Method. The VM's heap is made not to grow (see `run.mjs`), and this port frees nothing while code
runs, so memory can be rationed exactly: a chain of one-block tuples fills the heap up to `n` blocks
of 16 bytes, and the allocation that asks for block n + 1 raises a real MemoryError, whoever it is:
bytecode, the file system, a library in C. `n` rises from nothing to more than a dose takes, so each
allocation of the dose is the first to fail in at least one case. What is freed is not used again
within a case, so whatever handles the error has what is left and no more; a board would collect
first and often go on, so it meets a part of these cases, and no others.

After the error the motor is off, as the board's own handler would leave it. Then the power goes,
the board starts from the files with memory to spare and lives on for two hours.
"""

import gc

from aliquot.core.records import decode
from rig import Rig, journal_files
from tank import canonical

GROWTH = 128 * 1024 * 1024  # mem_free() adds what this port could still ask for
BLOCK = 16
START_W = 827017200
LATER_S = 7200


def free():
    return gc.mem_free() - GROWTH


class Case:
    """One board on the brink of a dose."""

    def __init__(self, number, channels=2):
        self.root = "/case%d" % number
        self.rig = Rig(self.root, canonical(channels), START_W)
        self.rig.boot()
        self.rig.sleep(30)
        self.rig.clock()
        self.error = ""
        self.blocks = 0
        rig = self.rig
        while len(rig.ends) < 3:
            rig.step(rig.now_s + 3600)
        rig.engine.poll(rig.now_s)
        while rig.engine.wake_s > rig.now_s:
            rig.sleep(rig.engine.wake_s - rig.now_s)
        self.before = len(rig.ends)

    def dose(self, blocks):
        """Give the dose that is due with `blocks` free blocks; -1: as many as there are."""
        rig = self.rig
        ballast = None
        if blocks >= 0:
            for size in (65536, 4096, 256):
                while free() > size + 1024 + blocks * BLOCK:
                    try:
                        ballast = (ballast, bytearray(size))
                    except MemoryError:
                        break
            while free() > blocks * BLOCK:
                ballast = (ballast,)
        began = free()
        try:
            while len(rig.ends) == self.before:
                rig.step(rig.now_s + 1)
        except MemoryError:
            rig.motor = -1
            self.error = "MemoryError"
        ballast = None
        self.blocks = (began - free()) // BLOCK

    def restart(self):
        rig = self.rig
        rig.off(60)
        rig.boot()
        rig.sleep(20)
        rig.clock()
        until = rig.now_s + LATER_S
        while rig.now_s < until:
            rig.step(until)

    def audit(self):
        """Return what is wrong, as words; the records stand for themselves."""
        wrong = []
        told = []
        seq = 0
        for name, content in journal_files(self.root):
            if name[0] != "j":
                continue
            for line in content.split(b"\n"):
                if line[:2] == b"S " or not line:
                    continue
                own, dt, kind, f, _ = decode(line)
                if own != seq + 1:
                    wrong.append("number %d after %d" % (own, seq))
                seq = own
                if kind == "I":
                    told.append((f[0], f[4]))
                    if f[1] <= 0:
                        wrong.append("a key again: %s" % (f,))
        ran = [(ch, counts) for _, ch, counts, _ in self.rig.ends]
        for run in ran:
            if run in told:
                told.remove(run)
            else:
                wrong.append("a run without an intent: %s" % (run,))
        for c, channel in zip(self.rig.engine.state.channels, self.rig.data["channel"]):
            if c.ring.used_ul(self.rig.now_s) > channel["cap_ul"]:
                wrong.append("cap")
        if self.rig.engine.state.open:
            wrong.append("a run is open")
        return wrong
