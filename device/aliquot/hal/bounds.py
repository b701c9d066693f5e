"""What the pump drivers promise on each chip, as numbers. Pure: the desk reads them too.

Nothing here touches hardware. Speeds are counts a second (cps); a count is one step of a stepper
or one millisecond of a timed motor.
"""

# chip: (port, symbols of pulse memory, stops in the middle of a burst, has a pulse counter).
# From the technical reference manuals of the chips: memory for all RMT senders together. The
# ESP32 cannot break off what it sends; the ESP32-C3 has no pulse counter.
CHIPS: "dict[str, tuple[str, int, int, int]]" = {
    "esp32": ("esp32", 512, 0, 1),
    "esp32s2": ("esp32", 256, 1, 1),
    "esp32s3": ("esp32", 192, 1, 1),
    "esp32c3": ("esp32", 96, 1, 0),
    "esp32c6": ("esp32", 96, 1, 1),
    "rp2040": ("rp2", 0, 1, 0),
    "rp2350": ("rp2", 0, 1, 0),
}

# S4: nothing is ever handed to the hardware that lasts longer; a motor that nobody polls rests
# after this.
BURST_MS = 250
# A run is polled at least this often; later is harmless, only slower.
POLL_MS = 10
# S11, where the hardware stops at once: what the calls take.
STOP_MS = 5
# Drivers wake for this long between their enable line and the first pulse.
WAKE_MS = 5

# S3: the ceilings of every run, whatever it was asked for.
COUNTS_MOST = 10000000
RUN_MOST_S = 900
# S9: the longest run in reverse.
REVERSE_MOST_S = 10

# Motors start and stop at this speed without a ramp, jump by no more, and gain speed no faster.
# Common practice for geared-down or direct peristaltic heads on motors of 200 full steps a turn.
START_FULL_STEPS_PS = 100
GAIN_FULL_STEPS_PS2 = 2000
SPEED_MOST_CPS = 50000
# The drivers of the RP2 go through this many speeds at most, each one start speed above the last.
STAIRS = 3


def isqrt(n: int) -> int:
    """Return the largest whole number whose square is at most `n` (at least 0), by Newton."""
    root = 1
    while root * root < n:
        root *= 2
    better = root
    while better * better > n:
        root = better
        better = (root + n // root) // 2
    return better


def top_cps(chip: str, microsteps: int) -> int:
    """Return the highest speed of a stepper that a burst of `chip` reaches and leaves again."""
    port, symbols, _, _ = CHIPS[chip]
    start = START_FULL_STEPS_PS * microsteps
    if port == "rp2":
        return min(SPEED_MOST_CPS, STAIRS * start)
    gain = GAIN_FULL_STEPS_PS2 * microsteps
    by_steps = isqrt(start * start + 2 * gain * ((symbols - 2) // 2 - 1))
    # 110 ms up and as much down leave a little of BURST_MS; and a burst lasts as long as the pause
    # after it, or the pump would be at rest for most of the time.
    by_pauses = (symbols - 1) * 1000 // POLL_MS
    return min(SPEED_MOST_CPS, by_steps, by_pauses, start + gain * 11 // 100)


def stop_ms(chip: str, kind: str, counted: bool) -> int:
    """S11: return the ms within which a stop by the user rests the motor.

    `kind` is stepper or timed, `counted` whether the pulses are counted back on a pin.
    """
    port, _, abort, _ = CHIPS[chip]
    if port == "rp2" or (abort and (kind == "timed" or counted)):
        return STOP_MS
    return BURST_MS + STOP_MS
