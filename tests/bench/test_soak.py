"""How many simulated days the soak lives through in a second of one core, with all checks.

The tank is the one that memory and conformance are measured on, four channels of 24 doses; what
goes wrong in it is drawn as for any seed, at the rates of that seed.
"""

import json
import random
import statistics
import time

import pytest

from aliquot_host import setup_file, trouble_case
from aliquot_host.trouble import TroubledWorld
from aliquot_host.trouble_case import DAY_S, Case
from conformance.tank import canonical

DAYS = 20
SEEDS = range(1, 8)
DATE = 9570  # 2026-03-15: a clock change falls into the days


def days_per_s(loaded, flash):
    """Medians over seeds of simulated days in a second of the processor."""
    found = []
    for seed in SEEDS:
        troubles = trouble_case.troubles(random.Random(seed), DAYS, 1)
        troubles = [one for one in troubles if one.kind != "away"]
        case = Case(seed, (loaded,), DATE, DAYS, tuple(troubles), flash=flash)
        begin = time.process_time()
        world = TroubledWorld(case).live()
        found.append(world.powered_s() / DAY_S / (time.process_time() - begin))
        assert world.doses > 4 * 24 * DAYS // 3
        assert world.faults
    return statistics.median(found)


@pytest.mark.parametrize(("flash", "least"), [("", 100), ("esp32", 20)])
def test_simulated_days_a_second_with_all_checks(figure, flash, least):
    data = canonical()
    for channel in data["channel"]:
        channel["cap_ul"] = 60000
    loaded = setup_file.load(json.dumps(data).encode())
    figure(
        f"soak, simulated days a second, {'littlefs' if flash else 'in memory'}",
        round(days_per_s(loaded, flash), 1),
        "days/s",
        least=least,
        how=f"4 × 24 doses, {DAYS} days with troubles, one core, median of {len(SEEDS)} seeds",
    )
