"""Deliberate defects for `simulate --inject` and `soak --inject`: do the checks see them?

Each is a small change of one function of the product, or of the world's board, made in memory and
taken back afterwards, with the number of the invariant that it breaks and what must happen for it
to show. Nothing on disk is changed, and nothing here runs unless it is asked for by name.
"""

from __future__ import annotations

import contextlib
import difflib
import importlib
import inspect
import textwrap
from collections.abc import Generator
from typing import Any, NamedTuple

from aliquot_host.errors import bad
from aliquot_host.trouble_case import DAY_S, HOUR_S, Trouble


class Change(NamedTuple):
    """A function as "module:name" or "module:Class.name", and one text in it for another."""

    where: str
    old: str
    new: str


class Defect(NamedTuple):
    """number: the invariant that breaks. needs: what the set-up must have for it to show."""

    number: str
    what: str
    changes: tuple[Change, ...]
    troubles: tuple[Trouble, ...] = ()
    needs: str = ""


def _each(kind: str, n: tuple[int, ...], every_s: int, mid: bool = False) -> tuple[Trouble, ...]:
    return tuple(Trouble(at, kind, n, mid) for at in range(HOUR_S, 2 * DAY_S, every_s))


def _acts(kind: str, *n: int, every_s: int = 3 * HOUR_S, twice: int = 0) -> tuple[Trouble, ...]:
    return tuple(
        Trouble(at, kind, (at // every_s, at, twice, *n))
        for at in range(HOUR_S, 2 * DAY_S, every_s)
    )


_CORE = "aliquot.core."
_WORLD = "aliquot_host.trouble:TroubledWorld."
_KEY = "if due_w > c.wm_w and (lane.date > c.date or at > c.index):"
_ADVANCE = _CORE + "lanes:advance"

DEFECTS: dict[str, Defect] = {
    "cap-ignored": Defect(
        "S1",
        "the window of a cap forgets after an hour",
        (Change(_CORE + "window:Window.used_ul", ">= _DAY_S", ">= 3600"),),
        _acts("extra", 150, 1, 0, 1, every_s=700),
    ),
    "more-counts": Defect(
        "S2",
        "the motor is told nine counts more than the intent says",
        (Change(_CORE + "engine:Engine.go", "job = ch, counts,", "job = ch, counts + 9,"),),
    ),
    "no-ceiling": Defect(
        "S3",
        "the driver is told a longest run of hours",
        (Change(_CORE + "engine:Engine.go", "speed_cps) + 1", "speed_cps) + 9999"),),
    ),
    "motor-left-on": Defect(
        "S4",
        "a reset leaves the motor turning",
        (Change(_WORLD + "_dark", "self.checks.stops(given", "(lambda *_, **__: 0)(given"),),
        _each("watchdog", (0,), 5 * HOUR_S, mid=True),
    ),
    "double-dose": Defect(
        "S5",
        "neither the key nor the watermark of a dose is looked at",
        (
            Change(_ADVANCE, _KEY, "if lane.date >= c.date:"),
            Change(_CORE + "engine:Engine._next", "lane.at += 1", "pass"),
        ),
    ),
    "late-doses-run": Defect(
        "S6",
        "a dose may start a day after its time",
        (Change(_ADVANCE, "until_w = due_w + grace", "until_w = due_w + grace + 90000"),),
        _each("cut", (9 * HOUR_S,), 11 * HOUR_S),
    ),
    "request-taken-twice": Defect(
        "S7",
        "the number of a request is not remembered",
        (Change(_CORE + "acts:_check", "return not request or", "return True or"),),
        _acts("note", twice=1),
    ),
    "calibration-ignored": Defect(
        "S8",
        "a pump doses with the calibration of other settings",
        (Change(_CORE + "lanes:block", "return UNCALIBRATED", "return 0"),),
        (Trouble(2 * HOUR_S, "load", (1,)),),
    ),
    "backwards": Defect(
        "S9",
        "the motor runs in reverse, and nobody asked for it",
        (Change(_CORE + "engine:Engine.go", "job = ch, counts,", "job = ch, -counts,"),),
    ),
    "full-outcome": Defect(
        "S10",
        "a run that ended early is recorded as whole",
        (Change(_CORE + "engine:Engine.finish", "(ch, counts - planned, cause", "(ch, 0, cause"),),
        _each("stall", (40, 1, 0), 5 * HOUR_S),
    ),
    "hold-ignored": Defect(
        "S11",
        "a held channel doses",
        (Change(_CORE + "lanes:block", "return HOLD", "return 0"),),
        _acts("hold", 1, 0, 1),
    ),
    "fault-left-by-one-act": Defect(
        "S12",
        "a latched fault is cleared without having been seen",
        (Change(_CORE + "acts:clear", "target.latched == 1", "target.latched == 9"),),
        (*_acts("fault", 0, 3, 1, 1, every_s=7 * HOUR_S), *_acts("clear", every_s=2 * HOUR_S)),
    ),
    "fault-never-latches": Defect(
        "S13",
        "the same fault may come as often as it likes",
        (Change(_CORE + "events:fault", "if late.count(code) >= 2 or len(late) >= 4", "if 0"),),
        _acts("fault", 0, 3, 0, 4),
    ),
    "intent-after-run": Defect(
        "S14",
        "the motor is started before its intent is on flash",
        (
            Change(
                _CORE + "engine:Engine._start", 'self.put(now_s, "I",', '(lambda *_: 0)(0, "I",'
            ),
        ),
    ),
    "cut-run-forgotten": Defect(
        "S15",
        "a run that power ended is recorded as if nothing of it had entered",
        (
            Change(_CORE + "events:boot", "if counts < 0:", "if counts < -1:"),
            Change(_CORE + "events:boot", "engine.result = (counts,", "engine.result = (0,"),
        ),
        _each("cut", (40,), 5 * HOUR_S, mid=True),
    ),
    "record-lost": Defect(
        "S16",
        "a cut takes the last record that was durable with it",
        (
            Change(
                "aliquot_host.trouble_flash:TroubledMemory.restart",
                '"""What a start of the board finds: the same files."""',
                "lose_last(self.files)",
            ),
        ),
        _each("cut", (40,), 5 * HOUR_S),
    ),
    "set-up-lost": Defect(
        "S17",
        "a start rejects the set-up that was adopted",
        (Change("aliquot.store.config:settle", 'return "ok",', 'return "rejected",'),),
        _each("cut", (40,), 5 * HOUR_S),
    ),
    "step-changes-dose": Defect(
        "S18",
        "a motor stops by the wall clock, so a step in its run makes it give less",
        (
            Change(
                _WORLD + "_run",
                "self.checks.stops(given,",
                'self.checks.stops(given - (law == "S18"),',
            ),
        ),
        _each("step", (40, 1), 5 * HOUR_S, mid=True),
    ),
    "clock-unset-ignored": Defect(
        "S19",
        "doses run by the old time while the clock is unset",
        (Change(_CORE + "engine:Engine._work", "if not state.quality:", "if 0:"),),
        _each("unset", (9 * HOUR_S,), 11 * HOUR_S),
    ),
    "step-back-repeats": Defect(
        "S20",
        "after a clock step back doses that ran are due again",
        (
            Change(_ADVANCE, _KEY, "if c.index < 0 or due_w > c.wm_w and at > c.index:"),
            Change(_CORE + "runs:on_T", "if f[3] and", "c.index = -1\n        if f[3] and"),
        ),
        _each("step", (-400, 1), 1500),
    ),
    "container-ignored": Defect(
        "S21",
        "a dose runs from a container that is empty by the count",
        (Change(_CORE + "engine:Engine._offer", "if base > have:", "if 0:"),),
        _acts("refill", 0),
    ),
    "verified": Defect(
        "S22",
        "the status claims that delivery is verified",
        (Change(_CORE + "status:overview", "commanded, not verified", "verified"),),
    ),
    "number-skipped": Defect(
        "S24",
        "records skip a number",
        (Change("aliquot.store.journal:Journal.put", "state.seq + 1,", "state.seq + 2,"),),
    ),
    "set-up-repeats": Defect(
        "S25",
        "after a new set-up the doses of the last hours are due again",
        (Change(_ADVANCE, _KEY, "if c.index < 0 or due_w > c.wm_w and at > c.index:"),),
        _each("load", (1,), 1500),
    ),
    "memory-ends-and-on": Defect(
        "S26",
        "after an allocation failure the board goes on without a start",
        (
            Change("aliquot.store.journal:Journal.put", "if self.broken:", "if 0:"),
            Change(_WORLD + "_starve", "self._dark(", "(lambda *_, **__: 0)("),
        ),
        _each("starve", (2, 1), 5 * HOUR_S),
    ),
    "apart-ignored": Defect(
        "S6",
        "liquids that react are given one right behind the other",
        (Change(_CORE + "engine:Engine.apart_s", "return clear", "return now_s"),),
        _acts("extra", 90, 1, 0, 1, every_s=700),
        "a [[separate]]",
    ),
    "plan-rounded-up": Defect(
        "S10",
        "each dose is a microlitre more than the set-up asks for",
        (Change(_CORE + "timetable:Day.ul", "// (2 * n) - ", "// (2 * n) + 1 - "),),
        (),
        "a channel whose doses are spread evenly",
    ),
}


def lose_last(files: dict[str, bytearray]) -> None:
    """Take the last line off the newest segment."""
    names = sorted(name for name in files if name[:1] == "j")
    if names:
        data = files[names[-1]]
        del data[data.rfind(b"\n", 0, -1) + 1 :]


def chosen(name: str, option: str = "--inject") -> Defect:
    """The defect of that name; BadInput that lists all."""
    found = DEFECTS.get(name)
    if found:
        return found
    close = difflib.get_close_matches(name, DEFECTS, n=1)
    advice = f"Did you mean {close[0]}?" if close else "Choose one of them."
    raise bad(option, name, limit=", ".join(DEFECTS), advice=advice)


@contextlib.contextmanager
def planted(name: str) -> Generator[None]:
    """With the defect of that name in force; "" for none."""
    undo: list[tuple[Any, str, Any]] = []
    try:
        for change in chosen(name).changes if name else ():
            undo.append(_plant(change))
        yield
    finally:
        for owner, attribute, original in reversed(undo):
            setattr(owner, attribute, original)


def _plant(change: Change) -> tuple[Any, str, Any]:
    module_name, _, path = change.where.partition(":")
    module = importlib.import_module(module_name)
    *owners, attribute = path.split(".")
    owner: Any = module
    for own in owners:
        owner = getattr(owner, own)
    original = getattr(owner, attribute)
    # What was planted before in the same function stays.
    source = getattr(original, "planted", "") or textwrap.dedent(inspect.getsource(original))
    if source.count(change.old) != 1:
        raise RuntimeError(f"{change.where} no longer says {change.old!r} once")
    source = source.replace(change.old, change.new)
    space: dict[str, Any] = {}
    scope = {**vars(module), "lose_last": lose_last}
    exec(
        compile(source, f"<{change.where}, changed>", "exec"), scope, space
    )  # the text is our own
    made = space[attribute]
    made.planted = source
    setattr(owner, attribute, made)
    return owner, attribute, original
