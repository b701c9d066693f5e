"""A new set-up over the line, piece by piece, and what the reset button takes away.

What was sent counts for nothing until `adopt` names its hash: then it is checked as the desk
checks it, recorded and taken over in one go; a cut leaves the old set-up or the new one. Nothing
that was calibrated or recorded is ever taken away here. Imported when needed, and dropped.
"""

import json
from binascii import unhexlify

from aliquot.core import adopt as taking_over
from aliquot.core.acts import Refused
from aliquot.core.ledger import USER
from aliquot.core.setup import build
from aliquot.orders import number, request_of
from aliquot.store import config

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Iterator
    from typing import Any

    from aliquot.app import App
    from aliquot.core.plan import Setup

    Dict = dict[str, Any]

PART = "setup.part"
NETWORK = "net.json"
RUN_MOST_S = 900
_DATE = 9497  # 2026-01-01: with the clock unset, the rules of that year are tried


def load(app: "App", order: "Dict") -> "Dict":
    """Take a piece of a set-up; at 0 begins anew, a piece that came before is not taken twice."""
    at = number(order, "at")
    try:
        data = unhexlify(order.get("hex", ""))
    except (ValueError, TypeError):
        raise Refused("hex", "no text of digits", "hexadecimal", "send the piece again")
    files = app.hw.files
    size = max(0, files.size(PART))
    if at == 0:
        files.write(PART, data)
    elif at == size:
        if at + len(data) > config.SIZE_MOST:
            raise Refused("size", at + len(data), config.SIZE_MOST, "a set-up is no longer")
        files.append(PART, data)
    elif at + len(data) != size or files.read(PART, at) != data:
        raise Refused("at", at, size, "send the pieces in their order")
    return {"ok": 1, "size": files.size(PART)}


def adopt(app: "App", order: "Dict") -> "Iterator[Dict | None]":
    """Take over what was sent; `given_ul`: what each channel gave in the last 24 h, -1 unknown.

    It is checked in slices, with None after each, so that doses go on; at last comes the reply."""
    files = app.hw.files
    if app.journal is None:
        raise Refused("controller", app.why, "a journal", "see `aliquot status`")
    own = str(order.get("hash", ""))
    if own and own == app.journal.state.hash and app.engine:
        yield {"ok": 1, "done": 0, "seq": app.journal.state.seq}
        return
    text = files.read(PART) or b""
    if config.hash_of(text) != own:
        raise Refused("hash", own, config.hash_of(text), "send the set-up again")
    request, given_ul = request_of(order), number(order, "given_ul", -1)
    data = _read(text)
    yield from _checked(app, data)
    made = build(data, own)
    yield None
    if app.job:
        raise Refused("configuration", "a run is under way", "none", "wait for its end")
    _take(app, made, text, request, given_ul)
    app.hw.fit(data)
    if not app.engine:
        from aliquot import start

        start.begin(app, data, own)
        app.why = ""
    files.remove(PART)
    yield {"ok": 1, "done": 1, "seq": app.journal.state.seq}


def _read(text: bytes) -> "Dict":
    try:
        return json.loads(text)
    except ValueError:
        raise Refused("set-up", "no JSON", "canonical JSON", "load it with `aliquot load`")


def _checked(app: "App", data: "Dict") -> "Iterator[None]":
    """Refused with the first thing that is wrong in a set-up."""
    from aliquot.core import validate

    engine = app.engine
    date = _DATE
    if engine and engine.state.quality:
        date = engine.setup.zone.date_of(app.now_s() + engine.state.offset)
    found: list[Any] = []
    yield from validate.steps(found, data, date)
    if found:
        raise Refused("set-up", validate.text(found[0]), "a valid one", "run `aliquot check`")
    while app.job:  # a board tries each driver, which puts its pins to rest
        yield None
    why = app.hw.unfit(data)
    if why:
        raise Refused("board", why, "a set-up for this board", "see `aliquot boards`")


def _take(app: "App", new: "Setup", text: bytes, request: int, given_ul: int) -> None:
    """Make it durable and record it."""

    def record(_: str) -> None:
        if app.engine:
            taking_over.adopt(app.engine, new, app.now_s(), request, given_ul)
            return
        journal = app.journal
        if journal.state.open:  # no set-up to end it with: what is unknown counts in full
            journal.put(app.now_s(), "U", (journal.state.open[0], RUN_MOST_S))
        fields, names = taking_over.fields_of(
            journal.state, None, new, app.now_s(), request, given_ul
        )
        journal.put(app.now_s(), "C", fields, names)

    config.adopt(app.hw.files, text, record)


def anew(app: "App", order: "Dict") -> "Dict":
    """Begin a journal beside one that cannot be read, on the user's word; a set-up comes next."""
    from aliquot.store import recover

    if app.journal is None:
        app.journal = recover.begin_anew(app.hw.files)
        app.why = "the journal began anew: no set-up was adopted since"
        return {"ok": 1, "done": 1}
    return {"ok": 1, "done": 0}


def forget(app: "App", order: "Dict") -> "Dict":
    """The reset button: 1 takes network and password away, 2 the set-up too; then a restart."""
    what = number(order, "what")
    if what not in (1, 2):
        raise Refused("what", what, "1 or 2", "network, or all but calibrations and journal")
    app.stop(USER)
    if app.engine:
        app.note("reset: " + ("network" if what == 1 else "all but calibrations and journal"))
    files = app.hw.files
    there = files.names()
    for name in (NETWORK, config.NAME, config.CANDIDATE, PART)[: 1 if what == 1 else 4]:
        if name in there:
            files.remove(name)
    app.restart = True
    return {"ok": 1, "done": 1}
