"""Deliberate faults: each is found by the fixed check programs, under the number that it names.

The programs are `programs.py`; the unit tests take no part. Each fault runs in a process of its
own, on a copy of device/ that it was put into.
"""

import collections
import concurrent.futures
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from faults.deliberate import FAULTS

ROOT = Path(__file__).resolve().parent.parent.parent
PROGRAMS = Path(__file__).with_name("programs.py")
LATER = {3, 4, 9, 23}  # only drivers and the app can show them
SECONDS_MOST = 200


def held_against(fault, folder):
    """What the programs say of the product with one fault in it."""
    device = folder / "device"
    shutil.copytree(ROOT / "device", device, ignore=shutil.ignore_patterns("__pycache__"))
    if fault:
        place = device / "aliquot" / fault.file
        text = place.read_text("utf-8")
        place.write_text(text.replace(fault.old, fault.new), "utf-8")
    done = subprocess.run(
        [sys.executable, "-B", str(PROGRAMS), str(device), str(fault.number if fault else 0)],
        capture_output=True,
        text=True,
        timeout=SECONDS_MOST,
        check=False,
        env={**os.environ, "PYTHONPATH": ""},
    )
    shutil.rmtree(device)
    if done.returncode:
        return {"numbers": [], "by": "", "crash": done.stderr[-300:]}
    return {**json.loads(done.stdout.splitlines()[-1]), "first": done.stderr.partition("\n")[0]}


@pytest.fixture(scope="session")
def verdicts(tmp_path_factory):
    """What became of each fault, and of the product without one, found on all cores."""
    with concurrent.futures.ThreadPoolExecutor(os.cpu_count()) as pool:
        folders = [tmp_path_factory.mktemp("fault") for _ in range(len(FAULTS) + 1)]
        found = list(pool.map(held_against, [None, *FAULTS], folders))
    return dict(zip([None, *FAULTS], found, strict=True))


def test_there_are_enough_of_them_and_they_cover_every_invariant_that_needs_no_driver():
    per = collections.Counter(fault.number for fault in FAULTS)
    assert len(FAULTS) >= 30
    assert set(per) == set(range(1, 27)) - LATER
    assert all(per[number] >= 2 for number in (1, 5, 14, 15, 16))
    assert len({(fault.file, fault.new) for fault in FAULTS}) == len(FAULTS)


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: f"S{fault.number} {fault.what}")
def test_the_line_that_a_fault_changes_is_still_there_once(fault):
    text = (ROOT / "device" / "aliquot" / fault.file).read_text("utf-8")
    assert text.count(fault.old) == 1
    compile(text.replace(fault.old, fault.new), fault.file, "exec")


def test_the_product_without_a_fault_breaks_nothing(verdicts):
    assert verdicts[None]["numbers"] == []
    assert verdicts[None]["crash"] == ""


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: f"S{fault.number} {fault.what}")
def test_the_checks_find_a_fault_under_the_number_that_it_names(fault, verdicts):
    found = verdicts[fault]
    assert found["crash"] == "", "a crash is no catch"
    assert fault.number in found["numbers"], found
