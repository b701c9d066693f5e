"""What a start asks of an RP2, once: why it started. It only reads registers.

The port itself says "watchdog" for both of that and machine.reset, which uses it, and knows no
soft reset; so the registers are asked (data sheets: RP2040 4.6 and 4.7, RP2350 12.8 and 12.9).
"""

from machine import mem32

# WATCHDOG_BASE + REASON (0x08), TIMER_BASE + TIMERAWH (0x24).
REASON = {"rp2040": 0x40058008, "rp2350": 0x400D8008}
HIGH = {"rp2040": 0x40054024, "rp2350": 0x400B0024}
# Bits of REASON: the time ran out; a program forced it.
TIME, FORCED = 1, 2
# A reset of the chip sets its timer to zero, a soft reset does not: the program starts within
# 2^23 microseconds (8.4 s) of the former.
EARLY_BITS = 23


def cause(chip: str) -> int:
    """1 power-on, 2 watchdog, 3 the program, 4 a soft reset.

    A soft reset within eight seconds of the last start is taken for another of that start's cause.
    """
    if mem32[HIGH[chip]] or mem32[HIGH[chip] + 4] >> EARLY_BITS & 511:
        return 4
    reason = mem32[REASON[chip]]
    return 2 if reason & TIME else 3 if reason & FORCED else 1
