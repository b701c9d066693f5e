"""Every run gives its counts exactly, whatever the pauses are; a stop says what it gave."""

import itertools
import random

import pytest

import chip_rp2
import pump_runs
from aliquot.hal import bounds
from pump_runs import STEP, at_rest, begin, driver, fresh, gaps, tend

ALL = pump_runs.ESP32 + pump_runs.RP2
TOP = {name: bounds.top_cps(name, 16) for name in ALL}
SOFT_OFF_US = 6000


def exact(name, motor, at, counts, pause):
    begin(motor, counts)
    assert tend(at, motor, pause)
    assert motor.stop() == (counts, True)
    assert at.given(STEP) == counts, (name, counts)
    assert at_rest(at)
    at.sent[STEP].clear()


@pytest.mark.parametrize(
    ("name", "ramped"),
    [("esp32", True), ("esp32s3", False), ("esp32c3", True), ("rp2040", True), ("rp2350", False)],
)
def test_every_count_from_1_to_5000_is_exact(name, ramped):
    draw = random.Random(f"{name} {ramped}")
    at = fresh(name)
    motor = driver(at, speed=TOP[name] if ramped else 1600)
    pause = gaps(draw)
    for counts in range(1, 5001):
        exact(name, motor, at, counts, pause)


@pytest.mark.parametrize("name", ALL)
def test_larger_counts_are_exact_at_any_speed(name):
    draw = random.Random(name)
    for _ in range(12):
        at = fresh(name)
        microsteps = draw.choice([1, 4, 16, 64, 256])
        speed = draw.randrange(31, bounds.top_cps(name, microsteps) + 1)
        motor = driver(at, speed=speed, microsteps=microsteps)
        counts = draw.randrange(5001, min(60000, 900 * speed))
        exact(name, motor, at, counts, gaps(draw))


@pytest.mark.parametrize("name", ["esp32", "esp32c3", "rp2040"])
@pytest.mark.parametrize("speed", [1, 7, 30])
def test_slow_speeds_are_paced_step_by_step(name, speed):
    at = fresh(name)
    motor = driver(at, speed=speed)
    began = at.us
    begin(motor, 12)
    assert tend(at, motor, lambda: 10_000)
    assert motor.stop() == (12, True)
    rises = at.rises(STEP)
    assert len(rises) == 12
    assert min(b - a for a, b in itertools.pairwise(rises)) * speed >= 10**6
    assert (at.us - began) // 1000 <= motor.needs_ms(12)


@pytest.mark.parametrize("name", ALL)
@pytest.mark.parametrize("microsteps", [1, 16, 256])
def test_a_run_polled_in_time_takes_no_longer_than_it_says(name, microsteps):
    for speed in (60, bounds.top_cps(name, microsteps)):
        at = fresh(name)
        motor = driver(at, speed=speed, microsteps=microsteps)
        for counts in (1, 999, 5000):
            began = at.us
            exact(name, motor, at, counts, lambda: bounds.POLL_MS * 1000)
            assert (at.us - began) // 1000 <= motor.needs_ms(counts)


@pytest.mark.parametrize("name", ALL)
def test_speed_is_never_passed_nor_jumped_to_across_pauses(name):
    draw = random.Random(name)
    for microsteps in (4, 16):
        speed, start = bounds.top_cps(name, microsteps), bounds.START_FULL_STEPS_PS * microsteps
        at = fresh(name)
        motor = driver(at, speed=speed, microsteps=microsteps)
        begin(motor, 3000)
        assert tend(at, motor, gaps(draw))
        rises = at.rises(STEP)
        apart = [b - a for a, b in itertools.pairwise(rises)]
        assert len(rises) == 3000
        assert min(apart) * speed >= 10**6
        # What stands beside a pause between two bursts is not above the start speed.
        edges = [i for i, us in enumerate(apart) if us > 10**6 // start + 4]
        for i in edges:
            for beside in apart[max(0, i - 1) : i] + apart[i + 1 : i + 2]:
                assert beside * start >= 10**6
        assert len(edges) >= 2


@pytest.mark.parametrize("name", ALL)
def test_every_pulse_is_long_enough_for_a_driver(name):
    at = fresh(name)
    motor = driver(at, speed=TOP[name])
    exact_high = 10
    begin(motor, 700)
    assert tend(at, motor, lambda: 10_000)
    assert at.high_us(STEP) == 700 * exact_high


@pytest.mark.parametrize("name", ALL)
def test_timed_runs_are_exact_to_the_millisecond(name):
    draw = random.Random(name)
    at = fresh(name)
    motor = driver(at, "timed")
    pause = gaps(draw)
    for counts in [*range(1, 600), *(draw.randrange(600, 20_000) for _ in range(60))]:
        begin(motor, counts)
        assert tend(at, motor, pause)
        assert motor.stop() == (counts, True)
        soft = SOFT_OFF_US if counts >= 12 else 0
        assert at.high_us(STEP) == counts * 1000 - soft
        assert at_rest(at)
        at.sent[STEP].clear()


@pytest.mark.parametrize("name", ALL)
def test_a_timed_motor_that_is_polled_in_time_does_not_pause(name):
    at = fresh(name)
    motor = driver(at, "timed")
    begin(motor, 10_000)
    draw = random.Random(name)
    assert tend(at, motor, lambda: draw.randrange(3000, bounds.POLL_MS * 1000))
    edges = at.edges(STEP)
    lows = [b[0] - a[0] for a, b in zip(edges[1::2], edges[2::2], strict=False)]
    assert 3000 <= max(lows) <= 3010  # the soft start
    assert all(low <= 100 for low in lows[3:])


@pytest.mark.parametrize("name", ALL)
def test_a_flash_stall_of_80_ms_delays_a_timed_motor_but_loses_nothing(name):
    at = fresh(name)
    motor = driver(at, "timed")
    begin(motor, 5000)
    assert tend(at, motor, lambda: 80_000)
    assert at.high_us(STEP) == 5_000_000 - SOFT_OFF_US
    assert motor.stop() == (5000, True)


@pytest.mark.parametrize("name", ALL)
@pytest.mark.parametrize("counted", [True, False])
def test_s11_a_stop_at_any_moment_keeps_the_count(name, counted):
    """Steppers: exact on every chip, since one that cannot count lets its burst end."""
    draw = random.Random(f"{name} {counted}")
    wired = {} if counted else {"count": None}
    for speed in (500, TOP[name]):
        for _ in range(300):
            at = fresh(name)
            motor = driver(at, speed=speed, **wired)
            begin(motor, 2000)
            tend(at, motor, gaps(draw), at.us + draw.randrange(1, 2_000_000))
            asked = at.us
            counts, sure = motor.stop()
            assert counts == at.given(STEP)
            assert sure
            assert counts <= 2000
            assert at.us - asked <= motor.stop_ms * 1000
            assert at_rest(at)
            assert motor.stop() == (counts, sure)


@pytest.mark.parametrize("name", ALL)
def test_s11_a_stop_of_a_timed_motor_never_says_too_little(name):
    """Exact on the ESP32, whose burst ends, and on the RP2 after the soft start; else at most
    three milliseconds too much, or the four of a pulse of the soft start."""
    draw = random.Random(name)
    for _ in range(600):
        at = fresh(name)
        motor = driver(at, "timed")
        begin(motor, 2000)
        tend(at, motor, gaps(draw), at.us + draw.randrange(draw.choice([30_000, 2_500_000])))
        asked = at.us
        counts, sure = motor.stop()
        on = at.high_us(STEP) + (0 if counts == 0 else SOFT_OFF_US)
        soft = counts <= 14
        if not soft:
            assert on <= counts * 1000
            assert counts * 1000 - on <= (1000 if sure else 3100)
        else:
            assert at.high_us(STEP) <= counts * 1000
        assert at.us - asked <= motor.stop_ms * 1000
        assert at_rest(at)


@pytest.mark.parametrize("kind", ["stepper", "timed"])
def test_drivers_run_on_the_emulated_machine_too(kind):
    draw = random.Random(kind)
    for counts, stop_us in [(1, None), (97, None), (120, 9_000), (97, 14_321), (60, 5_007)]:
        at = fresh("rp2040", chip_rp2.Emulated)
        motor = driver(at, kind, speed=None if kind == "timed" else 4800, microsteps=16)
        begin(motor, counts)
        until = None if stop_us is None else at.us + stop_us + draw.randrange(50)
        over = tend(at, motor, lambda: 3_000, until)
        given, sure = motor.stop()
        assert over == (stop_us is None)
        if kind == "stepper":
            assert (given, sure) == (at.given(STEP), True)
        else:
            assert at.high_us(STEP) <= given * 1000
        if over:
            assert (given, sure) == (counts, True)


@pytest.mark.parametrize("kind", ["stepper", "timed"])
def test_a_stop_in_any_cycle_around_the_switch_of_words_is_exact(kind):
    """There the registers hold one word's rest while the next one has been taken already."""

    def run(until_us=None):
        at = fresh("rp2040")
        motor = driver(at, kind, speed=None if kind == "timed" else 4800)
        begin(motor, 900)
        tend(at, motor, lambda: 5_000, until_us)
        return at, motor

    at, motor = run()
    switches = [word.at for word in at.sent[STEP]]
    assert len(switches) >= 5
    for switch in switches:
        for now in range(switch - 12, switch + 30):
            at, motor = run(now)
            counts, sure = motor.stop()
            if kind == "stepper":
                assert (counts, sure) == (at.given(STEP), True), now - switch
            else:
                # The off time of the soft start counts as run, and each of its pulses in full.
                assert counts == 12 or sure == (counts == 0 or counts > 12)
                off = sum(4 - word.on // 1000 for word in at.sent[STEP][:3] if word.off)
                on = at.high_us(STEP)
                assert on <= counts * 1000, now - switch
                assert counts * 1000 - on <= (off + 4 if counts <= 12 else off + 1) * 1000


@pytest.mark.parametrize("kind", ["stepper", "timed"])
@pytest.mark.parametrize("put_us", [1, 2, 3])
def test_a_stop_right_after_the_first_word_gave_nothing(kind, put_us, monkeypatch):
    """What the registers held before the run is none of its counts."""
    monkeypatch.setattr(chip_rp2.Timed, "put_us", put_us)
    at = fresh("rp2040")
    motor = driver(at, kind, speed=None if kind == "timed" else 500)
    begin(motor, 1)
    tend(at, motor, lambda: 5_000, at.us + 5_001)
    counts, _ = motor.stop()
    assert at.high_us(STEP) <= 2
    assert counts == len(at.rises(STEP))


def test_twenty_thousand_runs_with_random_stops_lose_and_gain_nothing():
    """The benchmarks make a million of them."""
    lost, gained, stopped = pump_runs.many(20_000, "twenty thousand")
    assert (lost, gained) == (0, 0)
    assert stopped > 6000
