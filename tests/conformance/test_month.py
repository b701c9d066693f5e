"""A month on core and store: the same journal, to the byte, on both interpreters."""

import os

from aliquot_host.vm import device_files
from conformance.harness import on_cpython, on_vm, version_of

MODULES = ["rig", "tank", "month"]


def vm_steps(days, seed=1):
    return [
        "import month",
        f"m = month.Month('/journal', {seed})",
        *(f"m.day({day})" for day in range(days)),
        "m.report()",
        "import sys; print(sys.implementation)",
    ]


def cpython_month(tmp_path, monkeypatch, days, seed=1):
    # The sync costs most of the time and changes no byte.
    monkeypatch.setattr(os, "fsync", lambda _: None)

    def live(module):
        month = module.Month(str(tmp_path / f"journal{seed}"), seed)
        for day in range(days):
            month.day(day)
        month.report()

    return on_cpython("month", live)


def test_a_months_journal_is_the_same_to_the_byte_on_both_interpreters(
    vm, tmp_path, monkeypatch, tell
):
    ours = cpython_month(tmp_path, monkeypatch, 31)
    *theirs, implementation = on_vm(vm, MODULES, vm_steps(31)).text.splitlines(keepends=True)
    tell(version_of(), ours.splitlines()[-1])
    tell(implementation.strip(), theirs[-1].strip())
    assert "".join(theirs) == ours
    # The month must have had what months have, or equal sums would say little.
    outages, runs = (int(word) for word in ours.splitlines()[-2].split()[0:3:2])
    assert outages >= 10
    assert runs >= 3000
    # Old segments were put away: acts and day totals too are the same on both.
    assert {"a", "d"} <= {line[0] for line in ours.splitlines()}
    assert sum(line.startswith("j") for line in ours.splitlines()) >= 10


def test_another_seed_gives_another_journal(tmp_path, monkeypatch):
    first, second = (cpython_month(tmp_path, monkeypatch, 3, seed) for seed in (1, 2))
    assert first.splitlines()[-1] != second.splitlines()[-1]


def test_a_difference_planted_in_one_interpreter_changes_its_sum(vm, tmp_path, monkeypatch):
    # One count too many for one volume, as a slip in a later version would give.
    path = "/lib/aliquot/core/amounts.py"
    slip = b"""
right = to_counts
def to_counts(ul, counts, cal_ul, rem):
    return right(ul, counts, cal_ul, rem) + (ul == 1521)
"""
    wrong = device_files(mpy=False)[path] + slip
    ours = cpython_month(tmp_path, monkeypatch, 3)
    theirs = on_vm(vm, MODULES, vm_steps(3), {path: wrong}).text
    assert theirs.splitlines()[-2] != ours.splitlines()[-1]
