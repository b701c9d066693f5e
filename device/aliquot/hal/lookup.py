"""Asks one server of the network for the time, by UDP and without ever waiting for it.

The firmware's own name lookup waits for as long as the network likes, which the watchdog does not
survive: so the name server is asked here as well. It joins no network.
"""

import socket
from os import urandom

from aliquot.hal import dns, sntp

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

    from aliquot.hal.board import Board

# Both questions are asked twice at most: 4.4 s in all.
TRIES = 2
NAME_MS = 1000
TIME_MS = 1200
LOOK_MS = 20
# Packets looked at in one go: a flood must not hold the loop.
PACKETS_MOST = 4


async def wall_w(hw: "Board", server: str) -> int:
    """Wall seconds since 2000 that a server says, 0 for none."""
    address = ""
    for _ in range(TRIES):
        if not address:
            address = await _address(hw, server)
    found = 0
    for _ in range(TRIES):
        if address and not found:
            found = await _time(hw, address)
    return found


async def _address(hw: "Board", name: str) -> str:
    asked = dns.ask(name, int.from_bytes(urandom(2), "big"))

    def understand(data: bytes, _: int) -> str:
        return dns.understand(data, asked)

    # Of address, netmask, gateway and name server the last one.
    name_server = hw.station.ifconfig()[3]
    return await _exchange(hw, (name_server, dns.PORT), asked, understand, NAME_MS) or ""


async def _time(hw: "Board", address: str) -> int:
    nonce = urandom(8)

    def understand(data: bytes, took_ms: int) -> int:
        return sntp.understand(data, nonce, took_ms)

    asked = sntp.ask(nonce)
    return await _exchange(hw, (address, sntp.PORT), asked, understand, TIME_MS) or 0


async def _exchange(
    hw: "Board",
    to: "tuple[str, int]",
    asked: bytes,
    understand: "Callable[[bytes, int], Any]",
    most_ms: int,
) -> "Any":
    """Send a question; what its answer means, None where none came in time that means anything."""
    began = hw.ticks_ms()
    door = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    try:
        door.setblocking(False)
        door.sendto(asked, to)
        while hw.diff(hw.ticks_ms(), began) < most_ms:
            await hw.sleep_ms(LOOK_MS)
            for _ in range(PACKETS_MOST):
                data, sender = _received(door)
                if not data:
                    break
                took_ms = hw.diff(hw.ticks_ms(), began)
                found = understand(data, took_ms) if tuple(sender[:2]) == to else None
                if found:
                    return found
    except OSError as problem:
        # No way to the network just now: no answer.
        print("time:", problem)
    finally:
        door.close()
    return None


def _received(door: "socket.socket") -> "tuple[bytes, Any]":
    """A packet and its sender; b"" where none has come."""
    try:
        return door.recvfrom(dns.SIZE_MOST)
    except OSError:
        return b"", None
