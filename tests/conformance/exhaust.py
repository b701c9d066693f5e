"""A dose during which memory runs out, at every allocation there is (S26).

Method on the VM. The heap is made not to grow (see `run.mjs`), and this port frees nothing while
code runs, so memory can be rationed exactly: a chain of one-block tuples fills the heap up to `n`
blocks of 16 bytes, and the allocation that asks for one more raises a real MemoryError, whoever
it is: bytecode, the file system, a library in C. `n` rises from nothing to more than a dose takes,
so each allocation of the dose is the first to fail in at least one case. What is freed is not used
again within a case, so whatever handles the error has what is left and no more; a board would
collect first and often go on, so it meets a part of these cases, and no others.

On CPython there is no such heap; `test_injection.py` raises MemoryError at any step instead.

After the error the motor is off, as the board's own handler would leave it. Then the power goes,
the board starts from the files with memory to spare and lives on for more than an hour.
"""

import gc

from rig import Rig, journal_files
from tank import canonical

from aliquot.core.records import decode
from aliquot.store.files import Files

GROWTH = 128 * 1024 * 1024  # mem_free() adds what this port could still ask for
BLOCK = 16
START_W = 827017200  # 2026-03-17, midnight in Berlin
LATER_S = 4000
SEGMENT_MOST = 16384  # as in store/journal.py
CHANNELS = 2
BASE = {}


def free():
    return gc.mem_free() - GROWTH


def prepare(folder=""):
    """Live through three doses once; every case starts from the files that this leaves."""
    rig = Rig(folder + "/base", canonical(CHANNELS), START_W)
    rig.boot()
    rig.sleep(30)
    rig.clock()
    while len(rig.ends) < 3:
        rig.step(rig.now_s + 3600)
    BASE["folder"] = folder
    BASE["wall"] = rig.wall_s + 60
    BASE["seq"] = rig.engine.state.seq
    BASE["files"] = journal_files(rig.files)


class Case:
    """One board on the brink of a dose; with `rotate` the dose also fills a segment."""

    def __init__(self, number, rotate=False):
        self.root = f"{BASE['folder']}/case{number}"
        files = Files(self.root)
        for name, content in BASE["files"]:
            files.write(name, content)
        self.rig = rig = Rig(self.root, canonical(CHANNELS), BASE["wall"])
        rig.boot()
        rig.sleep(30)
        rig.clock()
        self.error = False
        self.blocks = 0
        # Up to the second at which the next poll starts a run.
        while not self._due():
            rig.step(rig.now_s + 3600)
        if rotate:
            rig.engine.journal.size = SEGMENT_MOST

    def _due(self):
        lanes = self.rig.engine.lanes
        return min([lane.due_w for lane in lanes]) == self.rig.wall_s

    def give(self):
        """Give the dose that is due; where memory runs out, the motor is switched off."""
        rig = self.rig
        try:
            for _ in range(40):
                if rig.step(rig.now_s + 1):
                    break
        except MemoryError:
            rig.motor = -1
            self.error = True

    def ration(self, blocks):
        """Give the dose with `blocks` free blocks (VM alone)."""
        ballast = None
        for size in (65536, 4096, 256):
            while free() > size + 1024 + blocks * BLOCK:
                try:
                    ballast = (ballast, bytearray(size))
                except MemoryError:
                    break  # no such hole any more; smaller ones come next
        while free() > blocks * BLOCK:
            ballast = (ballast,)
        began = free()
        self.give()
        self.blocks = (began - free()) // BLOCK

    def restart(self):
        """Power goes and comes; the board lives on with memory to spare."""
        rig = self.rig
        rig.off(60)
        rig.boot()
        rig.sleep(20)
        rig.clock()
        until = rig.now_s + LATER_S
        while rig.now_s < until:
            rig.step(until)

    def audit(self):
        """What is wrong, as words: from the files' records and from what the motor truly did."""
        wrong = []
        told = []
        boots = seq = 0
        for name, content in journal_files(self.rig.files):
            for line in content.split(b"\n"):
                if name[0] != "j" or line[:2] == b"S " or not line:
                    continue
                own, _, kind, f, _ = decode(line)
                if own != seq + 1:
                    wrong.append(f"number {own} after {seq}")
                seq = own
                boots += kind == "B"
                if kind == "I" and own > BASE["seq"]:
                    told.append((f[0], f[4]))
                    if f[1] <= 0:
                        wrong.append(f"a key again: {f}")
        for _, ch, counts, _ in self.rig.ends:
            if (ch, counts) in told:
                told.remove((ch, counts))
            else:
                wrong.append(f"channel {ch} ran without an intent of its own")
        if boots != 3:
            wrong.append(f"{boots} boots")
        if not self.rig.ends:
            wrong.append("nothing ran afterwards")
        state = self.rig.engine.state
        for i, c in enumerate(state.channels):
            if c.ring.used_ul(self.rig.now_s) > self.rig.data["channel"][i]["cap_ul"]:
                wrong.append("cap")
        if state.open or state.gap or state.foreign or state.fault:
            wrong.append("not at rest")
        return wrong

    def report(self):
        print(int(self.error), self.blocks, self.rig.motor, len(self.rig.ends), self.audit())


def whole(rotate=False):
    """Print how many blocks the dose takes when nothing fails (VM alone)."""
    case = Case(99999, rotate)
    began = free()
    case.give()
    print((began - free()) // BLOCK, case.error, len(case.rig.ends))
