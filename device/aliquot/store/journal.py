"""The journal while it runs: one record is one line, one write, one step of the fold.

Nothing is ever written behind bytes that may be torn: a failed write ends its segment, and the
next record opens another one, whose snapshot does not hold the record that failed. Reading,
rotating and tidying are `recover.py` and `keep.py`; no rule of dosing is looked at here.
"""

from aliquot.core import seal
from aliquot.core.demand import forget

TYPE_CHECKING = False
if TYPE_CHECKING:
    from aliquot.core.state import State
    from aliquot.store.files import Files

SEGMENT_MOST = 16384
LINE_MOST = 1024
_IO = 5
_PAD = (0,) * 12
_DAILY = "IOUMRSLJtTBV"  # kinds that the resident half of the fold knows


class Journal:
    """`state` is what all records so far add up to; only `put` changes it.

    files: see `files.Files`; number and size are those of the segment that may be appended to.
    With `size` at SEGMENT_MOST the next record opens a new one. `untidy` counts the tries in a row
    that failed to put the oldest segments away: nothing is lost, but the flash fills.
    """

    kept = 0  # segments to keep; 0 is what a board's flash is meant for, see `keep.py`

    def __init__(
        self, files: "Files", state: "State", number: int = 0, size: int = SEGMENT_MOST
    ) -> None:
        self.files = files
        self.state = state
        self.number = number
        self.name = ""
        self.size = size
        self.broken = False
        self.untidy = 0

    def put(self, now_s: int, kind: str, fields: "tuple[int, ...]", text: str = "") -> None:
        """Make a record durable, then fold it into the state.

        OSError: it is not in the state. Only a restart before the next record is written can still
        find it there, as if the power had gone right after the write. ValueError: not a record.
        """
        state = self.state
        dt_s = now_s - state.now_s
        line = seal.line(state.seq + 1, dt_s, kind, fields, text)
        n = len(line)
        if dt_s < 0 or n > LINE_MOST or line.find(b"\n") != n - 1:
            raise ValueError("record " + kind)
        if self.broken:
            raise OSError(_IO)
        if self.size + n > SEGMENT_MOST:
            self._roll()
        rare = kind not in _DAILY
        if rare:
            from aliquot.core import fold  # noqa: F401 - where memory runs out, nothing is written
        size = self.size + n
        self.size = SEGMENT_MOST  # until the write is known to be whole
        self.files.append(self.name, line)
        self.size = size
        self.broken = True  # until the fold is known to be whole; only a new start mends it
        state.apply(dt_s, kind, fields + _PAD, text)
        self.broken = False
        if rare:
            forget("aliquot.core.fold")

    def _roll(self) -> None:
        from aliquot.store import keep

        try:
            keep.roll(self)
        finally:
            forget("aliquot.store.keep", "aliquot.store.segment", "aliquot.core.snapshot")
            forget("aliquot.core.fold")
