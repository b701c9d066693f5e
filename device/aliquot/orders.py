"""The one layer through which people act on a running controller: it checks, records, answers.

`begin` takes an order as a dict and yields the reply as a dict; the serial line, and later the
page and messages, are doors to the same room. An order that cannot be is answered with field,
value, limit and advice, and leaves no trace; one that was heard before changes nothing. Nothing
here moves a pump: a run is started by the engine, stopped by the app. Imported for an order only.
"""

from aliquot.core import acts
from aliquot.core.acts import Refused
from aliquot.core.demand import forget
from aliquot.core.ledger import ALL, CUP, HOLD, TANK, USER

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Iterable
    from typing import Any

    from aliquot.app import App

    Dict = dict[str, Any]

_NUMBER_MOST = 1 << 32
_ID_MOST = 1 << 29
_HEARD = 8
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
_WIDE = ("hold", "release", "see", "clear")
# Asked for again at no cost: a want of memory is told, and changes nothing.
_QUESTIONS = ("status", "files", "read")
_LOADS = ("load", "forget", "anew")
_PARTS = """orders questions loading core.acts core.fits core.extras core.room core.layout
core.status core.clock core.events core.adopt core.fold core.records core.setup
core.zone_text core.validate core.fields core.consistent core.survey store.config store.recover
store.segment"""


def begin(app: "App", order: "Dict") -> "Iterable[Dict | None]":
    """Carry an order out, in slices where it takes long: None after each, at last the reply,
    {"ok": 1, ...} or {"ok": 0, "field", "value", "limit", "advice"}; "re" is the order's id."""
    name = str(order.get("do"))
    reply: Dict = {}
    try:
        if name == "adopt":
            from aliquot.loading import adopt

            for slice_ in adopt(app, order):
                if not slice_:
                    yield None
                reply = slice_ or reply
        else:
            reply = _answer(app, order, name)
    except Refused as no:
        reply = refusal(*no.args)
    except OSError as problem:
        advice = "pull the journal, free the flash, and ask again"
        reply = refusal("journal", str(problem), "can be written", advice)
    except MemoryError:
        if name not in _QUESTIONS:
            raise
        reply = refusal("memory", "used up", "", "ask again, or restart the board")
    app.mark()
    reply["re"] = order.get("id", 0)
    forget(*["aliquot." + part for part in _PARTS.split()])
    yield reply


def refusal(field: str, value: object, limit: object, advice: str) -> "Dict":
    """The reply to an order that cannot be."""
    return {"ok": 0, "field": field, "value": value, "limit": limit, "advice": advice}


def _answer(app: "App", order: "Dict", name: str) -> "Dict":
    if name in _ACTS:
        return _act(app, order, name)
    if name in _QUESTIONS:
        from aliquot import questions

        return getattr(questions, name)(app, order)
    if name in _LOADS:
        from aliquot import loading

        return getattr(loading, name)(app, order)
    if name in _DOERS:
        return _DOERS[name](app, order)
    names = list(_ACTS) + list(_DOERS) + list(_QUESTIONS) + list(_LOADS) + ["adopt"]
    raise Refused("do", name, ", ".join(sorted(names)), "name an order")


def number(order: "Dict", name: str, usual: "int | None" = None) -> int:
    """A whole number of an order; Refused where it is missing or something else."""
    value = order.get(name, usual)
    if type(value) is not int or not -_NUMBER_MOST < value < _NUMBER_MOST:
        raise Refused(name, value, "a whole number", "see the command's help")
    return value


def request_of(order: "Dict") -> int:
    """The order's id, 0 where it has none."""
    found = number(order, "id", 0)
    if not 0 <= found < _ID_MOST:
        raise Refused("id", found, "1 to %d" % (_ID_MOST - 1), "draw another one")
    return found


def ready(app: "App") -> None:
    """Refused where there is no engine."""
    if not app.engine:
        raise Refused("controller", app.why, "ready", "see `aliquot status`")


def _scope(app: "App", order: "Dict") -> int:
    ready(app)
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


def _heard(app: "App", order: "Dict") -> bool:
    """Whether an order that leaves no number in the journal was carried out already."""
    request = request_of(order)
    if request in app.heard:
        return True
    if request:
        app.heard = app.heard[1 - _HEARD :] + [request]
    return False


def done(app: "App", done: bool, owed_ul: int = 0) -> "Dict":
    """done: whether something changed; a repeat of an order changes nothing."""
    return {"ok": 1, "done": int(done), "seq": app.engine.state.seq, "owed_ul": owed_ul}


def _act(app: "App", order: "Dict", do: str) -> "Dict":
    name, numbers, words = _ACTS[do]
    scope = (_scope if do in _WIDE else _channel)(app, order)
    values = [number(order, one, 0) for one in numbers]
    own: Dict = {word: bool(order.get(word)) for word in words}
    request = own["request"] = request_of(order)
    owed_ul = acts.owed_ul(app.engine, scope) if "keep" in words else 0
    news = request not in app.engine.state.requests
    if do == "hold" and news and app.job and scope in (ALL, app.job[0]):
        app.stop(HOLD)
    acted = getattr(acts, name)(app.engine, app.now_s(), scope, *values, **own)
    return done(app, acted, owed_ul)


def _stop(app: "App", order: "Dict") -> "Dict":
    """The motor first, then the record: a hold of all channels until it is released."""
    request = request_of(order)
    if not app.engine or request not in app.engine.state.requests:
        app.stop(USER)
    ready(app)
    return done(app, acts.hold(app.engine, app.now_s(), ALL, 0, request, True))


def _end(app: "App", order: "Dict") -> "Dict":
    """End the run under way, and nothing more."""
    ready(app)
    if _heard(app, order) or not app.job:
        return done(app, False)
    app.stop(USER)
    return done(app, True)


def _clock(app: "App", order: "Dict") -> "Dict":
    from aliquot.core.clock import PHONE
    from aliquot.core.clock import USER as BY_USER

    ready(app)
    wall_w = number(order, "wall_w")
    if _heard(app, order):
        return done(app, False)
    source = PHONE if order.get("unsure") else BY_USER
    said = app.judge().hear(app.engine, app.now_s(), wall_w, source)
    if said != "set":
        raise Refused("wall_w", wall_w, said, "set it by hand")
    if source == BY_USER:
        app.hw.set_chip(wall_w)
    return done(app, True)


def _note(app: "App", order: "Dict") -> "Dict":
    scope = _scope(app, order)
    text = order.get("text")
    if not isinstance(text, str):
        raise Refused("text", text, "a line of text", "write one")
    entry = number(order, "entry", 0)
    if not 0 <= entry <= 2:
        raise Refused("entry", entry, "0 to 2", "note, water test or new liquid")
    return done(app, acts.note(app.engine, app.now_s(), entry, scope, text, request_of(order)))


def _turn(app: "App", order: "Dict") -> "Dict":
    """One second into a cup, so that the user sees which pump turns, and which way."""
    ch = _channel(app, order)
    counts = app.engine.setup.channels[ch].speed_cps * _TURN_S
    return done(app, acts.cup_run(app.engine, app.now_s(), ch, counts, request_of(order)))


def _right(app: "App", order: "Dict") -> "Dict":
    """The user saw the right pump turn the right way."""
    name = app.engine.state.ids[_channel(app, order)] if app.engine else ""
    ready(app)
    last = app.last
    if not last or last[0] != name or not last[2]:
        raise Refused("channel", name, "turned just now", "let it turn first, and look")
    if name not in app.seen:
        app.seen = app.seen + [name]
    return done(app, True)


def calibrated(app: "App", ch: int) -> bool:
    """Whether the channel has a calibration that was made with its pump's settings."""
    c = app.engine.state.channels[ch]
    return bool(c.cal_counts) and c.cal_sig == app.engine.setup.channels[ch].signature


def _cup(app: "App", order: "Dict") -> "Dict":
    ch = _channel(app, order)
    if not calibrated(app, ch) and app.engine.state.ids[ch] not in app.seen:
        advice = "let it turn for a second, look, and say that it was right"
        raise Refused("channel", order["channel"], "seen to turn", advice)
    counts, request = number(order, "counts"), request_of(order)
    return done(app, acts.cup_run(app.engine, app.now_s(), ch, counts, request))


def _prime(app: "App", order: "Dict") -> "Dict":
    """Fill the line: into a cup, from where it goes back with `release` 1, or into the tank."""
    ch = _channel(app, order)
    if not calibrated(app, ch):
        raise Refused("channel", order["channel"], "calibrated", "run counts into a cup instead")
    into = {"cup": CUP, "tank": TANK}.get(str(order.get("into", "cup")))
    if into is None:
        raise Refused("into", order["into"], "cup or tank", "say where the outlet is")
    ul, planned = number(order, "ul"), bool(order.get("planned"))
    return done(
        app,
        acts.extra(app.engine, app.now_s(), ch, ul, request_of(order), planned, into=into),
    )


def _restart(app: "App", order: "Dict") -> "Dict":
    """Start the board anew, once no motor turns."""
    app.restart = True
    return {"ok": 1, "done": 1}


_DOERS = {
    "stop": _stop,
    "end": _end,
    "clock": _clock,
    "note": _note,
    "turn": _turn,
    "right": _right,
    "cup": _cup,
    "prime": _prime,
    "restart": _restart,
}
