"""Memory on a fresh 32-bit MicroPython; the method stands in tests/conformance/memory.py."""

import pytest

from conformance import memory
from conformance.harness import on_vm

KB = 1024
# 2026-01-04, and the days of 23 and of 25 hours in Berlin.
DATES = (9500, 9584, 9794)


def test_heap_kept_by_core_and_store(vm, figure):
    rows = memory.heap_kept(vm)
    kept = memory.total(rows)
    each = (kept - memory.total(memory.heap_kept(vm, 1))) / 7
    resident = [row for row in rows if row.lines]
    how = (
        f"{sum(row.kept for row in resident)} B in {len(resident)} modules of "
        f"{sum(row.lines for row in resident)} lines, the rest set-up and state"
    )
    figure("heap kept, 8 channels of 24 doses", kept / KB, "KB", most=36, how=how)
    figure("heap kept more per channel", each / KB, "KB", most=1.2, how="8 channels against 1")


def test_peak_heap_of_laying_out_a_day(vm, figure):
    peaks = [memory.layout_peak(vm, date) for date in DATES]
    most, kept, slices = max(peaks)
    how = f"garbage included, worst of {slices} slices; {kept} B alive"
    figure("peak heap while a day of 8 × 144 doses is laid out", most / KB, "KB", most=12, how=how)


def test_bytes_allocated_by_idle_polls(vm, figure):
    states = ("across midnight", "held", "clock unset", "catch-up pending")
    guilty = polls = 0
    for state in states:
        steps = ["import idle", f"idle.run({state!r})"]
        told = on_vm(vm, ["rig", "tank", "idle"], steps, heap=1 << 22).text
        idle, allocated = told.removeprefix(state).split()[:2]
        polls += int(idle)
        guilty += int(allocated)
    how = f"{polls} polls under heap_lock: {', '.join(states)}"
    # A locked heap refuses the first byte, so no refusal means none was asked for.
    figure("idle polls that ask for memory", guilty, "", most=0, how=how)


@pytest.mark.benchmark(group="VM")
def test_time_to_start_a_vm(vm, benchmark):
    benchmark.pedantic(lambda: vm.run(["print(1)"]), rounds=5, warmup_rounds=1)
