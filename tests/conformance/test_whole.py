"""The real board, squeezed and compiled, on MicroPython: it does there what it does on a desk."""

import pytest

from aliquot_host.vm import device_files
from conformance.harness import on_vm
from conformance.test_board_life import START_W, own_files
from set_ups import canonical, channel

BOARDS = [("esp32", "esp32"), ("rp2", "rp2040"), ("rp2", "rp2350")]
each = pytest.mark.parametrize(("port", "chip"), BOARDS)


def told(vm, call, *args):
    steps = ["import whole", f"whole.{call}{args!r}"]
    files = device_files(["core", "hal"])
    return on_vm(vm, ["motors", "whole"], steps, files).text.strip().splitlines()


@each
def test_a_board_keeps_looks_fits_and_runs(vm, port, chip):
    lines = told(vm, "run", port, chip)
    first, kept, cleared, written, unfit, *bursts, gave, left = lines
    assert first == "1 None [('float', False, 1), ('stop', False, 1), ('reset', False, 1)]"
    assert kept == "(536870912, 10000000)"
    assert cleared == "None b''"
    assert written == "written" * 30
    assert unfit == "['', 'the set-up is for board x, this is vm']"
    assert bursts
    assert gave == "gave 1200 True"
    resident = ["aliquot.hal.board"] + (["aliquot.hal.rp2_keep"] if port == "rp2" else [])
    assert left.split() == resident


@each
def test_every_source_of_time_is_heard(vm, port, chip):
    *answers, again, sent = told(vm, "times", port, chip)
    assert answers == ["3 836179198", "4 836136000", "5 836136000", "6 836136000"]
    assert again == "900000000"
    assert sent == " ".join(["53 123"] * 3)


@each
def test_a_board_that_is_idle_asks_for_no_memory(vm, port, chip):
    assert told(vm, "idle", port, chip) == ["idle"]


def told_of_app(vm, call, port, chip, seconds):
    data = canonical(channel())
    steps = ["import whole_app", f"whole_app.{call}({port!r}, {chip!r}, {START_W}, {seconds})"]
    names = ["motors", "whole", "whole_app"]
    return on_vm(vm, names, steps, own_files(data)).text.strip().splitlines()


# The plan's next dose is so long after the start; it takes four seconds.
NEXT_S = 3600 - START_W % 3600


@each
def test_a_dose_goes_from_the_set_up_through_the_real_driver_to_its_record(vm, port, chip):
    begun, *sent, last, told = told_of_app(vm, "dose", port, chip, NEXT_S + 60)
    assert begun == "begun '' 1"
    assert last.startswith("last alk 1942 1942 0 ")
    assert told.startswith("told [(1520, 1942)]")
    assert told.endswith("None")
    bursts = [line for line in sent if line.split()[0] in ("rmt", "pio")]
    assert len(bursts) > 3
    if port == "esp32":
        # Two durations a step.
        assert sum(int(line.split()[1]) for line in bursts) == 2 * 1942


@each
def test_a_reset_in_a_run_of_the_real_driver_keeps_its_count(vm, port, chip):
    lines = told_of_app(vm, "reset_in_a_run", port, chip, NEXT_S + 60)
    assert lines[-1] == "reset True True 0 ()"
