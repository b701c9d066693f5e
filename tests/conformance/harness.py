"""Runs one module of cases on CPython and on a real MicroPython, and hands back both texts.

A case module is plain Python that both interpreters take: it imports `aliquot`, prints one line a
case, and leaves the comparing to the test. It never sees which interpreter it runs on.
"""

import contextlib
import importlib.util
import io
import sys
from collections.abc import Mapping
from pathlib import Path

from aliquot_host.vm import Vm, device_files

FOLDER = Path(__file__).parent


def source(name: str) -> bytes:
    return (FOLDER / f"{name}.py").read_bytes()


def on_cpython(name: str, call: str = "main()") -> str:
    """What `call` on the case module prints on this interpreter."""
    spec = importlib.util.spec_from_file_location(name, FOLDER / f"{name}.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    try:
        spec.loader.exec_module(module)
        with contextlib.redirect_stdout(io.StringIO()) as printed:
            eval(call, vars(module))
    finally:
        del sys.modules[name]
    return printed.getvalue()


def on_vm(
    vm: Vm,
    name: str,
    calls: tuple[str, ...] = ("main()",),
    files: Mapping[str, bytes] | None = None,
) -> str:
    """What `calls` on the case module print on the VM; `files` replaces device files."""
    load = {**device_files(), f"/lib/{name}.py": source(name), **(files or {})}
    return vm.run([f"import {name}", *(f"{name}.{call}" for call in calls)], load).text
