"""Asks the clock chip and the network's servers for the time. Imported for that, and dropped.

It only asks: what is believed is decided in core/clock.py, and no clock of the port is read. Every
answer is in wall seconds since 2000 UTC, 0 for none.
"""

from aliquot.hal import chips

TYPE_CHECKING = False
if TYPE_CHECKING:
    from aliquot.hal.board import Board

# Public servers, one a source. A name that cannot be looked up is a source without an answer.
SERVERS = ("0.pool.ntp.org", "1.pool.ntp.org", "2.pool.ntp.org")
# A chip that is further off than this is set.
OFF_S = 2


def chip_w(fitted: "tuple[int, int, str] | None") -> int:
    """What the clock chip says; 0 where none answers, or its clock stopped since it was set."""
    found = chips.find(fitted)
    return found.wall_w() if found else 0


def set_chip(fitted: "tuple[int, int, str] | None", wall_w: int) -> bool:
    """Set the clock chip where it is off; whether it was set. A failure is said, not raised."""
    found = chips.find(fitted)
    try:
        if found and abs(found.wall_w() - wall_w) > OFF_S:
            found.set(wall_w)
            return True
    except OSError as problem:
        print("clock chip:", problem)
    return False


async def server_w(hw: "Board", number: int) -> int:
    """What a server of the network says; never blocks, over within 5 s."""
    from aliquot.hal import lookup

    return await lookup.wall_w(hw, SERVERS[number])
