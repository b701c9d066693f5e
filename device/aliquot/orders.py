"""The one layer through which people act on a running controller: it checks, records, answers.

`answer` takes an order as a dict and returns the reply as a dict; the serial line, and later the
page and messages, are doors to the same room. An order that cannot be is answered with field,
value, limit and advice, and leaves no trace; one that was heard before changes nothing. Nothing
here moves a pump: a run is started by the engine, stopped by the app. Imported for an order only.
"""

from aliquot.core import acts
from aliquot.core.acts import Refused
from aliquot.core.ledger import ALL, CUP, USER

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

    from aliquot.app import App

    Dict = dict[str, Any]

_READ_MOST = 768
_TURN_S = 1
# order: (act, its whole numbers in their order, its yes-or-no words)
_ACTS = {
    "trim": ("trim", ("percent", "doses"), ("keep",)),
    "override": ("override", ("ul", "days"), ("keep",)),
    "extra": ("extra", ("ul",), ("planned", "keep")),
    "cancel": ("cancel_extra", (), ()),
    "hold": ("hold", ("until_w",), ("keep",)),
    "release": ("release", ("what",), ()),
    "refill": ("refill", ("ul",), ()),
    "calibrate": ("calibrate", ("counts", "ul", "offset"), ()),
    "tubing": ("tubing", (), ()),
    "see": ("see", (), ()),
    "clear": ("clear", (), ()),
}
_OTHERS = ("status", "files", "read", "stop", "clock", "note", "turn", "right", "cup", "prime")


def answer(app: "App", order: "Dict") -> "Dict":
    """Carry an order out; {"ok": 1, ...}, or {"ok": 0, "field", "value", "limit", "advice"}."""
    try:
        name = order.get("do")
        if name in _ACTS:
            return _act(app, order, *_ACTS[name])
        if name in _OTHERS:
            return _DOERS[name](app, order)
        raise Refused("do", name, ", ".join(sorted(list(_ACTS) + list(_OTHERS))), "name an order")
    except Refused as no:
        field, value, limit, advice = no.args
        return {"ok": 0, "field": field, "value": value, "limit": limit, "advice": advice}
    except OSError:
        return {
            "ok": 0,
            "field": "journal",
            "value": "cannot be written",
            "limit": "",
            "advice": "pull the journal, free the flash, and ask again",
        }


def number(order: "Dict", name: str, usual: "int | None" = None) -> int:
    """A whole number of an order; Refused where it is missing or something else."""
    value = order.get(name, usual)
    if type(value) is not int:
        raise Refused(name, value, "a whole number", "see the command's help")
    return value


def _ready(app: "App") -> None:
    if not app.engine:
        raise Refused("controller", app.why, "ready", "see `aliquot status`")


def _scope(app: "App", order: "Dict") -> int:
    _ready(app)
    name = order.get("channel")
    ids = app.engine.state.ids
    if name == "all":
        return ALL
    if name not in ids:
        raise Refused("channel", name, ", ".join(ids), "name a channel of the set-up")
    return ids.index(name)


def _channel(app: "App", order: "Dict") -> int:
    ch = _scope(app, order)
    if ch == ALL:
        raise Refused("channel", "all", "one channel", "name it")
    return ch


def _reply(app: "App", done: bool) -> "Dict":
    """done: whether something changed; a repeat of an order changes nothing."""
    app.wake()
    return {"ok": 1, "done": int(done), "seq": app.engine.state.seq}


def _act(app: "App", order: "Dict", name: str, numbers: tuple, words: tuple) -> "Dict":
    wide = name in ("hold", "release", "see", "clear")
    scope = (_scope if wide else _channel)(app, order)
    values = [number(order, one, 0) for one in numbers]
    own = {word: bool(order.get(word)) for word in words}
    own["request"] = number(order, "id", 0)
    return _reply(app, getattr(acts, name)(app.engine, app.now_s(), scope, *values, **own))


def _status(app: "App", order: "Dict") -> "Dict":
    from aliquot.core import status
    from aliquot.core.demand import forget

    found = {
        "ok": 1,
        "why": app.why,
        "version": app.version,
        "findings": app.findings,
        "now_s": app.now_s(),
    }
    if app.engine:
        found.update(status.overview(app.engine, app.set_up(), app.now_s()))
        found["wall_w"] = app.now_s() + app.engine.state.offset
        found["seq"] = app.engine.state.seq
        found["hash"] = app.engine.state.hash
        found["running"] = app.running()
    forget("aliquot.core.status", "aliquot.core.room", "aliquot.core.layout")
    return found


def _files(app: "App", order: "Dict") -> "Dict":
    files = app.hw.files
    return {"ok": 1, "files": [[name, files.size(name)] for name in sorted(files.names())]}


def _read(app: "App", order: "Dict") -> "Dict":
    from binascii import hexlify

    name = order.get("name")
    if name not in app.hw.files.names():
        raise Refused("name", name, "a file of the journal", "ask for `files`")
    at = number(order, "at", 0)
    most = number(order, "most", _READ_MOST)
    if at < 0 or not 0 < most <= _READ_MOST:
        raise Refused("most", most, _READ_MOST, "read it in parts")
    return {"ok": 1, "hex": str(hexlify(app.hw.files.read(name, at, most) or b""), "ascii")}


def _stop(app: "App", order: "Dict") -> "Dict":
    """The motor first, then the record: a hold of all channels until it is released."""
    app.stop(USER)
    _ready(app)
    request = number(order, "id", 0)
    return _reply(app, acts.hold(app.engine, app.now_s(), ALL, 0, request, True))


def _clock(app: "App", order: "Dict") -> "Dict":
    from aliquot.core.clock import PHONE, USER as BY_USER

    _ready(app)
    source = PHONE if order.get("unsure") else BY_USER
    said = app.judge().hear(app.engine, app.now_s(), number(order, "wall_w"), source)
    if said != "set":
        raise Refused("wall_w", order.get("wall_w"), said, "set it by hand")
    return _reply(app, True)


def _note(app: "App", order: "Dict") -> "Dict":
    scope = _scope(app, order)
    text = order.get("text")
    if not isinstance(text, str):
        raise Refused("text", text, "a line of text", "write one")
    entry, request = number(order, "entry", 0), number(order, "id", 0)
    if not 0 <= entry <= 2:
        raise Refused("entry", entry, "0 to 2", "note, water test or new liquid")
    return _reply(app, acts.note(app.engine, app.now_s(), entry, scope, text, request))


def _turn(app: "App", order: "Dict") -> "Dict":
    """One second into a cup, so that the user sees which pump turns, and which way."""
    ch = _channel(app, order)
    counts = app.engine.setup.channels[ch].speed_cps * _TURN_S
    request = number(order, "id", 0)
    return _reply(app, acts.cup_run(app.engine, app.now_s(), ch, counts, request))


def _right(app: "App", order: "Dict") -> "Dict":
    """The user saw the right pump turn the right way."""
    app.seen.add(app.engine.state.ids[_channel(app, order)])
    return {"ok": 1, "done": 1}


def _cup(app: "App", order: "Dict") -> "Dict":
    ch = _channel(app, order)
    state = app.engine.state.channels[ch]
    sure = state.cal_sig == app.engine.setup.channels[ch].signature and state.cal_counts
    if not sure and app.engine.state.ids[ch] not in app.seen:
        advice = "let it turn for a second (`turn`), look, and say that it was right"
        raise Refused("channel", order["channel"], "seen to turn", advice)
    counts, request = number(order, "counts"), number(order, "id", 0)
    return _reply(app, acts.cup_run(app.engine, app.now_s(), ch, counts, request))


def _prime(app: "App", order: "Dict") -> "Dict":
    """Fill the line, into a cup; the line goes back with `release` 1."""
    ch = _channel(app, order)
    ul, request = number(order, "ul"), number(order, "id", 0)
    return _reply(app, acts.extra(app.engine, app.now_s(), ch, ul, request, into=CUP))


_DOERS = {
    "status": _status,
    "files": _files,
    "read": _read,
    "stop": _stop,
    "clock": _clock,
    "note": _note,
    "turn": _turn,
    "right": _right,
    "cup": _cup,
    "prime": _prime,
}
