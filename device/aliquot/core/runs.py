"""How the state adds up runs, doses that passed without one, the clock and boots.

The half of the fold that works all day, see `state.py`; it adds and never decides. What may have
entered counts in full: an intent whose outcome is not known is taken as given.
"""

from aliquot.core.amounts import to_ul
from aliquot.core.ledger import (
    COMMANDED,
    COUNTS,
    CUP,
    DOSE,
    EXTRA,
    LAPSED,
    MISSED,
    OVER,
    PLANNED,
    RAISED,
    REFUSED,
    RESET,
    SHORT,
    SKIPPED,
    TANK,
    UNCERTAIN,
    ChannelState,
)  # fmt: skip

TYPE_CHECKING = False
if TYPE_CHECKING:
    from aliquot.core.state import State


def on_I(state: "State", f: "tuple[int, ...]", text: str) -> None:
    """Intent: channel, due after watermark, index, ul, counts, dates on, trim, raise."""
    ch, _, _, ul, counts, dates, trim, up = f[:8]
    c = _close(state, f, dates, 1)
    base = ul - up
    c.day_ul += base
    c.tot[PLANNED] += base + trim
    c.tot[SKIPPED] += trim
    if up:
        _settle(c, up)
    c.rem += ul * c.cal_counts - (counts - c.cal_offset) * c.cal_ul
    state.open = (ch, ul, counts, DOSE, state.now_s, base, up)


def on_J(state: "State", f: "tuple[int, ...]", text: str) -> None:
    """Intent outside the timetable: channel, ul, counts, into (1 tank, 2 cup)."""
    ch, ul, counts, into = f[:4]
    c = state.channels[ch]
    c.extra = []
    if into == TANK:
        c.rem += ul * c.cal_counts - (counts - c.cal_offset) * c.cal_ul
    else:
        c.cup = 1
    state.open = (ch, ul, counts, into, state.now_s, 0, 0)


def on_O(state: "State", f: "tuple[int, ...]", text: str) -> None:
    """Outcome: channel, counts beyond the intent (or short of it: < 0), cause, ul owed."""
    ch, ul, counts, into, _, base, up = state.open
    c = state.channels[ch]
    got = ul
    if f[1]:
        got, rem = moved(state, counts + f[1])
        if into != CUP:  # what the driver overran is taken off the next runs
            c.rem = rem if f[1] < 0 else c.rem - f[1] * c.cal_ul
        if into == DOSE:
            short = max(0, base - got)
            back = max(0, min(got - base, up))
            c.tot[SHORT] += short
            c.tot[RAISED] += back
            c.tot[LAPSED] += short - f[3] + up - back
            c.tot[OVER] += max(0, got - ul)
            _owe(c, c.wm_w, f[3])
    elif up:
        c.tot[RAISED] += up
    state.resets = state.resets + 1 if f[2] == RESET else 0
    _end(state, c, got, counts + f[1], state.now_s)


def moved(state: "State", counts: int) -> "tuple[int, int]":
    """What the open run brings when it ends after `counts`: (ul, remainder after it)."""
    ch, ul, planned, into, _, _, _ = state.open
    c = state.channels[ch]
    counts = max(0, counts - c.cal_offset)
    rem = 0
    if into != CUP:
        rem = c.rem - ul * c.cal_counts + (planned - c.cal_offset) * c.cal_ul
    got = to_ul(counts, c.cal_counts, c.cal_ul, rem) if counts else 0
    return got, rem + got * c.cal_counts - counts * c.cal_ul


def on_U(state: "State", f: "tuple[int, ...]", text: str) -> None:
    """Power went during the run: channel, its longest seconds. All of it counts as given."""
    _, ul, counts, into, start_s, _, up = state.open
    c = state.channels[f[0]]
    c.tot[RAISED] += up
    if into != CUP:
        c.tot[UNCERTAIN] += ul
    state.resets += 1
    _end(state, c, ul, counts, start_s + f[1])


def _end(state: "State", c: ChannelState, ul: int, counts: int, end_s: int) -> None:
    into = state.open[3]
    if into != CUP:
        c.ring.add(state.now_s, end_s, ul)
        c.end_s = end_s
        c.tot[COMMANDED] += ul
        c.tot[COUNTS] += counts
    if into == TANK:
        c.tot[EXTRA] += ul
    c.taken_ul += ul
    c.tube_ul += ul
    c.cal_done_ul += ul
    state.open = ()


# Doses that did not run: channel, due after watermark, index of the last, how many, ul, dates
# on, trimmed ul, owed ul, reason, dates back to the first, index of the first


def on_M(state: "State", f: "tuple[int, ...]", text: str) -> None:
    """Missed: their grace ran out."""
    c = _pass(state, f, MISSED)
    if not f[5]:
        c.day_ul += f[4]
    c.tot[LAPSED] += f[4] - f[7]
    _owe(c, c.wm_w, f[7])


def on_R(state: "State", f: "tuple[int, ...]", text: str) -> None:
    """Refused, for the reason."""
    _pass(state, f, REFUSED)


def on_S(state: "State", f: "tuple[int, ...]", text: str) -> None:
    """Skipped: trimmed away, or below the least dose after a trim or a cut."""
    _pass(state, f, SKIPPED)


def _pass(state: "State", f: "tuple[int, ...]", where: int) -> ChannelState:
    c = _close(state, f, f[5], f[3])
    c.tot[PLANNED] += f[4] + f[6]
    c.tot[SKIPPED] += f[6]
    c.tot[where] += f[4]
    return c


def _close(state: "State", f: "tuple[int, ...]", dates: int, n: int) -> ChannelState:
    c = state.channels[f[0]]
    c.wm_w += f[1]
    c.index = f[2]
    if dates:
        c.date += dates
        c.day_ul = 0
        expire(c, c.date)
    if c.trim_n:
        c.trim_n = max(0, c.trim_n - n)
    return c


def expire(c: ChannelState, date: int) -> None:
    """Drop the overrides that are over on a date."""
    for i in range(len(c.over) - 3, -1, -3):
        if c.over[i + 1] + c.over[i + 2] <= date:
            c.over = c.over[:i] + c.over[i + 3 :]


def on_L(state: "State", f: "tuple[int, ...]", text: str) -> None:
    """Lapsed: channel, ul of what is owed that will never be given."""
    c = state.channels[f[0]]
    c.tot[LAPSED] += f[1]
    _settle(c, f[1])


def _owe(c: ChannelState, due_w: int, ul: int) -> None:
    if ul and len(c.owed) >= 8:
        c.owed = c.owed[:7] + [c.owed[7] + ul]  # joins the newest of four and lapses with it
    elif ul:
        c.owed = c.owed + [due_w, ul]


def _settle(c: ChannelState, ul: int) -> None:
    while ul and c.owed:
        left = max(0, c.owed[1] - ul)
        ul -= c.owed[1] - left
        c.owed = ([c.owed[0], left] if left else []) + c.owed[2:]


# Clock and boot


def on_t(state: "State", f: "tuple[int, ...]", text: str) -> None:
    """An hour without any other record."""


def on_T(state: "State", f: "tuple[int, ...]", text: str) -> None:
    """Clock: offset, quality, source, seconds: a watermark so far ahead, of a wrong later date,
    lets go (0: none)."""
    state.offset, state.quality = f[0], f[1]
    wall = state.now_s + state.offset
    for c in state.channels:
        if f[3] and c.wm_w > wall + f[3]:
            c.wm_w = -1
            c.date = c.day_ul = 0
            revise(c, wall)


def on_B(state: "State", f: "tuple[int, ...]", text: str) -> None:
    """Boot: cause (2 is the watchdog). The clock is unset until a T record."""
    state.quality = 0
    if f[0] == 2:
        state.dogs = state.dogs[-2:] + [state.now_s]


def on_V(state: "State", f: "tuple[int, ...]", text: str) -> None:
    """New revision: channel, wall second before which none of its doses exist."""
    revise(state.channels[f[0]], f[1])


def revise(c: ChannelState, from_w: int) -> None:
    """Begin a new revision: no dose due at or before `from_w` exists in it."""
    c.rev += 1
    c.index = -1
    c.wm_w = max(c.wm_w, from_w)
