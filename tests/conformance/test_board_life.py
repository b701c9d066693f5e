"""The app on a real MicroPython: a start, doses end to end, and every task that hangs (S23)."""

import pytest

from aliquot_host.memory_files import MemoryFiles
from aliquot_host.vm import compiled_text
from app_files import board_files, eight
from app_rig import TASKS
from conformance.harness import FOLDER, on_cpython, on_vm

START_W = 834_840_000  # 2026-06-15, noon in Berlin and a bit
HOURS = 3


def own_files(data):
    """The files of a board for the VM, and the tests' own modules compiled as the device's are."""
    files = {f"/data/{name}": content for name, content in board_files(data).items()}
    for path in (FOLDER.parent / "app_rig.py", FOLDER / "board_life.py"):
        files[f"/lib/{path.stem}.mpy"] = compiled_text(path.read_text("utf-8"), path.stem)
    return files


def lives(vm, data, *steps):
    """What a board says that starts from `data`, on the VM."""
    begin = [
        "import gc, micropython, board_life as b",
        "from aliquot.store.files import Files",
        f"b.begin({START_W}, Files('/data'), ('float', 'leak', 'stop', 'reset'))",
    ]
    return on_vm(vm, [], [*begin, *steps], own_files(data)).text.splitlines()


def test_a_start_and_its_doses_are_the_same_on_both_interpreters(vm):
    data = eight()
    there = lives(vm, data, f"b.run({HOURS * 3600 + 120}, 20)", "b.told()")

    def here(b):
        b.begin(START_W, MemoryFiles(board_files(data)), ("float", "leak", "stop", "reset"))
        b.run(HOURS * 3600 + 120, 20)
        b.told()

    assert there == on_cpython("board_life", here).splitlines()
    assert there[0] == "begun  1"
    assert int(there[1].split()[1]) >= HOURS * 8


@pytest.mark.parametrize("task", TASKS)
def test_s23_a_hang_of_any_task_ends_in_a_reset_on_micropython_too(vm, task):
    lines = lives(vm, eight(), "b.run(30)", f"b.hang({task!r})")
    assert lines[1:] == [f"hang {task} 2 8000 1 None"]
