"""An idle poll asks for no memory, whatever the engine waits for."""

import pytest

from conformance.harness import on_vm

MODULES = ["rig", "tank", "idle"]
# state -> (quality of the clock, held, something owed, midnights passed)
STATES = {
    "across midnight": ("2", "False", "False", "1"),
    "held": ("2", "True", "False", "1"),
    "clock unset": ("0", "False", "False", "1"),
    "catch-up pending": ("2", "False", "True", "1"),
}


@pytest.mark.parametrize("state", STATES)
def test_ten_thousand_idle_polls_allocate_nothing(vm, state):
    told = on_vm(vm, MODULES, ["import idle", f"idle.run({state!r})"], heap=1 << 22).text
    polls, guilty, worked, *found = told.removeprefix(state).split()
    assert (polls, guilty) == ("10000", "0")
    assert tuple(found) == STATES[state]
    # Without work between them the polls would say nothing about a living engine.
    assert int(worked) >= 2


def test_a_poll_that_makes_a_list_is_found_out(vm):
    told = on_vm(vm, MODULES, ["import idle", "idle.planted()"]).text
    assert told.split() == ["planted", "True"]


def test_the_steps_that_run_most_allocate_nothing(vm):
    lines = on_vm(vm, ["rig", "tank", "hot"], ["import hot", "hot.main()"]).text.splitlines()
    assert len(lines) == 13
    assert [line for line in lines if not line.startswith("free ")] == ["asks year, month and day"]
