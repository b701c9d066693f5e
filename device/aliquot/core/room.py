"""How much may still go in, now and beyond the plan, under the caps of a channel and its groups.

Asks and changes nothing. `now_s` is engine time; the future is taken as powered. The board imports
it for an extra and while something is owed.
"""

from aliquot.core.lanes import left_ul
from aliquot.core.layout import nominal
from aliquot.core.plan import day_ul, dose_ul

TYPE_CHECKING = False
if TYPE_CHECKING:
    from aliquot.core.engine import Engine

__all__ = ["left_ul", "room_ul"]
_DAY_S = 86400


def room_ul(engine: "Engine", ch: int, now_s: int) -> int:
    """What may enter beyond the plan: less what may have entered and what is planned in any 24 h
    of the coming 24 hours."""
    setup = engine.setup
    room = setup.channels[ch].cap_ul - _fullest_ul(engine, (ch,), now_s)
    for cap_ul, members in setup.groups:
        if ch in members:
            room = min(room, cap_ul - _fullest_ul(engine, members, now_s))
    return room


def _fullest_ul(engine: "Engine", members: "tuple[int, ...]", now_s: int) -> int:
    # Hour by hour: what is planned counts from the start of its hour, what leaves to its end.
    flow = [0] * 26
    used = 0
    for m in members:
        ring = engine.state.channels[m].ring
        used += ring.used_ul(now_s)
        for k in range(0, len(ring.data), 2):
            left_s = ring.data[k] + _DAY_S - now_s
            if left_s > 0:
                flow[min(25, left_s // 3600 + 1)] -= ring.data[k + 1]
        _plan(engine, m, now_s, flow)
    most = used
    for change in flow:
        used += change
        most = max(most, used)
    return most


def _plan(engine: "Engine", m: int, now_s: int, flow: list[int]) -> None:
    # What is due and may still run, and what will be due within 24 hours.
    cfg = engine.setup.channels[m]
    c = engine.state.channels[m]
    zone = engine.setup.zone
    wall = now_s + engine.state.offset
    past_s = max(c.wm_w - wall, -cfg.grace_s - 1)
    date = zone.date_of(wall + past_s + 1)
    start_s = zone.day_start(date) - wall
    while start_s < _DAY_S:
        day = engine.days.get(date)
        total = day.totals[m] if day else day_ul(cfg, date, c.over)
        times = day.times[m] if day else nominal(cfg, zone, date, total)
        n = len(times)
        for i in range(c.index + 1 if date == c.date else 0, n):
            due_s = start_s + times[i]
            if past_s < due_s < _DAY_S:
                flow[max(0, due_s // 3600)] += day.ul(m, i) if day else dose_ul(cfg, total, n, i)
        date += 1
        start_s = zone.day_start(date) - wall
