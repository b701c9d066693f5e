"""Boards that live through resets, cuts, hangs, stops, inputs and orders; truth beside the books.

What each motor truly turned is never more than what the journal tells, and the same where no power
was lost; nothing passes a cap. Seeds are fixed; a failure names its own.
"""

import random

import pytest

from aliquot.core.ledger import UNCERTAIN
from aliquot.core.records import decode
from aliquot_host.memory_files import MemoryFiles
from app_files import NOON_W, load
from app_rig import TASKS, Board, Life, Restart
from set_ups import canonical, channel

SEEDS = 14
EVENTS = 30
POWER, DOG, PROGRAM = 1, 2, 3


class Keeper:
    """One board, and everything that happens to it."""

    def __init__(self, seed, power):
        self.rng = random.Random(seed)
        self.power = power
        self.board = Board(MemoryFiles(), ("float", "leak", "stop"))
        self.life = Life(self.board)
        assert load(self.life, canonical(channel(), channel("ca", 2), channel("mg", 3)))["ok"]
        self.clock()
        self.id = 100
        self.causes = []

    def clock(self):
        wall_w = NOON_W + self.board.ms // 1000
        self.life.ask(do="clock", wall_w=wall_w)

    def pass_time(self):
        seconds = self.rng.choice((1, 5, 60, 1800, 7200))
        self.life.run(seconds, ms=self.rng.randrange(1000))

    def into_a_run(self):
        for _ in range(8000):
            self.life.run(ms=500)
            if self.board.pumping:
                self.life.run(ms=self.rng.randrange(3000))
                return

    def again(self, cause):
        self.life = Life(self.board, cause)
        self.clock()

    def reset(self):
        self.again(PROGRAM)

    def cut(self):
        self.again(POWER if self.power else PROGRAM)

    def hang(self):
        self.board.hang = self.rng.choice(TASKS)
        try:
            self.life.run(30)
        except Restart as restart:
            self.causes.append(restart.cause)
            self.board.hang = ""
            self.again(restart.cause)
        self.board.hang = ""

    def press(self):
        what = self.rng.choice(("float", "leak", "stop"))
        self.board.on[what] = 1
        self.life.run(self.rng.choice((1, 4)))
        self.board.on[what] = 0
        self.life.run(self.rng.choice((1, 90)))

    def order(self):
        self.id += 1
        name = self.rng.choice(("alk", "ca", "mg"))
        self.life.ask(
            **self.rng.choice(
                (
                    {"do": "stop"},
                    {"do": "hold", "channel": name, "until_w": 0},
                    {"do": "release", "channel": name, "what": 0},
                    {"do": "release", "channel": name, "what": 1},
                    {"do": "release", "channel": "all", "what": 0},
                    {"do": "end"},
                    {"do": "extra", "channel": name, "ul": 900, "planned": 1},
                    {"do": "cup", "channel": name, "counts": 2500},
                    {"do": "trim", "channel": name, "percent": 50, "doses": 2},
                )
            ),
            id=self.id,
        )

    def answer(self):
        """Somebody comes by: what latched is seen to, what is held goes on."""
        for name in ("all", "alk", "ca", "mg"):
            for do in ("see", "clear", "release"):
                self.life.ask(do=do, channel=name)
            self.life.ask(do="release", channel=name, what=1)

    def live(self):
        acts = (self.pass_time, self.into_a_run, self.reset, self.cut, self.hang, self.press)
        for _ in range(EVENTS):
            self.rng.choice((*acts, self.order, self.order, self.answer))()
        self.answer()
        self.life.run(60)
        return self


def told(files):
    """Counts that the records of a journal say each channel turned, cup runs too."""
    given = [0] * 3
    open_run = None
    for name in sorted(files.names()):
        if name[0] != "j":
            continue
        for line in (files.read(name) or b"").split(b"\n"):
            if not line or line[:2] == b"S ":
                continue
            _, _, kind, f, _ = decode(line)
            f = (*f, *(0,) * 8)
            if kind == "I":
                open_run = f[0], f[4]
            elif kind == "J":
                open_run = f[0], f[2]
            elif kind == "O":
                given[open_run[0]] += open_run[1] + f[1]
            elif kind == "U":
                given[open_run[0]] += open_run[1]
    return given


@pytest.mark.parametrize("seed", range(SEEDS))
def test_s15_what_the_motors_turned_is_never_more_than_what_is_told(seed):
    keeper = Keeper(seed, power=True).live()
    books = told(keeper.board.files)
    for turned, said in zip(keeper.board.gave, books, strict=False):
        assert turned <= said
    for ch, c in enumerate(keeper.life.app.journal.state.channels):
        assert c.ring.used_ul(keeper.life.app.now_s()) <= 55000, ch


@pytest.mark.parametrize("seed", range(1000, 1000 + SEEDS))
def test_s11_without_a_loss_of_power_the_books_are_the_truth(seed):
    keeper = Keeper(seed, power=False).live()
    assert sum(keeper.board.gave) == sum(told(keeper.board.files))
    assert set(keeper.causes) <= {DOG}
    assert all(c.tot[UNCERTAIN] == 0 for c in keeper.life.app.journal.state.channels)
