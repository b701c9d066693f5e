"""`python3 host_tools`: the environment is made once, again when it must be, and never half.

A small stand-in of a checkout is used, with a build backend of its own, so that no test here needs
the network.
"""

import ast
import os
import shutil
import subprocess
import sys
import time

import pytest

from aliquot_host import bootstrap

BACKEND = """
import base64, hashlib, zipfile
from pathlib import Path

def build_editable(folder, config_settings=None, metadata_directory=None):
    files = {
        "stand.pth": str(Path.cwd() / "host_tools"),
        "stand-1.dist-info/METADATA": "Metadata-Version: 2.1\\nName: stand\\nVersion: 1\\n",
        "stand-1.dist-info/WHEEL":
            "Wheel-Version: 1.0\\nGenerator: stand\\nRoot-Is-Purelib: true\\nTag: py3-none-any\\n",
    }
    record = "".join(f"{name},,\\n" for name in [*files, "stand-1.dist-info/RECORD"])
    with zipfile.ZipFile(Path(folder) / "stand-1-py3-none-any.whl", "w") as wheel:
        for name, text in files.items():
            wheel.writestr(name, text)
        wheel.writestr("stand-1.dist-info/RECORD", record)
    return "stand-1-py3-none-any.whl"
"""

PYPROJECT = """
[build-system]
requires = []
build-backend = "backend"
backend-path = ["."]
[project]
name = "stand"
version = "1"
[dependency-groups]
test = []
extra = [{ include-group = "test" }]
"""

COMMAND = """
import os, sys
print(sys.argv[1:], os.getcwd())
sys.exit(int(os.environ.get("STAND_EXIT", "0")))
"""


def make_checkout(folder, root):
    """A checkout with the real bootstrap and a command that only repeats its arguments."""
    package = folder / "host_tools" / "aliquot_host"
    package.mkdir(parents=True)
    for name in ("host_tools/__main__.py", "host_tools/aliquot_host/bootstrap.py"):
        shutil.copy(root / name, folder / name)
    (package / "__init__.py").write_text("")
    (package / "__main__.py").write_text(COMMAND)
    (folder / "backend.py").write_text(BACKEND)
    (folder / "pyproject.toml").write_text(PYPROJECT)
    return folder


def environment(**more):
    """The test's environment without what would steer pip or Python, and without a network."""
    kept = {k: v for k, v in os.environ.items() if not k.startswith(("PIP_", "PYTHON", "ALIQUOT"))}
    return {**kept, "PIP_NO_INDEX": "1", "PIP_CONFIG_FILE": os.devnull, **more}


def call(checkout, *arguments, cwd=None, python=sys.executable, **more):
    return subprocess.run(
        [python, str(checkout / "host_tools"), *arguments],
        cwd=cwd or checkout,
        env=environment(**more),
        capture_output=True,
        text=True,
        timeout=300,
    )


@pytest.fixture(scope="module")
def checkout(tmp_path_factory, root):
    """One checkout with a space in its path; the tests below take it from state to state."""
    made = make_checkout(tmp_path_factory.mktemp("stand") / "a checkout", root)
    first = call(made, "one", "two words", "--three", STAND_EXIT="3")
    assert (first.returncode, first.stdout) == (3, f"['one', 'two words', '--three'] {made}\n")
    assert "setting up .venv" in first.stderr
    assert len(first.stderr.splitlines()) == 2
    return made


def test_the_second_call_hands_over_at_once_and_says_nothing_of_its_own(checkout, tmp_path):
    done = call(checkout, "--help", cwd=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == f"['--help'] {tmp_path}\n"


@pytest.mark.parametrize("name", ["pyproject.toml", ".ci/constraints.txt"])
def test_a_changed_file_installs_again_without_making_the_environment_anew(checkout, name):
    kept = checkout / ".venv" / "kept"
    kept.write_text("")
    file = checkout / name
    file.parent.mkdir(exist_ok=True)
    before = file.read_text() if file.exists() else ""
    file.write_text(before + "# changed\n")
    assert "up to date" in call(checkout).stderr
    assert call(checkout).stderr == ""
    assert kept.exists()


def test_line_endings_alone_change_nothing(checkout):
    file = checkout / "pyproject.toml"
    file.write_bytes(file.read_bytes().replace(b"\n", b"\r\n"))
    assert call(checkout).stderr == ""


def test_another_group_is_added_once_and_covers_the_groups_that_it_includes(checkout):
    assert "up to date" in call(checkout, ALIQUOT_GROUPS="extra").stderr
    assert call(checkout, ALIQUOT_GROUPS="extra").stderr == ""
    assert call(checkout).stderr == ""


def test_an_unknown_group_is_refused_in_one_line(checkout):
    done = call(checkout, ALIQUOT_GROUPS="none")
    assert done.returncode == 2
    assert done.stderr == "aliquot: there is no dependency group none, only extra, test.\n"


def break_off(venv):
    (venv / "aliquot.unfinished").write_text("")


def lose_python(venv):
    for python in (venv / "bin").glob("python*"):
        python.unlink()


def damage_stamp(venv):
    (venv / "aliquot.json").write_text("{")


def lose_everything(venv):
    shutil.rmtree(venv)


def become_a_file(venv):
    shutil.rmtree(venv)
    venv.write_text("not a folder")


@pytest.mark.skipif(os.name == "nt", reason="the planted damage is spelled for POSIX")
@pytest.mark.parametrize(
    ("damage", "anew"),
    [
        (break_off, True),
        (lose_python, True),
        (damage_stamp, False),
        (lose_everything, True),
        (become_a_file, True),
    ],
)
def test_a_damaged_environment_is_repaired(checkout, damage, anew):
    kept = checkout / ".venv" / "kept"
    kept.touch()
    damage(checkout / ".venv")
    done = call(checkout, "again")
    assert (done.returncode, done.stdout) == (0, f"['again'] {checkout}\n")
    assert kept.exists() != anew
    assert call(checkout).stderr == ""


def test_two_calls_at_once_make_one_environment_and_both_run(checkout):
    shutil.rmtree(checkout / ".venv")
    command = [sys.executable, str(checkout / "host_tools"), "both"]
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    calls = [subprocess.Popen(command, cwd=checkout, env=environment(), **pipes) for _ in range(2)]
    said = [process.communicate(timeout=300) for process in calls]
    assert [process.returncode for process in calls] == [0, 0]
    assert [out for out, _ in said] == [f"['both'] {checkout}\n"] * 2
    assert sum("once; it takes" in err for _, err in said) == 1


@pytest.mark.skipif(os.name == "nt", reason="on Windows a child does not inherit the lock")
def test_a_call_waits_for_the_pip_that_a_killed_call_left_behind(checkout, tmp_path):
    made = tmp_path / "killed"
    shutil.copytree(checkout, made, symlinks=True, ignore=shutil.ignore_patterns(".venv*"))
    # The build backend is where pip can be held up: it says that it began, and waits.
    began, go_on = made / "began", made / "go_on"
    held_up = (
        f"import pathlib, time\npathlib.Path({str(began)!r}).touch()\n"
        f"while not pathlib.Path({str(go_on)!r}).exists():\n    time.sleep(0.05)\n"
    )
    (made / "backend.py").write_text(BACKEND + held_up)
    command = [sys.executable, str(made / "host_tools"), "one"]
    pipes = {"stdout": subprocess.DEVNULL, "stderr": subprocess.PIPE, "text": True}
    killed = subprocess.Popen(command, cwd=made, env=environment(), **pipes)
    wait_for(began.exists)
    killed.kill()
    killed.communicate()
    waiting = subprocess.Popen(command, cwd=made, env=environment(), **pipes)
    try:
        assert "waiting" in waiting.stderr.readline()
    finally:
        go_on.touch()
    _, said = waiting.communicate(timeout=300)
    assert waiting.returncode == 0
    assert "setting up .venv" in said


def wait_for(true, most_s=60):
    """Wait until something is true, at most a minute."""
    end = time.monotonic() + most_s
    while not true():
        assert time.monotonic() < end
        time.sleep(0.05)


def test_a_moved_checkout_gets_an_environment_of_its_own_place(checkout, tmp_path):
    moved = tmp_path / "moved"
    shutil.copytree(checkout, moved, symlinks=True)
    done = call(moved, "here")
    assert (done.returncode, done.stdout) == (0, f"['here'] {moved}\n")
    assert "setting up .venv" in done.stderr


def test_without_a_network_one_line_says_so_and_the_next_call_needs_no_new_environment(
    checkout, tmp_path
):
    made = tmp_path / "offline"
    shutil.copytree(checkout, made, symlinks=True, ignore=shutil.ignore_patterns(".venv*"))
    pyproject = (made / "pyproject.toml").read_text()
    missing = pyproject.replace("test = []", 'test = ["a-package-that-no-index-has"]')
    (made / "pyproject.toml").write_text(missing)
    done = call(made)
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 2
    assert "connect to the network" in done.stderr.splitlines()[1]
    (made / "pyproject.toml").write_text(pyproject)
    assert "up to date" in call(made).stderr


@pytest.mark.parametrize("lost", ["venv", "ensurepip"])
def test_a_python_without_venv_is_told_what_to_install_in_one_line(monkeypatch, tmp_path, lost):
    real = bootstrap.importlib.util.find_spec
    monkeypatch.setattr(
        bootstrap.importlib.util, "find_spec", lambda name: None if name == lost else real(name)
    )
    with pytest.raises(bootstrap.CannotSetUp) as refused:
        bootstrap.make_venv(tmp_path / ".venv")
    assert "apt install python3-venv" in str(refused.value)
    assert "\n" not in str(refused.value)


def test_the_environment_that_runs_is_never_removed(monkeypatch, tmp_path):
    venv = tmp_path / ".venv"
    venv.mkdir()
    monkeypatch.setattr(sys, "prefix", str(venv))
    with pytest.raises(bootstrap.CannotSetUp, match="deactivate"):
        bootstrap.make_venv(venv)
    assert venv.exists()


def test_an_older_python_reads_the_first_file_and_is_refused_in_one_line(root):
    text = (root / "host_tools" / "__main__.py").read_text("ascii")
    ast.parse(text, feature_version=(3, 4))
    assert not any(isinstance(node, ast.JoinedStr) for node in ast.walk(ast.parse(text)))
    script = (
        "import runpy, sys; sys.version_info = (3, 9, 2, 'final', 0); "
        f"runpy.run_path({str(root / 'host_tools' / '__main__.py')!r}, run_name='__main__')"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert done.returncode == 2
    assert done.stderr.startswith("aliquot needs Python 3.11 or newer, and this is 3.9:")
    assert len(done.stderr.splitlines()) == 1


def test_the_bootstrap_needs_nothing_but_the_standard_library(root):
    script = "import sys; sys.path.insert(0, sys.argv[1]); import aliquot_host.bootstrap"
    subprocess.run(
        [sys.executable, "-I", "-S", "-c", script, str(root / "host_tools")], check=True
    )


def test_groups_that_include_each_other_are_refused():
    groups = {"a": [{"include-group": "b"}], "b": [{"include-group": "a"}]}
    with pytest.raises(bootstrap.CannotSetUp, match="includes itself"):
        bootstrap.members(groups, "a")


def test_every_direct_requirement_is_pinned(root):
    """A requirement without a pin would make an old commit's tests run with new libraries."""
    packaging = pytest.importorskip("packaging.requirements")
    project = bootstrap.pyproject_of(root)
    lines = (root / ".ci" / "constraints.txt").read_text().splitlines()
    pins = {plain(line.split("==")[0]) for line in lines if "==" in line}
    groups = project["dependency-groups"].values()
    needs = [
        *project["build-system"]["requires"],
        *project["project"]["dependencies"],
        *(need for group in groups for need in group if isinstance(need, str)),
    ]
    names = {plain(packaging.Requirement(need).name) for need in needs}
    # pip comes with the Python that makes the environment.
    assert names - pins == {"pip"}


def plain(name):
    return name.lower().replace("_", "-").replace(".", "-")
