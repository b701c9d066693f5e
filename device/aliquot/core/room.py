"""How much may still go in: room under the caps of a channel and its groups.

Everything here asks and changes nothing. `now_s` is engine time; the future is taken as powered.
"""

from aliquot.core.plan import count, day_ul, dose_ul

TYPE_CHECKING = False
if TYPE_CHECKING:
    from aliquot.core.engine import Engine

_DAY_S = 86400


def left_ul(engine: "Engine", ch: int, now_s: int) -> int:
    """What may enter through a channel at this moment: nothing passes it, ever."""
    setup, channels = engine.setup, engine.state.channels
    room = setup.channels[ch].cap_ul - channels[ch].ring.used_ul(now_s)
    for cap_ul, members in setup.groups:
        if ch in members:
            room = min(room, cap_ul - sum([channels[m].ring.used_ul(now_s) for m in members]))
    return room


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
    # Hour by hour: what is planned counts from the start of its hour, what leaves to the end of it.
    flow = [0] * 26
    used = 0
    for m in members:
        ring = engine.state.channels[m].ring
        used += ring.used_ul(now_s)
        for k in range(ring.n):
            place = (ring.first + k) % len(ring.ul)
            left_s = ring.at_s[place] + _DAY_S - now_s
            if left_s > 0:
                flow[min(25, left_s // 3600 + 1)] -= ring.ul[place]
        _plan(engine, m, now_s, flow)
    most = used
    for change in flow:
        used += change
        most = max(most, used)
    return most


def _plan(engine: "Engine", m: int, now_s: int, flow: list[int]) -> None:
    c = engine.setup.channels[m]
    over = engine.state.channels[m].over
    lane = engine.lanes[m]
    first = lane.at
    for date in (lane.date, lane.date + 1):
        day = engine.days.get(date)
        if day:
            times, total = day.times[m], day.totals[m]
        else:
            total = day_ul(c, date, over)
            times = engine.table.nominal(m, date, total)
        start_s = engine.setup.zone.day_start(date) - engine.state.offset - now_s
        n = count(c, total)
        for i in range(first, n):
            hour = (start_s + times[i]) // 3600
            if hour >= 24:
                break
            flow[max(0, hour)] += dose_ul(c, total, n, i)
        first = 0
