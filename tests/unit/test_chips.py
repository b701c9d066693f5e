"""The facts about chips: complete, in themselves right, each with its source."""

import pytest

from aliquot_host import chips

CHIPS = sorted(chips.CHIPS)


@pytest.mark.parametrize("name", CHIPS)
def test_every_fact_of_a_chip_has_a_source_and_no_source_is_without_one(name):
    chip = chips.CHIPS[name]
    facts = {
        fact
        for fact in (
            *("pins", "input_only", "flash", "psram", "usb", "serial", "straps", "radio"),
            *("names", "glitches", "rmt", "pio", "pcnt"),
        )
        if getattr(chip, fact)
    }
    # That a chip with an RMT has nothing that counts pulses back is a fact too.
    facts |= {"pcnt"} if chip.rmt else set()
    facts |= {"pull_ohm"} if chip.pull_ohm != chips.PULL_OHM else set()
    assert set(chip.sources) == facts
    assert all(chip.sources.values())


@pytest.mark.parametrize("name", CHIPS)
def test_what_a_pin_is_said_to_be_is_said_of_a_pin_that_exists(name):
    chip = chips.CHIPS[name]
    for pins in (
        *(chip.input_only, chip.flash, chip.usb, chip.serial, chip.straps, chip.radio),
        *(chip.glitches, *chip.psram.values()),
    ):
        assert set(pins) <= chip.pins
    assert not chip.flash & set(chip.straps)


@pytest.mark.parametrize(
    ("name", "pins"),
    [
        # ESP-IDF 5.5, "GPIO & RTC GPIO": "features 34, 43, 45, 22, 31 physical GPIO pins".
        ("esp32", 34),
        ("esp32s2", 43),
        ("esp32s3", 45),
        ("esp32c3", 22),
        ("esp32c6", 31),
        # MicroPython, rp2, general information: 30 GPIO pins.
        ("rp2040", 30),
        ("rp2350", 30),
    ],
)
def test_a_chip_has_as_many_pins_as_its_makers_say(name, pins):
    assert len(chips.CHIPS[name].pins) == pins


@pytest.mark.parametrize(
    ("name", "symbols", "most"),
    [
        ("esp32", 512, 25550),
        ("esp32s2", 256, 12750),
        ("esp32s3", 192, 9550),
        ("esp32c3", 96, 4750),
        ("esp32c6", 96, 4750),
    ],
)
def test_a_burst_leaves_one_symbol_and_lasts_as_long_as_the_gap(name, symbols, most):
    chip = chips.CHIPS[name]
    assert chips.symbols(chip) == symbols
    assert chips.burst_most_steps(chip) == symbols - 1
    rate = chips.rate_most_cps(chip)
    assert rate == most
    # At that rate a full burst is not shorter than a gap, one step a second faster it would be.
    assert (symbols - 1) * 1000 >= rate * chips.GAP_MOST_MS
    assert (symbols - 1) * 1000 < (rate + 1) * chips.GAP_MOST_MS


def test_the_slowest_step_is_one_symbol_and_within_a_burst():
    least = chips.rate_least_cps(chips.ESP32)
    assert least == 16
    assert 2 * chips.PULSE_MAX * least >= chips.TICK_HZ > 2 * chips.PULSE_MAX * (least - 1)
    assert least * chips.BURST_MOST_MS > 1000


def test_a_pio_knows_no_bursts():
    assert chips.rate_most_cps(chips.RP2040) is None
    assert chips.rate_least_cps(chips.RP2040) is None
    assert chips.burst_most_steps(chips.RP2040) == 0


@pytest.mark.parametrize(
    ("pins", "text"),
    [((), ""), ((4,), "4"), ((4, 5), "4, 5"), ((0, 2, 3, 4, 9), "0, 2 to 4, 9")],
)
def test_pins_are_listed_as_people_write_them(pins, text):
    assert chips.number(frozenset(pins)) == text
