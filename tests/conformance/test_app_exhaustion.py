"""S26 with the whole app on a real MicroPython: memory runs out in the middle of a dose."""

from app_files import board_files
from conformance.harness import on_vm
from conformance.test_board_life import START_W, own_files
from conformance.test_exhaustion import HEAP, SLACK
from set_ups import canonical, channel

STRIDE = 9


def told(vm, data, *steps):
    begin = ["import exhaust_app as e", f"e.prepare({START_W})"]
    names = ["exhaust", "exhaust_app", "rig", "tank"]
    return on_vm(vm, names, [*begin, *steps], own_files(data), heap=HEAP, fixed=True).text


def test_s26_memory_that_runs_out_in_a_dose_of_the_app_leaves_the_motor_off_and_a_record(vm, tell):
    data = canonical(channel(), channel("ca", 2))
    assert "setup.json" in board_files(data)
    blocks, error, runs = told(vm, data, "e.whole()").split()
    assert (error, runs) == ("False", "1")
    counts = [*range(0, int(blocks), STRIDE), int(blocks) + 4 * SLACK]
    steps = []
    for n in counts:
        steps += [f"c = e.AppCase({n})", f"c.ration({n})", "c.restart()", "c.report()", "c = None"]
    lines = told(vm, data, *steps).splitlines()
    failed = 0
    for n, line in zip(counts, lines, strict=True):
        error, _, _, wrong = line.split(" ", 3)
        assert wrong == "[]", f"{n} blocks: {line}"
        failed += int(error)
    assert error == "0"
    assert failed >= 25
    tell(
        f"S26: memory ran out in {failed} doses of the app, one every {STRIDE} of {blocks} blocks"
    )
