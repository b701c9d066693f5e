"""The start: self-test, journal, set-up, first record. Imported once and dropped.

What is missing or does not fit leaves the app without an engine and with a reason in words, so
that a person can ask what is wrong; it never doses then, and no default stands in for anything.
"""

import json

from aliquot.core import events
from aliquot.core.demand import forget
from aliquot.core.engine import Engine
from aliquot.store import config, recover

TYPE_CHECKING = False
if TYPE_CHECKING:
    from aliquot.app import App
    from aliquot.core.state import State

_TEST = "selftest.txt"
_PARTS = (
    "core.setup",
    "core.zone_text",
    "core.records",
    "core.snapshot",
    "core.fold",
    "core.events",
    "core.acts",
    "store.recover",
    "store.segment",
    "store.config",
    "store.keep",
    "troubles",
    "start",
)


def start(app: "App") -> None:
    """Give the app its engine, or the reason why it has none."""
    try:
        app.why = _start(app)
    except recover.Unreadable as problem:
        app.why = "the journal cannot be read: %s" % problem
    except (OSError, ValueError, KeyError) as problem:
        app.why = "the start failed: %r" % problem
    forget(*["aliquot." + part for part in _PARTS])


def _start(app: "App") -> str:
    files = app.hw.files
    files.write(_TEST, b"ok")
    if files.read(_TEST) != b"ok":
        return "the flash does not keep what is written"
    files.remove(_TEST)
    journal, findings = recover.open_journal(files, lost)
    app.findings = ["%s %s" % (one[0], one[1]) for one in findings if one[0] != "new"]
    app.journal = journal
    app.seconds = journal.state.now_s
    word, found = config.settle(files, journal.state.hash)
    if word != "ok":
        return str(found)
    begin(app, json.loads(found or b"{}"), journal.state.hash)
    return ""


def begin(app: "App", data: "dict[str, object]", digest: str) -> None:
    """Go on with a set-up that the journal names: an engine, and the record of the start."""
    from aliquot.core.setup import build

    state = app.journal.state
    why = app.hw.unfit(data)
    if why:
        raise ValueError(why)
    app.hw.fit(data)
    engine = Engine(build(data, digest), app.journal)
    kept = app.hw.kept()
    counts = -1
    # The number tells that it is this run, and that no record came since: else nobody knows.
    if state.open and kept and kept[0] == state.seq:
        counts = kept[1]
    events.boot(engine, app.now_s(), app.hw.cause, counts)
    app.hw.keep(0, 0)
    app.engine = engine
    if state.fault:
        from aliquot import troubles

        troubles.over(app)


def lost(state: "State", records: int) -> "tuple[int, ...]":
    """What may have entered in lost records: nobody knows, so all that each window held."""
    return tuple([max(1, c.ring.total_ul) for c in state.channels])
