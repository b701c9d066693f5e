"""Questions that come in over the line: how it stands, which files there are, what is in them.

Nothing here changes anything. Imported for a question only.
"""

import json
from binascii import hexlify

from aliquot import __version__
from aliquot.core import status as now
from aliquot.core.acts import Refused
from aliquot.orders import calibrated, number
from aliquot.store.config import NAME
from aliquot.watch import blinks

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

    from aliquot.app import App

    Dict = dict[str, Any]

READ_MOST = 768


def status(app: "App", order: "Dict") -> "Dict":
    """The controller at a glance; volumes in microlitres, `_w` in wall seconds."""
    found: Dict = {"ok": 1, "why": app.why, "version": __version__, "findings": app.findings}
    found["now_s"] = app.now_s()
    engine = app.engine
    found["light"] = blinks(app)
    found["seq"] = app.journal.state.seq if app.journal else 0
    found["last"] = app.last
    if not engine:
        return found
    state = engine.state
    data = json.loads(app.hw.files.read(NAME) or b"{}")
    found.update(now.overview(engine, data, app.now_s()))
    for ch, one in enumerate(found["channels"]):
        c = state.channels[ch]
        one["speed_cps"] = engine.setup.channels[ch].speed_cps
        one["run_most_s"] = engine.setup.channels[ch].run_most_s
        one["seen"] = int(calibrated(app, ch) or one["id"] in app.seen)
        for name in ("cup", "hold_w", "trim_pct", "trim_n", "latched", "fill_ul"):
            one[name] = getattr(c, name)
        one["cal"] = (c.cal_counts, c.cal_ul, c.cal_offset)
    found["board"] = data["board"]
    found["wall_w"] = app.now_s() + state.offset
    found["hash"] = state.hash
    found["hold_w"], found["latched"] = state.hold_w, state.latched
    found["lost"] = state.gap + (1 if state.foreign else 0)
    found["unwritten"] = int(app.unwritten())
    found["running"] = app.running()
    found["given"] = app.pump.given + app.pump.sent if app.pump else 0
    found["requests"] = state.requests
    return found


def files(app: "App", order: "Dict") -> "Dict":
    """Names and sizes of what the journal's folder holds."""
    there = app.hw.files
    return {"ok": 1, "files": [[name, there.size(name)] for name in sorted(there.names())]}


def read(app: "App", order: "Dict") -> "Dict":
    """A piece of a file, in hexadecimal."""
    name = order.get("name")
    if name not in app.hw.files.names():
        raise Refused("name", name, "a file of the journal", "ask for `files`")
    at, most = number(order, "at", 0), number(order, "most", READ_MOST)
    if at < 0 or not 0 < most <= READ_MOST:
        raise Refused("most", most, READ_MOST, "read it in parts")
    return {"ok": 1, "hex": str(hexlify(app.hw.files.read(name, at, most) or b""), "ascii")}
