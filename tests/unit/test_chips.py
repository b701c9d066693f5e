"""The facts about chips: complete, in themselves right, each with its source."""

import pytest

from aliquot.hal import bounds
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
    ("name", "symbols"),
    [("esp32", 512), ("esp32s2", 256), ("esp32s3", 192), ("esp32c3", 96), ("esp32c6", 96)],
)
def test_a_burst_leaves_one_symbol_of_all_the_memory(name, symbols):
    assert chips.burst_most_steps(chips.CHIPS[name]) == symbols - 1


def test_a_pio_has_no_symbols():
    assert chips.burst_most_steps(chips.RP2040) == 0


def test_the_drivers_know_the_same_chips_with_the_same_figures():
    assert set(bounds.CHIPS) == set(chips.CHIPS)
    for name, (port, symbols, _, counter) in bounds.CHIPS.items():
        chip = chips.CHIPS[name]
        assert (port == "rp2") == (chip.pio > 0)
        assert symbols == (chip.rmt[0] * chip.rmt[1] if chip.rmt else 0)
        assert bool(counter) == bool(chip.pcnt)


@pytest.mark.parametrize(
    ("pins", "text"),
    [((), ""), ((4,), "4"), ((4, 5), "4, 5"), ((0, 2, 3, 4, 9), "0, 2 to 4, 9")],
)
def test_pins_are_listed_as_people_write_them(pins, text):
    assert chips.number(frozenset(pins)) == text
