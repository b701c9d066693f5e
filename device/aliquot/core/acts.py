"""What a user may ask for: each act is checked against the rules and recorded, or refused.

Every act takes the engine, `now_s` (engine time), what is wanted and `request`, the number a
client gave it: a repeat changes nothing and returns False. An act that is refused raises Refused
with the field, the value, the limit and what to do, and leaves no trace. Volumes are microlitres,
`scope` is a channel or ALL. Nothing here moves a pump: an extra is started by `poll`. The board
imports this module when an act comes in.
"""

from aliquot.core import extras, room
from aliquot.core.amounts import run_s
from aliquot.core.fits import too_much
from aliquot.core.ledger import ALL, CAP, CUP, EMPTY, TANK
from aliquot.core.status import left_ul

TYPE_CHECKING = False
if TYPE_CHECKING:
    from aliquot.core.engine import Engine

_OVERRIDES = 4
_DAYS_MOST = 366
_DOSES_MOST = 5000


class Refused(Exception):
    """An act that cannot be: field, value, limit, advice."""


def _check(engine: "Engine", scope: int, request: int) -> bool:
    # True for an act that was not seen before; channels must exist.
    n = len(engine.state.channels)
    if scope != ALL and not 0 <= scope < n:
        raise Refused("channel", scope, n - 1, "name a channel of the set-up")
    return not request or request not in engine.state.requests


def _range(field: str, value: int, least: int, most: int, advice: str) -> None:
    if not least <= value <= most:
        raise Refused(field, value, "%d to %d" % (least, most), advice)


def _clock(engine: "Engine", now_s: int) -> int:
    if not engine.state.quality:
        raise Refused("clock", "unset", "set", "set the clock first")
    return engine.setup.zone.date_of(now_s + engine.state.offset)


def owed_ul(engine: "Engine", scope: int) -> int:
    """What is owed and would be cancelled by a trim, an override, an extra or a hold."""
    chosen = engine.state.channels if scope == ALL else [engine.state.channels[scope]]
    return sum([sum(c.owed[1::2]) for c in chosen])


def _forgive(engine: "Engine", now_s: int, scope: int, keep: bool) -> None:
    engine.flush(now_s)
    for ch, c in enumerate(engine.state.channels):
        if c.owed and not keep and scope in (ALL, ch):
            engine.put(now_s, "L", (ch, sum(c.owed[1::2])))


def trim(
    engine: "Engine",
    now_s: int,
    ch: int,
    pct: int,
    doses: int,
    request: int = 0,
    keep: bool = False,
) -> bool:
    """Take `pct` percent off the next `doses` timetable doses; 0 doses cancels the trim."""
    if not _check(engine, ch, request):
        return False
    _range("percent", pct, 1 if doses else 0, 100, "100 skips the doses")
    _range("doses", doses, 0, _DOSES_MOST, "0 cancels")
    _forgive(engine, now_s, ch, keep)
    engine.act(now_s, "P", (ch, pct, doses, request))
    return True


def override(
    engine: "Engine",
    now_s: int,
    ch: int,
    delta_ul: int,
    days: int,
    request: int = 0,
    keep: bool = False,
) -> bool:
    """Give `delta_ul` a day more (or less) for `days` local dates, today first; 0 days cancels."""
    if not _check(engine, ch, request):
        return False
    _range("days", days, 0, _DAYS_MOST, "0 cancels; a lasting change belongs into the set-up")
    today = _clock(engine, now_s)
    over: list[int] = []
    for i in range(0, len(engine.state.channels[ch].over), 3):
        one = engine.state.channels[ch].over[i : i + 3]
        if one[1] + one[2] > today:
            over += one
    if days:
        if len(over) >= 3 * _OVERRIDES:
            raise Refused(
                "override", len(over) // 3 + 1, _OVERRIDES, "cancel those in force first"
            )
        why = too_much(engine, ch, over + [delta_ul, today, days], today, days)
        if why:
            raise Refused(*why)
    _forgive(engine, now_s, ch, keep)
    wall = now_s + engine.state.offset
    engine.act(now_s, "D", (ch, delta_ul if days else 0, today, days, wall, request))
    return True


def extra(
    engine: "Engine",
    now_s: int,
    ch: int,
    ul: int,
    request: int = 0,
    planned: bool = False,
    keep: bool = False,
    into: int = TANK,
) -> bool:
    """Give `ul` once, now, outside the timetable; `planned` confirms the use of planned room.

    `into` CUP runs into a cup: it does not count towards the cap, and holds the channel until the
    user says that the line is back in place."""
    if not _check(engine, ch, request):
        return False
    c = engine.setup.channels[ch]
    _range("extra_ul", ul, c.least_ul, c.most_ul if into == TANK else 100000, "see dose_most_ml")
    _clock(engine, now_s)
    _free(engine, ch, now_s)
    if into == TANK:
        if now_s < engine.state.fresh_s:
            raise Refused(
                "extra_ul", ul, 0, "the journal is new: state what was given, or wait a day"
            )
        if ul > room.room_ul(engine, ch, now_s) and not planned:
            limit = max(0, room.room_ul(engine, ch, now_s))
            raise Refused(
                "extra_ul", ul, limit, "confirm that it may use the room of planned doses"
            )
    _possible(engine, ch, ul, into, now_s)
    counts = engine.counts(ch, ul)
    if run_s(counts, c.speed_cps) > c.run_most_s:
        raise Refused("run_s", run_s(counts, c.speed_cps), c.run_most_s, "give it in parts")
    if into == TANK:
        counts = 0
        _forgive(engine, now_s, ch, keep)
    engine.act(now_s, "X", (ch, ul, counts, into, request))
    return True


def _free(engine: "Engine", ch: int, now_s: int) -> None:
    if engine.state.open or engine.state.channels[ch].extra:
        raise Refused("extra", "another", "one at a time", "wait for the run under way")


def _possible(engine: "Engine", ch: int, ul: int, into: int, now_s: int) -> None:
    why = extras.refusal(engine, ch, ul, into, now_s, now_s + engine.state.offset)
    if why == CAP:
        raise Refused("extra_ul", ul, max(0, room.left_ul(engine, ch, now_s)), "the cap holds")
    if why == EMPTY:
        raise Refused("extra_ul", ul, left_ul(engine, ch), "refill the reservoir")
    if why:
        raise Refused("channel", ch, "free to run", "release the hold or fault, or calibrate")


def cup_run(engine: "Engine", now_s: int, ch: int, counts: int, request: int = 0) -> bool:
    """Run `counts` into a cup to calibrate; needs no calibration, its volume is unknown (0)."""
    if not _check(engine, ch, request):
        return False
    c = engine.setup.channels[ch]
    _range("counts", counts, 1, c.run_most_s * c.speed_cps, "see run_most_s")
    _clock(engine, now_s)
    _free(engine, ch, now_s)
    s = engine.state.channels[ch]
    ul = counts * s.cal_ul // s.cal_counts if s.cal_counts else 0
    _possible(engine, ch, ul, CUP, now_s)
    engine.act(now_s, "X", (ch, ul, counts, CUP, request))
    return True


def cancel_extra(engine: "Engine", now_s: int, ch: int, request: int = 0) -> bool:
    """Take back an extra that has not started."""
    waiting = engine.state.channels[ch].extra if _check(engine, ch, request) else []
    if waiting:
        engine.act(now_s, "Y", (ch, 0, waiting[0], request))
    return bool(waiting)


def hold(
    engine: "Engine",
    now_s: int,
    scope: int,
    until_w: int = 0,
    request: int = 0,
    keep: bool = False,
) -> bool:
    """Hold a channel or ALL until a wall second, or until released (0); then forgives."""
    if not _check(engine, scope, request):
        return False
    if until_w and until_w <= now_s + engine.state.offset:
        raise Refused("until", until_w, "later than now", "name a time to come")
    engine.act(now_s, "H", (scope, until_w, request))
    _forgive(engine, now_s, scope, keep)
    return True


def release(engine: "Engine", now_s: int, scope: int, what: int = 0, request: int = 0) -> bool:
    """Release a hold (0), say that the line is back from the cup (1), or answer for lost
    records (2)."""
    if not _check(engine, scope, request):
        return False
    _range("what", what, 0, 2, "hold, cup or lost records")
    if what == 1:
        if scope == ALL:
            raise Refused("channel", ALL, len(engine.state.channels) - 1, "name the channel")
        if engine.state.open and engine.state.open[0] == scope:
            raise Refused("channel", scope, "at rest", "wait for the end of the run")
    engine.act(now_s, "h", (scope, what, request))
    return True


def refill(engine: "Engine", now_s: int, ch: int, ul: int, request: int = 0) -> bool:
    """Say how much is in the reservoir now, after a refill or a look."""
    if not _check(engine, ch, request):
        return False
    size = engine.setup.channels[ch].size_ul
    _range("left_ul", ul, 0, size or 100000000, "a container holds no more than its size_ml")
    engine.act(now_s, "F", (ch, ul, request))
    return True


def calibrate(
    engine: "Engine", now_s: int, ch: int, counts: int, ul: int, offset: int = 0, request: int = 0
) -> bool:
    """Take a measured pair: so many counts moved so many microlitres."""
    if not _check(engine, ch, request):
        return False
    if engine.state.open:
        raise Refused("calibration", "a run is under way", "none", "wait for its end")
    _range("counts", counts, 1, 10000000, "run the pump and count")
    _range("ul", ul, 1, 10000000, "measure what it moved")
    _range("offset", offset, 0, counts, "no more than the counts")
    engine.act(now_s, "K", (ch, counts, ul, offset, engine.setup.channels[ch].signature, request))
    return True


def tubing(engine: "Engine", now_s: int, ch: int, request: int = 0) -> bool:
    """New tubing went in: calibrate next."""
    if not _check(engine, ch, request):
        return False
    engine.act(now_s, "N", (ch, request))
    return True


def note(
    engine: "Engine", now_s: int, entry: int, scope: int, text: str, request: int = 0
) -> bool:
    """Write a note (entry 0), a water test (1) or a new liquid (2) into the journal."""
    if not _check(engine, scope, request):
        return False
    _range("text", len(text), 1, 200, "keep it short")
    if [c for c in text if ord(c) < 32]:
        raise Refused("text", text, "one line", "take the line ends out")
    # Half a character is no UTF-8: the desk could not read its record, CPython not write it.
    if [c for c in text if 0xD7FF < ord(c) < 0xE000]:
        raise Refused("text", "half a character", "whole characters", "send it as UTF-8")
    engine.act(now_s, "E", (entry, scope, request), text)
    return True


def see(engine: "Engine", now_s: int, scope: int, request: int = 0) -> bool:
    """Say that a latched fault was seen: the first of the two acts that end it."""
    if not _check(engine, scope, request):
        return False
    target = engine.state if scope == ALL else engine.state.channels[scope]
    if not target.latched:
        raise Refused("fault", target.fault, "latched", "only a latched fault needs to be seen")
    engine.act(now_s, "z", (scope, 1, request))
    return True


def clear(engine: "Engine", now_s: int, scope: int, request: int = 0) -> bool:
    """Release a fault: the second act, only after `see`."""
    if not _check(engine, scope, request):
        return False
    target = engine.state if scope == ALL else engine.state.channels[scope]
    if target.latched == 1:
        raise Refused("fault", target.fault, "seen first", "look at the pump and say so")
    engine.act(now_s, "z", (scope, 0, request))
    return True
