"""A board on a desk for tests of the app: its ticks, pumps, pins and memory, and who sleeps when.

Runs on CPython and MicroPython, without asyncio: the app's tasks are driven one by one, always the
one whose sleep ends first, and time goes on only when all of them sleep. `Board` is the `hw` of
the app. Pumps keep the bounds of the real drivers: bursts of a quarter of a second, what is not
polled rests. No test stands here.
"""

import sys

from aliquot.app import App
from aliquot.hal import Fault
from aliquot.start import start

TICKS = 0x3FFFFFFF
BURST_MS = 250
TASKS = ("dose", "time", "inputs", "light", "serial", "watch")

if sys.implementation.name == "micropython":

    class Sleep:
        """As asyncio's own: one object for all, so that sleeping takes no memory."""

        ms = None
        over = StopIteration()

        def __iter__(self):
            return self

        def __next__(self):
            ms, self.ms = self.ms, None
            if ms is None:
                self.over.__traceback__ = None
                raise self.over
            return ms

    ONE = Sleep()

    def sleep(ms):
        ONE.ms = ms
        return ONE

else:
    import types

    @types.coroutine
    def sleep(ms):
        yield ms


class Restart(Exception):
    """The board was reset; `cause` is why."""

    def __init__(self, cause):
        super().__init__(f"restart {cause}")
        self.cause = cause


class Pump:
    """A motor's driver: gives counts in bursts while it is polled."""

    def __init__(self, board, ch, cps):
        self.board = board
        self.ch = ch
        self.cps = cps
        self.given = self.sent = self.left = 0
        self.running = False
        self.until = self.began = self.most_ms = 0

    def needs_ms(self, counts):
        return counts * 1000 // self.cps + 300

    def longest_ms(self, counts):
        return 2 * self.needs_ms(counts) + 2000

    def start(self, counts, most_ms, reverse=False):
        if self.board.pumping:
            raise ValueError("busy")
        if most_ms < self.needs_ms(counts):
            raise ValueError(f"most_ms {most_ms}: at least {self.needs_ms(counts)}")
        self.given = self.sent = 0
        self.left = counts
        self.most_ms = most_ms
        self.began = self.until = self.board.ms
        self.running = True
        self.board.pumping = self

    def poll(self):
        if not self.running:
            return False
        now = self.board.ms
        if now - self.began > self.most_ms:
            self.stop()
            raise Fault(1, "overtime")
        if now < self.until:
            return True
        self.given += self.sent
        self.sent = 0
        if self.board.stall == self.ch and self.given:
            raise Fault(2, "miscount")
        if not self.left:
            self.end()
            return False
        self.sent = min(self.left, max(1, self.cps * BURST_MS // 1000))
        self.left -= self.sent
        self.until = now + self.sent * 1000 // self.cps
        return True

    def stop(self):
        if self.running:
            # What has left the hardware by now; at once, and exact.
            done = self.turned() - self.given
            self.given += done
            self.sent = 0
            self.end()
        return self.given, True

    def turned(self):
        """What the motor truly did by now."""
        part = self.sent
        if self.board.ms < self.until:
            part = self.sent - (self.until - self.board.ms) * self.cps // 1000
        return self.given + max(0, min(self.sent, part))

    def end(self):
        self.running = False
        self.board.pumping = None
        self.board.ran(self.ch, self.given)


class Board:
    """The hardware of the app, and what is true of it; `life` begins with each `Life`."""

    wdt_ms = 8000

    def __init__(self, files, inputs=()):
        self.files = files
        self.ms = 5
        self.cause = 1
        self.memory = None
        self.inputs = [(what, self.looker(what), 2) for what in inputs]
        self.on = dict.fromkeys(inputs, 0)
        self.sources = []
        self.lamp = [False] * 20  # the last four seconds
        self.lit = 0
        self.runs = 0
        self.gave = [0] * 8  # what each channel's motor truly turned, in all
        self.truth = []  # what each of the last hundred runs truly gave
        self.pumping = None
        self.stall = -1
        self.fed_ms = None
        self.came = b""
        self.went = []
        self.chip_w = None
        self.channels = []
        self.hang = ""  # the task that hangs

    def ran(self, ch, given):
        self.runs += 1
        self.gave[ch] += given
        self.truth = self.truth[-99:] + [(ch, given)]  # noqa: RUF005 - MicroPython

    def cut(self):
        """The program is gone: what was handed to the hardware is turned to its end."""
        if self.pumping:
            self.ran(self.pumping.ch, self.pumping.given + self.pumping.sent)
            self.pumping = None

    def looker(self, what):
        return lambda: self.on[what]

    def ticks_ms(self):
        return self.ms & TICKS

    def diff(self, later, earlier):
        return ((later - earlier + 0x20000000) & TICKS) - 0x20000000

    def sleep_ms(self, ms):
        return sleep(ms)

    def keep(self, seq, counts):
        self.memory = (seq, counts) if seq else None

    def kept(self):
        return self.memory

    def unfit(self, data):
        name = data["board"]
        return "" if name in ("", "desk") else f"board {name}: this is desk"

    def fit(self, data):
        self.channels = [c["pump"]["speed_cps"] for c in data["channel"]]

    def pump(self, ch):
        return Pump(self, ch, self.channels[ch])

    def rest(self):
        if self.pumping:
            raise AssertionError("a motor turns while its pins are put to rest")

    def light(self, on):
        self.lamp[self.lit % len(self.lamp)] = bool(on)
        self.lit += 1

    def set_chip(self, wall_w):
        self.chip_w = wall_w

    def read(self):
        data, self.came = self.came, b""
        return data

    def write(self, data):
        self.went.append(data)

    def feed(self):
        self.fed_ms = self.ms

    def reset(self):
        raise Restart(3)


class Life:
    """One life of the program on a board: from its start to a reset, a cut or an exception."""

    def __init__(self, board, cause=1):
        self.board = board
        board.cause = cause
        board.fed_ms = None
        board.cut()
        if cause == 1:
            board.memory = None
        self.app = App(board)
        start(self.app)
        self.sleeping = [[board.ms, i, None] for i in range(len(TASKS))]

    def run(self, seconds=0, ms=0, ease=0):
        """Let time go on; what comes up goes through `halt`, as in `App.live`."""
        board = self.board
        self.ease = ease or (20 if seconds > 600 else 1)
        end = board.ms + 1000 * seconds + ms
        try:
            while True:
                turn = self.sleeping[0]  # nothing here asks for memory, so that it can be measured
                for one in self.sleeping:
                    if one[0] < turn[0]:
                        turn = one
                if turn[0] > end:
                    break
                self.bite(turn[0])
                board.ms = max(board.ms, turn[0])
                turn[0] = board.ms + self.step(turn)
            self.bite(end)
            board.ms = end
        except Restart as restart:
            if restart.cause != 2:
                self.app.halt()
            board.cut()
            raise
        except BaseException:
            self.app.halt()
            raise

    def step(self, turn):
        if TASKS[turn[1]] == self.board.hang:
            return 1 << 40
        if turn[2] is None:
            turn[2] = getattr(self.app, TASKS[turn[1]])()
        ms = turn[2].send(None)
        if ms < 50 or self.board.pumping:
            return ms
        # Nothing is looked at for a while where nothing happens, so that a test ends.
        return min(4000 if self.ease > 20 else 1000, ms * self.ease)

    def bite(self, ms):
        """The watchdog resets a board that did not feed it in time; a motor rests by itself."""
        fed = self.board.fed_ms
        if fed is not None and ms - fed > self.board.wdt_ms:
            self.board.ms = fed + self.board.wdt_ms
            raise Restart(2)

    def ask(self, **order):
        """An order, as the serial task carries it out."""
        return self.app.answer(order)
