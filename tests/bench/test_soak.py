"""How fast the soak lives: 4 channels of 24 doses, its usual troubles, every check, one core."""

import json
import random
import statistics
import time

import pytest

from aliquot_host.setup_file import load
from aliquot_host.trouble import TroubledWorld
from aliquot_host.trouble_case import DAY_S, Case, troubles
from conformance.tank import canonical

DATE, DAYS, LIVES = 9600, 12, 21
CAP_UL = 60000


@pytest.fixture(scope="module")
def loaded():
    data = canonical()
    for channel in data["channel"]:
        channel["cap_ul"] = CAP_UL
    return load(json.dumps(data).encode())


@pytest.mark.parametrize(("flash", "least"), [("", 100), ("esp32", 20), ("rp2", 20)])
def test_simulated_days_a_second_with_all_checks(loaded, figure, flash, least):
    rates, doses, faults = [], 0, 0
    for seed in range(LIVES):
        drawn = tuple(troubles(random.Random(f"bench {seed}"), DAYS, 1))
        world = TroubledWorld(Case(seed, (loaded,), DATE, DAYS, drawn, flash=flash))
        begin = time.process_time()
        world.live()
        rates.append(world.powered_s() / DAY_S / (time.process_time() - begin))
        doses += world.doses
        faults += sum(world.faults.values())
    assert doses > 50 * DAYS * LIVES
    where = f"littlefs as on {flash}" if flash else "memory"
    how = f"median of {LIVES} lives, {doses} runs, {faults} troubles"
    figure(
        f"simulated days of 4 × 24 doses a second in the soak, {where}",
        statistics.median(rates),
        "days/s",
        least=least,
        how=how,
    )
