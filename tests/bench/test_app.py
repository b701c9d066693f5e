"""The app's figures: memory on a 32-bit MicroPython, size of the upload, its longest steps."""

import sys
from pathlib import Path

import pytest

import aliquot
from aliquot_host.memory_files import MemoryFiles
from aliquot_host.vm import compiled, device_files
from app_files import eight, load
from app_rig import TASKS, Board, Life
from conformance import memory
from conformance.test_board_life import START_W, lives

KB = 1024
DEVICE = str(Path(next(iter(aliquot.__path__))).resolve())
DAYS = 7
# Of the app's own code, in bytecodes of CPython. An ESP32 does some hundred thousand a second, and
# the watchdog waits for eight seconds.
STEP_MOST = 200_000


def test_size_of_the_upload(figure):
    """Every module of the device as .mpy, with those of both ports, as a deploy sends them."""
    files = device_files()
    root = Path(DEVICE).parent
    alone = [compiled(root / name, name[:-3]) for name in ("boot.py", "main.py")]
    size = sum(len(data) for data in [*files.values(), *alone])
    how = f"{len(files) + 2} modules, both ports"
    figure("size of everything uploaded, as .mpy", size / KB, "KB", most=130, how=how)


@pytest.mark.parametrize(("port", "chip", "most"), [("esp32", "esp32", 48), ("rp2", "rp2040", 54)])
def test_heap_kept_by_the_whole_program(vm, figure, port, chip, most):
    """With all names of a driver, which stay after its first run. An RP2 has 264 KB of RAM."""
    rows = memory.heap_kept(vm, port=(port, chip))
    code = [row for row in rows if row.lines]
    own = {row.what: row.kept for row in rows}
    how = (
        f"{sum(row.kept for row in code)} B in {len(code)} modules, names of a driver "
        f"{own['a run']} B, the rest set-up, state and board"
    )
    kept = memory.total(rows) / KB
    figure(f"heap kept by the whole program, 8 channels, {chip}", kept, "KB", most=most, how=how)
    assert own["another run"] <= 64


def test_bytes_of_an_idle_minute(vm, figure):
    lines = lives(vm, eight(), "b.run(200)", "b.minute()")
    runs, *each = (int(word) for word in lines[-1].split()[1:])
    assert runs == 0
    how = ", ".join(f"{name} {n}" for name, n in zip(TASKS, each, strict=True))
    figure("bytes that the app asks for in an idle minute", sum(each) / KB, "KB", most=2, how=how)


def test_growth_over_a_week(vm, figure):
    """Alive after each day of eight channels, 24 doses each. The first week fills the cap windows
    and the sixteen segments of the journal; what counts is the second."""
    steps = []
    for _ in range(2 * DAYS):
        steps += ["b.run(43200, 40)", "b.run(43200, 40)", "gc.collect()"]
        steps += ["print('alive', gc.mem_alloc())"]
    lines = lives(vm, eight(speed_cps=4000), *steps, "b.told()")
    alive = [int(line.split()[1]) for line in lines if line.startswith("alive")]
    runs = int(lines[-1].split()[1])
    assert runs >= (2 * DAYS - 1) * 8 * 24
    how = f"{runs} runs; alive after each day {' '.join(str(n) for n in alive)}"
    # A day on which a segment was opened shows some more; what stays is in the least of days.
    grown = min(alive[-3:]) - min(alive[DAYS - 3 : DAYS])
    figure("growth of the heap over a week", grown, "B", most=0, how=how)


class Counter:
    """Counts the bytecodes of the device's code that one call runs through."""

    def __init__(self):
        self.most = {}

    def _enter(self, frame, event, arg):
        if not frame.f_code.co_filename.startswith(DEVICE):
            return None
        frame.f_trace_opcodes = True
        return self._count

    def _count(self, frame, event, arg):
        self.n += event == "opcode"
        return self._count

    def of(self, what, call, *args, **words):
        self.n = 0
        before = sys.gettrace()
        sys.settrace(self._enter)
        try:
            return call(*args, **words)
        finally:
            sys.settrace(before)
            self.most[what] = max(self.n, self.most.get(what, 0))

    def slices(self, what, parts):
        while not (reply := self.of(what, next, parts)):
            pass
        return reply


def longest(doses):
    """Step -> its bytecodes, over a first start, a day, and acts."""
    count = Counter()
    board = Board(MemoryFiles(), ("float", "stop"))
    life = count.of("start of a new board", Life, board)
    begin = life.app.begin
    life.app.begin = lambda order: iter([count.slices(f"order {order['do']}", begin(order))])
    assert load(life, eight(doses))["ok"]
    assert life.ask(do="clock", wall_w=START_W, id=5)["ok"]
    step = Life.step

    def counted(life, turn):
        return count.of("task " + TASKS[turn[1]], step, life, turn)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Life, "step", counted)
        # Over midnight, where the tables of the next date are laid out.
        life.run(14 * 3600, ease=20)
    asked = 6
    for order in (
        {"do": "status"},
        {"do": "extra", "channel": "ch-1", "ul": 500, "planned": 1},
        {"do": "override", "channel": "ch-1", "ul": 500, "days": 30},
        {"do": "trim", "channel": "ch-1", "percent": 50, "doses": 3},
        {"do": "hold", "channel": "all", "until_w": 0},
        {"do": "files"},
    ):
        asked += 1
        assert life.ask(**order, id=asked)["ok"]
    count.of("start with a journal", Life, board, 3)
    return count.most


def test_the_longest_steps(figure):
    found = longest(24)
    top = sorted(found.items(), key=lambda one: -one[1])[:5]
    how = ", ".join(f"{what} {n}" for what, n in top)
    figure("longest synchronous step", top[0][1], "bytecodes", most=STEP_MOST, how=how)
