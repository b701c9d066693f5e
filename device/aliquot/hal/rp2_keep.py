"""The backup memory of an RP2: scratch registers 0 to 2 of its watchdog. Resident there.

They outlive a watchdog or soft reset, not the loss of power or the pin RUN (data sheets: RP2040
4.7, RP2350 12.9.5); the firmware itself uses registers 4 to 7. Nothing else is touched.
"""

from machine import mem32

# WATCHDOG_BASE + SCRATCH0 (0x0c).
SCRATCH = {"rp2040": 0x4005800C, "rp2350": 0x400D800C}
WORDS = 3


class Memory:
    """Twelve bytes, written and read whole words at a time: the bus knows nothing smaller."""

    def __init__(self, chip: str) -> None:
        self.at = SCRATCH[chip]

    def memory(self, data: "bytes | None" = None) -> bytes:
        """Read the memory, or write twelve bytes to it. A reset in between spoils their sum."""
        if data is not None:
            for i in range(WORDS):
                mem32[self.at + 4 * i] = int.from_bytes(data[4 * i : 4 * i + 4], "little")
            return data
        found = b""
        for i in range(WORDS):
            found += (mem32[self.at + 4 * i] & 0xFFFFFFFF).to_bytes(4, "little")
        return found
