"""The stand-ins of the hardware keep the limits of the hardware; the fast one is the real one."""

import pytest

import chip_esp32
import chip_rp2
import pump_runs
from aliquot.hal import bounds, rp2_pio, rp2_step, rp2_timed
from chip import FLOATS, Pin
from chip_rp2 import ALL


def sender(name="esp32s3", symbols=None):
    at = pump_runs.fresh(name)
    symbols = symbols or bounds.CHIPS[name][1]
    rmt = chip_esp32.RMT(pin=Pin(4), resolution_hz=1000000, num_symbols=symbols)
    return at, rmt


@pytest.mark.parametrize("name", pump_runs.ESP32)
def test_all_memory_belongs_to_one_sender(name):
    _, rmt = sender(name)
    with pytest.raises(OSError, match="no free"):
        chip_esp32.RMT(pin=Pin(5), resolution_hz=1000000, num_symbols=64)
    rmt.deinit()
    chip_esp32.RMT(pin=Pin(5), resolution_hz=1000000, num_symbols=64)


@pytest.mark.parametrize(
    ("pulses", "why"),
    [
        ([10, 10] * 192, "refilled"),
        ([10, 32768], "15 bits"),
        ([10, 0], "nothing"),
        ([32000] * 10, "broken off"),
    ],
)
def test_a_burst_beyond_the_limits_is_an_error(pulses, why):
    _, rmt = sender()
    with pytest.raises(AssertionError, match=why):
        rmt.write_pulses(pulses)


def test_the_next_burst_waits_for_the_one_under_way():
    at, rmt = sender()
    began = at.us
    rmt.write_pulses([10, 9990] * 10)
    assert at.us - began < 1000
    assert not rmt.wait_done()
    rmt.write_pulses([10, 9990] * 10)
    assert at.us - began > 100_000
    assert at.given(4) == 20


def test_only_the_esp32_cannot_break_a_burst_off_and_the_flag_sticks_elsewhere():
    at, rmt = sender("esp32")
    rmt.write_pulses([10, 9990] * 10)
    rmt.active(False)
    assert at.given(4) == 10
    assert rmt.wait_done()
    at, rmt = sender("esp32s3")
    rmt.write_pulses([10, 9990] * 10)
    at.us += 25_000
    rmt.active(False)
    assert at.given(4) == 3
    rmt.write_pulses([10, 10])
    at.us += 1_000_000
    assert not rmt.wait_done()


def test_a_sender_given_back_lets_its_pin_float_and_is_of_no_use():
    at, rmt = sender()
    rmt.deinit()
    assert at.levels[4] is FLOATS
    with pytest.raises(OSError, match="deinitialized"):
        rmt.write_pulses([10, 10])


def test_the_counter_counts_the_edges_until_now():
    at, rmt = sender()
    counter = chip_esp32.PCNT(0, pin=Pin(4), rising=chip_esp32.PCNT.INCREMENT)
    counter.start()
    rmt.write_pulses([10, 9990] * 10)
    assert counter.value() == 0
    at.us += 25_000
    assert counter.value(0) == 3
    at.us += 1_000_000
    assert counter.value() == 7


def test_programs_are_coded_as_the_data_sheet_says():
    assert rp2_step._steps.words == [0x80A0, 0x602C, 0x60D4, 0xA046, 0x0084, 0x1943]
    assert rp2_timed._hold.words == [0x80A0, 0x6030, 0x1042, 0x6050, 0x0084]
    assert rp2_pio.X_ALL_ONES == 0xA000 | 1 << 5 | 1 << 3 | 3
    assert rp2_pio.ISR_FROM_X == 0xA000 | 6 << 5 | 1
    assert rp2_pio.ISR_FROM_OSR == 0xA000 | 6 << 5 | 7
    assert rp2_pio.PUSH == 0x8000


STEP_WORDS = [[(1, 20)], [(3, 21)], [(2, 40), (5, 20), (2, 40)], [(1, 25)] * 4, [(64, 31)]]
HOLD_WORDS = [[(10, 30), (20, 20), (30, 10), (99, 0)], [(2, 0)], [(1, 0), (5, 1), (70, 0)]]


def both(program, words):
    """The same words on both machines; the states of the emulator, cycle by cycle."""
    at = pump_runs.fresh("rp2040")
    emulated = chip_rp2.Emulated(0, program, freq=1000000, sideset_base=Pin(1))
    timed = chip_rp2.Timed(0, program, freq=1000000, sideset_base=Pin(2))
    for machine in (emulated, timed):
        machine.exec(rp2_pio.X_ALL_ONES)
        machine.active(1)
    start = at.us
    for word in words:
        for machine in (emulated, timed):
            at.us = start
            machine.put(word)
    at.us = start
    return at, emulated, timed


@pytest.mark.parametrize("program", ["steps", "hold"])
@pytest.mark.parametrize("which", range(5))
def test_the_fast_machine_is_the_emulator_cycle_by_cycle(program, which):
    if program == "steps":
        words = [n - 1 | apart - 12 << 12 for n, apart in STEP_WORDS[which]]
        code = rp2_step._steps
    else:
        words = [on - 1 | off << 16 for on, off in HOLD_WORDS[which % 3]]
        code = rp2_timed._hold
    at, emulated, timed = both(code, words)
    start = at.us
    for _ in range(4000):
        at.us += 1
        seen = emulated.tx_fifo(), emulated.state.x_register
        osr = emulated.state.output_shift_register.contents
        # The emulator takes an instruction and its delay as one cycle: it may be ahead.
        if emulated.base + emulated.state.clock == at.us:
            assert (timed.tx_fifo(), timed.x, timed.osr) == (*seen, osr), at.us - start
    assert timed.x == ALL
    assert at.edges(1) == at.edges(2)
    assert len(at.rises(2)) == (
        sum(n for n, _ in STEP_WORDS[which]) if program == "steps" else len(words)
    )


def test_a_machine_that_is_asked_to_wait_says_so():
    at = pump_runs.fresh("rp2040")
    machine = chip_rp2.Timed(0, rp2_step._steps, freq=1000000, sideset_base=Pin(2))
    machine.active(1)
    for _ in range(5):
        machine.put(1 | 1000 << 12)
    with pytest.raises(AssertionError, match="wait"):
        machine.put(1 | 1000 << 12)
    at.us += 3 * 1012
    machine.put(1 | 1000 << 12)
