"""What every driver promises, whatever it is asked and whatever goes wrong: S3, S4, S9 and S11."""

import random

import pytest

import chip_esp32
import pump_runs
from aliquot import hal
from aliquot.hal import bounds
from chip import Pin
from pump_runs import (
    DIRECTION,
    ENABLE,
    FOREVER_US,
    SPEED,
    STEP,
    at_rest,
    begin,
    driver,
    fresh,
    gaps,
    tend,
)

ALL = pump_runs.ESP32 + pump_runs.RP2
KINDS = ["stepper", "timed"]
EACH = [(name, kind) for name in ALL for kind in KINDS]
each = pytest.mark.parametrize(("name", "kind"), EACH)


@each
def test_s03_a_run_beyond_the_drivers_own_ceilings_is_refused_before_anything_moves(name, kind):
    at = fresh(name)
    motor = driver(at, kind)
    most = bounds.RUN_MOST_S * motor.speed_cps
    for counts in (0, -1, most + 1, bounds.COUNTS_MOST + 1, 10**12):
        with pytest.raises(ValueError, match=f"counts {counts}: 1 to {most}"):
            motor.start(counts, 10**9)
    with pytest.raises(ValueError, match="most_ms"):
        motor.start(5000, motor.needs_ms(5000) - 1)
    assert not at.sent
    assert at_rest(at)
    assert not motor.poll()
    assert motor.stop() == (0, True)


def test_s03_no_speed_lifts_the_ceiling_of_counts():
    motor = driver(fresh("esp32"), speed=20_000, microsteps=256)
    with pytest.raises(ValueError, match=f"1 to {bounds.COUNTS_MOST}"):
        motor.start(bounds.COUNTS_MOST + 1, 10**9)


@each
@pytest.mark.parametrize("asked", [None, 10**9])
def test_s03_a_run_that_takes_too_long_ends_with_a_fault_and_the_motor_at_rest(name, kind, asked):
    """Polled so late that it cannot end in time, whatever the scheduler allows it."""
    at = fresh(name)
    motor = driver(at, kind)
    counts = 20 * motor.speed_cps
    own_ms = motor.longest_ms(counts)
    motor.start(counts, asked or motor.needs_ms(counts))
    limit_ms = own_ms if asked else motor.needs_ms(counts)
    began = at.us
    with pytest.raises(hal.Fault, match="overtime") as caught:
        tend(at, motor, lambda: 2_000_000)
    assert caught.value.code == hal.OVERTIME
    assert limit_ms < (at.us - began) // 1000 <= limit_ms + 2000 + motor.stop_ms
    given, sure = motor.stop()
    assert 0 < given < counts
    assert sure
    assert at_rest(at)
    if kind == "stepper":
        assert given == at.given(STEP)


@each
def test_s04_a_motor_that_is_not_tended_stops(name, kind):
    """The program hangs at any moment of a run: all is over within 250 ms."""
    draw = random.Random(f"{name} {kind}")
    speeds = [500, bounds.top_cps(name, 16), 2] if kind == "stepper" else [None]
    for speed in speeds:
        for _ in range(40):
            at = fresh(name)
            motor = driver(at, kind, speed)
            begin(motor, 100 if speed == 2 else 3000)
            tend(at, motor, gaps(draw), at.us + draw.randrange(1, 4_000_000))
            motor.poll()
            hung = at.us
            at.us += FOREVER_US
            if name in pump_runs.RP2 and motor.machine is not None:
                motor.machine.tx_fifo()
            assert at.last_fall(STEP) - hung <= 250_000


@each
def test_s04_nothing_moves_before_the_first_poll(name, kind):
    at = fresh(name)
    motor = driver(at, kind)
    begin(motor, 1000)
    at.us += FOREVER_US
    assert at.given(STEP) == 0
    assert motor.stop() == (0, True)
    assert at_rest(at)


def test_s09_reverse_needs_a_direction_pin():
    for name, kind in EACH:
        motor = driver(fresh(name), kind, direction=None)
        with pytest.raises(ValueError, match="no direction pin"):
            begin(motor, 10, reverse=True)
        with pytest.raises(ValueError, match="no direction pin"):
            driver(fresh(name), kind, direction=None, reverse=1)


@each
@pytest.mark.parametrize("mounted", [0, 1])
def test_s09_reverse_is_only_on_an_explicit_word_and_bounded(name, kind, mounted):
    at = fresh(name)
    motor = driver(at, kind, reverse=mounted)
    most = bounds.REVERSE_MOST_S * motor.speed_cps
    with pytest.raises(ValueError, match=f"1 to {most}"):
        begin(motor, most + 1, reverse=True)
    for reverse in (False, True, False):
        begin(motor, 100, reverse)
        assert at.levels[DIRECTION] == mounted ^ reverse
        assert tend(at, motor, lambda: 10_000)
        assert at.levels[DIRECTION] == 0
        assert motor.stop() == (100, True)
    begin(motor, most, reverse=True)
    motor.stop()


@each
def test_s11_the_stated_time_of_a_stop_is_that_of_the_chip(name, kind):
    port, _, abort, counter = bounds.CHIPS[name]
    motor = driver(fresh(name), kind)
    at_once = port == "rp2" or (abort and (kind == "timed" or counter))
    assert motor.stop_ms == (bounds.STOP_MS if at_once else bounds.BURST_MS + bounds.STOP_MS)


@each
@pytest.mark.parametrize("on", [0, 1])
def test_an_enable_line_of_either_level_is_on_only_during_a_run(name, kind, on):
    at = fresh(name)
    motor = driver(at, kind, enable=ENABLE, enable_on=on)
    assert at.levels[ENABLE] == 1 - on
    begin(motor, 400)
    woken = at.us
    assert at.levels[ENABLE] == on
    assert tend(at, motor, lambda: 1000)
    assert at.rises(STEP)[0] - woken >= bounds.WAKE_MS * 1000 - 1000
    assert at.levels[ENABLE] == 1 - on
    assert at.last_fall(STEP) <= [us for us, pin, _ in at.log if pin == ENABLE][-1]
    begin(motor, 400)
    motor.stop()
    assert at.levels[ENABLE] == 1 - on


def test_a_shared_enable_line_serves_one_pump_after_the_other():
    at = fresh("esp32")
    outputs = [{"output": n, "step": 10 + n, "direction": None, "enable": ENABLE} for n in (1, 2)]
    board = {"chip": "esp32", "outputs": outputs}
    settings = {"kind": "stepper", "speed_cps": 500, "microsteps": 16, "reverse": 0}
    one, two = (hal.pump(board, settings | {"output": n}, at.ticks_ms) for n in (1, 2))
    begin(one, 300)
    with pytest.raises(ValueError, match="another run"):
        begin(two, 300)
    with pytest.raises(ValueError, match="another run"):
        begin(one, 300)
    assert tend(at, one, lambda: 10_000)
    begin(two, 200)
    assert at.levels[ENABLE] == 0
    assert tend(at, two, lambda: 10_000)
    assert (at.given(11), at.given(12)) == (300, 200)
    assert at.levels[ENABLE] == 1


@pytest.mark.parametrize("name", ALL)
def test_the_speed_input_of_a_timed_motor_is_on_only_during_a_run(name):
    at = fresh(name)
    motor = driver(at, "timed", pwm=SPEED, duty_pct=60)
    assert at.levels[SPEED] == 0
    begin(motor, 500)
    assert at.pwm[SPEED] == (20_000, 65535 * 60 // 100)
    assert tend(at, motor, lambda: 10_000)
    assert at.pwm == {}
    assert at.levels[SPEED] == 0


class Odd(Exception):
    """Something that no driver expects."""


@each
@pytest.mark.parametrize("problem", [MemoryError, OSError, KeyboardInterrupt, Odd])
def test_whatever_comes_up_in_a_poll_the_motor_rests_and_the_count_is_not_too_low(
    name, kind, problem
):
    for at_poll in (1, 2, 30):
        at = fresh(name)
        motor = driver(at, kind, enable=ENABLE)
        begin(motor, 3000)
        at.us += 10_000
        for _ in range(at_poll - 1):
            motor.poll()
            at.us += 12_000
        pump_runs.fail(at, problem())
        with pytest.raises(problem):
            tend(at, motor, lambda: 10_000)
        assert at_rest(at)
        assert at.levels[ENABLE] == 1
        given, sure = motor.stop()
        assert not sure
        assert given >= (at.given(STEP) if kind == "stepper" else at.high_us(STEP) // 1000)
        assert given <= 3000
        # The driver is as good as new.
        at.sent[STEP].clear()
        begin(motor, 100)
        assert tend(at, motor, lambda: 10_000)
        assert motor.stop() == (100, True)


@pytest.mark.parametrize("kind", KINDS)
def test_a_run_that_cannot_take_the_hardware_leaves_everything_at_rest(kind):
    at = fresh("esp32")
    motor = driver(at, kind, enable=ENABLE, pwm=SPEED)
    other = chip_esp32.RMT(pin=Pin(20), resolution_hz=1000000, num_symbols=64)
    with pytest.raises(OSError, match="no free"):
        begin(motor, 300)
    other.deinit()
    assert at_rest(at)
    assert (at.levels[ENABLE], at.levels[DIRECTION]) == (1, 0)
    assert at.given(STEP) == 0
    begin(motor, 300)
    assert tend(at, motor, lambda: 10_000)
    assert motor.stop() == (300, True)


@pytest.mark.parametrize("kind", KINDS)
def test_the_pin_rests_even_where_the_sender_cannot_be_given_back(kind):
    at = fresh("esp32s3")
    motor = driver(at, kind, enable=ENABLE)
    begin(motor, 300)
    chip_esp32.RMT.deinit_fails = OSError("cannot")
    with pytest.raises(OSError, match="cannot"):
        tend(at, motor, lambda: 10_000)
    assert at_rest(at)
    assert at.levels[ENABLE] == 1


@pytest.mark.parametrize("name", [n for n in pump_runs.ESP32 if bounds.CHIPS[n][3]])
@pytest.mark.parametrize(
    ("ear", "most"),
    [(lambda n: 0, 0), (lambda n: n - 1, 0), (lambda n: n + 1, 1), (lambda n: 2 * n, 125)],
)
def test_pulses_counted_back_that_were_not_sent_are_a_fault(name, ear, most):
    at = fresh(name)
    motor = driver(at)
    begin(motor, 1000)
    chip_esp32.PCNT.ear = staticmethod(ear)
    with pytest.raises(hal.Fault, match="miscount") as caught:
        tend(at, motor, lambda: 10_000)
    assert caught.value.code == hal.MISCOUNT
    given, sure = motor.stop()
    assert not sure
    assert at.given(STEP) <= given <= at.given(STEP) + most
    assert at_rest(at)


def test_a_board_that_cannot_count_back_says_so_with_null():
    at = fresh("esp32")
    motor = driver(at, count=None)
    begin(motor, 1000)
    motor.poll()
    assert chip_esp32.PCNT.in_use == 0
    assert tend(at, motor, lambda: 10_000)
    assert motor.stop() == (1000, True)


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"speed": 50_000}, "speed_cps 50000: at most"),
        ({"kind": "timed", "speed": 900}, "speed_cps 900: 1000"),
        ({"kind": "timed", "duty_pct": 0}, "duty_pct 0"),
        ({"kind": "timed", "duty_pct": 101}, "duty_pct 101"),
    ],
)
@pytest.mark.parametrize("name", ALL)
def test_what_a_driver_cannot_do_is_refused_when_it_is_made(name, change, why):
    with pytest.raises(ValueError, match=why):
        driver(fresh(name), **change)


def test_boards_that_no_driver_serves_are_refused():
    at = fresh("esp32")
    settings = {"output": 2, "kind": "timed", "speed_cps": 1000, "microsteps": 1, "reverse": 0}
    board = {"chip": "esp32", "outputs": [{"output": 1, "step": 4, "direction": None}]}
    with pytest.raises(ValueError, match="output 2: this board has 1"):
        hal.pump(board, settings, at.ticks_ms)
    with pytest.raises(ValueError, match="must rest low"):
        hal.pump(board | {"rest": 1}, settings | {"output": 1}, at.ticks_ms)
    with pytest.raises(ValueError, match="chip esp8266: one of"):
        hal.pump(board | {"chip": "esp8266"}, settings, at.ticks_ms)


def test_the_light_keeps_out_of_the_pulse_memory_during_a_run():
    at = fresh("esp32c3")
    chip_esp32.RMT.by_hand = False
    motor = driver(at)
    begin(motor, 10)
    assert chip_esp32.RMT.by_hand
    motor.stop()


@each
def test_every_shipped_board_of_the_chip_makes_its_drivers(name, kind, root):
    import json

    for file in sorted((root / "boards").glob("*.json")):
        board = json.loads(file.read_text("utf-8"))
        if board["chip"] != name:
            continue
        for output in board["outputs"]:
            at = fresh(name)
            settings = {"output": output["output"], "kind": kind, "microsteps": 16, "reverse": 0}
            settings["speed_cps"] = 500 if kind == "stepper" else 1000
            motor = hal.pump(board, settings, at.ticks_ms)
            begin(motor, 200)
            assert tend(at, motor, lambda: 10_000)
            assert motor.stop() == (200, True)
