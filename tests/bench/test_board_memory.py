"""What the real board costs on a fresh 32-bit MicroPython: the heap that hal keeps while idle."""

import itertools

import pytest

from aliquot_host.vm import device_files
from conformance.harness import on_vm

KB = 1024
# The firmware's own modules and the stand-ins are there before the first mark.
WARM = """
import gc, sys, time, select, asyncio, binascii, json, whole, motors
import aliquot, aliquot.core, aliquot.core.demand
def show():
    print(gc.mem_alloc())
show()
"""
FAKE = """
whole.fake({port!r})
data = whole.board_file({chip!r})
for name in [n for n in sys.modules if n.startswith('aliquot.hal.')]:
    del sys.modules[name]
if 'aliquot.hal' in sys.modules: del sys.modules['aliquot.hal']
if hasattr(aliquot, 'hal'): del aliquot.hal
"""
STEPS = (
    "show()",
    "import aliquot.hal",
    "import aliquot.hal.board",
    "whole.fake({port!r})\nhw = aliquot.hal.board.Board(None, lambda: data)",
    "hw.fit(whole.set_up(8))",
    "hw.pump(0)\nhw.rest()\nhw.feed()\nhw.keep(5, 6)",
    "hw.pump(1)\nhw.rest()\nhw.feed()\nhw.keep(5, 7)",
)


def kept(vm, port, chip):
    """Bytes that each step keeps."""
    steps = [WARM, FAKE.format(port=port, chip=chip)]
    for step in STEPS:
        steps += [step.format(port=port), "gc.collect()", "show()"]
    told = on_vm(vm, ["motors", "whole"], steps, device_files(["core", "hal"])).text.split()
    marks = [int(word) for word in told if word.isdigit()][2:]
    return [after - before for before, after in itertools.pairwise(marks)]


@pytest.mark.parametrize(("port", "chip"), [("esp32", "esp32"), ("rp2", "rp2040")])
def test_heap_kept_by_the_board(vm, figure, port, chip):
    package, module, board, channels, names, again = kept(vm, port, chip)
    idle = package + module + board + channels
    how = f"package {package} B, module {module}, board {board}, 8 channels {channels}"
    figure(f"heap kept by hal, {chip}", idle / KB, "KB", most=6, how=how)
    how = "names of a driver's modules, which are dropped themselves; the pool grows in jumps"
    figure(f"kept more after the first run, {chip}", names / KB, "KB", most=4, how=how)
    figure(f"kept more after the second run, {chip}", again, "B", most=64, how="nothing grows")
