"""Runs of the pump drivers on a chip that is not there: what a test or a benchmark asks for."""

import random

import chip
import chip_esp32
import chip_rp2
from chip import Chip

chip.install()

from aliquot.hal import bounds, motor, pump  # noqa: E402 - the drivers import the stand-ins

ESP32 = [name for name, (port, *_) in bounds.CHIPS.items() if port == "esp32"]
RP2 = [name for name, (port, *_) in bounds.CHIPS.items() if port == "rp2"]
STEP, DIRECTION, ENABLE, SPEED = 4, 5, 6, 7
FOREVER_US = 10_000_000


def fresh(name, machine=None):
    """A chip just switched on; nothing of an earlier test is left in the hardware."""
    motor.Motor.busy = None
    rmt = chip_esp32.RMT
    rmt.in_use, rmt.fails, rmt.deinit_fails = 0, None, None
    chip_esp32.PCNT.in_use = 0
    chip_esp32.PCNT.ear = staticmethod(lambda count: count)
    chip_rp2.kind = machine or chip_rp2.Timed
    chip_rp2.Timed.fails = None
    return Chip(name)


def driver(at, kind="stepper", speed=None, microsteps=16, reverse=0, **output):
    """The driver of one output of the chip `at`, wired as `output` says."""
    wired = {"output": 1, "step": STEP, "direction": DIRECTION} | output
    board = {"chip": at.name, "outputs": [wired]}
    speed = speed or (1000 if kind == "timed" else 500)
    settings = {"output": 1, "kind": kind, "speed_cps": speed, "microsteps": microsteps}
    return pump(board, settings | {"reverse": reverse}, at.ticks_ms)


def fail(at, problem):
    """Let the next call that moves something raise."""
    if at.name in RP2:
        chip_rp2.Timed.fails = problem
    else:
        chip_esp32.RMT.fails = problem


def begin(motor, counts, reverse=False):
    motor.start(counts, motor.longest_ms(counts), reverse)


def tend(at, motor, pause_us, until_us=None):
    """Poll until the run is over, or until the time has come; whether it is over.

    `pause_us()` is the time between two polls.
    """
    while motor.poll():
        pause = pause_us()
        if until_us is not None and at.us + pause >= until_us:
            at.us = max(at.us, until_us)
            return False
        at.us += pause
    return True


def at_rest(at, pin=STEP):
    """Whether the pin is driven low and nobody holds the hardware."""
    free = not chip_esp32.RMT.in_use and not chip_esp32.PCNT.in_use and motor.Motor.busy is None
    return free and at.levels.get(pin, 1) == 0 and pin not in at.pulled


def gaps(random):
    """Pauses between polls as a busy board makes them: mostly short, some long, flash stalls."""

    def pause():
        what = random.random()
        if what < 0.5:
            return 10_000
        if what < 0.6:
            return 80_000
        return int(random.random() * (200_000 if what > 0.9 else 20_000))

    return pause


# What a stopped run may say beyond what it gave, in counts: a timed motor is stopped amid a
# millisecond, and the pulses of its soft start count in full, 12 ms of which 6 are on.
OVER = {"stepper": 0, "timed": 3}
SOFT_MS, SOFT_OFF_MS = 12, 6


def beyond(kind, at, asked, said, whole):
    """Counts lost (given, but not said) and gained (said, but not given, beyond the bound)."""
    if kind == "stepper":
        given = at.given(STEP)
        return max(0, given - said), max(0, said - given)
    on_us = at.high_us(STEP)
    off = SOFT_OFF_MS if asked >= SOFT_MS else 0
    lost = max(0, -(-on_us // 1000) - said)
    if whole:
        return lost, max(0, said - off - on_us // 1000)
    if said <= SOFT_MS + OVER[kind]:
        return lost, max(0, said - asked)
    return lost, max(0, said - off - on_us // 1000 - OVER[kind] - 1)


def many(runs, seed):
    """Make `runs` runs of all drivers, half of them stopped somewhere: (lost, gained, stopped).

    Pauses between polls are those of a busy board.
    """
    draw = random.Random(seed)
    lost = gained = stopped = 0
    made = 0
    while made < runs:
        name = draw.choice(ESP32 + RP2)
        kind = draw.choice(["stepper", "timed"])
        at = fresh(name)
        microsteps = draw.choice([1, 8, 16, 64])
        speed = draw.randrange(40, bounds.top_cps(name, microsteps) + 1)
        motor = driver(at, kind, None if kind == "timed" else speed, microsteps)
        pause = gaps(draw)
        for _ in range(min(500, runs - made)):
            made += 1
            counts = 1 + int(motor.speed_cps * draw.random() ** 4)
            begin(motor, counts)
            stop = draw.random() < 0.5
            until = at.us + int(draw.random() * 900 * motor.needs_ms(counts)) if stop else None
            whole = tend(at, motor, pause, until)
            stopped += not whole
            said, sure = motor.stop()
            assert not whole or (sure and said == counts)
            less, more = beyond(kind, at, counts, said, whole)
            lost += less
            gained += more
            assert at_rest(at)
            at.sent[STEP].clear()
            at.log.clear()
    return lost, gained, stopped
