"""The real board, squeezed and compiled, on MicroPython: it does there what it does on a desk."""

import pytest

from aliquot_host.vm import device_files
from conformance.harness import on_vm

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
