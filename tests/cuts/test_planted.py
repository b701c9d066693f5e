"""Planted faults: the cuts find each of them, and the replay string makes it happen again."""

import concurrent.futures
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from cuts.planted import FAULTS, LIVES

ROOT = Path(__file__).resolve().parent.parent.parent
SECONDS_MOST = 300


def cuts(device, *arguments):
    """(exit code, JSON) of `aliquot cuts` with the product that lies in a folder."""
    done = subprocess.run(
        [sys.executable, "-B", "-m", "aliquot_host", "cuts", "--json", *arguments],
        capture_output=True,
        text=True,
        timeout=SECONDS_MOST,
        check=False,
        env={
            **os.environ,
            "PYTHONPATH": os.pathsep.join([str(device), str(ROOT / "host_tools")]),
            "ALIQUOT_DEBUG": "1",
        },
    )
    assert done.returncode in (0, 1), done.stderr
    return done.returncode, json.loads(done.stdout)


def found(fault, folder):
    """What the cuts and the first replay say of the product with one fault in it."""
    device = folder / "device"
    shutil.copytree(ROOT / "device", device, ignore=shutil.ignore_patterns("__pycache__"))
    for file, old, new in fault.changes:
        place = device / "aliquot" / file
        place.write_text(place.read_text("utf-8").replace(old, new), "utf-8")
    code, told = cuts(device, "--jobs", "1", *LIVES[fault.life])
    violations = told["runs"][0]["violations"]
    again = cuts(device, "--replay", violations[0]["replay"]) if violations else (0, {})
    shutil.rmtree(device)
    return code, violations, again


@pytest.fixture(scope="module")
def verdicts(tmp_path_factory):
    with concurrent.futures.ThreadPoolExecutor(os.cpu_count()) as pool:
        folders = [tmp_path_factory.mktemp("planted") for _ in FAULTS]
        return dict(zip(FAULTS, pool.map(found, FAULTS, folders), strict=True))


def test_the_changes_fit_the_product():
    assert len(FAULTS) >= 6
    for fault in FAULTS:
        for file, old, _ in fault.changes:
            text = (ROOT / "device" / "aliquot" / file).read_text("utf-8")
            assert text.count(old) == 1, (fault.what, file)


def test_the_product_is_the_one_that_lies_in_the_folder(tmp_path):
    """Else the faults would be looked for in the checkout."""
    look = "import aliquot; print(aliquot.__file__)"
    (tmp_path / "aliquot").mkdir()
    (tmp_path / "aliquot" / "__init__.py").write_text("")
    done = subprocess.run(
        [sys.executable, "-c", look],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONPATH": str(tmp_path)},
    )
    assert Path(done.stdout.strip()).parent == tmp_path / "aliquot"


@pytest.mark.parametrize("fault", FAULTS, ids=[fault.what for fault in FAULTS])
def test_a_planted_fault_is_found_and_its_replay_string_finds_it_again(fault, verdicts):
    code, violations, (again, told) = verdicts[fault]
    assert code == 1
    assert {one["number"] for one in violations} & fault.numbers
    first = violations[0]
    assert again == 1
    assert told["replay"] == first["replay"]
    assert told["violation"] == {"number": first["number"], "text": first["text"]}
