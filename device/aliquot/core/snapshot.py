"""The state as a few lines of text, and back: what a journal segment opens with.

`load(dump(state))` equals the state in everything that any later record or question can see. The
module never looks at rules; a new attribute belongs into `_STATE` or `_CHANNEL`, and a test fails
until it is there. Needed at start-up and at a rotation only, so the board imports it on demand.
"""

from aliquot.core.ledger import ChannelState
from aliquot.core.state import State
from aliquot.core.window import Window

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

_STATE = [
    "seq",
    "now_s",
    "offset",
    "quality",
    "hold_w",
    "fault",
    "latched",
    "gap",
    "foreign",
    "fresh_s",
    "resets",
    "top",
    "gone_s",
]
_CHANNEL = [
    "rev",
    "wm_w",
    "date",
    "index",
    "day_ul",
    "rem",
    "cal_counts",
    "cal_ul",
    "cal_offset",
    "cal_sig",
    "cal_w",
    "cal_done_ul",
    "tube_w",
    "tube_ul",
    "fill_ul",
    "taken_ul",
    "low",
    "hold_w",
    "cup",
    "fault",
    "latched",
    "trim_pct",
    "trim_n",
    "end_s",
]
_LISTS = ["over", "owed", "extra", "faults"]


def dump(state: State) -> list[str]:
    """Return the lines of a snapshot, without newline and check: the state, its texts, a line a
    channel. Every list of numbers stands between semicolons."""
    own = [getattr(state, a) for a in _STATE]
    lines = [
        _join([own, state.requests, state.dogs, state.faults, list(state.open)]),
        " ".join([state.hash or "-"] + state.ids),
    ]
    for c in state.channels:
        own = [getattr(c, a) for a in _CHANNEL]
        lines.append(
            _join([own, c.over, c.owed, c.extra, c.faults, c.tot, _ring(c.ring, state.now_s)])
        )
    return lines


def load(lines: list[str]) -> State:
    """Return the state of `dump`'s lines; ValueError where they are not such lines."""
    if len(lines) < 2:
        raise ValueError("lines")
    state = State()
    own, state.requests, state.dogs, state.faults, run = _split(lines[0], 5)
    _set(state, _STATE, own)
    state.open = tuple(run)
    names = lines[1].split(" ")
    state.hash, state.ids = "" if names[0] == "-" else names[0], names[1:]
    if len(lines) != 2 + len(state.ids):
        raise ValueError("channels")
    for line in lines[2:]:
        c = ChannelState()
        own, over, owed, extra, faults, c.tot, ring = _split(line, 7)
        _set(c, _CHANNEL, own)
        _set(c, _LISTS, [over, owed, extra, faults])
        if len(c.tot) != 12 or len(ring) % 2 == 0:
            raise ValueError("totals")
        _fill(c.ring, ring, state.now_s)
        state.channels.append(c)
    return state


def _ring(ring: Window, now_s: int) -> list[int]:
    """The places of a window as age and volume, each as the change of its change: mostly zeros."""
    out = [now_s - ring.since_s]
    age = step = ul = 0
    for i in range(0, len(ring.data), 2):
        new = now_s - ring.data[i]
        out += [new - age - step, ring.data[i + 1] - ul]
        step = new - age
        age, ul = new, ring.data[i + 1]
    return out


def _fill(ring: Window, numbers: list[int], now_s: int) -> None:
    ring.since_s = now_s - numbers[0]
    age = step = ul = 0
    for i in range(1, len(numbers) - 1, 2):
        step += numbers[i]
        age += step
        ul += numbers[i + 1]
        ring.data.append(now_s - age)
        ring.data.append(ul)
        ring.total_ul += ul


def _join(lists: list[list[int]]) -> str:
    return ";".join([" ".join([str(x) for x in part]) for part in lists])


def _split(line: str, n: int) -> list[list[int]]:
    parts = line.split(";")
    if len(parts) != n:
        raise ValueError("parts")
    return [[int(x) for x in part.split(" ")] if part else [] for part in parts]


def _set(target: object, names: "list[Any]", values: "list[Any]") -> None:
    if len(values) != len(names):
        raise ValueError("attributes")
    for name, value in zip(names, values):
        if getattr(target, name) != value:  # what has its first value takes no memory
            setattr(target, name, value)
