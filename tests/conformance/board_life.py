"""The whole app on a board on a desk: lives, hangs, and what memory it takes.

Runs on both interpreters; /data holds the files of a board that adopted its set-up. Each function
prints one line.
"""

import gc

from app_rig import TASKS, Board, Life, Restart

HOLD = {}
BYTES = [0] * len(TASKS)
plain_step = Life.step


def begin(wall_w, files, inputs=()):
    """A start from its files, with the clock set."""
    board = Board(files, inputs)
    life = HOLD["life"] = Life(board)
    print("begun", life.app.why, life.ask(do="clock", wall_w=wall_w, id=5)["ok"])


def run(seconds, ease=1):
    HOLD["life"].run(seconds, ease=ease)


def told():
    """Every run, and what the journal says of them all."""
    life = HOLD["life"]
    tot = [sum([c.tot[i] for c in life.app.engine.state.channels]) for i in (1, 2)]
    print("runs", life.board.runs, *tot, life.app.engine.state.seq, *life.board.truth)


def metered_step(life, turn):
    """Adds up what each task asks for; the WebAssembly port frees nothing while code runs."""
    before = gc.mem_alloc()
    ms = plain_step(life, turn)
    BYTES[turn[1]] += gc.mem_alloc() - before
    return ms


def minute():
    """Bytes that each task asks for in a minute in which nothing is due (VM alone)."""
    life = HOLD["life"]
    for i in range(len(BYTES)):
        BYTES[i] = 0
    runs = life.board.runs
    Life.step = metered_step
    life.run(60)
    Life.step = plain_step
    print("minute", life.board.runs - runs, *BYTES)


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
    HOLD["life"] = Life(life.board, 2)
    print("hang", task, cause, late, len(HOLD["life"].app.journal.state.dogs), life.board.pumping)
