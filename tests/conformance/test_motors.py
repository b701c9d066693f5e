"""The pump drivers, squeezed and compiled, run on MicroPython and send what the ramps say."""

import pytest

from aliquot.hal import ramps
from aliquot_host.vm import device_files
from conformance.harness import on_vm

SPEED, COUNTS = 1700, 1200


def sent(vm, *run):
    steps = ["import motors", f"motors.run{run!r}"]
    return on_vm(vm, ["motors"], steps, device_files(["hal"])).text.strip().splitlines()


@pytest.mark.parametrize(("chip", "symbols"), [("esp32", 512), ("esp32c3", 96)])
def test_a_stepper_on_an_esp32_sends_its_bursts(vm, chip, symbols):
    refused, *bursts, back, gave = sent(vm, chip, "stepper", SPEED, 16, COUNTS)
    ramp, step_us = ramps.up(SPEED, 16), ramps.interval_us(SPEED)
    most = ramps.longest(ramp, step_us, symbols - 1)
    parts = [most] * (COUNTS // most) + [COUNTS % most] * (COUNTS % most > 0)
    assert bursts == [
        f"rmt {2 * n} {ramps.burst_us(ramp, step_us, n)} {ramp[0] - ramps.HIGH_US} steps"
        for n in parts
    ]
    assert refused.startswith("refused most_ms 1: at least ")
    assert (back, gave) == ("given back", f"gave {COUNTS} True 255")


def test_a_timed_motor_on_an_esp32_is_held_for_its_milliseconds(vm):
    _, *bursts, back, gave = sent(vm, "esp32s3", "timed", 1000, 1, 600)
    assert [line.split()[:3] for line in bursts] == [
        ["rmt", "14", "250000"],
        ["rmt", "8", "250000"],
        ["rmt", "4", "100000"],
    ]
    assert bursts[0].split()[4:] == ["True", "False"] * 3 + ["True"] * 8
    assert (back, gave) == ("given back", "gave 600 True 5")


def test_a_stepper_on_an_rp2_sends_its_words(vm):
    _, *bursts, gave = sent(vm, "rp2040", "stepper", SPEED, 16, COUNTS)
    left = COUNTS
    for line in bursts:
        way = ramps.stairs(SPEED, 16, left)
        words = [n - 1 | us - 12 << 12 for n, us in way]
        assert line == "pio " + " ".join(str(word) for word in words)
        left -= ramps.total(way)[0]
    assert left == 0
    assert gave == f"gave {COUNTS} True 5"


def test_a_timed_motor_on_an_rp2_is_held_for_its_milliseconds(vm):
    _, *lines, gave = sent(vm, "rp2350", "timed", 1000, 1, 600)
    words = [int(word) for line in lines for word in line.split()[1:]]
    assert sum((word & 0xFFFF) + 1 + (word >> 16) for word in words) == 600_000
    assert [word >> 16 for word in words[:4]] == [3000, 2000, 1000, 0]
    assert gave == "gave 600 True 5"
