"""Runs outside the timetable that were accepted and wait for their moment: extras and primes.

One that cannot start within ten minutes, or that the cap, the reservoir or a hold forbids by then,
is ended with its reason; none is ever tried again after a restart. Accepting is done in `acts.py`.
"""

from aliquot.core import lanes, room
from aliquot.core.amounts import run_s
from aliquot.core.ledger import CAP, CUP, CUP_OUT, EMPTY, LIMIT, QUEUE, TANK, UNCALIBRATED

TYPE_CHECKING = False
if TYPE_CHECKING:
    from aliquot.core.engine import Engine

_WAIT_S = 600


def start(engine: "Engine", now_s: int, wall: int) -> "tuple[int, int, int] | None":
    """Start the first extra that may run now, end those that may not; returns as `poll` does."""
    for ch, c in enumerate(engine.state.channels):
        if not c.extra:
            continue
        ul, counts, into, asked_s = c.extra
        if into == TANK:
            counts = engine.counts(ch, ul)
        why = refusal(engine, ch, ul, into, now_s, wall)
        cfg = engine.setup.channels[ch]
        if not why and run_s(counts, cfg.speed_cps) > cfg.run_most_s:
            why = LIMIT
        again = _clear_s(engine, ch, counts, into, now_s, wall)
        if not why and now_s > asked_s + _WAIT_S:
            why = QUEUE
        if why:
            engine.put(now_s, "Y", (ch, why, ul))
        elif again <= now_s:
            engine.put(now_s, "J", (ch, ul, counts, into))
            return engine.go(ch, counts)
        else:
            engine.wake_s = min(engine.wake_s, again, asked_s + _WAIT_S + 1)
    return None


def refusal(engine: "Engine", ch: int, ul: int, into: int, now_s: int, wall: int) -> int:
    """Why an extra of `ul` could not run now, or 0."""
    c = engine.state.channels[ch]
    why = lanes.block(engine, ch, wall)
    if why and not (into == CUP and why in (CUP_OUT, UNCALIBRATED)):
        return why
    if into == TANK and ul > room.left_ul(engine, ch, now_s):
        return CAP
    if 0 <= c.fill_ul < c.taken_ul + engine.setup.channels[ch].dead_ul + ul:
        return EMPTY
    return 0


def _clear_s(engine: "Engine", ch: int, counts: int, into: int, now_s: int, wall: int) -> int:
    # Separations behind it, and no dose ahead that would miss its grace because of it.
    again = engine.apart_s(ch, now_s) if into == TANK else now_s
    end_w = wall + run_s(counts, engine.setup.channels[ch].speed_cps)
    for o, lane in enumerate(engine.lanes):
        gap = engine.setup.gap_s(ch, o) if into == TANK else 0
        if end_w + gap > lane.until_w and not lanes.block(engine, o, wall):
            again = max(again, now_s + 1)
    return again
