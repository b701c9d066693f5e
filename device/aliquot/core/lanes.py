"""The date cursors: which dose of each channel is next, and what becomes of doses that pass by.

Each channel has a lane of its own, so one late dose delays nobody else. A dose whose grace ran out
joins a run of doses that passed for the same reason, and the run becomes one record when it ends.
Lanes are worked out from the state and can be thrown away at any time; nothing here starts a pump.
"""

from aliquot.core.ledger import ABSENT, CUP_OUT, FAULT, HOLD, LOST, QUEUE, TRIMMED, UNCALIBRATED
from aliquot.core.plan import count, day_ul, dose_ul

_OWED = (ABSENT, FAULT, QUEUE)
_DAYS = 31


class Lane:
    """Where a channel is: the date, the index and the wall second of its next dose."""

    def __init__(self) -> None:
        self.date = -1  # -1: to be looked for
        self.at = 0
        self.start_w = 0
        self.due_w = -1  # -1: to be looked for
        self.why = 0  # what kept the dose that is due from running
        self.offer: "tuple[int, ...]" = ()  # ul, counts, trimmed ul, raise ul of the dose that is due
        self.passed: list[int] = []  # kind, reason, date, index, date, index, due, n, ul, trim, owed


def advance(engine: "Engine", ch: int, now_s: int) -> bool:
    """Bring a lane to its next dose that can still run, noting those that passed. False when it
    wants to be called again: one slice of work at a time."""
    lane = engine.lanes[ch]
    c = engine.state.channels[ch]
    zone = engine.setup.zone
    wall = now_s + engine.state.offset
    grace = engine.setup.channels[ch].grace_s
    if lane.date < 0:
        lane.date = zone.date_of(c.wm_w + 1)
        lane.at = 0
        lane.start_w = zone.day_start(lane.date)
    if not lane.at and _skim(engine, ch, wall):
        return False
    day = engine.day(lane.date)
    if not day:
        return False
    times = day.times[ch]
    while lane.at < len(times):
        lane.due_w = lane.start_w + times[lane.at]
        if lane.due_w > c.wm_w:
            if wall <= lane.due_w + grace:
                if lane.passed and lane.passed[1] == ABSENT:
                    flush(engine, ch, now_s)
                return True
            _missed(engine, ch, day.ul(ch, lane.at), wall, now_s)
        lane.at += 1
        lane.why = 0
    if lane.passed and lane.passed[1] != ABSENT:
        flush(engine, ch, now_s)
    lane.date += 1
    lane.at = 0
    lane.start_w = zone.day_start(lane.date)
    lane.due_w = -1
    return False


def _skim(engine: "Engine", ch: int, wall: int) -> bool:
    # Whole dates too old to be given back are counted without a table, a month a call.
    lane = engine.lanes[ch]
    cfg = engine.setup.channels[ch]
    c = engine.state.channels[ch]
    zone = engine.setup.zone
    if lane.start_w <= c.wm_w:
        return False
    old = zone.date_of(wall - max(cfg.age_s, cfg.grace_s)) - 1
    for _ in range(_DAYS):
        if lane.date >= old:
            break
        total = day_ul(cfg, lane.date, c.over)
        n = count(cfg, total)
        if n:
            reason = block(engine, ch, lane.start_w) or ABSENT
            left = max(0, min(n, c.trim_n - (lane.passed[7] if lane.passed else 0)))
            trim = 0
            for i in range(left):
                trim += trimmed_ul(engine, ch, dose_ul(cfg, total, n, i))
            lane.due_w = zone.day_start(lane.date + 1) - 1
            lane.at = n - 1
            _join(engine, ch, reason, n, total - trim, trim, 0, engine.state.now_s)
        lane.date += 1
        lane.at = 0
        lane.start_w = zone.day_start(lane.date)
    lane.due_w = -1
    return lane.date < old


def trimmed_ul(engine: "Engine", ch: int, ul: int) -> int:
    """What the trim in force takes off the next dose of `ul`."""
    lane = engine.lanes[ch]
    c = engine.state.channels[ch]
    if c.trim_n <= (lane.passed[7] if lane.passed else 0):
        return 0
    return ul - ul * (100 - c.trim_pct) // 100


def _missed(engine: "Engine", ch: int, ul: int, wall: int, now_s: int) -> None:
    lane = engine.lanes[ch]
    c = engine.state.channels[ch]
    cfg = engine.setup.channels[ch]
    reason = lane.why or block(engine, ch, lane.due_w + cfg.grace_s) or ABSENT
    trim = trimmed_ul(engine, ch, ul)
    owed = ul - trim if lane.due_w + cfg.age_s > wall and reason in _OWED else 0
    _join(engine, ch, reason, 1, ul - trim, trim, owed, now_s)


def _join(
    engine: "Engine", ch: int, reason: int, n: int, ul: int, trim: int, owed: int, now_s: int
) -> None:
    lane = engine.lanes[ch]
    if lane.passed and lane.passed[1] != reason:
        flush(engine, ch, now_s)
    if not lane.passed:
        first = lane.at - n + 1
        lane.passed = [reason, reason, lane.date, first, 0, 0, 0, 0, 0, 0, 0]
    p = lane.passed
    p[4], p[5], p[6] = lane.date, lane.at, lane.due_w
    p[7] += n
    p[8] += ul
    p[9] += trim
    p[10] += owed


def skip(engine: "Engine", ch: int, ul: int, trim: int, now_s: int) -> None:
    """Leave out the dose that is due: `ul` would remain of it after `trim`."""
    _join(engine, ch, TRIMMED, 1, ul, trim, 0, now_s)


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
    lane.passed = []


def block(engine: "Engine", ch: int, wall: int) -> int:
    """Why a channel may not run at all at a wall second, or 0."""
    state = engine.state
    c = state.channels[ch]
    if state.gap or state.foreign:
        return LOST
    for hold in (state.hold_w, c.hold_w):
        if hold == 0 or hold > wall:
            return HOLD
    if state.fault or c.fault:
        return FAULT
    if c.cup:
        return CUP_OUT
    if not c.cal_ul or c.cal_sig != engine.setup.channels[ch].signature:
        return UNCALIBRATED
    return 0
