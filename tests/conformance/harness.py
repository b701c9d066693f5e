"""Runs one module of cases on CPython and on a real MicroPython, and hands back both texts.

A case module is plain Python that both interpreters take: it imports `aliquot`, prints one line a
case, and leaves the comparing to the test. It never asks which interpreter it runs on.
"""

import contextlib
import importlib
import io
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from types import ModuleType

from aliquot_host.vm import Outcome, Vm, device_files

FOLDER = Path(__file__).parent


def version_of() -> str:
    """The interpreter that runs this, as `sys.implementation` tells it."""
    return f"{sys.implementation.name} {'.'.join(str(n) for n in sys.version_info[:3])}"


@contextlib.contextmanager
def modules_here() -> Iterator[None]:
    """Let the case modules import one another by their bare names, as they do on the VM."""
    sys.path.insert(0, str(FOLDER))
    try:
        yield
    finally:
        sys.path.remove(str(FOLDER))


def on_cpython(name: str, call: Callable[[ModuleType], object] = lambda m: m.main()) -> str:
    """What `call`, given the case module, prints on this interpreter."""
    with modules_here(), contextlib.redirect_stdout(io.StringIO()) as printed:
        call(importlib.import_module(name))
    return printed.getvalue()


def on_vm(
    vm: Vm,
    names: Sequence[str],
    steps: Sequence[str],
    files: Mapping[str, bytes] | None = None,
    **options: int,
) -> Outcome:
    """Run `steps` on the VM with the device as .mpy and the case modules `names` beside it.

    files: device files to replace. options: those of `Vm.run`.
    """
    cases = {f"/lib/{name}.py": (FOLDER / f"{name}.py").read_bytes() for name in names}
    return vm.run(steps, {**device_files(), **cases, **(files or {})}, **options)
