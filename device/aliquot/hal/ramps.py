"""The shape of a burst: how long after one step the next one comes. Pure; integers only.

A burst begins and ends at or below the start speed, and in between never passes the speed that was
asked for; so it may stand alone, with a pause of any length before and after it. Times are
microseconds. Nothing here knows a pin.
"""

from aliquot.hal.bounds import (
    BURST_MS,
    CHIPS,
    COUNTS_MOST,
    GAIN_FULL_STEPS_PS2,
    POLL_MS,
    STAIRS,
    START_FULL_STEPS_PS,
    isqrt,
)

SECOND_US = 1000000
# The high part of a step; drivers want 2 to 5.
HIGH_US = 10
# A slower step than this is a burst of its own, and the driver paces them.
STEP_MOST_US = 32000
# How long each speed of a staircase is held on the way up and on the way down.
STAIR_MS = 20
# A staircase stores the steps of one speed in 12 bits.
STAIR_STEPS_MOST = 4000


def interval_us(speed_cps: int) -> int:
    """Return the time of a step, rounded up: never faster than the speed."""
    return (SECOND_US + speed_cps - 1) // speed_cps


def up(speed_cps: int, microsteps: int) -> "list[int]":
    """Return the intervals of the steps from the start speed up, as far as they are slower than
    the speed; none where the motor may start at it."""
    start = START_FULL_STEPS_PS * microsteps
    gain = 2 * GAIN_FULL_STEPS_PS2 * microsteps
    least = interval_us(speed_cps)
    found: list[int] = []
    if speed_cps <= start:
        return found
    # The ramp ends: speeds are at most 50000, so 2500 full steps a second squared is not reached.
    for k in range(speed_cps):
        step = interval_us(isqrt(start * start + gain * k))
        if step <= least:
            break
        found.append(step)
    return found


def longest(ramp: "list[int]", step_us: int, steps_most: int) -> int:
    """Return the most steps of one burst: at most `steps_most`, and within BURST_MS; 0 where it
    cannot reach the speed."""
    if not ramp:
        return max(1, min(steps_most, BURST_MS * 1000 // step_us))
    spare = BURST_MS * 1000 - ramp[0] - 2 * sum(ramp)
    steps = min(steps_most, 1 + 2 * len(ramp) + max(0, spare) // step_us)
    return steps if steps > 1 + 2 * len(ramp) else 0


def burst_us(ramp: "list[int]", step_us: int, steps: int) -> int:
    """Return how long a burst of `steps` takes, the time after its last step included."""
    if not steps:
        return 0
    between = steps - 1
    slow = min(len(ramp), between // 2)
    total = (ramp[0] if ramp else step_us) + 2 * sum(ramp[:slow])
    if between > 2 * slow:
        total += ramp[slow] if slow < len(ramp) else step_us * (between - 2 * slow)
    return total


def pulses(ramp: "list[int]", step_us: int, steps: int) -> "list[int]":
    """Return a burst as high, low, high, low ...: two times a step.

    The times between steps go down and up again; after the last step comes that of the start.
    """
    found = [HIGH_US] * (2 * steps)
    for k in range(steps):
        at = max(0, min(k, steps - 2 - k))
        found[2 * k + 1] = (ramp[at] if at < len(ramp) else step_us) - HIGH_US
    return found


def stairs(speed_cps: int, microsteps: int, most: int) -> "list[tuple[int, int]]":
    """Return a burst of at most `most` steps as (steps, interval) of one speed after another.

    It goes up through at most STAIRS speeds and down again, each step of the stairs at most the
    start speed; one of few steps goes up less far.
    """
    start = START_FULL_STEPS_PS * microsteps
    levels = (speed_cps + start - 1) // start
    if levels > STAIRS:
        raise ValueError("speed_cps %d: at most %d" % (speed_cps, STAIRS * start))
    way: list[tuple[int, int]] = []
    held = 0
    for level in range(1, levels):
        speed = speed_cps * level // levels
        steps = max(1, speed * STAIR_MS // 1000)
        if held + 2 * steps >= most:
            speed_cps = speed
            break
        held += 2 * steps
        way.append((steps, interval_us(speed)))
    step_us = interval_us(speed_cps)
    spare_us = BURST_MS * 1000 - 2 * total(way)[1]
    top = min(most - held, max(1, spare_us // step_us), STAIR_STEPS_MOST)
    return way + [(top, step_us)] + way[::-1]


def total(way: "list[tuple[int, int]]") -> "tuple[int, int]":
    """Return (steps, microseconds) of a staircase."""
    return sum([n for n, _ in way]), sum([n * us for n, us in way])


def mean_cps(chip: str, speed_cps: int, microsteps: int) -> int:
    """Return the steps a second of a long run of a stepper that is polled in time: ramps and the
    pauses between bursts counted in. The speed is one that `bounds.top_cps` allows."""
    step_us = interval_us(speed_cps)
    if step_us > STEP_MOST_US:
        return speed_cps
    if CHIPS[chip][0] == "rp2":
        steps, total_us = total(stairs(speed_cps, microsteps, COUNTS_MOST))
    else:
        ramp = up(speed_cps, microsteps)
        steps = longest(ramp, step_us, CHIPS[chip][1] - 1)
        total_us = burst_us(ramp, step_us, steps)
    return min(speed_cps, steps * SECOND_US // (total_us + POLL_MS * 1000))
