"""A small board for tests, on both interpreters: real core and store, a motor that only counts.

`Rig` boots from the files of one folder (or of `files`: any object like `store.files.Files`),
polls, runs the motor, loses power where it is told to and boots again. It keeps the truth apart
from what the engine believes: wall time, powered time, and what each run gave. It imports the
device's modules only, uses no clock and no random numbers of an interpreter, and judges nothing:
`ends` and the files are there for a test to look at.
"""

from aliquot.core import events
from aliquot.core.engine import Engine
from aliquot.core.setup import build, signature
from aliquot.store.files import Files
from aliquot.store.recover import open_journal

START_W = 820540800  # 2026-01-01T00:00Z, wall seconds


class Power(Exception):
    """The power went."""


class Rig:
    """`wall_s` is the true time, `now_s` powered time; `ends` lists every run of the motor."""

    def __init__(self, root, data, wall_s=START_W, files=None):
        self.files = files or Files(root)
        self.data = data
        self.wall_s = wall_s
        self.now_s = 0
        self.motor = -1  # the channel whose motor turns
        self.ends = []  # (powered second, channel, counts told, counts given)
        self.engine = None
        self.polls = 0

    def boot(self, cause=0):
        """Start from the files; the clock is unset after it."""
        self.motor = -1
        self.engine = None
        setup = build(self.data, "5e7" * 21 + "0")
        journal, self.findings = open_journal(self.files)
        state = journal.state
        self.now_s = state.now_s
        if not state.ids:
            fields = [self.wall_s, 0, 0]
            for c in self.data["channel"]:
                cal = c["calibration"]
                fields += [1, cal["counts"], cal["ul"], cal["offset"], signature(c["pump"])]
                left = c["reservoir"]
                fields += [1 + left["left_ul"] if left else 0, 0]
            names = " ".join([c["id"] for c in self.data["channel"]])
            journal.put(0, "C", tuple(fields), setup.hash + " " + names)
        self.engine = Engine(setup, journal)
        events.boot(self.engine, self.now_s, cause)

    def clock(self, quality=2):
        """The clock is set to the true time."""
        events.set_clock(self.engine, self.now_s, self.wall_s, quality, 1)

    def off(self, seconds):
        """No power for a while."""
        self.motor = -1
        self.wall_s += seconds

    def sleep(self, seconds):
        self.now_s += seconds
        self.wall_s += seconds

    def step(self, until_s, chance=None):
        """Poll once and do what it says, or sleep to the next poll, at most until `until_s`.

        chance(ch, counts) is asked about each run: it returns (counts given, cause of an early
        end, second at which the power goes or -1); Power is raised then. Returns whether a run
        ended.
        """
        job = self.engine.poll(self.now_s)
        self.polls += 1
        if not job:
            self.sleep(max(1, min(self.engine.wake_s, until_s) - self.now_s))
            return False
        ch, counts, most_s = job
        self.motor = ch
        given, cause, cut_s = chance(ch, counts) if chance else (counts, 0, -1)
        seconds = (given + 499) // 500
        if seconds > most_s:
            raise ValueError("longer than its most")
        if 0 <= cut_s < seconds:
            self.sleep(cut_s)
            self.ends.append((self.now_s, ch, counts, cut_s * 500))
            raise Power()
        self.sleep(seconds)
        self.motor = -1
        self.ends.append((self.now_s, ch, counts, given))
        self.engine.ended(self.now_s, given, cause)
        return True


def journal_files(files):
    """The journal's files in order: (name, content)."""
    return [(name, files.read(name)) for name in sorted(files.names())]
