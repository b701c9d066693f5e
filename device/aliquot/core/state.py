"""The state: what all records of the journal add up to. The fold adds and never decides.

`State.apply` takes one record after the other; the same records give the same state on the board,
in the simulator and years later on a desk. Nothing else changes a State. No clock is read, no rule
of dosing is looked at, no file is opened. What a kind of record carries stands at its handler,
`on_` and its letter, in `runs.py` and `fold.py`.
"""

from aliquot.core import runs
from aliquot.core.ledger import ChannelState

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Protocol

    class Journal(Protocol):
        """What the engine needs of a journal: `put` is durable when it returns."""

        @property
        def state(self) -> "State": ...

        def put(self, now_s: int, kind: str, fields: tuple[int, ...], text: str = "") -> None: ...


class State:
    """The fold; `open` is the run under way: channel, ul, counts, into, start_s, base, raise."""

    def __init__(self) -> None:
        self.seq = 0
        self.now_s = 0
        self.offset = 0  # wall = engine + offset
        self.quality = 0  # 0 unset, 1 estimated, 2 trusted
        self.hold_w = -1
        self.fault = 0
        self.latched = 0
        self.faults: list[int] = []
        self.gap = 0  # records lost and not yet answered for by the user
        self.foreign = 0  # number of a record of a kind that this version does not know
        self.fresh_s = 0  # before this engine second: no extras and no catch-up
        self.resets = 0  # runs in a row that a reset ended
        self.gone_s = -1  # the engine second at which a channel was last taken out
        self.top = 0  # the highest revision of channels taken out: one that comes back goes on
        self.hash = ""
        self.ids: list[str] = []
        self.requests: list[int] = []
        self.dogs: list[int] = []  # engine seconds of the last watchdog resets
        self.open: tuple[int, ...] = ()
        self.channels: list[ChannelState] = []

    def apply(self, dt_s: int, kind: str, f: "tuple[int, ...]", text: str = "") -> None:
        """Add one record. A kind that is not known holds dosing, unless it begins with `~`."""
        name = "on_" + kind
        do = getattr(runs, name, None)
        if not do:
            from aliquot.core import fold

            do = getattr(fold, name, None)
        self.seq += 1
        self.now_s += dt_s
        if do:
            do(self, f, text)
        elif kind[0] != "~":
            self.foreign = self.seq
