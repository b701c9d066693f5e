"""Switches and buttons at the tank: what they hold, stop and reset. It never starts a motor.

An input counts as on when it has looked on for `SURE` looks in a row, and as off after many more,
so that waves at a float do not start and stop the pumps. `hw.inputs` is a list of (what, look),
`look()` being true while the input is on. Resident, because it looks twenty times a second.
"""

from aliquot.core import events
from aliquot.core.ledger import ALL, HOLD, USER

TYPE_CHECKING = False
if TYPE_CHECKING:
    from aliquot.app import App

SURE = 2
GONE = 200  # ten seconds of looks
# what -> code of the fault that it raises while it is on
CODES = {"level": 5, "leak": 6, "supply": 7}


class Watch:
    """The inputs of one board, looked at in turn."""

    def __init__(self, app: "App") -> None:
        self.app = app
        self.on = [0] * len(app.hw.inputs)  # looks in a row; below zero: looks since it was on

    def look(self) -> None:
        """Look at every input once."""
        for i, (what, look) in enumerate(self.app.hw.inputs):
            n = self.on[i]
            if look():
                n = n + 1 if n >= 0 else SURE
                self.on[i] = min(n, 30000)
                if n == SURE:
                    self._on(what)
            elif n > 0:
                self.on[i] = -1 if n >= SURE else 0
            elif n < 0:
                self.on[i] = n - 1
                if n <= -GONE:
                    self.on[i] = 0
                    self._off(what)

    def _on(self, what: str) -> None:
        app = self.app
        if what == "stop":
            app.stop(USER)
            app.answer({"do": "stop"})
        elif what in CODES:
            app.stop(HOLD)
            if app.engine:
                events.fault(app.engine, app.now_s(), ALL, CODES[what], 0)

    def _off(self, what: str) -> None:
        app = self.app
        code = CODES.get(what, 0)
        if app.engine and code and app.engine.state.fault == code and not app.engine.state.latched:
            app.engine.act(app.now_s(), "z", (ALL, 0, 0))
