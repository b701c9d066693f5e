"""A board on the desk for tests of journals: real engine and store, files in memory, a pump that
does what it is told, or less. It judges nothing."""

import random

from aliquot.core import acts, events
from aliquot.core.decimals import date_of_text, time_of_text
from aliquot.core.engine import Engine
from aliquot.core.ledger import ALL, FAULT, USER
from aliquot.store.recover import open_journal
from aliquot_host import setup_file
from aliquot_host.memory_files import MemoryFiles


def set_up(text):
    """A set-up from TOML text."""
    return setup_file.load(text.encode(), where="tank.toml")


class DeskBoard:
    """`wall_w` is the true time; `runs` lists (wall second, channel, counts told, and given)."""

    def __init__(self, loaded, wall_w):
        self.loaded = loaded
        self.wall_w = wall_w
        self.files = MemoryFiles()
        self.runs = []
        self.refused = []
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
        """The record of a set-up; calibrations and fills count where the board has no others."""
        fields = [self.wall_w, 0, 0]
        for c, made in zip(loaded.data["channel"], loaded.setup.channels, strict=True):
            cal = c["calibration"]
            fields.append(1)
            if c["id"] in self.state.ids:
                fields += [0] * 6
                continue
            fields += [cal["counts"], cal["ul"], cal["offset"], made.signature]
            fields += [1 + c["reservoir"]["left_ul"] if c["reservoir"] else 0, 0]
        ids = " ".join(c["id"] for c in loaded.data["channel"])
        self.journal.put(self.now_s, "C", tuple(fields), f"{loaded.digest} {ids}")

    def change(self, loaded):
        """The user loads another set-up."""
        self.engine.flush(self.now_s)
        self.adopt(loaded)
        self.loaded = loaded
        self.engine.setup = loaded.setup
        self.engine.refresh()

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
        """Live until a run has begun, and leave it running; at most a day."""
        end_w = self.wall_w + 86400
        while self.wall_w < end_w and not self.engine.poll(self.now_s):
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


# Every way in which a dose can end, and every reason for which a channel can stand still.
TANK = """
timezone = "Europe/Berlin"
[[channel]]
id = "alk"
daily_ml = 36.5
from = "00:10"
cap_ml = 42
dose_most_ml = 4
grace_min = 25
calibration = { counts = 12800, ml = 10.02 }
[[channel]]
id = "cal"
daily_ml = 30
from = "00:10"
cap_ml = 36
dose_most_ml = 4
grace_min = 25
calibration = { counts = 12771, ml = 10.02 }
reservoir = { size_ml = 2000, left_ml = 900 }
[[channel]]
id = "mg"
at = [{ time = "02:30", ml = 3 }, { time = "14:00", ml = 7 }]
weekdays = ["tue", "wed", "sun"]
cap_ml = 55
dose_most_ml = 10
calibration = { counts = 2800, ml = 10.02 }
[[separate]]
channels = ["alk", "cal"]
minutes = 20
"""
SMALLER = TANK.replace("daily_ml = 36.5", "daily_ml = 20.5", 1)
ALK, CAL, MG = range(3)


def at(loaded, text):
    """The wall second of a local "2026-03-24 05:00" of a set-up."""
    date, time = text.split(" ")
    return loaded.setup.zone.wall(date_of_text(date), time_of_text(time))


def eventful_life():
    """(board, set-up, set-up from Friday on) after six days with something of everything."""
    tank, smaller = set_up(TANK), set_up(SMALLER)
    board = DeskBoard(tank, at(tank, "2026-03-24 00:00"))

    def until(text):
        board.until(at(tank, "2026-03-" + text))

    until("24 05:00")
    board.off(3 * 3600)  # until 08:00: three doses each are missed
    until("24 12:00")
    board.act(acts.trim, ALK, 50, 2, keep=True)
    until("24 15:00")
    board.short = [(400, FAULT), (0, 0), (300, USER)]  # alk, cal, alk
    until("24 19:00")
    board.act(acts.hold, ALL, keep=True)
    until("24 20:32")
    board.act(acts.release, ALL)
    until("24 22:09")
    board.until_intent()
    board.wall_w += 1
    board.off(600)  # in the middle of alk's dose of 22:10
    until("25 04:30")
    board.act(acts.extra, ALK, 4000, planned=True, keep=True)
    until("25 04:40")
    left_ul = board.loaded.setup.channels[ALK].cap_ul - board.state.channels[ALK].ring.used_ul(
        board.now_s
    )
    board.act(acts.extra, ALK, left_ul - 100, planned=True, keep=True)
    until("25 09:00")
    board.act(acts.override, ALK, -5000, 2, keep=True)
    until("25 11:00")
    board.act(acts.cup_run, MG, 2000)
    until("25 18:00")
    board.act(acts.calibrate, MG, 2000, 7100)
    board.act(acts.release, MG, 1)
    board.act(acts.refill, CAL, 500)
    until("26 00:00")
    board.act(acts.refill, CAL, 900000)
    until("26 06:00")
    board.wall_w += 300
    board.boot()  # and no clock for two hours
    until("26 08:05")
    board.clock()
    until("27 12:00")
    board.change(smaller)
    until("27 20:00")
    board.clock(3600)  # set forward by an hour, wrongly, and back
    until("27 21:00")
    board.clock()
    until("30 01:00")
    return board, tank, smaller


def random_life(seed, days):
    """(board, set-up) after days on which anything happens at any time; the seed repeats it."""
    rng = random.Random(seed)
    tank = set_up(TANK)
    board = DeskBoard(tank, at(tank, "2026-03-26 00:00") + rng.randrange(86400))
    end_w = board.wall_w + days * 86400
    acts_of_a_user = (
        lambda ch: board.act(acts.trim, ch, rng.choice((10, 50, 100)), rng.randrange(1, 6)),
        lambda ch: board.act(acts.override, ch, rng.choice((900, -5000)), 2, keep=True),
        lambda ch: board.act(acts.extra, ch, rng.randrange(200, 1500), planned=True, keep=True),
        lambda ch: board.act(acts.calibrate, ch, rng.randrange(12000, 13000), 10020),
        lambda ch: board.act(acts.hold, ch, keep=True),
        lambda ch: board.act(acts.release, ch),
    )
    while board.wall_w < end_w:
        board.until(board.wall_w + rng.randrange(60, 30000))
        chance = rng.random()
        if chance < 0.25:
            board.off(rng.choice((30, 600, 4000, 20000, 100000)))
        elif chance < 0.35:
            board.until_intent()
            board.off(500)
        elif chance < 0.45:
            board.short = [(rng.choice((50, 500)), rng.choice((FAULT, USER)))]
        elif chance < 0.5:
            board.clock(rng.choice((-700, 30, 900)))
        else:
            try:
                rng.choice(acts_of_a_user)(rng.randrange(3))
            except acts.Refused as no:
                board.refused.append(no)
    return board, tank
