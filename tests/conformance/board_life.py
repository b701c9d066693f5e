"""The whole app on a board on a desk, on a real MicroPython: lives, hangs, and what memory it takes.

The files of the board come from CPython, which adopted the set-up. Each function prints one line.
"""

import gc

import app_rig
from app_rig import TASKS, Board, Life, Restart

from aliquot.store.files import Files

HOLD = {}


def begin(wall_w, inputs=()):
    """A start from /data, with the clock set."""
    board = Board(Files("/data"), inputs)
    life = HOLD["life"] = Life(board)
    reply = life.ask(do="clock", wall_w=wall_w + life.app.now_s(), id=0)
    print("begun", life.app.why, reply["ok"])


def run(seconds, ease=1):
    HOLD["life"].run(seconds, ease=ease)


def told():
    """Runs, what they gave, what the journal says of it."""
    life = HOLD["life"]
    tot = [sum([c.tot[i] for c in life.app.engine.state.channels]) for i in (1, 2)]
    print("runs", len(life.board.truth), sum([n for _, n in life.board.truth]), *tot)


BYTES = [0] * len(TASKS)
plain_step = Life.step


def metered_step(life, turn):
    """Adds up what each task asks for; this port frees nothing while code runs."""
    before = gc.mem_alloc()
    ms = plain_step(life, turn)
    BYTES[turn[1]] += gc.mem_alloc() - before
    return ms


def minute():
    """Bytes that each task asks for in a minute in which nothing is due."""
    life = HOLD["life"]
    for i in range(len(BYTES)):
        BYTES[i] = 0
    runs = len(life.board.truth)
    Life.step = metered_step
    life.run(60)
    Life.step = plain_step
    print("minute", len(life.board.truth) - runs, *BYTES)


def hang(task):
    """A task that hangs ends in a watchdog reset, and the next start says so."""
    life = HOLD["life"]
    life.board.hang = task
    cause = 0
    try:
        life.run(60)
    except Restart as restart:
        cause = restart.cause
    late = life.board.ms - life.board.fed_ms
    life.board.hang = ""
    again = Life(life.board, 2)
    print("hang", task, cause, late, len(again.app.journal.state.dogs), life.board.pumping)
