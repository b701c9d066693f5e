"""How the state adds up acts of the user, configurations, faults and lost records.

The other half of the fold, see `state.py`, with the same promise: it adds and never decides. The
board imports it when such a record comes.
`request` is the number that a client gave to an act, 0 for none.
"""

from aliquot.core.amounts import scaled
from aliquot.core.ledger import ALL, ChannelState
from aliquot.core.runs import expire, revise
from aliquot.core.window import MOST_UL, Window

TYPE_CHECKING = False
if TYPE_CHECKING:
    from aliquot.core.state import State


# Acts


def on_P(state: "State", f: "tuple[int, ...]", text: str) -> None:
    """Trim: channel, percent off, doses (0 cancels), request."""
    c = state.channels[f[0]]
    c.trim_pct, c.trim_n = f[1], f[2]
    _seen(state, f[3])


def on_D(state: "State", f: "tuple[int, ...]", text: str) -> None:
    """Override: channel, ul a day more or less, first date, days (0 cancels), from, request."""
    c = state.channels[f[0]]
    expire(c, f[2])
    if f[3]:
        c.over = c.over + list(f[1:4])
    else:
        c.over = []
    revise(c, f[4])
    _seen(state, f[5])


def on_X(state: "State", f: "tuple[int, ...]", text: str) -> None:
    """Extra accepted: channel, ul, counts (0: from ul), into, request."""
    state.channels[f[0]].extra = [f[1], f[2], f[3], state.now_s]
    _seen(state, f[4])


def on_Y(state: "State", f: "tuple[int, ...]", text: str) -> None:
    """Extra ended without a run: channel, reason, ul, request."""
    state.channels[f[0]].extra = []
    _seen(state, f[3])


def on_H(state: "State", f: "tuple[int, ...]", text: str) -> None:
    """Hold: channel or ALL, until (0: released by hand), request."""
    _scope(state, f[0]).hold_w = f[1]
    _seen(state, f[2])


def on_h(state: "State", f: "tuple[int, ...]", text: str) -> None:
    """Release: channel or ALL, what (0 hold, 1 line back from a cup, 2 lost records), request."""
    if f[1] == 2:
        state.gap = state.foreign = 0
    elif f[1]:
        state.channels[f[0]].cup = 0
    else:
        _scope(state, f[0]).hold_w = -1
    _seen(state, f[2])


def on_F(state: "State", f: "tuple[int, ...]", text: str) -> None:
    """Filled, or found: channel, ul in the reservoir, request."""
    c = state.channels[f[0]]
    _fill(c, f[1])
    _seen(state, f[2])


def _fill(c: ChannelState, ul: int) -> None:
    c.fill_ul, c.taken_ul = ul, 0
    if c.low:
        c.low = 0


def on_W(state: "State", f: "tuple[int, ...]", text: str) -> None:
    """The reservoir ran low: channel. Said once a fill."""
    state.channels[f[0]].low = 1


def on_K(state: "State", f: "tuple[int, ...]", text: str) -> None:
    """Calibration: channel, counts, ul, offset, signature of the pump's settings, request."""
    _calibrate(state, state.channels[f[0]], f[1:5])
    _seen(state, f[5])


def _calibrate(state: "State", c: ChannelState, cal: "tuple[int, ...]") -> None:
    counts, ul = cal[0], cal[1]
    if c.cal_ul:
        c.rem = scaled(c.rem, ul, c.cal_ul)
        more, less = ul * c.cal_counts, c.cal_ul * counts
        if more > less:  # what went in lately was more than was thought
            _recount(c.ring, more, less)
            c.taken_ul = (c.taken_ul * more + less - 1) // less
    c.cal_counts, c.cal_ul, _, c.cal_sig = cal
    if c.cal_offset != cal[2]:
        c.cal_offset = cal[2]
    c.cal_w = state.now_s + state.offset
    c.cal_done_ul = 0


def _recount(ring: Window, num: int, den: int) -> None:
    # What is in a cap's window, larger by num/den, rounded up.
    data = ring.data
    ring.total_ul = 0
    for i in range(1, len(data), 2):
        data[i] = min((data[i] * num + den - 1) // den, MOST_UL)
        ring.total_ul += data[i]


def on_N(state: "State", f: "tuple[int, ...]", text: str) -> None:
    """New tubing: channel, request."""
    c = state.channels[f[0]]
    c.tube_w, c.tube_ul = state.now_s + state.offset, 0
    _seen(state, f[1])


def on_E(state: "State", f: "tuple[int, ...]", text: str) -> None:
    """A note, a water test, a new liquid: kind of entry, channel or ALL, request; text."""
    _seen(state, f[2])


def on_C(state: "State", f: "tuple[int, ...]", text: str) -> None:
    """Configuration: from, fresh until, request, then for each channel seven: revised, the four of
    a calibration (0 unchanged), 1 + ul in the reservoir (0 unchanged), ul already in its cap
    window: over the 24 h before, below zero all of it now. Text: SHA-256 and the channels' ids; a
    channel keeps its state by its id."""
    names = text.split(" ")
    old = dict(zip(state.ids, state.channels))
    state.hash, state.ids, state.channels = names[0], names[1:], []
    state.fresh_s = max(state.fresh_s, f[1])
    for name in old:
        if name not in state.ids:
            state.top = max(state.top, old[name].rev)
            state.gone_s = state.now_s
    for i, name in enumerate(state.ids):
        c = old.get(name)
        if not c:
            c = ChannelState()
            c.rev = state.top
        state.channels.append(c)
        g = f[3 + 7 * i : 10 + 7 * i]
        if g[0]:
            revise(c, f[0])
        if g[1]:
            _calibrate(state, c, g[1:5])
        if g[5]:
            _fill(c, g[5] - 1)
        if g[6] < 0:
            c.ring.add(state.now_s, state.now_s, -g[6])
        elif g[6]:
            for k in range(24):
                ul = g[6] * (k + 1) // 24 - g[6] * k // 24
                c.ring.add(state.now_s, state.now_s - 3600 * (23 - k), ul)
    _seen(state, f[2])


# Faults


def on_Z(state: "State", f: "tuple[int, ...]", text: str) -> None:
    """Fault: channel or ALL, code, latched."""
    t = _scope(state, f[0])
    t.faults = t.faults[-6:] + [f[1], state.now_s]
    if f[2] or not t.latched:
        t.fault, t.latched = f[1], f[2]


def on_z(state: "State", f: "tuple[int, ...]", text: str) -> None:
    """Fault seen by the user (channel or ALL, 1, request) or over and released (0)."""
    t = _scope(state, f[0])
    if f[1]:
        t.latched = 2
    else:
        if t.latched:
            t.faults = []
        t.fault = t.latched = 0
        if f[0] == ALL:
            state.resets, state.dogs = 0, []
    _seen(state, f[2])


def on_G(state: "State", f: "tuple[int, ...]", text: str) -> None:
    """Records lost: how many, then for each channel the ul that may have entered in them."""
    state.gap += f[0]
    for i, c in enumerate(state.channels):
        c.ring.add(state.now_s, state.now_s, f[1 + i])


def _scope(state: "State", scope: int) -> "State | ChannelState":
    return state if scope == ALL else state.channels[scope]


def _seen(state: "State", request: int) -> None:
    if request:
        state.requests = state.requests[-15:] + [request]
