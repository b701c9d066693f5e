"""Reads a file of acts: what people do in a rehearsal, and what happens to the board.

    [[act]]
    day = 3
    time = "14:30"
    do = "trim"
    channel = "alk"
    percent = 50
    doses = 6

Day 1 is the first date; the time is that on the wall. One table says which acts there are and
which fields each has. Whatever is wrong becomes one BadInput with every problem. Whether the board
agrees to an act shows only in the world: what it refuses is an event, not a problem of the file.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Any

from aliquot.core import acts
from aliquot.core.ledger import ALL, CUP, TANK
from aliquot_host import raw_file, setup_file, spelling
from aliquot_host.errors import BadInput, Problem
from aliquot_host.happenings import ml, span
from aliquot_host.paths import as_list, as_table, is_list, is_table
from aliquot_host.setup_file import Loaded
from aliquot_host.spelling import Number, Refused, sentence
from aliquot_host.world import Act, World

ACTS_MOST = 1000
DAYS_MOST = 3660
PROBLEMS_MOST = 100
EVERY = "all"

Values = dict[str, Any]


@dataclasses.dataclass(frozen=True)
class Field:
    """One field of an act. unit: as in the table of fields, or `signed ml`, or `word a|b`.

    least and most are in the stored unit; default None: it must be written."""

    key: str
    unit: str
    least: int
    most: int
    default: object = None


@dataclasses.dataclass(frozen=True)
class Kind:
    """One kind of act. scope: one channel, any (one, or all of them), or none.

    do: does it; the name of the channel, or "", comes first. None: it happens to the board."""

    scope: str
    fields: tuple[Field, ...]
    do: Callable[[World, str, Values], str] | None


@dataclasses.dataclass(frozen=True)
class Script:
    """What stands in a file. outages and silences: (seconds from the start, length in seconds).

    beyond: how many acts fall behind the last day and never come."""

    acts: tuple[Act, ...] = ()
    outages: tuple[tuple[int, int], ...] = ()
    silences: tuple[tuple[int, int], ...] = ()
    beyond: int = 0


def _scope(world: World, name: str) -> int:
    return ALL if not name else world.channel(name)


def _who(name: str) -> str:
    return name or "all channels"


def _trim(world: World, name: str, v: Values) -> str:
    ch = world.channel(name)
    owed = acts.owed_ul(world.engine(), ch)
    acts.trim(world.engine(), world.now_s(), ch, v["percent"], v["doses"], keep=bool(v["keep"]))
    if not v["doses"]:
        return f"{name}: the trim is cancelled"
    many = "the next dose" if v["doses"] == 1 else f"the next {v['doses']} doses"
    done = f"{many} left out" if v["percent"] == 100 else f"{v['percent']} % off {many}"
    return f"{name}: {done}{_forgiven(owed, v)}"


def _forgiven(owed_ul: int, v: Values) -> str:
    return f"; {ml(owed_ul)} that was owed is let go" if owed_ul and not v["keep"] else ""


def _override(world: World, name: str, v: Values) -> str:
    ch = world.channel(name)
    owed = acts.owed_ul(world.engine(), ch)
    acts.override(
        world.engine(), world.now_s(), ch, v["ml_a_day"], v["days"], keep=bool(v["keep"])
    )
    if not v["days"]:
        return f"{name}: back to the plan"
    more = "more" if v["ml_a_day"] >= 0 else "less"
    days = "today" if v["days"] == 1 else f"{v['days']} days"
    return f"{name}: {ml(abs(v['ml_a_day']))} a day {more} for {days}{_forgiven(owed, v)}"


def _extra(world: World, name: str, v: Values) -> str:
    ch = world.channel(name)
    owed = acts.owed_ul(world.engine(), ch)
    acts.extra(
        world.engine(),
        world.now_s(),
        ch,
        v["ml"],
        planned=bool(v["planned"]),
        keep=bool(v["keep"]),
    )
    return f"{name}: {ml(v['ml'])} besides the plan is asked for{_forgiven(owed, v)}"


def _prime(world: World, name: str, v: Values) -> str:
    into = CUP if v["into"] == "cup" else TANK
    ch = world.channel(name)
    acts.extra(world.engine(), world.now_s(), ch, v["ml"], planned=bool(v["planned"]), into=into)
    where = "a cup" if into == CUP else "the tank"
    return f"{name}: the line is filled, {ml(v['ml'])} into {where}"


def _hold(world: World, name: str, v: Values) -> str:
    engine, now_s = world.engine(), world.now_s()
    scope = _scope(world, name)
    owed = acts.owed_ul(engine, scope)
    until_w = now_s + world.state().offset + v["hours"] if v["hours"] else 0
    acts.hold(engine, now_s, scope, until_w, keep=bool(v["keep"]))
    until = f"for {span(v['hours'])}" if v["hours"] else "until released"
    return f"{_who(name)}: dosing is held {until}{_forgiven(owed, v)}"


def _release(world: World, name: str, v: Values) -> str:
    """Whatever holds the channel, or all of them: a hold, a line over a cup, lost records."""
    engine, now_s = world.engine(), world.now_s()
    state = world.state()
    chosen = [world.channel(name)] if name else list(range(len(state.ids)))
    done: list[str] = []
    if not name and (state.gap or state.foreign):
        acts.release(engine, now_s, ALL, 2)
        done.append("the lost records are answered for")
    if not name and state.hold_w >= 0:
        acts.release(engine, now_s, ALL)
        done.append("dosing goes on")
    for ch in chosen:
        c = state.channels[ch]
        if c.hold_w >= 0:
            acts.release(engine, now_s, ch)
            done.append("dosing goes on" if name else f"{state.ids[ch]} goes on")
        if c.cup:
            acts.release(engine, now_s, ch, 1)
            whose = "" if name else f" of {state.ids[ch]}"
            done.append(f"the line{whose} is back in place")
    return f"{_who(name)}: {', '.join(done) or 'there was nothing to release'}"


def _clear(world: World, name: str, v: Values) -> str:
    """A latched fault is left by two separate acts: it is seen, then it is cleared."""
    engine, now_s = world.engine(), world.now_s()
    scope = _scope(world, name)
    acts.see(engine, now_s, scope)
    acts.clear(engine, now_s, scope)
    return f"{_who(name)}: the fault is seen and cleared"


def _refill(world: World, name: str, v: Values) -> str:
    seen = world.look(name) + "; " if v["look"] else ""
    return seen + world.refill(name, v["ml"])


def _calibrate(world: World, name: str, v: Values) -> str:
    if v["measured"]:
        return world.measure(name, v["counts"])
    acts.calibrate(
        world.engine(), world.now_s(), world.channel(name), v["counts"], v["ml"], v["offset"]
    )
    return f"{name}: calibrated, {v['counts']:,} counts moved {ml(v['ml'])}"


def _tubing(world: World, name: str, v: Values) -> str:
    return world.new_tubing(name)


def _note(world: World, name: str, v: Values) -> str:
    entry = ("note", "test", "liquid").index(v["about"])
    acts.note(world.engine(), world.now_s(), entry, _scope(world, name), v["text"])
    about = {"note": "note", "test": "water test", "liquid": "new liquid"}[v["about"]]
    return f"{name + ': ' if name else ''}{about}: {v['text']}"


def _plan(world: World, name: str, v: Values) -> str:
    world.change_setup(v["set-up"])
    return f"another set-up is loaded: {v['file']}"


def _stall(world: World, name: str, v: Values) -> str:
    return world.stall(name, v["percent"], v["runs"])


def _clog(world: World, name: str, v: Values) -> str:
    return world.clog(name, v["percent"])


KEEP = Field("keep", "yes", 0, 1, 0)
PLANNED = Field("planned", "yes", 0, 1, 0)
HOURS = Field("hours", "h", 60, 400 * 86400)
KINDS: dict[str, Kind] = {
    "trim": Kind(
        "one", (Field("percent", "int", 1, 100), Field("doses", "int", 0, 5000), KEEP), _trim
    ),
    "override": Kind(
        "one",
        (
            Field("ml_a_day", "signed ml", -2_000_000, 2_000_000),
            Field("days", "int", 0, 366),
            KEEP,
        ),
        _override,
    ),
    "extra": Kind("one", (Field("ml", "ml", 1, 500_000), PLANNED, KEEP), _extra),
    "prime": Kind(
        "one",
        (Field("ml", "ml", 1, 500_000), Field("into", "word cup|tank", 0, 0, "cup"), PLANNED),
        _prime,
    ),
    "hold": Kind("any", (dataclasses.replace(HOURS, default=0), KEEP), _hold),
    "release": Kind("any", (), _release),
    "clear": Kind("any", (), _clear),
    "refill": Kind(
        "one", (Field("ml", "ml", 0, 100_000_000), Field("look", "yes", 0, 1, 0)), _refill
    ),
    "calibrate": Kind(
        "one",
        (
            Field("measured", "yes", 0, 1, 0),
            Field("counts", "int", 1, 10_000_000, 0),
            Field("ml", "ml", 1, 10_000_000, 0),
            Field("offset", "int", 0, 60_000, 0),
        ),
        _calibrate,
    ),
    "tubing": Kind("one", (), _tubing),
    "note": Kind(
        "any",
        (Field("text", "text", 1, 200), Field("about", "word note|test|liquid", 0, 0, "note")),
        _note,
    ),
    "plan": Kind("none", (Field("file", "text", 1, 1000),), _plan),
    "stall": Kind(
        "one", (Field("percent", "int", 0, 99), Field("runs", "int", 1, 5000, 1)), _stall
    ),
    "clog": Kind("one", (Field("percent", "int", 0, 100),), _clog),
    "silence": Kind("none", (HOURS,), None),
    "power": Kind("none", (HOURS,), None),
}
COMMON = (Field("day", "int", 1, DAYS_MOST), Field("time", "time", 0, 86399))


def load(path: Path, loaded: Loaded, date: int, days: int) -> Script:
    """The acts of a file for a rehearsal that begins with a local date; BadInput where it is not
    such a file."""
    return parse(raw_file.read(path), loaded, date, days, str(path), path.parent)


def parse(
    content: bytes, loaded: Loaded, date: int, days: int, where: str, folder: Path
) -> Script:
    """The same from bytes; `folder` is where the set-ups that it names lie."""
    raw, _ = raw_file.parse(content, where)
    reading = _Reading(loaded, folder)
    unknown = [name for name in raw if name != "act"]
    for name in unknown:
        reading.add(name, as_problem(raw[name]), "no such field", "Write acts as [[act]].")
    listed: Any = raw.get("act")
    if not is_list(listed) or not listed:
        advice = 'An act is [[act]] with day, time and do, such as do = "trim".'
        reading.add("act", None, "at least one [[act]]", advice)
    elif len(listed) > ACTS_MOST:
        reading.add("act", f"{len(listed)} of them", f"at most {ACTS_MOST}", "Write fewer.")
    else:
        for i, entry in enumerate(as_list(listed)):
            reading.act(f"act[{i + 1}]", entry)
    if reading.problems:
        raise BadInput(reading.problems[:PROBLEMS_MOST], where)
    return _script(reading.found, loaded, date, days)


def as_problem(value: object) -> object:
    """A value as a problem shows it."""
    return "an empty text" if value == "" else value


@dataclasses.dataclass(frozen=True)
class _Found:
    kind: str
    name: str
    values: Values


def _script(found: list[_Found], loaded: Loaded, date: int, days: int) -> Script:
    zone = loaded.setup.zone
    start_w, end_w = zone.day_start(date), zone.day_start(date + days)
    made: list[Act] = []
    spans: dict[str, list[tuple[int, int]]] = {"power": [], "silence": []}
    beyond = 0
    for one in found:
        at_w = zone.wall(date + one.values["day"] - 1, one.values["time"])
        do = KINDS[one.kind].do
        if at_w >= end_w:
            beyond += 1
        elif do is None:
            spans[one.kind].append((at_w - start_w, one.values["hours"]))
        else:
            made.append(Act(at_w, _bound(do, one), one.name))
    made.sort(key=lambda act: act.at_w)
    return Script(
        tuple(made), tuple(sorted(spans["power"])), tuple(sorted(spans["silence"])), beyond
    )


def _bound(do: Callable[[World, str, Values], str], one: _Found) -> Callable[[World], str]:
    return lambda world: do(world, one.name, one.values)


class _Reading:
    """What is known while a file is read."""

    def __init__(self, loaded: Loaded, folder: Path) -> None:
        self.folder = folder
        self.problems: list[Problem] = []
        self.found: list[_Found] = []
        # A later set-up may bring channels of its own.
        self.ids = [c["id"] for c in loaded.data["channel"]]

    def add(self, path: str, value: object, limit: str, advice: str) -> None:
        self.problems.append(Problem(path, value, "", limit, advice))

    def act(self, path: str, entry: Any) -> None:
        """Take one [[act]], or say what is wrong with it."""
        if not is_table(entry):
            self.add(path, entry, "a table", "Write [[act]] with two brackets.")
            return
        table = as_table(entry)
        kind = KINDS.get(table["do"]) if isinstance(table.get("do"), str) else None
        if kind is None:
            advice = "Say what is done." if "do" not in table else "There is no such act."
            self.add(f"{path}.do", table.get("do"), "one of " + ", ".join(KINDS), advice)
            return
        before = len(self.problems)
        known = (*COMMON, *kind.fields)
        values: Values = {f.key: self.field(path, f, table) for f in known}
        name = self.channel(path, kind, table)
        allowed = ["do", *(f.key for f in known), *(["channel"] if kind.scope != "none" else [])]
        for key in table:
            if key not in allowed:
                advice = f"{table['do']} has " + ", ".join(allowed[1:]) + "."
                self.add(f"{path}.{key}", as_problem(table[key]), "no such field", advice)
        self.whole(path, table, values)
        if len(self.problems) == before:
            self.found.append(_Found(table["do"], name, values))

    def field(self, path: str, field: Field, table: dict[str, Any]) -> object:
        """The stored value of a field, its default, or None with a problem."""
        where = f"{path}.{field.key}"
        if field.key not in table:
            if field.default is None:
                self.add(where, None, "must be there", _advice(field))
            return field.default
        value = table[field.key]
        try:
            return stored(field, value)
        except Refused as refused:
            self.add(where, as_problem(value), refused.limit, refused.advice)
            return None

    def channel(self, path: str, kind: Kind, table: dict[str, Any]) -> str:
        """The channel of an act; "" stands for all, or none."""
        if kind.scope == "none":
            return ""
        limit = "a channel of the set-up: " + ", ".join(self.ids)
        if kind.scope == "any":
            limit += f", or {EVERY}"
            if table.get("channel", EVERY) == EVERY:
                return ""
        name = table.get("channel")
        if not isinstance(name, str) or name not in self.ids:
            advice = "Say which." if "channel" not in table else "Write its id."
            self.add(f"{path}.channel", as_problem(name), limit, advice)
            return ""
        return name

    def whole(self, path: str, table: dict[str, Any], values: Values) -> None:
        """What no field can say alone."""
        if table["do"] == "calibrate" and not values["measured"]:
            for key in ("counts", "ml"):
                if key not in table:
                    advice = "Write the measured pair, or measured = true to have it measured."
                    self.add(f"{path}.{key}", None, "must be there", advice)
        if table["do"] == "calibrate" and values["measured"]:
            for key in ("ml", "offset"):
                if key in table:
                    advice = "With measured = true the world measures: take it out."
                    self.add(f"{path}.{key}", as_problem(table[key]), "not here", advice)
        if table["do"] == "plan" and values["file"]:
            self.plan(f"{path}.file", values)

    def plan(self, path: str, values: Values) -> None:
        """Load the set-up that an act names; its channels may be named from here on."""
        file = self.folder / values["file"]
        try:
            values["set-up"] = loaded = setup_file.load(file)
        except BadInput as wrong:
            self.add(path, values["file"], "a set-up that `aliquot check` accepts", "")
            self.problems += wrong.problems
            return
        self.ids += [c["id"] for c in loaded.data["channel"] if c["id"] not in self.ids]


def stored(field: Field, value: object) -> object:
    """Return what is stored for a written value; Refused where it cannot be."""
    if field.unit.startswith("word "):
        words = field.unit[5:].split("|")
        if value not in words:
            raise Refused(" or ".join(words), "")
        return value
    if field.unit == "text":
        if not isinstance(value, str) or not field.least <= len(value) <= field.most:
            raise Refused(f"a text of {field.least} to {field.most} characters", "")
        if not value.isprintable():
            raise Refused("one line of text", "Take the control characters out.")
        return value
    if field.unit == "signed ml":
        return _in_range(field, _signed(value))
    got = spelling.stored(field.unit, value)
    return _in_range(field, got)


def _signed(value: object) -> object:
    """Millilitres that may be below zero."""
    if isinstance(value, Number) and value.text.startswith("-"):
        got: Any = spelling.stored("ml", Number(value.text[1:]))
        return -got
    if isinstance(value, int) and not isinstance(value, bool) and value < 0:
        got = spelling.stored("ml", -value)
        return -got
    return spelling.stored("ml", value)


def _in_range(field: Field, got: object) -> object:
    if isinstance(got, int) and not field.least <= got <= field.most:
        raise Refused(_range(field), "")
    return got


def _range(field: Field) -> str:
    if field.unit == "signed ml":
        low = spelling.amount("ml", -field.least)
        return f"-{low} to {spelling.measured('ml', field.most)}"
    return spelling.span(field.unit, field.least, field.most, "")


def _advice(field: Field) -> str:
    if field.unit == "text":
        return sentence(f"Write {field.key} between quotes")
    if field.unit.startswith("word "):
        return sentence(f"Write {field.key} = " + field.unit[5:].replace("|", " or "))
    return sentence(f"The range is {_range(field)}")


def told() -> str:
    """The kinds of acts with their fields, one a line, for the help."""
    lines: list[str] = []
    for name, kind in KINDS.items():
        own = [f.key if f.default is None else f"[{f.key}]" for f in kind.fields]
        who = {"one": ["channel"], "any": ["[channel]"], "none": []}[kind.scope]
        lines.append(f"{name}: " + ", ".join(who + own) if who + own else name)
    return "\n".join(lines)
