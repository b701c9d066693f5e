"""A simulated year of 4 channels of 24 doses, and what its journal weighs."""

import json
from fractions import Fraction

import pytest

from aliquot.store.recover import open_journal
from aliquot_host.memory_files import MemoryFiles
from aliquot_host.setup_file import load
from aliquot_host.world import World
from bench import baselines
from bench.baselines import DAYS, FIRST
from conformance.harness import modules_here
from conformance.tank import canonical

START_W = FIRST * 86400 - 3600  # midnight in Berlin
SEGMENT = 16384
# Room for the plan day that a new journal starts with, so that the first day is like all others.
CAP_UL = 120000
YEARS = 10


@pytest.fixture(scope="module")
def loaded():
    data = canonical(reservoir_ul=0)
    for channel in data["channel"]:
        channel["cap_ul"] = CAP_UL
    return load(json.dumps(data).encode())


def simulated(loaded, days, files=None):
    return World(loaded, start_w=START_W, days=days, seed=1, files=files).run()


@pytest.mark.benchmark(group="simulation")
def test_a_simulated_year_beside_one_bare_simpy_process_per_dose(loaded, side_by_side, figure):
    doses = baselines.bare()
    done = baselines.bare_processes(doses)
    world = simulated(loaded, DAYS)
    assert world.violations == []
    assert sorted((r.channel, r.due_w, r.ul) for r in world.runs) == sorted(done)
    pair = side_by_side(lambda: simulated(loaded, DAYS), lambda: baselines.bare_processes(doses))
    figure(
        "a simulated year with journal, ledgers and checks over simpy's bare processes",
        pair.ratio, "×", most=3, how=pair.how(),
    )  # fmt: skip


def test_journal_bytes_of_a_dose_and_what_a_start_reads(loaded, figure):
    files = MemoryFiles()
    simulated(loaded, 60, files)
    weight = {"I": 0, "O": 0}
    doses = 0
    for name, content in files.content().items():
        for line in content.split(b"\n") if name.startswith("j") else ():
            kind = line.split(b" ")[2:3]
            if line[:1] != b"S" and kind in ([b"I"], [b"O"]):
                weight[kind[0].decode()] += len(line) + 1
                doses += kind == [b"I"]
    assert doses > 2000
    how = f"{doses} doses; intent {weight['I'] / doses:.1f}, outcome {weight['O'] / doses:.1f}"
    each = sum(weight.values()) / doses
    figure("journal bytes of a dose, intent and outcome", each, "B", most=66, how=how)

    again = MemoryFiles(files.content())
    journal, _ = open_journal(again)
    assert journal.state.seq > 2 * doses
    read = [name for name in again.read_names if name.startswith("j")]
    sizes = [again.size(name) for name in read]
    assert all(size <= SEGMENT for size in sizes)
    how = f"{sum(sizes)} bytes in them, {sum(n.startswith('j') for n in again.content())} there"
    figure("segments of 16 KB read at a start", len(read), "", most=2, how=how)


def test_running_error_of_counts_after_ten_years(figure):
    """By `fractions`: what the planned volumes come to at the calibrations in force."""
    with modules_here():
        from rig import Rig
    data = canonical(reservoir_ul=0)
    for channel in data["channel"]:
        channel["cap_ul"] = CAP_UL
    rig = Rig("", data, START_W, MemoryFiles())
    rig.boot()
    rig.clock()
    state = rig.engine.state
    # What must have been given until now, and what was; exact.
    owed = [Fraction(0)] * len(state.channels)
    worst = Fraction(0)
    doses = calibrations = 0
    put = rig.engine.journal.put

    def watch(now_s, kind, fields, text=""):
        nonlocal worst, doses
        put(now_s, kind, fields, text)
        if kind == "I":
            channel, _, _, ul, counts = fields[:5]
            c = state.channels[channel]
            owed[channel] += Fraction(ul * c.cal_counts, c.cal_ul) - counts
            worst = max(worst, abs(owed[channel]))
            doses += 1

    rig.engine.put = watch
    for quarter in range(4 * YEARS):
        until = rig.now_s + YEARS * 365 * 86400 // (4 * YEARS)
        while rig.now_s < until:
            rig.step(until)
        for i, c in enumerate(state.channels):
            # Tubing wears: each pump is measured again, with another number of counts.
            moved = 10020 - 7 * quarter - 13 * i
            counts = 12800 + 97 * ((quarter * 5 + i) % 11)
            rig.engine.act(rig.now_s, "K", (i, counts, moved, 0, c.cal_sig, 0))
            calibrations += 1
    assert doses == pytest.approx(YEARS * 365 * 96, rel=0.001)
    how = f"{doses} doses, {calibrations} calibrations, 4 channels, by fractions"
    figure(
        "running error of commanded counts after 10 years", float(worst), "counts", most=1, how=how
    )
