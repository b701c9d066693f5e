"""A journal on the desk: a folder of segments, one segment, or an archive text, as records.

An archive text is segments one after another, as `cat` would join them. They are read by the code
that the board reads them with; nothing is written, mended or guessed, and what is odd becomes a
finding. A number counts once: what stands behind the sequence number that a later segment opens at
never happened.
"""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Iterator
from pathlib import Path

from aliquot.core import snapshot
from aliquot.core.state import State
from aliquot.store import keep, segment
from aliquot_host.errors import BadInput, bad
from aliquot_host.memory_files import MemoryFiles

# A board keeps 256 KB; this is more than any board writes in its life.
SIZE_MOST = 1 << 28
HEAD = b"S aliquot-journal "
ADVICE = "name a folder of segments, one segment, or an archive that was pulled from a board"

Line = tuple[bytes | None, bool, int]
Act = tuple[int, int, str, tuple[int, ...], str]
Totals = dict[str, list[int]]


@dataclasses.dataclass(frozen=True)
class Record:
    """One record: `now_s` is the engine second it was written at, `source` its segment."""

    seq: int
    now_s: int
    dt_s: int
    kind: str
    fields: tuple[int, ...]
    text: str
    source: str


@dataclasses.dataclass(frozen=True)
class Finding:
    """What is odd: a word, its segment, the first sequence number, how many, and a sentence.

    `lost`: records are missing, so what the rest adds up to is not the whole.
    """

    word: str
    source: str
    first: int
    count: int
    text: str

    @property
    def lost(self) -> bool:
        return self.word in ("gap", "misfit")


@dataclasses.dataclass
class Archive:
    """What was read. `opening` are the lines of the snapshot before the first record.

    resets: (place in `records`, lines of a snapshot) where records are missing, so that the
    board's own sums must be taken over before that record. kept_acts: what the board had put away,
    also from before the first segment: (sequence, wall second or -1, kind, fields, text).
    kept_days: date -> channel id -> [commanded, lower bound, upper bound] in microlitres.
    """

    opening: list[str]
    records: list[Record] = dataclasses.field(default_factory=list[Record])
    findings: list[Finding] = dataclasses.field(default_factory=list[Finding])
    resets: list[tuple[int, list[str]]] = dataclasses.field(
        default_factory=list[tuple[int, list[str]]]
    )
    kept_acts: list[Act] = dataclasses.field(default_factory=list[Act])
    kept_days: dict[int, Totals] = dataclasses.field(default_factory=dict[int, Totals])

    def walk(self, until: int | None = None) -> Iterator[tuple[Record, State]]:
        """Fold the records up to sequence number `until`; yield each with the state after it.

        The state goes on changing. A record that does not follow from those before it, because
        some are lost, only moves the time and the number.
        """
        state = snapshot.load(self.opening)
        resets = dict(self.resets)
        for i, record in enumerate(self.records):
            if until is not None and record.seq > until:
                return
            if i in resets:
                state = snapshot.load(resets[i])
            state.seq = record.seq - 1
            try:
                state.apply(record.dt_s, record.kind, record.fields, record.text)
            except segment.DAMAGE:
                state.seq = record.seq
            yield record, state

    def state(self, until: int | None = None) -> State:
        """The state after record `until`, or after all."""
        last = snapshot.load(self.opening)
        for _, state in self.walk(until):
            last = state
        return last


def read_archive(path: Path) -> Archive:
    """Return what a journal on disk holds. BadInput: there is none, or of a later version."""
    where = str(path)
    return from_files(_from_folder(path) if path.is_dir() else _from_text(path), where)


def from_files(files: MemoryFiles, where: str) -> Archive:
    """Return what the files of a journal hold; `where` names it in problems."""
    if not segment.numbers(files):
        raise bad("journal", limit="at least one segment", advice=ADVICE, where=where)
    reader = _Reader(files)
    try:
        for number in segment.numbers(files):
            reader.add(number)
    except NotImplementedError as error:
        raise _later(str(error), where) from None
    archive = reader.archive
    if archive is None:
        raise bad(
            "journal",
            limit="at least one segment whose opening is whole",
            advice="every opening is damaged; no state can be worked out from this",
            where=where,
        )
    archive.kept_acts = list(keep.acts(files))
    archive.kept_days = dict(keep.days(files))
    return archive


def _later(version: str, where: str) -> BadInput:
    limit = f"journal version {segment.VERSION}"
    return bad("journal", version, limit=limit, advice="update Aliquot to read it", where=where)


def _load(path: Path) -> bytes:
    try:
        size = path.stat().st_size
        if size > SIZE_MOST:
            limit = f"at most {SIZE_MOST} bytes"
            raise bad("journal", size, limit=limit, advice=ADVICE, where=str(path))
        return path.read_bytes()
    except OSError as error:
        reason = error.strerror or "it cannot be read"
        raise bad("journal", limit=reason, advice=ADVICE, where=str(path)) from None


def _from_folder(folder: Path) -> MemoryFiles:
    """The files of the journal's families in a folder, of no size that the board never writes."""
    try:
        names = [entry.name for entry in folder.iterdir() if entry.is_file()]
    except OSError as error:
        reason = error.strerror or "it cannot be read"
        raise bad("journal", limit=reason, advice=ADVICE, where=str(folder)) from None
    listed = MemoryFiles(dict.fromkeys(names, b""))
    files = MemoryFiles()
    for family in "jad":
        for number in segment.numbers(listed, family):
            name = segment.name_of(number, family)
            files.write(name, _load(folder / name))
    return files


def _from_text(path: Path) -> MemoryFiles:
    """One segment, or several one after another, as files; a segment twice is its longest text."""
    data = _load(path)
    alone = MemoryFiles({path.name: data})
    if segment.numbers(alone) and data.count(HEAD) < 2:
        return alone
    files = MemoryFiles()
    try:
        starts = [
            at for at in _finds(data, HEAD) if at == 0 or data[at - 1] == 10 or _head(data, at)
        ]
        for at, end in itertools.pairwise([*starts, len(data)]):
            # Where the head is damaged, its records still follow from the segment before.
            number = _head(data, at) or (segment.numbers(files) or [0])[-1] + 1
            name = segment.name_of(number)
            if end - at > files.size(name):
                files.write(name, data[at:end])
    except NotImplementedError as error:
        raise _later(str(error), str(path)) from None
    return files


def _finds(data: bytes, what: bytes) -> Iterator[int]:
    at = data.find(what)
    while at >= 0:
        yield at
        at = data.find(what, at + 1)


def _head(data: bytes, at: int) -> int:
    """The number of the segment whose head stands at `at`, 0 where the head is damaged."""
    try:
        return segment.head(data[at : at + 80].split(b"\n")[0])[0]
    except ValueError:
        return 0


class _Reader:
    """Adds segment after segment; `archive` is None until the first whole opening."""

    def __init__(self, files: MemoryFiles) -> None:
        self.files = files
        self.archive: Archive | None = None
        self.findings: list[Finding] = []
        self.state = State()
        self.sure = True  # no record was lost since the last opening

    def add(self, number: int) -> None:
        name = segment.name_of(number)
        lines: list[Line] = list(segment.lines(self.files, name))
        body = self._opening(lines, number)
        rest = [line for line in lines if not (line[0] or b"").startswith(b"S ")]
        if body is None:
            while rest and segment.record(rest[0][0]) is None:
                del rest[0]
            if lines and self.archive is None:
                self._find("unusable", name, 0, 0)
            elif lines:
                self._find("snapshot", name, self.state.seq + 1, 0)
        else:
            self._open(body, name)
        if self.archive is None:
            return
        records = self.archive.records
        found: list[tuple[str, str, int, int]] = []

        def each(state: State, record: tuple[int, int, str, tuple[int, ...], str]) -> None:
            seq, dt_s, kind, fields, text = record
            records.append(Record(seq, state.now_s, dt_s, kind, fields, text, name))

        lost = segment.fold(self.state, iter(rest), name, found, self._limit(number), each)
        self.sure = self.sure and not lost
        for word, source, first, count in found:
            self._find(word, source, first, count)

    def _opening(self, lines: list[Line], number: int) -> list[str] | None:
        """The snapshot's lines where the whole opening is good, else None."""
        if segment.opened(iter(lines), number) is None:
            return None
        body: list[str] = []
        for line, _, _ in lines[1:]:
            text = str(segment.check(line or b""), "utf-8")
            if text.startswith("S end "):
                break
            if text.startswith("S "):
                body.append(text[2:])
        return body

    def _open(self, body: list[str], name: str) -> None:
        """Take an opening: the first, one that must equal the fold, or one after a loss."""
        if self.archive is None:
            self.archive = Archive(body, findings=self.findings)
            self.state = snapshot.load(body)
            return
        opened = snapshot.load(body)
        if snapshot.dump(self.state) != body:
            missing = opened.seq - self.state.seq
            if missing > 0:
                self._find("gap", name, self.state.seq + 1, missing)
            elif self.sure:
                self._find("differs", name, opened.seq, 0)
            self.archive.resets.append((len(self.archive.records), body))
            self.state = opened
        self.sure = True

    def _limit(self, number: int) -> int:
        """The number that the next segment with a readable head opens at, else -1."""
        for later in segment.numbers(self.files):
            if later > number:
                seq = segment.sequence(self.files, segment.name_of(later))
                if seq >= 0:
                    return seq
        return -1

    def _find(self, word: str, source: str, first: int, count: int) -> None:
        last = first + count - 1
        text = {
            "gap": f"records {first} to {last} are lost, {count} at most",
            "tail": f"the last line is cut short; whole records end before {first}",
            "stray": f"a line near record {first} belongs to no record",
            "misfit": f"record {first} does not follow from those before it",
            "foreign": f"record {first} is of a kind that this version does not know",
            "unusable": "the opening is damaged and no segment before it is there: left out",
            "snapshot": "the opening is damaged; the segment before it was gone on with",
            "differs": f"the snapshot after record {first} is not what the records add up to",
        }[word]
        self.findings.append(Finding(word, source, first, count, f"{source}: {text}"))
