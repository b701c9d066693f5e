"""Power is cut at every change of the flash and at every run of a motor, on both boards.

All of it: no cut is left out here. `aliquot cuts` does the same and prints what it did.
"""

import os

import pytest

from aliquot_host import cuts
from aliquot_host.cuts import Case
from aliquot_host.flash import BOARDS, TEARS

JOBS = os.cpu_count() or 1
ALL = "".join(TEARS)
# With garbage for a torn change; `aliquot cuts --mode pairs` tries half-written ones as well,
# which takes more than twice as long.
IN_PAIRS = {"esp32": "cg", "rp2": ALL}


def tried(mode, board, scenario, tears):
    """The tally of a mode and its recording, with what must be so of both."""
    tally, found = cuts.cut(mode, Case(board, "small", scenario, 1, ()), tears, JOBS)
    assert tally.violations == []
    assert cuts.missing(found, scenario) == []
    assert tally.tried == tally.expected
    assert all(tally.tried.values())
    return tally, found


@pytest.mark.parametrize("board", BOARDS)
def test_s1_s5_s14_s15_s16_s17_s24_hold_after_every_single_cut(board):
    tally, found = tried("every", board, "standard", ALL)
    changes = found.kinds["program"] + found.kinds["erase"]
    assert tally.tried["clean"] == len(found.log) + 1 == changes + found.kinds["flipped bit"] + 1
    assert tally.tried["half-written"] == tally.tried["garbage"] == changes
    for moment in ("before a motor", "during a motor", "after a motor"):
        assert tally.tried[moment] == found.kinds["run of a motor"]
    assert tally.cuts > 2500


@pytest.mark.parametrize("board", BOARDS)
def test_s1_s5_s14_s15_s16_s17_s24_hold_after_every_pair_of_cuts(board):
    tally, found = tried("pairs", board, "short", IN_PAIRS[board])
    per = len(IN_PAIRS[board])
    runs = found.kinds["run of a motor"]
    assert tally.tried["first cuts"] == per * len(found.log) + 1 + 3 * runs
    assert tally.tried["pairs"] > 10 * tally.tried["first cuts"]


@pytest.mark.parametrize("board", BOARDS)
def test_s16_holds_over_lives_that_are_cut_ever_later(board):
    tally, _ = tried("log", board, "standard", ALL)
    assert tally.tried["cuts"] > 4 * tally.tried["lives"] > 0
