"""The shape of bursts: exact counts, speeds and jumps that are never passed, the time allowed."""

import itertools
import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aliquot.hal import bounds, ramps

CHIPS = sorted(bounds.CHIPS)
ESP32 = [name for name in CHIPS if bounds.CHIPS[name][0] == "esp32"]
MICROSTEPS = [1, 2, 4, 8, 16, 32, 64, 128, 256]


@given(st.integers(0, 10**12))
def test_the_root_is_the_whole_root(n):
    assert bounds.isqrt(n) == math.isqrt(n)


def speeds(name, microsteps):
    top = bounds.top_cps(name, microsteps)
    start = bounds.START_FULL_STEPS_PS * microsteps
    return {1, 30, 31, 500, start, start + 1, (start + top) // 2, top - 1, top}


@pytest.mark.parametrize("name", ESP32)
@pytest.mark.parametrize("microsteps", MICROSTEPS)
def test_every_allowed_speed_is_reached_within_a_burst(name, microsteps):
    symbols = bounds.CHIPS[name][1]
    for speed in speeds(name, microsteps):
        if not 0 < speed <= bounds.top_cps(name, microsteps):
            continue
        ramp = ramps.up(speed, microsteps)
        step_us = ramps.interval_us(speed)
        most = ramps.longest(ramp, step_us, symbols - 1)
        assert 0 < most < symbols
        if most > 1:
            assert ramps.burst_us(ramp, step_us, most) <= bounds.BURST_MS * 1000
        assert not ramp or most > 2 * len(ramp) + 1


@given(
    st.sampled_from(ESP32),
    st.sampled_from(MICROSTEPS),
    st.integers(32, 50000),
    st.integers(1, 511),
)
def test_a_burst_never_passes_its_speed_and_begins_and_ends_at_the_start_speed(
    name, microsteps, speed, steps
):
    speed = min(speed, bounds.top_cps(name, microsteps))
    start = bounds.START_FULL_STEPS_PS * microsteps
    ramp, step_us = ramps.up(speed, microsteps), ramps.interval_us(speed)
    pulses = ramps.pulses(ramp, step_us, steps)
    assert len(pulses) == 2 * steps
    intervals = [pulses[i] + pulses[i + 1] for i in range(0, len(pulses), 2)]
    assert sum(intervals) == ramps.burst_us(ramp, step_us, steps)
    assert min(intervals) * speed >= 10**6
    slowest = 10**6 // min(speed, start)
    assert min(intervals[0], intervals[-1]) >= slowest
    # Between the last two steps as well: there the motor comes to rest.
    assert steps < 2 or intervals[-2] >= slowest
    # From one step to the next the square of the speed rises by the gain and rounding, no more.
    gain = 2 * bounds.GAIN_FULL_STEPS_PS2 * microsteps
    for slow, fast in itertools.pairwise(intervals[: steps // 2]):
        now, then = 10**6 / slow, 10**6 / fast
        assert then**2 - now**2 <= gain + 4 * then * (1 + then**2 / 10**6)


@given(
    st.sampled_from(MICROSTEPS),
    st.integers(32, 50000),
    st.integers(1, 20000),
)
def test_a_staircase_gives_its_steps_in_time_and_jumps_by_the_start_speed_at_most(
    microsteps, speed, most
):
    speed = min(speed, bounds.top_cps("rp2040", microsteps))
    start = bounds.START_FULL_STEPS_PS * microsteps
    way = ramps.stairs(speed, microsteps, most)
    steps, us = ramps.total(way)
    assert 0 < steps <= most
    assert us <= bounds.BURST_MS * 1000
    assert len(way) <= 2 * bounds.STAIRS - 1
    rates = [0, *(10**6 / apart for _, apart in way), 0]
    assert max(rates) <= speed
    for one, other in itertools.pairwise(rates):
        # Intervals are whole microseconds.
        assert abs(one - other) <= start * (1 + max(rates) / 10**6) + 1
    assert all(0 < n <= 4096 and apart < 1 << 20 for n, apart in way)


def test_a_staircase_beyond_its_top_is_refused():
    with pytest.raises(ValueError, match="at most 4800"):
        ramps.stairs(4801, 16, 1000)


@pytest.mark.parametrize("name", CHIPS)
@pytest.mark.parametrize("microsteps", MICROSTEPS)
def test_a_long_run_keeps_up_two_fifths_of_the_speed_at_least(name, microsteps):
    for speed in speeds(name, microsteps):
        if 0 < speed <= bounds.top_cps(name, microsteps):
            mean = ramps.mean_cps(name, speed, microsteps)
            assert 2 * speed <= 5 * mean + 5
            assert mean <= speed


def test_the_document_states_the_bounds_of_each_chip(root):
    """The table of DEVELOPERS.md, "How a motor is moved"."""
    text = (root / "DEVELOPERS.md").read_text("utf-8")
    rows = [line.split("|")[1:4] for line in text.splitlines() if "counts/s |" in line]
    stated = {}
    for chips, steps, speed in rows:
        for chip in chips.split(","):
            name = chip.strip().lower().replace("-", "")
            stated[name] = (steps.split()[0], *map(int, re.findall(r"\d+", speed)))
    assert stated == {
        name: (
            str(symbols - 1) if symbols else str(2 * bounds.STAIRS - 1),
            bounds.top_cps(name, 16),
            bounds.top_cps(name, 4),
        )
        for name, (_, symbols, _, _) in bounds.CHIPS.items()
    }
