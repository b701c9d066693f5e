"""A month of a small tank on core and store alone, the same on every interpreter.

Outages, cut runs, motor faults, a lost clock and the acts of a user come from one number, by a
generator written down here. `report` prints the SHA-256 of every file that the month left on the
file system, then of all of them; a single byte that differs anywhere shows.
"""

import hashlib

from rig import Power, Rig, journal_files
from tank import canonical

# As in core/ledger.py, whose constants are not there any more in what a board is given.
ALL = 255
FAULT = 4
DAYS = 31
START_W = 827017200  # 2026-03-17T00:00 in Berlin: the clock change of 29 March falls into it
ACTS = (
    # day, kind, fields (see the fold)
    (2, "P", (0, 50, 9, 101), ""),
    (4, "D", (1, -4000, 9577, 5, 0, 102), ""),
    (6, "K", (2, 12802, 9800, 0, 0, 103), ""),
    (9, "H", (3, 0, 104), ""),
    (10, "h", (3, 0, 105), ""),
    (12, "X", (0, 1500, 0, 1, 106), ""),
    (15, "F", (1, 400000, 107), ""),
    (20, "N", (2, 108), ""),
    (23, "E", (1, 255, 109), "7.9 dKH"),
    (26, "P", (3, 100, 3, 110), ""),
)


class Chance:
    """Numbers that only look like chance (the linear congruence of POSIX's sample rand)."""

    def __init__(self, seed):
        self.seed = seed

    def below(self, n):
        """A number from 0 to n - 1, n at most 32768."""
        self.seed = (self.seed * 1103515245 + 12345) % 2147483648
        return self.seed // 65536 % n


class Month:
    """One day a call, so that an interpreter that frees only between calls can keep up."""

    def __init__(self, root, seed=1, start_w=START_W):
        self.chance = Chance(seed)
        self.start_w = start_w
        self.rig = Rig(root, canonical(8), start_w)
        self.rig.boot()
        self.rig.sleep(30)
        self.rig.clock()
        self.outages = 0
        self.acts = list(ACTS)
        self.next_cut_w = start_w + 40000

    def day(self, number):
        rig = self.rig
        end_w = self.start_w + (number + 1) * 86400
        while rig.wall_s < end_w:
            if rig.wall_s >= self.next_cut_w:
                self._outage()
                continue
            while self.acts and rig.wall_s >= self.start_w + self.acts[0][0] * 86400 + 3000:
                _, kind, fields, text = self.acts.pop(0)
                self._act(kind, fields, text)
            until_s = rig.now_s + min(end_w, self.next_cut_w) - rig.wall_s
            try:
                rig.step(until_s, self._mishap)
            except Power:
                self._outage()

    def _mishap(self, ch, counts):
        """One run in 300 is ended early by a fault of the motor, one in 300 by an outage."""
        die = self.chance.below(300)
        if die == 0:
            return counts * 2 // 3, FAULT, -1
        return counts, 0, 1 if die == 1 else -1

    def _act(self, kind, fields, text):
        rig = self.rig
        state = rig.engine.state
        fields = list(fields)
        if kind == "K":
            fields[4] = state.channels[fields[0]].cal_sig
        if kind == "D":
            fields[4] = rig.wall_s
        rig.engine.act(rig.now_s, kind, tuple(fields), text)

    def _outage(self):
        rig = self.rig
        self.outages += 1
        long = self.chance.below(4) == 0
        rig.off(60 + 60 * self.chance.below(60 * 40 if long else 90))
        rig.boot(2 if self.chance.below(3) == 0 else 0)
        rig.sleep(10 + self.chance.below(900))
        rig.clock(1 + self.chance.below(2))
        if rig.engine.state.latched:
            # Latched faults are left by two acts of the user.
            rig.engine.act(rig.now_s, "z", (ALL, 1, 0))
            rig.engine.act(rig.now_s, "z", (ALL, 0, 0))
        self.next_cut_w = rig.wall_s + 3600 + 60 * self.chance.below(60 * 24 * 5)

    def report(self):
        """Print the sums of all files, and what went in, so that nothing is compared by chance."""
        whole = hashlib.sha256()
        for name, content in journal_files(self.rig.files):
            print(name, len(content), digest(hashlib.sha256(content)))
            whole.update(name.encode() + content)
        for i, c in enumerate(self.rig.engine.state.channels):
            print(i, c.rev, c.rem, c.tot)
        print(self.outages, "outages", len(self.rig.ends), "runs", self.rig.polls, "polls")
        print("sha256", digest(whole))


def digest(hash_):
    return "".join([f"{b:02x}" for b in hash_.digest()])
