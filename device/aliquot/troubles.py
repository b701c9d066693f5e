"""What is written down when something goes wrong: a note in the journal, a text beside it.

Never raises: it is called where there is no better place left to tell it. Imported only then.
"""

import sys

from aliquot.core import acts, events
from aliquot.core.ledger import ALL

TYPE_CHECKING = False
if TYPE_CHECKING:
    from aliquot.app import App

F_PROGRAM = 8
NAME = "crash.txt"
_TEXT_MOST = 1000
_NOTE_MOST = 200


def note(app: "App", text: str) -> bool:
    """Write a note into the journal; whether it took it."""
    if not app.engine:
        return False
    clean = "".join([c if 32 <= ord(c) < 127 else " " for c in text])
    try:
        acts.note(app.engine, app.now_s(), 0, ALL, clean[:_NOTE_MOST])
    except (OSError, RuntimeError) as problem:
        print("note:", problem)
        return False
    return True


def crashed(app: "App", problem: BaseException) -> None:
    """Leave a text beside the journal, then a fault in it: the same three times latches."""
    try:
        app.hw.files.write(NAME, _told(problem)[:_TEXT_MOST].encode())
    except (OSError, MemoryError) as worse:
        print("crash:", worse)
    try:
        if app.engine and note(app, "stopped by %r" % problem):
            events.fault(app.engine, app.now_s(), ALL, F_PROGRAM, 0)
    except (OSError, RuntimeError, MemoryError) as worse:
        print("crash:", worse)


def _told(problem: BaseException) -> str:
    """The exception with its places in the program."""
    from io import StringIO

    out = StringIO()
    show = getattr(sys, "print_exception", None)  # MicroPython's
    if show:
        show(problem, out)
    else:
        import traceback

        traceback.print_exception(problem, file=out)
    return out.getvalue()


def over(app: "App") -> None:
    """The program runs again: its fault is over, unless it latched."""
    state = app.engine.state
    if state.fault == F_PROGRAM and not state.latched:
        app.engine.act(app.now_s(), "z", (ALL, 0, 0))
