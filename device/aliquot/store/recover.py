"""The start: from whatever the flash holds to a state that may be trusted, or to a plain no.

The newest valid snapshot counts, and at most two segments are read. Nothing is repaired in place:
where anything was found, a new segment opens with what is known, and lost numbers are in that same
write as a `G` record, so no second cut can make them forgotten. It never doses, and a journal that
it cannot read is never an empty one to it. Imported at a start only.
"""

from aliquot.core.records import encode
from aliquot.core.state import State
from aliquot.store import keep
from aliquot.store.journal import SEGMENT_MOST, Journal
from aliquot.store.segment import (
    fold,
    lines,
    most_records,
    name_of,
    numbers,
    opened,
    opening,
    record,
    sequence,
)

_HEAD_MOST = 80

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from aliquot.store.files import Files
    from aliquot.store.segment import Line

    Findings = list[tuple[str, str, int, int]]
    Lost = Callable[[State, int], tuple[int, ...]] | None

_LOST_WITH_SEGMENT = most_records(SEGMENT_MOST)


class Unreadable(ValueError):
    """There is a journal and it cannot be read: no dosing; `begin_anew` on the user's word."""


def open_journal(files: "Files", lost: "Lost" = None) -> "tuple[Journal, Findings]":
    """Return the journal ready to go on, and what was found on the way.

    lost: called with (state, how many) where records were lost; returns the microlitres that may
    have entered in them, one number a channel. Findings are those of `segment.fold`, and `new` (no
    journal yet), `unfinished` (a segment whose creation was cut; nothing was in it) and `snapshot`
    (a damaged opening; the segment before it was used). OSError: the flash does not take the new
    segment that is needed; the call may be repeated. Unreadable: see there.
    """
    findings: Findings = []
    known = _nonempty(files)
    if not known:
        return _first(files, findings)
    number = known[0]
    state, missing = _read(files, known, findings)
    if state is None:
        if not _unfinished(files, State(), number) or number > 1:
            raise Unreadable("no valid snapshot in " + name_of(number))
        return _first(files, findings)
    journal = Journal(files, state, number, files.size(name_of(number)))
    journal.name = name_of(number)
    words = [finding[0] for finding in findings]
    if [word for word in words if word != "foreign"]:
        if "unfinished" in words:
            journal.number -= 1  # its file is made again
        _go_on(journal, missing, lost)
    return journal, findings


def _nonempty(files: "Files") -> list[int]:
    """The two newest segments that are not empty, newest first: a creation that was cut may leave
    an empty file, and the next creation takes its name."""
    out: list[int] = []
    for number in reversed(numbers(files)):
        if files.size(name_of(number)) > 0:
            out.append(number)
            if len(out) == 2:
                break
    return out


def _first(files: "Files", findings: "Findings") -> "tuple[Journal, Findings]":
    """The journal of a board that never had one: the first record will open its first segment."""
    if numbers(files) not in ([], [1]) or numbers(files, "a"):
        raise Unreadable("only remains of a journal are there")
    findings.append(("new", name_of(1), 1, 0))
    return Journal(files, State()), findings


def _read(files: "Files", known: list[int], findings: "Findings") -> "tuple[State | None, int]":
    """Return the state and how many records are missing from it."""
    number = known[0]
    name = name_of(number)
    try:
        source = lines(files, name)
        state = opened(source, number)
        if state:
            return state, fold(state, source, name, findings)
        first, at = _first_record(source)
        if len(known) < 2:
            return None, 0
        before = name_of(known[1])
        source = lines(files, before)
        state = opened(source, known[1])
    except NotImplementedError as error:
        raise Unreadable("a later version wrote it: " + str(error))
    if state is None:
        return None, 0
    # The newest segment still says where its opening stood: what is behind that never happened.
    adjoins = known[1] == number - 1
    limit = first - 1 if first > 0 else sequence(files, name)
    follows = adjoins and first > state.seq
    missing = fold(state, source, before, findings, limit if limit >= state.seq else -1)
    if adjoins and first < 0 and _unfinished(files, state, number):
        findings.append(("unfinished", name, 0, 0))
        return state, missing
    findings.append(("snapshot", name, 0, 0))
    if follows:
        return state, missing + fold(state, lines(files, name, at), name, findings)
    findings.append(("gap", name, state.seq + 1, _LOST_WITH_SEGMENT))
    state.seq += _LOST_WITH_SEGMENT
    return state, missing + _LOST_WITH_SEGMENT


def _first_record(source: "Iterator[Line]") -> "tuple[int, int]":
    for line, _, at in source:
        found = record(line)
        if found:
            return found[0], at
    return -1, 0


def _unfinished(files: "Files", state: State, number: int) -> bool:
    """Whether a segment is no more than the beginning of the opening that it was to get.

    One that was in use is longer than its first line, and damage makes no file shorter."""
    whole = opening(state, number)
    try:
        there = files.read(name_of(number), 0, len(whole) + 1) or b"?"
    except OSError:
        return False
    return whole[: len(there)] == there or (len(there) < _HEAD_MOST and b"\n" not in there)


def _go_on(journal: Journal, missing: int, lost: "Lost") -> None:
    """Open a new segment with the state and, where records are missing, one that says so."""
    state = journal.state
    extra: tuple[bytes, ...] = ()
    fields: tuple[int, ...] = ()
    if missing:
        fields = (missing,) + (tuple(lost(state, missing)) if lost else ())
        fields += (0,) * (1 + len(state.channels) - len(fields))
        extra = (encode(state.seq + 1, 0, "G", fields).encode(),)
    data = opening(state, journal.number + 1, extra)
    if missing:
        state.apply(0, "G", fields)
    keep.roll(journal, data)


def begin_anew(files: "Files") -> Journal:
    """Begin a journal beside one that is unreadable, on the user's word; nothing is removed.

    Its numbers start above any that the old one can have used. It knows no configuration.
    """
    state = State()
    known = numbers(files)
    for family in ("j", "a"):
        for number in numbers(files, family):
            name = name_of(number, family)
            state.seq = max(state.seq, sequence(files, name))
            for line, _, _ in lines(files, name):
                found = record(line)
                state.seq = max(state.seq, found[0] if found else 0)
    state.seq += _LOST_WITH_SEGMENT
    journal = Journal(files, state, known[-1] if known else 0)
    keep.roll(journal, opening(state, journal.number + 1))
    return journal
