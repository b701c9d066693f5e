"""What comes to the engine from outside other than time: a start of the board, a clock, a fault.

Each is recorded, and the engine works the rest out anew. Whether a wall time may be believed is
judged in `clock.py`; what a fault means to a person stands in `faults.py`.
"""

from aliquot.core.ledger import ALL, RESET

TYPE_CHECKING = False
if TYPE_CHECKING:
    from aliquot.core.engine import Engine

_DAY_S = 86400
_AGAIN_S = 600
# Faults that are raised here; the others are the drivers'
F_RESETS, F_WATCHDOG = 1, 2


def boot(engine: "Engine", now_s: int, cause: int, counts: int = -1) -> None:
    """Begin after a start of the board; `counts` of an interrupted run where they are known."""
    state = engine.state
    engine.put(now_s, "B", (cause,))
    if state.open:
        ch = state.open[0]
        if counts < 0:
            engine.put(now_s, "U", (ch, engine.setup.channels[ch].run_most_s))
        else:
            engine.result = (counts, RESET)
            engine.finish(now_s)
    for ch, c in enumerate(state.channels):
        if c.extra:
            engine.put(now_s, "Y", (ch, RESET, c.extra[0]))
    if state.resets >= 3 and not state.latched:
        engine.put(now_s, "Z", (ALL, F_RESETS, 1))
    if len(state.dogs) == 3 and now_s - state.dogs[0] < _DAY_S and not state.latched:
        engine.put(now_s, "Z", (ALL, F_WATCHDOG, 1))
    engine.refresh()


def set_clock(engine: "Engine", now_s: int, wall_s: int, quality: int, source: int) -> None:
    """Take a wall time that `clock.py` has accepted: quality 1 estimated, 2 trusted."""
    state = engine.state
    offset = wall_s - now_s
    if state.quality == quality and abs(offset - state.offset) <= 2:
        return
    if state.quality:
        engine.flush(now_s)
    jump = 0
    for ch, c in enumerate(state.channels):
        if c.wm_w > wall_s + _DAY_S:  # keys of a wrong later date: nothing of it was missed
            jump = _DAY_S
            if c.owed:
                engine.put(now_s, "L", (ch, sum(c.owed[1::2])))
    engine.put(now_s, "T", (offset, quality, source, jump))
    for ch, c in enumerate(state.channels):
        if c.wm_w < 0:
            engine.put(now_s, "V", (ch, wall_s))
    if jump:  # dates come again, and what was in force on them may be over
        engine.refresh()
    else:
        engine.seek()


def fault(engine: "Engine", now_s: int, scope: int, code: int, latched: int) -> None:
    """Raise a fault of a channel or of ALL; the same one three times in ten minutes latches, and
    so do five of any kind."""
    faults = (engine.state if scope == ALL else engine.state.channels[scope]).faults
    late = [f for f, at_s in zip(faults[::2], faults[1::2]) if now_s - at_s <= _AGAIN_S]
    if late.count(code) >= 2 or len(late) >= 4:
        latched = 1
    engine.act(now_s, "Z", (scope, code, latched))
