"""The fixed check programs that deliberate faults are held against: one process, one fault.

`python programs.py <device folder> <program>...` runs the programs on the product in that folder
and prints a JSON line: the numbers of the invariants that were broken and the first violation, or
the name of another exception, which is a crash and no catch. The unit tests take no part.
"""

from __future__ import annotations

import json
import os
import random
import sys
from pathlib import Path

TESTS = Path(__file__).resolve().parent.parent
WORLDS_FIRST, WORLDS_MORE = 250, 2500
BAD_MOST = 60
LIVES, BATCHES = 120, 6
DESKS = 120
SEED = 20260601


def worlds(wanted: int, first: int, last: int) -> set[int]:
    """Some small worlds, in an order that mixes them, until the wanted number is seen."""
    import small_worlds
    from controller import Violation

    chosen = list(small_worlds.worlds())
    random.Random(SEED).shuffle(chosen)
    found: set[int] = set()
    bad = 0
    for world in chosen[first:last]:
        try:
            small_worlds.play(world)
        except Violation as error:
            print(error, world, file=sys.stderr)
            found |= small_worlds.numbers(world, error)
            bad += 1
            if wanted in found or bad == BAD_MOST:
                break
    return found


def lives(wanted: int) -> set[int]:
    """Lives that hypothesis draws, always the same, not shortened where one fails; in a few
    batches, because each ends at its first violation, and that may be of another number."""
    from hypothesis import Phase, settings
    from hypothesis.stateful import run_state_machine_as_test

    from controller import Violation
    from lives import BOUNDED, Life

    found: set[int] = set()
    own = settings(
        BOUNDED,
        max_examples=LIVES,
        phases=[Phase.generate],
        database=None,
        derandomize="LIVES_AT_RANDOM" not in os.environ,
    )
    for batch in range(BATCHES):
        if wanted in found:
            break
        # What is drawn follows from the name of a class that has no source.
        machine = type(f"Life{batch}", (Life,), {})
        try:
            run_state_machine_as_test(machine, settings=own)
        except Violation as error:
            print(error, file=sys.stderr)
            found |= error.numbers
        except BaseExceptionGroup as group:
            mine, rest = group.split(Violation)
            if rest:
                raise rest from None
            found |= {number for error in mine.exceptions for number in error.numbers}
    return found


def files() -> set[int]:
    """Damage to the files at rest."""
    import damaged_files
    from controller import Violation

    found: set[int] = set()
    try:
        rig = damaged_files.lived()
    except Violation as error:
        print(error, file=sys.stderr)
        return error.numbers
    parts = (
        lambda: damaged_files.words(rig),
        lambda: damaged_files.flipped_set_ups(rig),
        lambda: damaged_files.unknown_records(rig),
        damaged_files.cut_set_ups,
        lambda: damaged_files.flipped_journals(rig, 3),
    )
    for part in parts:
        try:
            part()
        except Violation as error:
            print(error, file=sys.stderr)
            found |= error.numbers
    return found


# What the laws of drive.py are about.
DRIVEN = {
    "check_keys": 5,
    "check_books": 24,
    "check_counts": 15,
    "check_separate": 6,
    "check_late": 6,
    "check_raises": 6,
    "check_snapshots": 24,
    "_room_for": 1,
    "_begin": 14,
}


def desk() -> set[int]:
    """Random lives on the desk of drive.py, with the laws that stand there."""
    import traceback

    from hypothesis import HealthCheck, Phase, given, settings

    import scenes
    from drive import START, Desk, check_all

    found: set[int] = set()

    @settings(
        max_examples=DESKS,
        phases=[Phase.generate],
        database=None,
        derandomize=True,
        deadline=None,
        suppress_health_check=list(HealthCheck),
    )
    @given(scenes.setups(), scenes.STORIES)
    def life(made, story):
        desk = Desk(made, START)
        for happening, then in story:
            scenes.play(desk, happening)
            desk.pass_s(then)
        if not desk.state.open:
            desk.settle()
        check_all(desk)

    try:
        life()
    except AssertionError as error:
        names = [frame.name for frame in traceback.extract_tb(error.__traceback__)]
        found = {DRIVEN[name] for name in names if name in DRIVEN}
        if not found:
            raise
        print(f"desk: {names[-1]}: {error}", file=sys.stderr)
    return found


PROGRAMS = {
    "a few worlds": lambda wanted: worlds(wanted, 0, WORLDS_FIRST),
    "files": lambda _: files(),
    "lives": lives,
    "desk": lambda _: desk(),
    "worlds": lambda wanted: worlds(wanted, WORLDS_FIRST, WORLDS_MORE),
}


def main(device: str, wanted: int) -> dict:
    """Run the programs one after the other until the invariant `wanted` is seen to be broken."""
    sys.path[:0] = [device, str(TESTS), str(TESTS.parent / "host_tools")]
    import aliquot

    assert Path(aliquot.__file__).is_relative_to(device), "the product under test is another one"
    found: set[int] = set()
    crash = ""
    by = ""
    for name, program in PROGRAMS.items():
        try:
            found |= program(wanted)
        except Exception as error:  # noqa: BLE001 - whatever it is, the report says its name
            crash = crash or f"{name}: {type(error).__name__}: {error}"[:300]
        if wanted in found:
            by = name
            break
    return {"numbers": sorted(found), "by": by, "crash": crash}


if __name__ == "__main__":
    print(json.dumps(main(sys.argv[1], int(sys.argv[2]))))
