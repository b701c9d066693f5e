"""Packets of the network time protocol: one question, one answer. Pure: it sends nothing.

RFC 5905, section 7.3 for the header, section 14 for a client that only asks, and the checks of
its appendix A.5.1.1 on what comes back.
"""

PORT = 123
SIZE = 48
# No leap second announced, version 4, mode 3 (client).
ASKS = 0x23
SERVER = 4
VERSIONS = (3, 4)
STRATUM_MOST = 15
# A server whose way to its own source may be off by this much knows no time (MAXDISP).
DISTANCE_MOST_S = 16
# Seconds from 1900, where the protocol's era 0 begins, to 2000.
TO_2000_S = 3155673600
ERA_S = 1 << 32


def ask(nonce: bytes) -> bytes:
    """A question; `nonce` (8 bytes) stands as its time of sending, which the answer repeats."""
    return bytes((ASKS,)) + bytes(SIZE - 9) + nonce


def understand(data: bytes, nonce: bytes, took_ms: int) -> int:
    """Wall seconds since 2000 of an answer that came after `took_ms`; 0 where it is none.

    The 32 bits of seconds are those of this or the next era (from 2036-02-07): taken from 2000
    on, they reach to 2136.
    """
    if len(data) < SIZE or bytes(data[24:32]) != nonce:
        return 0
    if data[0] & 7 != SERVER or data[0] >> 3 & 7 not in VERSIONS:
        return 0
    # Leap 3: the server's clock is not set. Stratum 0: it asks to be left alone.
    if data[0] >> 6 == 3 or not 1 <= data[1] <= STRATUM_MOST:
        return 0
    # Root delay and root dispersion, both in 1/65536 s.
    distance = int.from_bytes(data[4:8], "big") // 2 + int.from_bytes(data[8:12], "big")
    if distance >> 16 >= DISTANCE_MOST_S:
        return 0
    if not any(data[40:48]):
        return 0
    second = (int.from_bytes(data[40:44], "big") - TO_2000_S) % ERA_S
    # The answer was on its way for about half of the time.
    late_ms = (data[44] * 1000 >> 8) + took_ms // 2
    return second + late_ms // 1000
