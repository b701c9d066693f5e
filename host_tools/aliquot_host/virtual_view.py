"""How a virtual board looks to a person: a picture that is drawn anew, or plain lines.

It only looks: what is shown is the board's own overview beside the truth. Nothing here changes a
run, and how often it is drawn changes nothing either.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Generator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from aliquot.core import status
from aliquot.watch import blinks
from aliquot_host import output
from aliquot_host.errors import printable
from aliquot_host.explain import local
from aliquot_host.happenings import Event, digits, span
from aliquot_host.virtual_line import HOST

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.live import Live

    from aliquot_host.virtual_life import Desk

# What the light says, in words: `blinks` of aliquot/watch.py.
WORDS = {
    1: "doses by the plan",
    2: "waits for the time",
    3: "is held",
    4: "has a fault, or lost records",
    5: "has no set-up or no journal",
}
EVENTS_SHOWN = 8
DRAWN_S = 0.25
# Virtual seconds between two looks at whether to draw, where no speed is set.
LOOK_S = 300.0
COLUMNS = ("channel", "next dose", "today mL", "left mL", "now")


class Lines:
    """Each event as a line, where there is no terminal; doses only while a person could follow."""

    def __init__(self, err: bool) -> None:
        self.err = err
        self.desk: Desk | None = None

    def heard(self, event: Event) -> None:
        """Print an event."""
        if not self.desk or (event.kind == "dose" and self.desk.board.fast):
            return
        text = f"{local(event.at_w, self.desk.board.zone)}  {event.text}"
        (output.note if self.err else output.say)(printable(text, most=0))

    @contextmanager
    def shown(self, desk: Desk) -> Generator[None]:
        """Show what happens to `desk`."""
        self.desk = desk
        (output.note if self.err else output.say)(opening(desk))
        yield


class Picture:
    """A table that stays in its place, and the last events below it."""

    def __init__(self, err: bool) -> None:
        self.err = err
        self.last: deque[str] = deque(maxlen=EVENTS_SHOWN)
        self.desk: Desk | None = None
        self.live: Live | None = None
        self.drawn = 0.0

    def heard(self, event: Event) -> None:
        """Keep an event for the next drawing."""
        zone = self.desk.board.zone if self.desk else None
        self.last.append(printable(f"{local(event.at_w, zone)}  {event.text}", most=0))

    @contextmanager
    def shown(self, desk: Desk) -> Generator[None]:
        """Show what happens to `desk`."""
        from rich.live import Live

        self.desk = desk
        with Live(
            picture(desk, self.last), console=output.console(err=self.err), auto_refresh=False
        ) as self.live:
            self._look()
            yield
            self.live.update(picture(desk, self.last), refresh=True)

    def _look(self) -> None:
        """Draw, if the last time is long enough ago, and look again a little later."""
        desk = self.desk
        assert desk
        assert self.live
        now = time.monotonic()
        if now - self.drawn >= DRAWN_S:
            self.live.update(picture(desk, self.last), refresh=True)
            self.drawn = time.monotonic()
        speed = desk.loop.warp.speed
        desk.loop.call_later(DRAWN_S * speed if speed else LOOK_S, self._look)


def opening(desk: Desk) -> str:
    """Where the line is, as one sentence."""
    return f"The virtual board listens on socket://{HOST}:{desk.board.port.number}"


def word(desk: Desk) -> str:
    """How it stands, in words."""
    if not desk.board.app:
        return "is off"
    app = desk.board.app
    return f"runs {app.running()}" if app.running() else WORDS[blinks(app)]


def rows(desk: Desk) -> list[list[str]]:
    """A row a channel, for COLUMNS."""
    app: Any = desk.board.app
    if not app or not app.engine:
        return []
    truth, zone, now_s = desk.board.truth, desk.board.zone, app.now_s()
    date = zone.date_of(desk.board.now_w())
    found: list[list[str]] = []
    seen: Any = status
    for ch, name in enumerate(app.engine.state.ids):
        lane = app.engine.lanes[ch]
        place = truth.ids.index(name)
        left_ul = seen.left_ul(app.engine, ch)
        now = ""
        if app.job and app.job[0] == ch:
            given = app.pump.given + app.pump.sent if app.pump else 0
            now = f"{given:,} of {app.job[1]:,} counts"
        elif seen.lanes.block(app.engine, ch, now_s + app.engine.state.offset):
            now = "held"
        due = local(lane.due_w, zone)[5:16] if lane.due_w > 0 else ""
        left = digits(left_ul) if left_ul >= 0 else ""
        found.append([name, due, digits(truth.by_date[date, place]), left, now])
    return found


def picture(desk: Desk, last: deque[str]) -> RenderableType:
    """All of it: the time, the state, the channels, the last events."""
    from rich import box
    from rich.console import Group
    from rich.table import Table
    from rich.text import Text

    board = desk.board
    lamp = "light on" if board.lamp else "light off"
    lived = span(desk.loop.now_us() // 1_000_000)
    client = "a client is on the line" if board.port.busy else "nobody is on the line"
    head = Text(f"{local(board.now_w(), board.zone)}  the board {word(desk)}", style="bold")
    grid = Table(box=box.SIMPLE_HEAD)
    for column in COLUMNS:
        grid.add_column(Text(column), justify="right" if column.endswith("mL") else "left")
    for row in rows(desk):
        grid.add_row(*(Text(printable(cell, most=0)) for cell in row))
    pressed = [what for what, on in board.on.items() if on]
    on = f", on: {', '.join(pressed)}" if pressed else ""
    where = f"socket://{HOST}:{board.port.number}"
    return Group(
        head,
        Text(f"{lamp}{on}; {client} at {where}; {lived} in all; Ctrl-C ends it"),
        grid,
        *(Text(line) for line in last),
    )
