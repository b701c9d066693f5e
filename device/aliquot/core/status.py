"""What a person wants to know of a running controller: what is due, runs low, is owed.

Questions only; nothing here changes anything. Delivery is commanded, not verified: where nothing
senses flow, a blocked line, air, an empty container or a dead motor supply look like success, and
`overview` says so (S22). The board imports this module to answer, and drops it.
"""

from aliquot.core import lanes, room
from aliquot.core.ledger import COMMANDED, PLANNED
from aliquot.core.plan import day_ul

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

    from aliquot.core.engine import Engine

_DAY_S = 86400
_WEEK = 7


def reminders(
    engine: "Engine", data: "dict[str, Any]", now_s: int
) -> "list[tuple[int, str, str]]":
    """What is due now, as (channel, what, why); `data` is the canonical configuration.

    Calibration and tubing come due by days or by the volume moved since, whichever is first; days
    only count while the clock is set. 0 in the configuration means never."""
    found: list[tuple[int, str, str]] = []
    state = engine.state
    wall = now_s + state.offset if state.quality else 0
    for ch, c in enumerate(state.channels):
        ask = data["channel"][ch]["remind"]
        for what, since_w, moved_ul in (
            ("calibration", c.cal_w, c.cal_done_ul),
            ("tubing", c.tube_w, c.tube_ul),
        ):
            days, most_ul = ask[what + "_days"], ask[what + "_ul"]
            age = (wall - since_w) // _DAY_S if since_w else 0
            if most_ul and moved_ul >= most_ul:
                found.append((ch, what, "%d mL moved since" % (moved_ul // 1000)))
            elif days and age >= days:
                found.append((ch, what, "%d days ago" % age))
        if c.tube_w > c.cal_w:
            found.append((ch, "calibration", "new tubing since"))
    return found


def left_ul(engine: "Engine", ch: int) -> int:
    """What can still be drawn from a channel's reservoir; -1 where nobody keeps count."""
    c = engine.state.channels[ch]
    if c.fill_ul < 0:
        return -1
    return max(0, c.fill_ul - c.taken_ul - engine.setup.channels[ch].dead_ul)


def days_left(engine: "Engine", ch: int, now_s: int) -> int:
    """Whole days for which the reservoir lasts at the mean of the coming week; -1 for unknown."""
    left = left_ul(engine, ch)
    if left < 0 or not engine.state.quality:
        return -1
    c = engine.setup.channels[ch]
    over = engine.state.channels[ch].over
    date = engine.setup.zone.date_of(now_s + engine.state.offset) + 1
    week_ul = sum([day_ul(c, d, over) for d in range(date, date + _WEEK)])
    return left * _WEEK // week_ul if week_ul else -1


def overview(engine: "Engine", data: "dict[str, Any]", now_s: int) -> "dict[str, Any]":
    """The controller at a glance: microlitres, wall seconds, codes of `ledger.py`."""
    state = engine.state
    channels: list[dict[str, Any]] = []
    for ch, c in enumerate(state.channels):
        channels.append(
            {
                "id": state.ids[ch],
                "next_w": engine.lanes[ch].due_w,
                "blocked": lanes.block(engine, ch, now_s + state.offset),
                "planned_ul": c.tot[PLANNED],
                "commanded_ul": c.tot[COMMANDED],
                "owed_ul": sum(c.owed[1::2]),
                "room_ul": room.left_ul(engine, ch, now_s),
                "left_ul": left_ul(engine, ch),
                "days_left": days_left(engine, ch, now_s),
                "low": c.low,
                "fault": c.fault,
            }
        )
    return {
        "clock": state.quality,
        "delivery": "commanded, not verified",
        "fault": state.fault,
        "channels": channels,
        "reminders": reminders(engine, data, now_s),
    }
