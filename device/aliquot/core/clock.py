"""Which wall time may be believed. Keeps only what the last sources said; never reads a clock.

A first time, or a correction of more than ten minutes either way, needs two sources that agree
within a minute, or the user. A clock chip that ran on is believed by itself where it says that
time went on while the board was off: it was set from a time that was believed, and a date that
is too late costs doses but adds none. Times before 2026 or after 2099 are not believed at all.
"""

from aliquot.core.dates import days_of
from aliquot.core.events import set_clock

TYPE_CHECKING = False
if TYPE_CHECKING:
    from aliquot.core.engine import Engine

USER = 1  # the user, or a phone whose user confirmed it
PHONE = 2  # a phone, not confirmed: an estimate at best
CHIP = 3  # a clock chip on the board
NETWORK = 4  # the first network server; the next ones follow
_SMALL_S = 600
_AGREE_S = 60
_OLD_S = 3600
_OFF_S = 366 * 86400  # no board is believed to have been off for longer
EARLIEST_S = days_of(2026, 1, 1) * 86400
LATEST_S = days_of(2100, 1, 1) * 86400


class Judge:
    """Hears the sources and sets the engine's clock when it may."""

    def __init__(self) -> None:
        self.heard: tuple[int, int, int] | None = None  # source, offset, engine second

    def hear(self, engine: "Engine", now_s: int, wall_s: int, source: int) -> str:
        """Take what a source says; returns "set", or why it is not believed yet."""
        if not EARLIEST_S <= wall_s < LATEST_S:
            return "outside 2026 to 2099"
        state = engine.state
        offset = wall_s - now_s
        if source == PHONE:
            if state.quality:
                return "the clock is set; confirm to change it"
            set_clock(engine, now_s, wall_s, 1, source)
            return "set"
        ahead = offset - state.offset
        near = state.quality == 2 and abs(ahead) <= _SMALL_S
        if source == CHIP and state.offset and not state.quality:
            near = -_AGREE_S <= ahead <= _OFF_S
        if not near and source != USER:
            last = self.heard
            self.heard = (source, offset, now_s)
            if not last or last[0] == source or now_s - last[2] > _OLD_S:
                return "waiting for a second source"
            if abs(offset - last[1]) > _AGREE_S:
                return "the sources differ by %d s" % abs(offset - last[1])
        self.heard = None
        set_clock(engine, now_s, wall_s, 2, source)
        return "set"


def carry_on(engine: "Engine", now_s: int, boot_s: int) -> bool:
    """Go on with the estimate where the clock stayed unset for the configured wait."""
    wait_s = engine.setup.carry_on_s
    state = engine.state
    if state.quality or not wait_s or now_s - boot_s < wait_s or not state.offset:
        return False
    set_clock(engine, now_s, now_s + state.offset, 1, 0)
    return True
