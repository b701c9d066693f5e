"""Every small world, and what must be true of the worlds themselves; see small_worlds.py."""

import collections

import pytest

import small_worlds
from controller import Violation
from small_worlds import ACTS, CHANNELS, CUTS, DOSES, STEPS, World

NOTHING = World((), "none", 0, "none", 0)


def test_no_small_world_breaks_a_law(capsys):
    """All of them, counted as they run; the number follows from the dimensions alone."""
    ran = collections.Counter()
    for world in small_worlds.worlds():
        try:
            rig = small_worlds.play(world)
        except Violation as error:
            raise AssertionError(f"{error}\nin small_worlds.play({world!r})") from error
        ran["worlds"] += 1
        ran["doses"] += rig.eyes.runs
        ran["starts"] += rig.outages
    with capsys.disabled():
        print(f"\nsmall worlds: {dict(ran)}")
    moments = len(small_worlds.STEP_TIMES), len(small_worlds.ACT_TIMES)
    cuts = 1 + len(CUTS) * CHANNELS * DOSES
    steps = 1 + (len(STEPS) - 1) * moments[0]
    acts = 1 + (len(ACTS) - 1) * moments[1]
    assert ran["worlds"] == small_worlds.expected() == cuts * steps * acts
    assert len(set(small_worlds.worlds())) == ran["worlds"]
    assert ran["doses"] > ran["worlds"] * CHANNELS * DOSES


@pytest.mark.parametrize("cut", small_worlds.cuts()[1:])
def test_every_cut_of_every_dose_comes(cut):
    """One start for the cut, one at the end of every world."""
    assert small_worlds.play(NOTHING).outages == 1
    assert small_worlds.play(NOTHING._replace(cut=cut)).outages == 2


@pytest.mark.parametrize("act", ACTS[1:])
def test_every_act_is_accepted_at_some_moment(act):
    kinds = {
        "trim": "P",
        "override": "D",
        "extra": "X",
        "hold": "H",
        "set-up": "C",
        "zone": "C",
        "calibration": "K",
    }
    found = [
        small_worlds.play(NOTHING._replace(act=act, act_at=at)).eyes.count[kinds[act]]
        for at in range(len(small_worlds.ACT_TIMES))
    ]
    assert max(found) == 1 + (kinds[act] == "C")


@pytest.mark.parametrize("step", list(STEPS)[1:])
def test_every_step_is_taken(step):
    usual = small_worlds.play(NOTHING)
    for at in range(len(small_worlds.STEP_TIMES)):
        rig = small_worlds.play(NOTHING._replace(step=step, step_at=at))
        told = rig.eyes.count["T"], rig.outages
        assert told > (usual.eyes.count["T"], usual.outages)
