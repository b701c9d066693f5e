"""The real board: memory over resets, causes, inputs, light, serial port, watchdog, set-ups."""

import asyncio
import json

import pytest

import chip_board
from aliquot.core import clock as core_clock
from aliquot.hal import board as board_module
from aliquot.hal import making
from aliquot_host import board_file
from aliquot_host.memory_files import MemoryFiles
from chip import Pin
from set_ups import canonical, channel

OURS = ["esp32-dev", "esp32-s3", "esp32-c3", "pico-w", "pico-2-w"]
every_board = pytest.mark.parametrize("name", OURS)
ESPS, PICOS = OURS[:3], OURS[3:]


# Memory that outlives a reset.


@every_board
def test_what_was_kept_is_there_after_every_reset_but_a_loss_of_power(make, name):
    hw, at = make(name)
    hw.keep(123456, 9876543)
    for cause in (chip_board.WATCHDOG, chip_board.PROGRAM, chip_board.SOFT):
        at.backup.restart(cause)
        hw, at = make(name, at.backup)
        assert hw.kept() == (123456, 9876543)
    at.backup.restart(chip_board.POWER)
    hw, _ = make(name, at.backup)
    assert hw.kept() is None


@every_board
def test_the_largest_numbers_are_kept_whole(make, name):
    hw, _ = make(name)
    hw.keep(2**29, 10**7)
    assert hw.kept() == (2**29, 10**7)


@every_board
def test_what_is_cleared_is_not_kept(make, name):
    hw, at = make(name)
    hw.keep(5, 6)
    hw.keep(0, 0)
    assert hw.kept() is None
    hw, _ = make(name, at.backup)
    assert hw.kept() is None


@every_board
def test_a_pair_is_written_only_when_it_changed(make, name):
    hw, _ = make(name)
    written = []
    memory = hw.memory
    hw.memory = lambda *data: written.append(data) if data else memory()
    for counts in (0, 0, 5, 5, 5, 6):
        hw.keep(77, counts)
    assert len(written) == 3


@pytest.mark.parametrize("garbage", [b"", b"\x01" * 12, b"\xff" * 12, bytes(12), b"x" * 2048])
def test_garbage_in_the_memory_is_nothing_kept_on_an_esp32(make, garbage):
    hw, at = make("esp32-dev")
    at.backup.rtc = garbage
    assert hw.kept() is None


@pytest.mark.parametrize("word", [0, 1, 0xFFFFFFFF, 0x80000000, 0x6AB73121])
def test_garbage_in_the_memory_is_nothing_kept_on_an_rp2(make, word):
    hw, at = make("pico-w")
    at.backup.scratch = [word] * 8
    assert hw.kept() is None


@pytest.mark.parametrize("name", PICOS)
@pytest.mark.parametrize("words", [1, 2])
def test_a_reset_between_the_words_of_a_pair_leaves_nothing_kept(make, name, words):
    hw, at = make(name)
    hw.keep(1000, 2000)
    before = list(at.backup.scratch)
    hw.keep(1001, 2300)
    at.backup.scratch[words:] = before[words:]
    assert hw.kept() is None


@pytest.mark.parametrize("name", PICOS)
def test_the_registers_of_the_firmware_are_left_alone(make, name):
    hw, at = make(name)
    at.backup.scratch[4:] = [11, 22, 33, 44]
    hw.keep(1, 2)
    assert at.backup.scratch[3:] == [0, 11, 22, 33, 44]


# Why it started.

CAUSES = (chip_board.POWER, chip_board.WATCHDOG, chip_board.PROGRAM)


@every_board
@pytest.mark.parametrize("cause", CAUSES)
def test_the_cause_of_a_start_is_told_apart(make, name, cause):
    kept = make(name)[1].backup
    kept.restart(cause)
    assert make(name, kept)[0].cause == cause
    # A soft reset some time later leaves the chip's own cause as it was.
    kept.restart(chip_board.SOFT, up_us=3600 * 1000000)
    assert make(name, kept)[0].cause == chip_board.SOFT


@pytest.mark.parametrize("name", PICOS)
@pytest.mark.parametrize("up_us", [9_000_000, 2**31 + 5, 2**32 + 1, 2**45])
def test_a_soft_reset_of_an_rp2_is_known_by_the_age_of_its_timer(make, name, up_us):
    kept = make(name)[1].backup
    kept.restart(chip_board.WATCHDOG)
    kept.restart(chip_board.SOFT, up_us=up_us)
    assert make(name, kept)[0].cause == chip_board.SOFT


# What hangs on the board.


@every_board
def test_a_place_on_which_nothing_hangs_is_not_looked_at(make, name):
    hw, at = make(name)
    fitted = [each["input"] for each in hw.board()["inputs"] if each["fitted"]]
    assert [what for what, *_ in hw.inputs] == fitted
    assert len(at.inputs) == len(fitted)


@pytest.mark.parametrize("what", ["float", "leak", "stop", "reset"])
@pytest.mark.parametrize("on", [0, 1])
def test_an_input_is_on_at_the_level_of_its_file(make, what, on):
    each = {"input": what, "pin": 22, "on": on, "pull": "up", "debounce_ms": 50, "fitted": 1}
    hw, at = make("esp32-dev", inputs=[each])
    (told, look, looks), *_ = hw.inputs
    assert (told, looks) == (what, 1)
    for level in (0, 1, 0):
        at.outside[22] = level
        assert bool(look()) == (level == on)


@pytest.mark.parametrize("on", [0, 1])
def test_the_supply_counts_as_on_where_it_is_missing(make, on):
    each = {"input": "supply", "pin": 34, "on": on, "pull": "outside"}
    hw, at = make("esp32-dev", inputs=[each])
    for level in (0, 1):
        at.outside[34] = level
        assert bool(hw.inputs[0][1]()) == (level != on)


@pytest.mark.parametrize(
    ("pull", "asked"), [("up", Pin.PULL_UP), ("down", Pin.PULL_DOWN), ("outside", None)]
)
def test_an_input_is_pulled_as_its_file_says(make, pull, asked):
    _, at = make("pico-w", inputs=[{"input": "leak", "pin": 19, "on": 0, "pull": pull}])
    assert at.inputs == {19: asked}


@pytest.mark.parametrize(("ms", "looks"), [(10, 1), (50, 1), (51, 2), (5000, 100)])
def test_a_level_is_sure_after_the_time_of_its_file(make, ms, looks):
    each = {"input": "float", "pin": 22, "on": 1, "pull": "up", "debounce_ms": ms, "fitted": 1}
    hw, _ = make("esp32-dev", inputs=[each])
    assert hw.inputs[0][2] == looks


def test_looks_come_as_often_as_the_app_looks():
    from aliquot import app

    assert making.LOOK_MS == app.LOOK_MS


@pytest.mark.parametrize("on", [0, 1])
def test_a_plain_light_is_off_at_first_and_lit_by_the_level_of_its_file(make, on):
    hw, at = make("esp32-dev", light={"pin": 2, "kind": "plain", "on": on})
    assert at.levels[2] == 1 - on
    hw.light(True)
    assert at.levels[2] == on
    hw.light(False)
    assert at.levels[2] == 1 - on


def test_the_light_on_the_radio_chip_is_found_by_its_name(make):
    hw, at = make("pico-w")
    hw.light(True)
    assert at.levels["LED"] == 1


@pytest.mark.parametrize("name", ["esp32-s3", "pico-w"])
def test_a_ws2812_is_white_and_dim_and_sent_only_when_that_changes(make, name):
    hw, at = make(name, light={"pin": 16, "kind": "ws2812"})
    for on in (False, True, True, False, False):
        hw.light(on)
    pins, times, sent = zip(*at.lamp, strict=True)
    assert set(pins) == {16}
    assert sent == (bytes(3), b"\x08" * 3, bytes(3))
    # Data sheet of the WS2812B: T0H 400, T0L 850, T1H 800, T1L 450, each within 150 ns.
    assert set(times) == {(400, 850, 800, 450)}


def test_a_board_without_a_light_or_a_clock_does_without(make):
    hw, _ = make("esp32-c3", light=None, clock=None)
    hw.light(True)
    hw.set_chip(10**9)
    assert [n for n, _ in hw.sources] == [4, 5, 6]


def test_the_sources_bear_the_numbers_of_the_core(make):
    numbers = [n for n, _ in make("esp32-dev")[0].sources]
    first = core_clock.NETWORK
    assert numbers == [core_clock.CHIP, first, first + 1, first + 2]


@pytest.mark.parametrize("chip", ["rp2040", "esp8266"])
def test_a_board_file_of_another_chip_is_refused(firmware, chip):
    firmware("esp32")
    with pytest.raises(ValueError, match=f"is for {chip}, this chip is esp32"):
        board_module.Board(MemoryFiles(), lambda: {"chip": chip})


@every_board
def test_the_motor_lines_are_those_of_pins_txt(make, name, root):
    hw, _ = make(name)
    lines = dict(zip(hw.lines[::2], hw.lines[1::2], strict=True))
    assert lines == dict(board_file.at_rest(board_file.read(root / "boards" / f"{name}.json")))


# Serial port.


def test_what_came_in_is_read_whole_and_in_order(make):
    hw, at = make("esp32-dev")
    sent = bytes(range(256)) * 3
    at.port.came += sent
    got = b""
    for _ in range(10):
        part = hw.read()
        assert len(part) <= board_module.READ_MOST
        got += part
    assert got == sent
    assert hw.read() == b""


@pytest.mark.parametrize("size", [0, 1, 63, 64, 65, 2048])
def test_what_is_written_goes_out_whole(make, size):
    hw, at = make("pico-w")
    hw.write(b"z" * size)
    assert bytes(at.port.went) == b"z" * size


def test_a_host_that_does_not_read_holds_the_board_for_less_than_a_second(make):
    hw, at = make("pico-w")
    # What the firmware waits for a host that is there and takes nothing.
    at.port.piece_us = 500_000
    before = at.us
    hw.write(b"z" * 2048)
    assert at.us - before < 1_000_000


# Watchdog.


@every_board
def test_s23_the_first_feed_starts_the_watchdog_in_time_for_every_chip(make, name):
    hw, at = make(name)
    assert not hasattr(at, "fed")
    hw.feed()
    hw.feed()
    assert len(at.fed) == 3
    assert hw.wdt_ms == 8000


def test_a_reset_is_the_chips(make):
    with pytest.raises(chip_board.Reset):
        make("pico-w")[0].reset()


# Set-ups and runs.


def loaded(hw, *channels, **changes):
    data = canonical(*(channels or [channel()]), **changes)
    assert hw.unfit(data) == ""
    hw.fit(data)
    return data


@every_board
def test_a_run_gives_its_counts_and_leaves_every_line_at_rest(make, name):
    hw, at = make(name)
    loaded(hw, channel(), channel("ca", 2))
    for ch in (1, 0):
        pump = hw.pump(ch)
        pump.start(1234, pump.longest_ms(1234))
        while pump.poll():
            asyncio.run(hw.sleep_ms(10))
        assert pump.stop() == (1234, True)
        hw.rest()
        step = hw.board()["outputs"][ch]["step"]
        assert at.given(step) == 1234
        assert {pin: at.levels[pin] for pin in hw.lines[::2]} == dict(
            zip(hw.lines[::2], hw.lines[1::2], strict=True)
        )


def test_outputs_are_driven_as_the_file_says(make):
    output = {"output": 1, "step": 4, "direction": None, "kinds": ["timed"], "enable": 6}
    output |= {"enable_on": 1, "pwm": 7, "duty_pct": 40, "count": None}
    hw, _ = make("esp32-dev", outputs=[output])
    timed = {"kind": "timed", "speed_cps": 1000, "microsteps": 1}
    loaded(hw, channel(pump=timed))
    pump = hw.pump(0)
    assert (pump.step.number, pump.direction, pump.enable_off) == (4, None, 0)
    assert (pump.count_pin, pump.speed.pin.number, pump.speed.duty) == (None, 7, 40)


def test_pulses_are_counted_on_the_step_pin_where_the_file_says_nothing(make):
    hw, _ = make("esp32-dev")
    loaded(hw)
    assert hw.pump(0).count_pin == hw.board()["outputs"][0]["step"]


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"board": "bench"}, "the set-up is for board bench, this is esp32-dev"),
        ({"output": 9}, "channel alk: output 9: this board has 8"),
        ({"kind": "timed"}, "channel alk: speed_cps 500: 1000"),
        ({"speed_cps": 20000}, "channel alk: speed_cps 20000: at most"),
        ({"output": 5, "reverse": 1}, "channel alk: reverse 1: this output has no direction pin"),
    ],
)
def test_a_set_up_that_the_board_cannot_do_is_refused_in_words(make, change, why):
    hw, _ = make("esp32-dev")
    data = canonical(channel())
    if "board" in change:
        data.update(change)
    else:
        data["channel"][0]["pump"].update(change)
    assert hw.unfit(data).startswith(why)
    if "output" in change and change["output"] == 9:
        with pytest.raises(ValueError, match="this board has 8"):
            hw.fit(data)


def test_an_output_is_not_used_for_what_it_cannot_drive(make):
    output = {"output": 1, "step": 4, "direction": 5, "kinds": ["timed"]}
    hw, _ = make("esp32-dev", outputs=[output])
    assert hw.unfit(canonical(channel())) == "channel alk: its output drives timed"


def test_what_a_run_needs_is_kept_small(make):
    """One tuple of whole numbers a channel; the board file itself is not kept."""
    hw, _ = make("esp32-dev")
    loaded(hw)
    (line,) = hw.pumps
    assert all(part is None or isinstance(part, (int, str)) for part in line)
    assert len(json.dumps(line)) < 80
