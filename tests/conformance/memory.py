"""What the resident modules cost on a fresh 32-bit VM: the heap kept, module by module.

Method. Each step is a run of its own, followed by a collection in another: this port frees only
between runs. A row is the growth of `gc.mem_alloc()` over one step, with all that was made before
still alive: the import of a resident module, then the set-up, the state, the engine, and the
engine after it has lived through a day, so that every cache is filled. Modules imported on demand
are used and dropped on the way, as on a board; the names that they leave behind are counted.
The scripts' own names are counted too, which errs on the high side.

The pool of names grows in jumps, so a row can carry up to 2 KB that the next one uses.
"""

import ast
import dataclasses
import json
from collections.abc import Mapping, Sequence
from pathlib import Path

import aliquot
from aliquot_host.vm import Vm, compiled_text, device_files, squeezed
from conformance.tank import canonical

ROOT = Path(next(iter(aliquot.__path__))).parent
# What a board holds from start to end; everything these import at their top is resident with them.
ENTRIES = (
    "aliquot.core.engine",
    "aliquot.core.state",
    "aliquot.store.journal",
    "aliquot.store.files",
)
APP_ENTRIES = (*ENTRIES, "aliquot.app", "aliquot.hal.board")
WARM = """
import gc, sys, micropython, array, binascii, errno, hashlib, json, os
import aliquot, aliquot.core, aliquot.store
from micropython import const
def show():
    micropython.qstr_info()
    print(gc.mem_alloc())
show()
"""

# What the firmware has anyhow, and the least that answers in place of a board's hardware: it takes
# any call, so that its names are few and the pool of names is that of the program.
FIRMWARE = """
import asyncio, select, time
class Any:
    def __getattr__(self, _):
        return self
    def __call__(self, *_, **__):
        return self
    def __getitem__(self, _):
        return 0
    def __int__(self):
        return 0
any = sys.modules['machine'] = sys.modules['esp32'] = sys.modules['rp2'] = Any()
del Any
show()
"""
BOARD = """
from aliquot.hal import making
any.platform = {port!r}
making.sys = any
aliquot.hal.board.poll = any
from aliquot.store.files import Files
hw = aliquot.hal.board.Board(Files('j'), lambda: json.load(open('/board.json')))
"""
APP = """
app = aliquot.app.App(hw)
app.engine, app.journal = engine, journal
hw.fit(json.load(open('/setup.json')))
"""
RUN = "pump = hw.pump(0)\nhw.rest()\ndel pump"
BUILD = """
from aliquot.core.setup import build
setup = build(json.loads(open('/setup.json').read()), '0' * 64)
del build
"""
OPEN = """
from aliquot.store.files import Files
from aliquot.store.recover import open_journal
journal = open_journal(Files('j'))[0]
del open_journal
f = [820540800, 0, 0]
for c in setup.channels:
    f += [1, 12800, 10020, 0, c.signature, 1000001, 0]
journal.put(0, 'C', tuple(f), setup.hash + ' ' + ' '.join([c.id for c in setup.channels]))
"""
START = """
from aliquot.core.engine import Engine
from aliquot.core import events
engine = Engine(setup, journal)
events.boot(engine, 0, 0)
events.set_clock(engine, 0, 820540800, 2, 1)
def live(now, until):
    while now < until:
        job = engine.poll(now)
        if job:
            now += job[2]
            engine.ended(now, job[1])
        else:
            now = max(now + 1, engine.wake_s)
"""


@dataclasses.dataclass(frozen=True)
class Row:
    """One step: the heap and the interned names it left, and the lines of code it brought."""

    what: str
    kept: int
    names: int
    lines: int = 0


def path_of(module: str) -> Path:
    return ROOT / (module.replace(".", "/") + ".py")


def imports(module: str) -> list[str]:
    """The aliquot modules that a module imports when it is imported itself."""
    found: list[str] = []
    for node in ast.parse(path_of(module).read_text("utf-8")).body:
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("aliquot"):
            inner = [f"{node.module}.{alias.name}" for alias in node.names]
            found += [name for name in inner if path_of(name).is_file()]
            if path_of(str(node.module)).is_file():
                found.append(str(node.module))
        elif isinstance(node, ast.Import):
            found += [a.name for a in node.names if a.name.startswith("aliquot.")]
    return found


def resident(entries: Sequence[str] = ENTRIES) -> list[str]:
    """The resident modules, each after those it imports."""
    order: list[str] = []

    def visit(module: str) -> None:
        if module not in order:
            for other in imports(module):
                visit(other)
            order.append(module)

    for entry in entries:
        visit(entry)
    return order


def on_demand() -> list[str]:
    kept = resident()
    modules: list[str] = []
    for part in ("core", "store"):
        for path in sorted((ROOT / "aliquot" / part).glob("*.py")):
            modules.append(f"aliquot.{part}.{path.stem}")
    return [m for m in modules if m not in kept and not m.endswith("__init__")]


def code_lines(module: str) -> int:
    """Lines that hold code: no blank ones, no comments, no docstrings."""
    source = path_of(module).read_text("utf-8")
    used: set[int] = set()
    quiet: set[int] = set()
    for node in ast.walk(ast.parse(source)):
        if hasattr(node, "lineno"):
            used.update((node.lineno, node.end_lineno or node.lineno))
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            quiet.update(range(node.lineno, (node.end_lineno or node.lineno) + 1))
    return len(used - quiet)


def drop() -> str:
    """Source that forgets the modules imported on demand."""
    lines = []
    for module in on_demand():
        package, _, own = module.rpartition(".")
        lines.append(f"if sys.modules.pop({module!r}, None): delattr({package}, {own!r})")
    return "\n".join(lines)


def board(channels: int, doses: int = 24, chip: str = "esp32") -> dict[str, bytes]:
    """The device's files as .mpy, the set-up and a board file."""
    text = json.dumps(canonical(channels, doses), sort_keys=True)
    output = {"direction": 5, "enable": 6, "enable_on": 0, "count": None, "kinds": ["stepper"]}
    hardware = {
        "name": "",
        "chip": chip,
        "outputs": [{**output, "output": i + 1, "step": 8 + i} for i in range(channels)],
        "inputs": [
            {"input": what, "pin": 3, "on": 1, "pull": "up"} for what in ("float", "stop", "reset")
        ],
        "light": {"pin": 2, "kind": "plain", "on": 1},
        "clock": {"sda": 21, "scl": 22, "chip": "any"},
    }
    files = {"/setup.json": text.encode(), "/board.json": json.dumps(hardware).encode()}
    return {**device_files(), **files}


def heap_kept(
    vm: Vm,
    channels: int = 8,
    extra: Mapping[str, bytes] | None = None,
    port: tuple[str, str] | None = None,
) -> list[Row]:
    """The rows of a board with `channels` channels of 24 doses; `extra` replaces device files.

    port: (its platform, a chip): with the app and the board's hardware, not core and store alone.
    """
    steps: list[str] = [WARM, FIRMWARE] if port else [WARM]
    labels: list[str] = []

    def row(label: str, *parts: str) -> None:
        labels.append(label)
        steps.extend([*parts, "gc.collect()", f"print(-{len(labels)})\nshow()"])

    row("nothing yet", "show()")
    for module in resident(APP_ENTRIES if port else ENTRIES):
        row(module, f"import {module}")
    if port:
        row("board", BOARD.format(port=port[0]), "del making")
    row("set-up", BUILD, drop())
    row("state", OPEN, drop())
    row("engine", START, drop())
    row("a day lived", *[f"live({h * 3600}, {h * 3600 + 3600})" for h in range(25)], drop())
    if port:
        row("app", APP, drop())
        row("a run", RUN, drop())
        row("another run", RUN, drop())
    told = vm.run(
        steps, {**board(channels, chip=port[1] if port else "esp32"), **(extra or {})}
    ).text.splitlines()
    marks: list[tuple[int, int]] = []
    for number in range(1, len(labels) + 1):
        at = told.index(str(-number))
        names = int(told[at + 1].split("n_qstr=")[1].split(",")[0])
        marks.append((int(told[at + 2]), names))
    return [
        Row(
            label,
            kept - before,
            names - known,
            code_lines(label) if label.startswith("aliquot.") else 0,
        )
        for label, (before, known), (kept, names) in zip(
            labels[1:], marks, marks[1:], strict=False
        )
    ]


def total(rows: Sequence[Row]) -> int:
    return sum(row.kept for row in rows)


def planted(module: str, size: int) -> dict[str, bytes]:
    """The device file of a module that keeps `size` bytes more than it did."""
    source = squeezed(path_of(module))
    code = f"{source}\nPLANTED = bytearray({size})\n"
    return {f"/lib/{module.replace('.', '/')}.mpy": compiled_text(code, "planted.py")}


# Before each slice the heap is clean; after it, all that the slice asked for is still there,
# garbage too, for nothing is collected while it runs. That is the most that it can need.
LAYOUT = """
from aliquot.core.timetable import Timetable
table = Timetable(setup, [(12800, 10020)] * len(setup.channels))
begin = most = kept = slices = 0
steps = found = None
def measure():
    global most
    most = max(most, gc.mem_alloc() - begin)
def settle():
    global kept
    kept = max(kept, gc.mem_alloc() - begin)
measure()
settle()
"""
SLICES_MOST = 40


def layout_peak(vm: Vm, date: int, channels: int = 8, doses: int = 144) -> tuple[int, int, int]:
    """Lay out one date in slices: (most bytes in use at once, most of them alive, slices)."""
    steps = [WARM, *(f"import {module}" for module in resident()), BUILD, drop(), LAYOUT]
    steps += [
        "most = kept = 0",
        "gc.collect()",
        f"begin = gc.mem_alloc()\nsteps = table.steps({date})",
    ]
    for _ in range(SLICES_MOST):
        work = "if not found:\n    found = next(steps)\n    slices += 1\n    measure()"
        steps += [work, "gc.collect()", "settle()"]
    steps.append("print(most, kept, slices, min([len(t) for t in found.times]))")
    most, kept, slices, least = (
        int(w) for w in vm.run(steps, board(channels, doses)).text.split()[-4:]
    )
    if least != doses:
        raise ValueError(f"a channel got {least} of {doses} doses")
    return most, kept, slices
