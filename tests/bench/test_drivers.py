"""A million runs of the pump drivers with random stops, on the stand-ins of tests/hal."""

import pump_runs

RUNS = 1_000_000


def test_counts_lost_or_gained_in_a_million_runs(figure):
    lost, gained, stopped = pump_runs.many(RUNS, "a million")
    how = f"{RUNS} runs on 7 chips, {stopped} of them stopped; lost {lost}, gained {gained}"
    figure(
        "counts lost or gained beyond the stated bound", lost + gained, "counts", most=0, how=how
    )
    assert stopped > RUNS // 3
