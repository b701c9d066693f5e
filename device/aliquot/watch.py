"""Switches, buttons and the light at the tank: what they hold, stop, reset and show.

An input counts as on when it has looked on for so many looks in a row as its place in `hw.inputs`
says (what, look, looks); as off after a minute of looks without one that was on, so that waves at
a float do not start and stop the pumps. It never starts a motor. Resident, because it looks twenty
times a second.
"""

from aliquot.core.demand import forget
from aliquot.core.ledger import ALL, FAULT, USER

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

    from aliquot.app import App

GONE = 1200
# The faults that an input raises while it is on, the one that matters most last.
_CODES = {"float": 5, "supply": 7, "leak": 6}
NETWORK = 100  # looks for which the reset button is pressed: 5 s
ALMOST_ALL = 300  # 15 s
MOST = 30000
STEPS = 20  # of the light, 200 ms each


class Watch:
    """The inputs of one board, looked at in turn."""

    def __init__(self, app: "App") -> None:
        self.app = app
        self.inputs = app.hw.inputs
        self.step = 0
        self.on = [0] * len(self.inputs)  # looks on in a row; below 0: off since

    def look(self) -> None:
        """Look at every input once."""
        on = self.on
        want = 0
        for i in range(len(on)):
            what, look, sure = self.inputs[i]
            n = on[i]
            if look():
                on[i] = n = min(n + 1, MOST) if n >= 0 else sure
                if n == sure and what == "stop":
                    self._stop()
                if what == "reset":
                    self.app.pressed = 2 if n >= ALMOST_ALL else 1 if n >= NETWORK else 0
            elif n:
                if what == "reset":
                    on[i] = 0
                    self._released()
                elif n >= sure:
                    on[i] = -1
                else:
                    on[i] = n - 1 if -GONE < n < 0 else 0
            code = _CODES.get(what, 0)
            if code and (n >= sure or n < 0) and want != 6:
                want = code
        if self.app.engine:
            self._hold(want)

    def _hold(self, want: int) -> None:
        """Raise the fault of what is on, or end it."""
        app = self.app
        state = app.engine.state
        fault = state.fault
        if want == fault or state.latched or (fault and fault not in _CODES.values()):
            return
        if app.unwritten():  # no dose can begin either
            app.stop(FAULT)
            return
        if want:
            app.stop(FAULT)
            from aliquot.core import events

            app.record(events.fault, ALL, want, 0)
            app.mark()
            forget("aliquot.core.events")
        elif fault:
            app.record(over)

    def _stop(self) -> None:
        self.app.stop(USER)
        self.app.answer({"do": "stop"})

    def _released(self) -> None:
        pressed, self.app.pressed = self.app.pressed, 0
        if pressed:
            self.app.answer({"do": "forget", "what": pressed})

    def lit(self) -> bool:
        """Whether the light is on now: steady while a motor turns, else short blinks and a pause.
        Pressing the reset button makes it flicker after 5 s, steady after 15 s."""
        self.step = step = (self.step + 1) % STEPS
        if self.app.pressed:
            return self.app.pressed == 2 or step % 2 == 0
        return bool(self.app.job) or (step % 2 == 0 and step < 2 * blinks(self.app))


def over(engine: "Any", now_s: int) -> None:
    """No input is on any more."""
    engine.act(now_s, "z", (ALL, 0, 0))


def blinks(app: "App") -> int:
    """Blinks every four seconds: 1 all is well, 2 the clock is unset, 3 held, 4 a fault, lost
    records or a full flash, 5 no set-up or no journal."""
    if not app.engine:
        return 5
    state = app.engine.state
    if state.fault or state.gap or state.foreign or app.unwritten():
        return 4
    wall = app.seconds + state.offset
    held = state.hold_w == 0 or state.hold_w > wall
    for c in state.channels:
        if c.fault:
            return 4
        held = held or c.cup or c.hold_w == 0 or c.hold_w > wall
    return 3 if held else 1 if state.quality else 2
