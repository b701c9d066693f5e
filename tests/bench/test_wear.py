"""Wear of the flash: the real littlefs under the real sizes of the journal, a year of doses."""

import json

import pytest

from aliquot_host import world
from aliquot_host.flash import BOARDS, LittleFiles
from aliquot_host.setup_file import load
from bench.baselines import DAYS, FIRST
from conformance.tank import canonical

START_W = FIRST * 86400 - 3600  # midnight in Berlin
CAP_UL = 120000
# What the makers of NOR flash give for a sector.
CYCLES = 100_000
# Erases per dose, by the size of a program: a record is one append, and an append one erase at
# least, because littlefs copies the last block of the file.
REACH = {"esp32": 2.1, "rp2": 2.2}


# Where a year begins decides when littlefs splits its folder, which is worth half a per cent: the
# figure is the mean of three years that begin a third of a year apart.
STARTS = tuple(FIRST + n * DAYS // 3 for n in range(3))


def year(board, loaded, first):
    """(doses, erases by block) of a year on a new flash."""
    files = LittleFiles(board)
    start_w = START_W + (first - FIRST) * 86400
    lived = world.World(loaded, start_w=start_w, days=DAYS, seed=1, files=files).run()
    assert lived.violations == []
    assert len(lived.runs) == pytest.approx(96 * DAYS, abs=4)  # summer time may move an hour
    return len(lived.runs), files.flash.erases


@pytest.mark.parametrize("board", BOARDS)
def test_erases_per_dose_and_life_of_the_hottest_block(board, figure, monkeypatch):
    # The world keeps the whole history, as a desk does; a board keeps what its flash is meant for.
    monkeypatch.setattr(world, "SEGMENTS_KEPT", 0)
    data = canonical(reservoir_ul=0)
    for channel in data["channel"]:
        channel["cap_ul"] = CAP_UL
    loaded = load(json.dumps(data).encode())
    years = [year(board, loaded, first) for first in STARTS]
    each = [sum(erases) / doses for doses, erases in years]
    how = f"years of {years[0][0]} doses: " + ", ".join(f"{one:.3f}" for one in each)
    figure(f"erases per dose, {board}", sum(each) / len(each), "", most=REACH[board], how=how)
    most = max(max(erases) for _, erases in years)
    mean = sum(sum(erases) for _, erases in years) // sum(len(erases) for _, erases in years)
    how = f"{most} erases a year there, {mean} on average; {CYCLES} are allowed"
    figure(
        f"life at 96 doses a day, {board}", CYCLES / most * DAYS / 365, "years", least=100, how=how
    )
