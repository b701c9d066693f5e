"""S26 on a real MicroPython: memory runs out at each allocation of a dose, one after the other."""

import pytest

from conformance.harness import on_vm

MODULES = ["rig", "tank", "exhaust"]
HEAP = 1 << 19
# Free blocks that do not lie side by side serve no larger wish: so many more are enough for all.
SLACK = 24


def cases(vm, counts, rotate):
    """One case for each number of blocks in `counts`; the printed lines, one a case."""
    steps = ["import exhaust", "exhaust.prepare()"]
    for n in counts:
        steps += [
            f"c = exhaust.Case({n}, {rotate})",
            f"c.ration({n})",
            "c.restart()",
            "c.report()",
            "c = None",
        ]
    return on_vm(vm, MODULES, steps, heap=HEAP, fixed=True).text.splitlines()


def whole(vm, rotate):
    steps = ["import exhaust", "exhaust.prepare()", f"exhaust.whole({rotate})"]
    blocks, error, runs = on_vm(vm, MODULES, steps, heap=HEAP, fixed=True).text.split()
    assert (error, runs) == ("False", "1")
    return int(blocks)


@pytest.mark.parametrize(("rotate", "stride"), [(False, 1), (True, 29)], ids=["dose", "rotation"])
def test_s26_memory_that_runs_out_anywhere_in_a_dose_leaves_the_motor_off_and_a_record(
    vm, tell, rotate, stride
):
    blocks = whole(vm, rotate)
    assert blocks > 50
    counts = [*range(0, blocks, stride), *range(blocks, blocks + SLACK, 8), blocks + 4 * SLACK]
    lines = cases(vm, counts, rotate)
    assert len(lines) == len(counts)
    failed = 0
    for n, line in zip(counts, lines, strict=True):
        error, used, motor, _, wrong = line.split(" ", 4)
        assert (wrong, motor) == ("[]", "-1"), f"{n} blocks: {line}"
        # Putting old segments away may fail and wait: a rotation needs no more than its start.
        assert error == "1" or rotate or n >= blocks, f"{n} blocks: {line}"
        assert int(used) <= n
        failed += int(error)
    assert error == "0"
    assert failed >= 25
    tell(f"S26: memory ran out in {failed} cases, one every {stride} blocks of a dose of {blocks}")


def test_the_audit_finds_a_run_that_no_intent_announced(vm):
    steps = [
        "import exhaust",
        "exhaust.prepare()",
        "c = exhaust.Case(1)",
        "c.give()",
        "c.restart()",
    ]
    plant = "c.rig.ends.append(c.rig.ends[0])"
    lines = on_vm(vm, MODULES, [*steps, "c.report()", plant, "c.report()"]).text.splitlines()
    assert lines[0].endswith(" []")
    assert "ran without an intent" in lines[1]
