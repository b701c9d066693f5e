"""Every record of a journal as one sentence for a person. It only words; it works nothing out.

What went wrong is worded in `happenings.py`, which simulations use too; here stand the rest.
"""

from __future__ import annotations

from collections.abc import Callable

from aliquot.core.ledger import ALL, CUP, OK
from aliquot.core.state import State
from aliquot_host import happenings
from aliquot_host.archive import Record
from aliquot_host.happenings import doses, ml
from aliquot_host.line import local_text
from aliquot_host.moment import CAUSES

Fields = tuple[int, ...]
STARTS = {
    1: "power came",
    2: "the watchdog had bitten",
    3: "the program had asked for it",
    4: "a soft reset",
}
SOURCES = {0: "its own estimate", 1: "the user", 2: "a phone", 3: "the clock chip"}
NOTES = {0: "note", 1: "water test", 2: "new liquid"}
QUIET = frozenset("tV")


def text(record: Record, state: State) -> str:
    """The sentence of a record, "" where it says nothing; `state` is that after it."""
    f = (*record.fields, *(0,) * 12)
    if record.kind in QUIET:
        return ""
    name = "all channels" if f[0] == ALL else ""
    if 0 <= f[0] < len(state.ids):
        name = state.ids[f[0]]
    own = _OWN.get(record.kind)
    if own:
        return own(name, f, record.text)
    found = happenings.of_record(0, state, record.kind, f)
    if found:
        return found.text
    if record.kind == "O":
        cause = f", {CAUSES[f[2]]}" if f[2] in CAUSES and f[2] != OK else ""
        return f"{name}: done{cause}"
    return f"{record.kind} {' '.join(str(n) for n in record.fields)}"


def _intent(name: str, f: Fields, _: str) -> str:
    extra = f", {ml(f[7])} of it made up" if f[7] else ""
    trimmed = f", {ml(f[6])} trimmed off" if f[6] else ""
    return f"{name}: {ml(f[3])} begins, {f[4]} counts{trimmed}{extra}"


def _run(name: str, f: Fields, _: str) -> str:
    return f"{name}: {f[2]} counts begin, into {'a cup' if f[3] == CUP else 'the tank'}"


def _trim(name: str, f: Fields, _: str) -> str:
    return f"{name}: {f[1]} % off the next {doses(f[2])}" if f[2] else f"{name}: trim taken back"


def _override(name: str, f: Fields, _: str) -> str:
    return f"{name}: {ml(f[1])} a day for {f[3]} days" if f[3] else f"{name}: the plan alone"


def _extra(name: str, f: Fields, _: str) -> str:
    return f"{name}: asked for {ml(f[1])} {'into a cup' if f[3] == CUP else 'once'}"


def _hold(name: str, f: Fields, _: str) -> str:
    return f"{name}: held " + (f"until {local_text(f[1])}" if f[1] else "until released")


def _release(name: str, f: Fields, _: str) -> str:
    said = ("released", "its line is back in the tank", "lost records are answered for")
    return f"{name}: {said[f[1] % 3]}"


def _fault_end(name: str, f: Fields, _: str) -> str:
    return f"{name}: fault seen" if f[1] else f"{name}: fault over"


_OWN: dict[str, Callable[[str, Fields, str], str]] = {
    "I": _intent,
    "J": _run,
    "P": _trim,
    "D": _override,
    "X": _extra,
    "H": _hold,
    "h": _release,
    "z": _fault_end,
    "F": lambda name, f, _: f"{name}: {ml(f[1])} in its container",
    "K": lambda name, f, _: f"{name}: calibrated, {f[1]} counts for {ml(f[2])}",
    "N": lambda name, f, _: f"{name}: new tubing",
    "E": lambda _, f, said: f"{NOTES.get(f[0], 'note')}: {said}",
    "C": lambda _, f, said: f"set-up {said.split(' ')[0][:12]} taken over",
    "B": lambda _, f, said: f"start: {STARTS.get(f[0], f'cause {f[0]}')}",
    "T": lambda _, f, said: f"the clock is set by {SOURCES.get(f[2], 'the network')}",
}
