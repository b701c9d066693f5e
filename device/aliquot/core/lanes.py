"""The date cursors: which dose of each channel is next, and what becomes of doses that pass by.

Each channel has a lane of its own, so one late dose delays nobody else. A dose whose grace ran out
joins a run of doses that passed for the same reason, and the run becomes one record when it ends.
Lanes are worked out from the state and can be thrown away at any time; nothing here starts a pump.
"""

from aliquot.core.ledger import ABSENT, CUP_OUT, FAULT, HOLD, LOST, QUEUE, TRIMMED, UNCALIBRATED
from aliquot.core.plan import count, day_ul, dose_ul

TYPE_CHECKING = False
if TYPE_CHECKING:
    from aliquot.core.engine import Engine
    from aliquot.core.timetable import Day

_OWED = (ABSENT, FAULT, QUEUE)
_DAYS = 31
_DAY_S = 86400
_NONE: list[int] = []


class Lane:
    """Where a channel is: the date, the index and the wall second of its next dose."""

    date = -1  # -1: to be looked for
    at = 0
    start_w = 0
    due_w = -1  # -1: to be looked for
    until_w = -1  # the last second at which that dose may start
    why = 0  # what kept the dose that is due from running
    passed: list[int] = _NONE  # kind, reason, date, index, date, index, due, n, ul, trim, owed


def advance(engine: "Engine", ch: int, now_s: int) -> bool:
    """Bring a lane to its next dose that can still run, noting those that passed. False when it
    wants to be called again: one slice of work at a time."""
    lane = engine.lanes[ch]
    c = engine.state.channels[ch]
    zone = engine.setup.zone
    wall = now_s + engine.state.offset
    grace = engine.setup.channels[ch].grace_s
    if lane.date < 0:
        # A zone moved west over midnight shows a date again: the rest of the earlier one is lost.
        _turn(engine, lane, max(c.date, zone.date_of(c.wm_w + 1)))
    if not lane.at and _skim(engine, ch, wall, now_s):
        lane.due_w = lane.start_w - _DAY_S  # no dose within a day: look again then
        lane.until_w = lane.due_w - 1
        if lane.due_w <= wall:
            return False
        flush(engine, ch, now_s)
        return True
    day = engine.day(lane.date)
    if not day:
        return False
    times = day.times[ch]
    n = len(times)
    while lane.at < n:
        at = lane.at
        lane.due_w = due_w = lane.start_w + times[at]
        if due_w > c.wm_w and (lane.date > c.date or at > c.index):
            until_w = due_w + grace
            if at + 1 < n and until_w >= lane.start_w + times[at + 1]:
                until_w = lane.start_w + times[at + 1] - 1  # of two that are due the newest runs
            lane.until_w = until_w
            if wall <= until_w:
                if lane.passed and lane.passed[1] == ABSENT:
                    flush(engine, ch, now_s)
                return True
            _missed(engine, ch, day, wall, now_s)
        lane.at += 1
        lane.why = 0
    if lane.passed and lane.passed[1] != ABSENT:
        flush(engine, ch, now_s)
    _turn(engine, lane, lane.date + 1)
    return False


def _turn(engine: "Engine", lane: Lane, date: int) -> None:
    lane.date = date
    lane.at = 0
    lane.start_w = engine.setup.zone.day_start(date)
    lane.due_w = lane.until_w = -1


def _skim(engine: "Engine", ch: int, wall: int, now_s: int) -> bool:
    # Dates without doses, and whole ones too old to be given back, take no table: a month a call.
    # False when there is a date that takes one.
    lane = engine.lanes[ch]
    cfg = engine.setup.channels[ch]
    c = engine.state.channels[ch]
    old = engine.setup.zone.date_of(wall - max(cfg.age_s, cfg.grace_s)) - 1
    for _ in range(_DAYS):
        if lane.start_w > wall + _DAY_S:
            break
        total = day_ul(cfg, lane.date, c.over)
        n = count(cfg, total)
        if n and (lane.date >= old or lane.start_w <= c.wm_w):
            return False
        if n:
            reason = block(engine, ch, lane.start_w) or ABSENT
            left = max(0, min(n, c.trim_n - (lane.passed[7] if lane.passed else 0)))
            trim = 0
            for i in range(left):
                trim += trimmed_ul(engine, ch, dose_ul(cfg, total, n, i))
            lane.due_w = engine.setup.zone.day_start(lane.date + 1) - 1
            _join(engine, ch, reason, n, n - 1, total - trim, trim, 0, now_s)
        elif lane.passed and lane.passed[1] != ABSENT:
            flush(engine, ch, now_s)
        _turn(engine, lane, lane.date + 1)
    return True


def cut_ul(engine: "Engine", ch: int, day: "Day") -> int:
    """The volume of a lane's dose. On a date that began under another plan it is cut to what is
    left until the larger of the plan and what is in."""
    lane = engine.lanes[ch]
    c = engine.state.channels[ch]
    ul = day.ul(ch, lane.at)
    if c.date != lane.date:
        return ul
    total = day.totals[ch]
    if c.over:
        total = max(total, day_ul(engine.setup.channels[ch], lane.date, ()))
    gone = lane.passed[8] if lane.passed and lane.passed[1] in _OWED else 0
    return max(0, min(ul, total - c.day_ul - gone))


def trimmed_ul(engine: "Engine", ch: int, ul: int) -> int:
    """What the trim in force takes off the next dose of `ul`."""
    lane = engine.lanes[ch]
    c = engine.state.channels[ch]
    if c.trim_n <= (lane.passed[7] if lane.passed else 0):
        return 0
    return ul - ul * (100 - c.trim_pct) // 100


def _missed(engine: "Engine", ch: int, day: "Day", wall: int, now_s: int) -> None:
    lane = engine.lanes[ch]
    cfg = engine.setup.channels[ch]
    reason = lane.why or block(engine, ch, lane.until_w) or ABSENT
    ul = cut_ul(engine, ch, day)
    ul -= trimmed_ul(engine, ch, ul)
    owed = 0
    if ul >= cfg.least_ul and lane.due_w + cfg.age_s > wall and reason in _OWED:
        owed = ul
    _join(engine, ch, reason, 1, lane.at, ul, day.ul(ch, lane.at) - ul, owed, now_s)


def _join(
    engine: "Engine",
    ch: int,
    reason: int,
    n: int,
    at: int,
    ul: int,
    trim: int,
    owed: int,
    now_s: int,
) -> None:
    lane = engine.lanes[ch]
    if lane.passed and lane.passed[1] != reason:
        flush(engine, ch, now_s)
    if not lane.passed:
        lane.passed = [reason, reason, lane.date, at - n + 1, 0, 0, 0, 0, 0, 0, 0]
    p = lane.passed
    p[4], p[5], p[6] = lane.date, at, lane.due_w
    p[7] += n
    p[8] += ul
    p[9] += trim
    p[10] += owed


def skip(engine: "Engine", ch: int, ul: int, trim: int, now_s: int) -> None:
    """Leave out the dose that is due: `ul` would remain of it after `trim`."""
    _join(engine, ch, TRIMMED, 1, engine.lanes[ch].at, ul, trim, 0, now_s)


def flush(engine: "Engine", ch: int, now_s: int) -> None:
    """Record the run of passed doses of a channel, if there is one."""
    lane = engine.lanes[ch]
    if not lane.passed:
        return
    reason, _, date0, at0, date, at, due, n, ul, trim, owed = lane.passed
    c = engine.state.channels[ch]
    kind = "S" if reason == TRIMMED else "M" if reason in _OWED else "R"
    if now_s < engine.state.fresh_s:
        owed = 0
    owed = max(0, min(owed, engine.setup.channels[ch].owed_most_ul - sum(c.owed[1::2])))
    engine.put(
        now_s,
        kind,
        (ch, due - c.wm_w, at, n, ul, date - c.date, trim, owed, reason, date - date0, at0),
    )
    lane.passed = _NONE


def block(engine: "Engine", ch: int, wall: int) -> int:
    """Why a channel may not run at all at a wall second, or 0."""
    state = engine.state
    c = state.channels[ch]
    if state.gap or state.foreign:
        return LOST
    if state.hold_w == 0 or c.hold_w == 0 or state.hold_w > wall or c.hold_w > wall:
        return HOLD
    if state.fault or c.fault:
        return FAULT
    if c.cup:
        return CUP_OUT
    if not c.cal_ul or c.cal_sig != engine.setup.channels[ch].signature:
        return UNCALIBRATED
    return 0


def left_ul(engine: "Engine", ch: int, now_s: int) -> int:
    """What may enter through a channel at this moment: nothing passes it, ever."""
    setup, channels = engine.setup, engine.state.channels
    room = setup.channels[ch].cap_ul - channels[ch].ring.used_ul(now_s)
    for cap_ul, members in setup.groups:
        if ch in members:
            room = min(room, cap_ul - sum([channels[m].ring.used_ul(now_s) for m in members]))
    return room
