"""Makes the environment of a checkout on first use, then hands over to `aliquot` in it.

Standard library only: it runs before anything is installed. It never touches what lies outside
the checkout, and it removes a `.venv` only when an installation in it was broken off or its Python
no longer runs. In an installed wheel it has nothing to do.

What is installed is written last, in `.venv/aliquot.json`; `.venv/aliquot.unfinished` stands while
an installation runs. So every state that an interruption can leave is known:

1. no .venv, one whose Python does not run, or one of a checkout that was moved: made anew;
2. the unfinished mark: made anew;
3. no mark, another or no aliquot.json: installed into;
4. no mark, the aliquot.json that is wanted: handed over at once.
"""

from __future__ import annotations

import contextlib
import hashlib
import importlib.util
import json
import os
import shutil
import subprocess
import sys
import time
import tomllib
from collections.abc import Generator, Mapping, Sequence
from pathlib import Path
from typing import Any, cast

ROOT = Path(__file__).resolve().parent.parent.parent
WINDOWS = sys.platform == "win32"
# Another call may be installing; on a slow machine and a slow network that takes minutes.
LOCK_MOST_S = 1800
OFFLINE_SIGNS = (
    "Failed to establish a new connection",
    "Temporary failure in name resolution",
    "Name or service not known",
    "Network is unreachable",
    "getaddrinfo failed",
    "NewConnectionError",
    "NameResolutionError",
    "ConnectTimeoutError",
    "ProxyError",
    "(from versions: none)",
)


class CannotSetUp(Exception):
    """One line that says what is missing and what to do."""


def main(arguments: Sequence[str]) -> int:
    """Set up where needed, run `aliquot` with the arguments, and return its exit code."""
    try:
        python = ready(ROOT, groups_wanted(os.environ))
    except CannotSetUp as why:
        sys.stderr.write(f"aliquot: {why}\n")
        return 2
    except KeyboardInterrupt:
        sys.stderr.write("\naliquot: interrupted; the next call sets up again.\n")
        return 130
    # -P: a file of the current folder must not pass for a library.
    command = [str(python), "-P", "-m", "aliquot_host", *arguments]
    if not WINDOWS:
        sys.stdout.flush()
        sys.stderr.flush()
        os.execv(command[0], command)
    # On Windows an exec would leave the caller's prompt at once, so this process waits.
    try:
        return subprocess.call(command)
    except KeyboardInterrupt:
        return 130


def groups_wanted(environment: Mapping[str, str]) -> list[str]:
    """The dependency groups to install: "test", or those that ALIQUOT_GROUPS names, by commas."""
    names = environment.get("ALIQUOT_GROUPS", "test").split(",")
    return sorted({name.strip() for name in names if name.strip()})


def ready(root: Path, groups: Sequence[str]) -> Path:
    """The Python of an environment that has what is wanted; CannotSetUp says why there is none."""
    venv = root / ".venv"
    python = venv / ("Scripts/python.exe" if WINDOWS else "bin/python")
    try:
        wanted = stamp_of(root, groups)
    except (OSError, ValueError) as problem:
        raise CannotSetUp(f"pyproject.toml cannot be read ({problem}).") from problem
    if is_ready(venv, python, wanted):
        return python
    try:
        with locked(root / ".venv.lock") as held:
            # While this call waited, another one may have done the work.
            if not is_ready(venv, python, wanted):
                set_up(root, venv, python, wanted, held)
    except OSError as problem:
        raise CannotSetUp(f"{venv} cannot be made ({problem}); is the folder writable?") from None
    return python


def stamp_of(root: Path, groups: Sequence[str]) -> dict[str, Any]:
    """What an environment is made from. Its scripts hold absolute paths, so the place counts."""
    digest = hashlib.sha256()
    known = pyproject_of(root).get("dependency-groups", {})
    names = sorted({name for group in groups for name in members(known, group)})
    for name in ("pyproject.toml", ".ci/constraints.txt"):
        file = root / name
        # Line endings do not count: a checkout may have the ones of its system.
        data = file.read_bytes().replace(b"\r\n", b"\n") if file.exists() else b""
        digest.update(b"%d\n" % len(data) + data)
    return {"sha256": digest.hexdigest(), "root": str(root), "groups": names}


def is_ready(venv: Path, python: Path, wanted: Mapping[str, Any]) -> bool:
    """State 4 of the list above. More groups than are wanted do no harm."""
    if (venv / "aliquot.unfinished").exists() or not python.exists():
        return False
    found = read_stamp(venv)
    same = all(found.get(key) == wanted[key] for key in ("sha256", "root"))
    return same and set(wanted["groups"]) <= set(found.get("groups", ()))


def read_stamp(venv: Path) -> dict[str, Any]:
    """The stamp of an environment; an absent or a damaged one is an empty one."""
    try:
        found = json.loads((venv / "aliquot.json").read_text("utf-8"))
    except (OSError, ValueError):
        return {}
    return cast(dict[str, Any], found) if isinstance(found, dict) else {}


def set_up(
    root: Path, venv: Path, python: Path, wanted: dict[str, Any], held: Sequence[int]
) -> None:
    """Bring the environment to `wanted`, from whatever state it is in. Runs under the lock."""
    started = time.monotonic()
    mark = venv / "aliquot.unfinished"
    before = read_stamp(venv)
    fresh = mark.exists() or before.get("root", str(root)) != str(root) or not runs(python)
    if fresh:
        say("setting up .venv (once; it takes a minute or two) ...")
        make_venv(venv)
    else:
        say("bringing .venv up to date ...")
        # Groups that were asked for once stay.
        wanted["groups"] = sorted({*wanted["groups"], *before.get("groups", ())})
        # An environment that another tool made may lack pip.
        if not runs(python, "-c", "import pip") and not runs(python, "-m", "ensurepip"):
            raise CannotSetUp(".venv has no pip: remove .venv and run this again.")
    mark.touch()
    install(root, venv, python, wanted["groups"], held)
    new = venv / "aliquot.json.new"
    new.write_text(json.dumps(wanted) + "\n", "utf-8")
    os.replace(new, venv / "aliquot.json")
    mark.unlink()
    say(f"ready after {time.monotonic() - started:.0f} s.")


def runs(python: Path, *arguments: str) -> bool:
    """Whether a Python starts and does what is asked; one whose base Python went away does not."""
    if not python.exists():
        return False
    try:
        command = [str(python), *(arguments or ("-c", ""))]
        return subprocess.run(command, capture_output=True, check=False).returncode == 0
    except OSError:
        return False


def make_venv(venv: Path) -> None:
    """Make an empty environment with pip, in place of what was there."""
    if importlib.util.find_spec("venv") is None or importlib.util.find_spec("ensurepip") is None:
        version = f"{sys.version_info.major}.{sys.version_info.minor}"
        raise CannotSetUp(
            "this Python has no venv or no pip of its own: install them (Debian, Ubuntu: "
            f"`apt install python3-venv`, or python{version}-venv) and run this again."
        )
    if Path(sys.prefix).resolve() == venv.resolve():
        raise CannotSetUp(
            "the broken .venv is the one in use: run `deactivate`, then this again, or name "
            "another Python."
        )
    if venv.is_symlink() or venv.is_file():
        venv.unlink()
    elif venv.exists():
        shutil.rmtree(venv)
    done = subprocess.run(
        [sys.executable, "-m", "venv", str(venv)], capture_output=True, text=True, check=False
    )
    if done.returncode != 0:
        raise CannotSetUp(
            f"`{sys.executable} -m venv .venv` failed ({last_line(done.stdout + done.stderr)}); "
            "on Debian and Ubuntu `apt install python3-venv` helps."
        )


def install(
    root: Path, venv: Path, python: Path, groups: Sequence[str], held: Sequence[int]
) -> None:
    """Install the requirements of the project and of the groups, then the project, editable.

    Two steps, and pinned: where the requirements are there already, neither needs the network.
    pip reads no dependency groups before 25.1, and what comes with Python is older: we read them.
    """
    pyproject = pyproject_of(root)
    needs = [
        *pyproject["build-system"]["requires"],
        *pyproject["project"].get("dependencies", ()),
    ]
    for group in groups:
        items = pyproject.get("dependency-groups", {}).get(group, ())
        needs += [item for item in items if isinstance(item, str)]
    pins = root / ".ci" / "constraints.txt"
    pinned = ["-c", str(pins)] if pins.exists() else []
    pip = [str(python), "-m", "pip", "--disable-pip-version-check", "install"]
    log = venv / "aliquot.log"
    log.write_bytes(b"")
    if needs:
        run_pip([*pip, *pinned, *dict.fromkeys(needs)], root, log, held)
    run_pip([*pip, "--no-deps", "--no-build-isolation", "-e", str(root)], root, log, held)


def pyproject_of(root: Path) -> dict[str, Any]:
    """What pyproject.toml says; OSError or ValueError where it cannot be read."""
    return tomllib.loads((root / "pyproject.toml").read_text("utf-8"))


def members(known: Mapping[str, Any], name: str, within: tuple[str, ...] = ()) -> list[str]:
    """A dependency group and all that it includes, by name, as PEP 735 says."""
    if name in within:
        raise CannotSetUp(f"dependency group {name} includes itself.")
    if name not in known:
        raise CannotSetUp(f"there is no dependency group {name}, only {', '.join(sorted(known))}.")
    found = [name]
    for item in known[name]:
        if not isinstance(item, str):
            found += members(known, item["include-group"], (*within, name))
    return found


def run_pip(command: Sequence[str], root: Path, log: Path, held: Sequence[int]) -> None:
    """Run pip, its words into the log; where it fails, say in one line why and what to do.

    pip holds the lock too: where this process is killed, the next call waits for pip to end.
    """
    # A pip that is told to install for the user refuses to install into an environment.
    environment = {**os.environ, "PIP_USER": "0"}
    with log.open("ab") as words:
        start = words.tell()
        done = subprocess.run(
            command,
            cwd=root,
            env=environment,
            stdout=words,
            stderr=subprocess.STDOUT,
            pass_fds=held,
            check=False,
        )
    if done.returncode == 0:
        return
    said = log.read_bytes()[start:].decode("utf-8", "replace")
    if done.returncode > 0:
        # pip ended by itself, before or after its changes, but not amid them: state 3, not 2.
        (log.parent / "aliquot.unfinished").unlink(missing_ok=True)
    if any(sign in said for sign in OFFLINE_SIGNS):
        raise CannotSetUp(
            "pip could not fetch what is needed: connect to the network (or name a mirror with "
            f"PIP_INDEX_URL) and run this again; details in {log}."
        )
    if "ResolutionImpossible" in said:
        raise CannotSetUp(
            "pip finds no copy of a pinned version: connect to the network, or where it is there, "
            f"name another Python (the tests run on 3.11); details in {log}."
        )
    raise CannotSetUp(f"pip failed ({last_line(said)}); details in {log}.")


def last_line(text: str) -> str:
    """The line of a tool's output that says most: its last error, else its last line."""
    lines = [line.strip() for line in text.splitlines() if line.strip()]
    wrong = [line for line in lines if line.lower().startswith("error")]
    return (wrong or lines or ["it said nothing"])[-1][:200]


@contextlib.contextmanager
def locked(file: Path) -> Generator[tuple[int, ...]]:
    """Hold a lock that ends with this process, however it ends; wait for another's to end.

    Gives the descriptors that a child must inherit to hold the lock as well (none on Windows).
    """
    deadline = time.monotonic() + LOCK_MOST_S
    told = False
    with file.open("a+b") as handle:
        while not try_lock(handle.fileno()):
            if time.monotonic() > deadline:
                raise CannotSetUp("another call has been setting up for half an hour: end it.")
            if not told:
                say("another call is setting up .venv; waiting ...")
                told = True
            time.sleep(0.2)
        yield () if WINDOWS else (handle.fileno(),)


def try_lock(descriptor: int) -> bool:
    """Take the lock of an open file, or say that somebody else has it."""
    try:
        if sys.platform == "win32":
            import msvcrt

            os.lseek(descriptor, 0, os.SEEK_SET)
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except (BlockingIOError, PermissionError):
        return False
    return True


def say(line: str) -> None:
    """Progress, on stderr: stdout is the command's."""
    sys.stderr.write(f"aliquot: {line}\n")
    sys.stderr.flush()
