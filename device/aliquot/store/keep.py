"""Opening the next segment, and putting the oldest ones away before they go.

Order is everything: the new segment is written and read back before anything else changes, and an
old one is removed last, after its acts and day totals are durable, so a cut anywhere leaves work
that is done again and counts nothing twice. The newest segment and its predecessor always stay.

Three things outlive the segments. Acts (all that is not a dose or idle time) are lines of records
in `a<number>.txt`, with the wall seconds in place of the delta. Day totals are `D` records in
`d<number>.txt`, sixteen dates a file: highest sequence number counted in, date, then for each
channel that the text names microlitres commanded, lower bound, upper bound. `spare.txt` is room
set aside, so that a flash filled by others still lets an old segment be put away. Where even that
fails nothing is dropped: records go on until the flash is full, then they fail.
Imported at a rotation only.
"""

from aliquot.core.ledger import COMMANDED, CUP, DOSE
from aliquot.core.records import encode
from aliquot.store.journal import LINE_MOST, SEGMENT_MOST
from aliquot.store.segment import fold, lines, name_of, numbers, opened, opening, record, sequence

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Iterator

    from aliquot.core.state import State
    from aliquot.store.files import Files
    from aliquot.store.journal import Journal
    from aliquot.store.segment import Record

SEGMENTS_KEPT = 16
ACT_FILES_KEPT = 8
DAY_FILES_KEPT = 24
DATES_A_FILE = 16
SPARE = "spare.txt"
_DOSE_KINDS = ("I", "O", "U", "M", "R", "S", "J", "t")
_NEW = "days.new"
_BATCH = 2048
_PIECE = 1024
_A_TIME = 4
_NO_SPACE = 28
_TOO_LARGE = 27
_IO = 5


def roll(journal: "Journal", data: "bytes | None" = None) -> None:
    """Open the journal's next segment; `data` where its opening is already made.

    OSError where the flash does not take it or gives back something else, or where the state is
    too large for a segment; the journal is then as before.
    """
    files = journal.files
    number = journal.number + 1
    name = name_of(number)
    tidying = data is None  # at a start nothing but the start is done
    if data is None:
        data = opening(journal.state, number)
    if len(data) + LINE_MOST > SEGMENT_MOST:
        raise OSError(_TOO_LARGE)
    try:
        files.write(name, data)
    except OSError as error:
        if error.errno != _NO_SPACE or not _make_room(files, journal, number):
            raise
        files.write(name, data)
    if not _same(files, name, data):
        files.remove(name)
        raise OSError(_IO)
    journal.number = number
    journal.name = name
    journal.size = len(data)
    if tidying:
        _tidy(journal)


def _same(files: "Files", name: str, data: bytes) -> bool:
    try:
        for at in range(0, len(data) + 1, _PIECE):
            if files.read(name, at, _PIECE) != data[at : at + _PIECE]:
                return False
    except OSError:
        return False
    return True


def _make_room(files: "Files", journal: "Journal", number: int) -> bool:
    """Give up the spare file and the oldest segments; return whether anything became free."""
    freed = files.size(SPARE) >= 0
    if freed:
        files.remove(SPARE)
    try:
        for old in [n for n in numbers(files) if n < number - 2][:2]:
            put_away(files, old)
            freed = True
    except OSError:
        journal.untidy += 1
    return freed


def _tidy(journal: "Journal") -> None:
    """Keep the number of files; what cannot be done now is done at a later rotation."""
    files = journal.files
    try:
        old = [n for n in numbers(files) if n < journal.number - 1]
        for number in old[: max(0, len(old) + 2 - (journal.kept or SEGMENTS_KEPT))][:_A_TIME]:
            put_away(files, number)
        for family, kept in (("a", ACT_FILES_KEPT), ("d", DAY_FILES_KEPT)):
            for number in numbers(files, family)[:-kept][:_A_TIME]:
                files.remove(name_of(number, family))
        if files.size(SPARE) < SEGMENT_MOST:
            _set_aside(files)
        journal.untidy = 0
    except (MemoryError, OSError):
        journal.untidy += 1


def _set_aside(files: "Files") -> None:
    """Write the spare file; on a flash too full for it there is none, and records get the room."""
    files.write(SPARE, b"")
    try:
        for _ in range(0, SEGMENT_MOST, _BATCH):
            files.append(SPARE, bytes(_BATCH))
    except OSError:
        files.remove(SPARE)
        raise


def put_away(files: "Files", number: int) -> None:
    """Carry the acts and day totals of a segment over, then remove it; repeating it is harmless.

    Records that the next segment's opening does not count never happened, so they are left out. Of
    a segment whose opening is damaged only the acts are kept, with -1 for the time.
    """
    name = name_of(number)
    later = [n for n in numbers(files) if n > number]
    limit = sequence(files, name_of(later[0])) if later else -1
    acts = _Acts(files)
    source = lines(files, name)
    try:
        state = opened(source, number)
    except NotImplementedError:
        state = None  # as good as damaged: this version cannot add it up
    if state:
        days = _Days(state, acts)
        fold(state, source, name, [], limit, days.each)
        acts.flush()
        days.merge(files)
    else:
        for line, _, _ in source:
            found = record(line)
            if found and found[2] not in _DOSE_KINDS and not 0 <= limit < found[0]:
                acts.add(found, -1)
        acts.flush()
    files.remove(name)


class _Acts:
    """Appends acts that are not there yet, a few at a time, behind nothing that may be torn."""

    def __init__(self, files: "Files") -> None:
        self.files = files
        self.pending = b""
        self.last = -1
        known = numbers(files, "a")
        self.number = known[-1] if known else 1
        for number in known[-1:-3:-1]:
            for line, ended, _ in lines(files, name_of(number, "a")):
                found = record(line)
                if found:
                    self.last = max(self.last, found[0])
                if number == known[-1] and not (found and ended):
                    self.number = number + 1
            if self.last >= 0:
                break

    def add(self, found: "Record", wall_s: int) -> None:
        seq, _, kind, fields, text = found
        if seq > self.last:
            self.last = seq
            self.pending += encode(seq, wall_s, kind, fields, text).encode()
            if len(self.pending) > _BATCH:
                self.flush()

    def flush(self) -> None:
        data, self.pending = self.pending, b""
        if data:
            size = self.files.size(name_of(self.number, "a"))
            if size + len(data) > SEGMENT_MOST:
                self.number += 1
            self.files.append(name_of(self.number, "a"), data)


class _Days:
    """What a segment's runs gave, by date and channel; `each` sees every record after its fold."""

    def __init__(self, state: "State", acts: _Acts) -> None:
        self.acts = acts
        # date -> (first sequence number, last, {id: [commanded, lower, upper]})
        self.dates: dict[int, tuple[int, int, dict[str, list[int]]]] = {}
        self._begin(state)

    def _begin(self, state: "State") -> None:
        self.run = state.open if state.open and state.open[0] < len(state.channels) else ()
        self.before = state.channels[self.run[0]].tot[COMMANDED] if self.run else 0

    def each(self, state: "State", found: "Record") -> None:
        seq, kind = found[0], found[2]
        if kind not in _DOSE_KINDS:
            self.acts.add(found, state.now_s + state.offset)
        elif kind in ("I", "J"):
            self._begin(state)
        elif kind in ("O", "U") and self.run:
            ch, asked, _, into = self.run[:4]
            if into != CUP and ch < len(state.ids):
                got = state.channels[ch].tot[COMMANDED] - self.before
                self._add(self._date(state, ch, into), seq, state.ids[ch], asked, got, kind)
            self.run = ()

    def _date(self, state: "State", ch: int, into: int) -> int:
        """The local date: the dose's own; for an extra the last dose's, if that can be today."""
        date = state.channels[ch].date
        utc = (state.now_s + state.offset) // 86400
        return date if date and (into == DOSE or abs(date - utc) < 2) else utc

    def _add(self, date: int, seq: int, name: str, asked: int, got: int, kind: str) -> None:
        first, _, own = self.dates.get(date, (seq, seq, {}))
        self.dates[date] = (first, seq, own)
        sums = own.setdefault(name, [0, 0, 0])
        sums[0] += asked
        sums[1] += got if kind == "O" else 0
        sums[2] += got

    def merge(self, files: "Files") -> None:
        """Add the sums to the files of their dates, each file whole or not at all."""
        for number in sorted({date // DATES_A_FILE for date in self.dates}):
            name = name_of(number, "d")
            out: list[bytes] = []
            todo = [d for d in sorted(self.dates) if d // DATES_A_FILE == number]
            for line in (files.read(name) or b"").split(b"\n")[:-1]:
                found = record(line)
                if found and found[1] in todo:
                    todo.remove(found[1])
                    if found[0] < self.dates[found[1]][0]:
                        line = self._line(found[1], _sums(found))
                out.append(line)
            for date in todo:
                out.append(self._line(date, {}))
            files.write(_NEW, b"\n".join(out) + b"\n")
            files.rename(_NEW, name)

    def _line(self, date: int, sums: "dict[str, list[int]]") -> bytes:
        _, last, own = self.dates[date]
        for name in own:
            old = sums.get(name, [0, 0, 0])
            sums[name] = [a + b for a, b in zip(old, own[name])]
        names = sorted(sums)
        fields: list[int] = []
        for name in names:
            fields += sums[name]
        return encode(last, date, "D", tuple(fields), " ".join(names)).encode()[:-1]


def _sums(found: "Record") -> "dict[str, list[int]]":
    names = found[4].split(" ")
    fields = found[3] + (0,) * (3 * len(names))
    return {name: list(fields[3 * i : 3 * i + 3]) for i, name in enumerate(names)}


def acts(files: "Files") -> "Iterator[Record]":
    """Yield (sequence, wall second or -1, kind, fields, text) of each act put away, in order."""
    last = -1
    for number in numbers(files, "a"):
        for line, _, _ in lines(files, name_of(number, "a")):
            found = record(line)
            if found and found[0] > last:
                last = found[0]
                yield found


def days(files: "Files") -> "Iterator[tuple[int, dict[str, list[int]]]]":
    """Yield (date, {channel id: [commanded, lower, upper]}) in microlitres of every day put away.

    The days of the last segments are not among them, and the newest one may still grow.
    """
    for number in numbers(files, "d"):
        for line in (files.read(name_of(number, "d")) or b"").split(b"\n"):
            found = record(line)
            if found and found[2] == "D":
                yield found[1], _sums(found)
