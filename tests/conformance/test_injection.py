"""S26 on CPython: MemoryError between any two bytecodes of core and store during a dose.

No allocator can be made to fail here, so a trace raises in its stead: before step k of the
device's code that the dose runs through, for every k, a step being a bytecode or, where a segment
fills up, a line. Steps that ask for no memory are among them, so the cases are more than a board
can meet. What libraries allocate inside is not among them: `test_exhaustion.py` adds that.
"""

import os
import shutil
import sys
from pathlib import Path

import pytest

import aliquot
from conformance.harness import modules_here

DEVICE = str(Path(next(iter(aliquot.__path__))).resolve())


class Injector:
    """Counts the steps ("line" or "opcode") of device code, and raises before step `at`."""

    def __init__(self, step, at):
        self.step = step
        self.at = at
        self.steps = 0
        self.place = ""

    def _enter(self, frame, event, arg):
        if not frame.f_code.co_filename.startswith(DEVICE):
            return None
        frame.f_trace_opcodes = self.step == "opcode"
        return self._count

    def _count(self, frame, event, arg):
        if event == self.step:
            self.steps += 1
            if self.steps == self.at:
                self.place = f"{Path(frame.f_code.co_filename).name}:{frame.f_lineno}"
                raise MemoryError
        return self._count

    def __enter__(self):
        self.before = sys.gettrace()
        sys.settrace(self._enter)
        return self

    def __exit__(self, *error):
        sys.settrace(self.before)


@pytest.fixture
def exhaust(tmp_path, monkeypatch):
    # The sync costs most of the time; what is on the disk is the same.
    monkeypatch.setattr(os, "fsync", lambda _: None)
    with modules_here():
        import exhaust

        exhaust.prepare(str(tmp_path))
        yield exhaust


def dose(exhaust, number, step, at, rotate):
    case = exhaust.Case(number, rotate)
    with Injector(step, at) as injector:
        case.give()
    return case, injector


# An error between `open` and its `with` leaves the file to the collector, here as on a board.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.filterwarnings("ignore::ResourceWarning")
@pytest.mark.parametrize(
    ("step", "rotate"), [("opcode", False), ("line", True)], ids=["dose", "rotation"]
)
def test_s26_a_memory_error_anywhere_in_a_dose_leaves_the_motor_off_and_a_record(
    exhaust, tell, step, rotate
):
    case, injector = dose(exhaust, 0, step, -1, rotate)
    steps = injector.steps
    assert (case.error, len(case.rig.ends)) == (False, 1)
    places = set()
    for at in range(1, steps + 1):
        case, injector = dose(exhaust, at, step, at, rotate)
        assert injector.place, f"{step} {at} of {steps} did not come"
        # Putting old segments away may fail and wait: a rotation needs no more than its start.
        assert case.error or rotate, injector.place
        places.add(injector.place)
        assert case.rig.motor == -1
        case.restart()
        assert case.audit() == [], f"MemoryError at {step} {at}, {injector.place}"
        shutil.rmtree(case.root)
    tell(f"S26: MemoryError before each {step} of {steps}, in {len(places)} lines")
    assert len(places) >= 100
