"""Taking over a configuration: one record with everything that it changes, then the new set-up.

`fields_of` works out that record; the store makes the file durable around it, see its `config.py`.
A channel keeps its state by its id. A calibration or a fill in the file counts only where it
differs from the one in the file before, so that what was measured since is not undone.
"""

from aliquot.core.acts import Refused
from aliquot.core.plan import Channel, Setup, day_ul

TYPE_CHECKING = False
if TYPE_CHECKING:
    from aliquot.core.engine import Engine
    from aliquot.core.state import State

_FRESH_S = 86400


def fields_of(
    state: "State",
    old: "Setup | None",
    new: Setup,
    now_s: int,
    request: int = 0,
    given_ul: int = -1,
) -> "tuple[tuple[int, ...], str]":
    """Return (fields, text) of the C record; `given_ul`: what the user states was given to each
    channel in the last 24 h, -1 where nobody knows. A channel without a past begins with one full
    plan day in its cap window; within 24 h of another one's end with all that its caps allow, that
    of its group too, since it may be that one come back."""
    # With the clock unset the estimate: never a time that is still to come.
    wall = now_s + state.offset if state.quality or state.offset else -1
    date = new.zone.date_of(wall) if wall >= 0 else 0
    before = {c.id: c for c in old.channels} if old else {}
    fresh = now_s + _FRESH_S if not state.ids and given_ul < 0 else 0
    fields = [wall, fresh, request]
    gone = state.gone_s >= 0 and now_s - state.gone_s < _FRESH_S
    for i, c in enumerate(new.channels):
        was = before.get(c.id)
        known = c.id in state.ids
        # Where the file before is gone, what the channel knows by itself stays.
        own = state.channels[state.ids.index(c.id)] if known else None
        cal = (0, 0, 0, 0)
        if not own or (was.cal != c.cal if was else not own.cal_counts):
            cal = c.cal + (c.signature,)
        left = 0
        if c.left_ul >= 0 and (not own or (was.left_ul != c.left_ul if was else own.fill_ul < 0)):
            left = c.left_ul + 1
        full = max([c.cap_ul] + [cap for cap, members in new.groups if i in members])
        entered = 0 if known else -full if gone and given_ul < 0 else _day_ul(c, date, given_ul)
        fields += (1,) + cal + (left, entered)
    return tuple(fields), " ".join([new.hash] + [c.id for c in new.channels])


def _day_ul(c: Channel, date: int, given_ul: int) -> int:
    if given_ul >= 0:
        return min(given_ul, c.cap_ul)
    return max([day_ul(c, d, ()) for d in range(date, date + 7)] + [c.daily_ul])


def adopt(engine: "Engine", new: Setup, now_s: int, request: int = 0, given_ul: int = -1) -> None:
    """Record the configuration `new` and go on with it; Refused while a pump runs."""
    if engine.state.open:
        raise Refused("configuration", "a run is under way", "none", "wait for its end")
    engine.flush(now_s)
    fields, text = fields_of(engine.state, engine.setup, new, now_s, request, given_ul)
    engine.put(now_s, "C", fields, text)
    engine.setup = new
    engine.refresh()
