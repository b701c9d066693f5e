"""An event loop with its own time: virtual seconds pass at any speed, or as fast as there is work.

The clock of a `WarpLoop` goes on only while the loop waits for its next timer: by the time waited
for, times the speed. It never jumps because a computer is slow, and never runs past a timer, so
that what happens on it does not depend on the computer; only what comes in from outside does, and
wakes it early. The clock counts whole microseconds from 0. It knows nothing of boards.
"""

from __future__ import annotations

import asyncio
import selectors
import time
from collections.abc import Mapping
from typing import Any

SECOND_US = 1_000_000
# Work done since the last wait is made up for by a shorter wait, up to this much: a clock at
# speed 1 keeps pace with the wall, and one that was suspended does not race.
BEHIND_MOST_S = 0.1


class WarpSelector(selectors.BaseSelector):
    """Waits for files like another selector, and lets virtual time pass meanwhile.

    speed: virtual seconds a second; 0: no wait at all. now_us: the virtual time.
    """

    def __init__(self, speed: float) -> None:
        self.speed = speed
        self.now_us = 0
        self._real = selectors.DefaultSelector()
        self._until = time.monotonic()

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        """Wait `timeout` virtual seconds, less where something comes in; None: for that alone."""
        if timeout is None:
            return self._real.select(None)
        wait_us = max(0, round(timeout * SECOND_US))
        if not self.speed or not wait_us:
            self.now_us += wait_us
            return self._real.select(0)
        # Each wait ends at its place in a row of waits, and not so long after its own start.
        began = max(self._until, time.monotonic() - BEHIND_MOST_S)
        self._until = began + wait_us / (self.speed * SECOND_US)
        found = self._real.select(max(0.0, self._until - time.monotonic()))
        if found:
            ended = min(time.monotonic(), self._until)
            passed_us = int((ended - began) * self.speed * SECOND_US)
            wait_us = min(wait_us, max(0, passed_us))
            self._until = ended
        self.now_us += wait_us
        return found

    def register(self, fileobj: Any, events: int, data: Any = None) -> selectors.SelectorKey:
        """See selectors."""
        return self._real.register(fileobj, events, data)

    def unregister(self, fileobj: Any) -> selectors.SelectorKey:
        """See selectors."""
        return self._real.unregister(fileobj)

    def modify(self, fileobj: Any, events: int, data: Any = None) -> selectors.SelectorKey:
        """See selectors."""
        return self._real.modify(fileobj, events, data)

    def get_map(self) -> Mapping[Any, selectors.SelectorKey]:
        """See selectors."""
        return self._real.get_map()

    def close(self) -> None:
        """See selectors."""
        self._real.close()


class WarpLoop(asyncio.SelectorEventLoop):
    """An asyncio loop on virtual time; speed: virtual seconds a second, 0 for no wait at all."""

    def __init__(self, speed: float = 0) -> None:
        self.warp = WarpSelector(speed)
        super().__init__(self.warp)
        # Timers are whole milliseconds in floats: what is nearer than this is the same moment.
        self._clock_resolution = 1e-5

    def time(self) -> float:
        """Virtual seconds since the loop was made."""
        return self.warp.now_us / SECOND_US

    def now_us(self) -> int:
        """The same in whole microseconds."""
        return self.warp.now_us
