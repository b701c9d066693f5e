"""A board on the desk for tests of journals: real engine and store, files in memory, a pump that does
what it is told, or less. It judges nothing."""

from aliquot.core import events
from aliquot.core.engine import Engine
from aliquot.store.recover import open_journal
from aliquot_host import setup_file
from aliquot_host.memory_files import MemoryFiles


def set_up(text):
    """A set-up from TOML text."""
    return setup_file.load(text.encode(), where="tank.toml")


class DeskBoard:
    """`wall_w` is the true time; `runs` lists (wall second, channel, counts told, counts given)."""

    def __init__(self, loaded, wall_w):
        self.loaded = loaded
        self.wall_w = wall_w
        self.files = MemoryFiles()
        self.runs = []
        self.short = []  # (counts that stay out, cause) of the next runs
        self.boot()
        self.clock()

    def boot(self, cause=1):
        """Power comes; the clock is unset."""
        self.journal, self.findings = open_journal(self.files)
        self.state = self.journal.state
        self.on_w, self.on_s = self.wall_w, self.state.now_s
        setup = self.loaded.setup
        if not self.state.ids:
            self.adopt(self.loaded)
        self.engine = Engine(setup, self.journal)
        events.boot(self.engine, self.now_s, cause)

    def adopt(self, loaded):
        """The record of a set-up that is new to the board, every calibration and fill in it."""
        fields = [self.wall_w, 0, 0]
        for c, made in zip(loaded.data["channel"], loaded.setup.channels, strict=True):
            cal = c["calibration"]
            fields += [1, cal["counts"], cal["ul"], cal["offset"], made.signature]
            fields += [1 + c["reservoir"]["left_ul"] if c["reservoir"] else 0, 0]
        ids = " ".join(c["id"] for c in loaded.data["channel"])
        self.journal.put(self.now_s, "C", tuple(fields), f"{loaded.digest} {ids}")

    @property
    def now_s(self):
        return self.on_s + self.wall_w - self.on_w

    def clock(self, ahead_s=0, quality=2):
        """The clock is set, `ahead_s` seconds ahead of the truth."""
        events.set_clock(self.engine, self.now_s, self.wall_w + ahead_s, quality, 1)

    def off(self, seconds):
        """No power for a while, then a start and a clock."""
        self.wall_w += seconds
        self.boot()
        self.clock()

    def until(self, wall_w):
        """Live until a wall second."""
        while self.wall_w < wall_w:
            job = self.engine.poll(self.now_s)
            if not job:
                ahead = max(1, self.engine.wake_s - self.now_s)
                self.wall_w = min(wall_w, self.wall_w + ahead)
                continue
            channel, counts, _ = job
            speed = self.loaded.setup.channels[channel].speed_cps
            short, cause = self.short.pop(0) if self.short else (0, 0)
            given = counts - short
            begun_w = self.wall_w
            self.wall_w += -(-max(0, given) // speed)
            self.runs.append((begun_w, channel, counts, given))
            self.engine.ended(self.now_s, given, cause)

    def until_intent(self):
        """Live until a run has begun, and leave it running."""
        while not self.engine.poll(self.now_s):
            self.wall_w += max(1, self.engine.wake_s - self.now_s)

    def act(self, do, *arguments, **named):
        """An act of `aliquot.core.acts`."""
        return do(self.engine, self.now_s, *arguments, **named)

    def pull(self, folder):
        """Write the journal into a folder, as it would be pulled from a board."""
        folder.mkdir(exist_ok=True)
        for name, data in self.files.content().items():
            (folder / name).write_bytes(data)
        return folder
