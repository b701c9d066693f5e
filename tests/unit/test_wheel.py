"""The wheel is whole: away from the checkout it has its boards, device files and examples."""

import json
import os
import subprocess
import sys
import sysconfig
import zipfile
from pathlib import Path

import pytest

# What runs in the installed package: where it lies, and every file that it finds.
LOOK = """
import json, aliquot, aliquot_host
from aliquot_host import resources
print(json.dumps({
    "places": [aliquot.__file__, aliquot_host.__file__],
    "checkout": resources.checkout(),
    "boards": {name: len(path.read_bytes()) for name, path in resources.boards().items()},
    "examples": {name: len(path.read_bytes()) for name, path in resources.examples().items()},
    "device": {name: len(path.read_bytes()) for name, path in resources.device_files().items()},
}))
"""


@pytest.fixture(scope="module")
def wheel(tmp_path_factory, root):
    out = tmp_path_factory.mktemp("wheel")
    command = [
        sys.executable,
        "-m",
        "build",
        "--wheel",
        "--no-isolation",
        "-o",
        str(out),
        str(root),
    ]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    (built,) = out.glob("aliquot-*.whl")
    return built


class Installed:
    """The wheel in an environment of its own, which borrows the libraries of the tests alone."""

    def __init__(self, folder, wheel):
        self.empty = folder / "empty"
        self.empty.mkdir()
        self.venv = folder / "venv"
        make = [sys.executable, "-m", "venv", "--without-pip", str(self.venv)]
        subprocess.run(make, check=True)
        self.bin = self.venv / ("Scripts" if os.name == "nt" else "bin")
        self.python = self.bin / ("python.exe" if os.name == "nt" else "python")
        pip = [sys.executable, "-m", "pip", "--python", str(self.python), "--quiet", "install"]
        subprocess.run([*pip, "--no-index", "--no-deps", str(wheel)], check=True)
        site = [self.python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))"]
        self.site = Path(subprocess.run(site, capture_output=True, text=True).stdout.strip())
        # A .pth line adds a folder behind the environment's own packages. The .pth files
        # in that folder are not read, so the editable checkout stays out.
        (self.site / "borrowed.pth").write_text(sysconfig.get_path("purelib") + "\n")

    def run(self, *command):
        kept = {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "ALIQUOT"))}
        command = [str(self.bin / command[0]), *command[1:]]
        return subprocess.run(
            command, cwd=self.empty, env=kept, capture_output=True, text=True, timeout=600
        )


@pytest.fixture(scope="module")
def installed(tmp_path_factory, wheel):
    return Installed(tmp_path_factory.mktemp("installed"), wheel)


@pytest.fixture(scope="module")
def seen(installed):
    done = installed.run("python", "-c", LOOK)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def sizes(folder, pattern, name=lambda path: path.stem):
    return {name(path): path.stat().st_size for path in folder.glob(pattern)}


def test_the_installed_package_is_the_wheel_and_not_the_checkout(installed, seen):
    assert seen["checkout"] is None
    assert all(Path(place).is_relative_to(installed.site) for place in seen["places"])


def test_every_board_is_in_the_wheel(root, seen):
    assert seen["boards"] == sizes(root / "boards", "*.json")
    assert seen["boards"]


def test_every_example_is_in_the_wheel(root, seen):
    examples = root / "host_tools" / "aliquot_host" / "examples"
    assert seen["examples"] == sizes(examples, "*.toml")
    assert seen["examples"]


def test_all_that_goes_onto_a_board_is_in_the_wheel(root, seen):
    device = root / "device"
    there = sizes(device, "**/*.py", lambda path: path.relative_to(device).as_posix())
    assert {"boot.py", "main.py", "aliquot/__init__.py"} <= set(there)
    assert seen["device"] == there


def test_the_wheel_holds_licence_and_type_marks_and_nothing_beside_the_two_packages(wheel):
    with zipfile.ZipFile(wheel) as archive:
        names = archive.namelist()
        (metadata,) = [name for name in names if name.endswith(".dist-info/METADATA")]
        text = archive.read(metadata).decode()
    assert {"aliquot/py.typed", "aliquot_host/py.typed"} <= set(names)
    assert any(name.endswith(".dist-info/licenses/LICENSE") for name in names)
    assert "License-Expression: MIT\n" in text
    tops = {name.split("/")[0] for name in names}
    assert {top for top in tops if not top.endswith(".dist-info")} == {"aliquot", "aliquot_host"}
    assert not [name for name in names if "__pycache__" in name or name.endswith(".mpy")]


def test_the_installed_command_knows_its_version(installed, root):
    done = installed.run("aliquot", "--version")
    version = (root / "device" / "aliquot" / "__init__.py").read_text().split('"')[-2]
    assert (done.returncode, done.stdout) == (0, f"aliquot {version}\n")


def test_the_installed_command_lists_its_commands(installed):
    done = installed.run("aliquot", "--help")
    assert done.returncode == 0
    assert "demo" in done.stdout
    assert "Rehearse" in done.stdout


def test_the_tests_of_a_checkout_are_refused_in_an_installed_package(installed):
    done = installed.run("aliquot", "test")
    assert done.returncode == 2
    assert "in a checkout" in done.stderr


def test_the_demo_runs_in_an_empty_folder(installed):
    done = installed.run("aliquot", "demo")
    assert done.returncode == 0, done.stdout + done.stderr
    reports = list(installed.empty.glob("*.html"))
    assert len(reports) == 1
    assert "<svg" in reports[0].read_text("utf-8")
