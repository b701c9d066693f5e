"""What happens in a simulated world, and each thing that its journal tells, as one plain sentence.

A sentence says who, what and how much, in millilitres, and is true by itself. Only the record at
hand and the state after it are looked at; nothing is counted, judged or kept here.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable

from aliquot.core.ledger import ALL, CUP, FAULT, RESET
from aliquot.core.state import State
from aliquot_host.moment import REASONS

DAY_S = 86400
# What is worth a line to a person, in the order of its weight: what was inflicted, what it did.
TROUBLES = frozenset(("outage", "clock", "uncertain", "partial", "fault", "lost", "dry"))


@dataclasses.dataclass(frozen=True)
class Event:
    """Something that happened: a true time, a word for its kind, a sentence.

    channel: its id, "" for all or none. ul, doses, owed_ul, reason, seconds: the numbers in it."""

    at_w: int
    kind: str
    text: str
    channel: str = ""
    ul: int = 0
    doses: int = 0
    owed_ul: int = 0
    reason: int = 0
    seconds: int = 0


_NUMBER = re.compile(r"-?\d+")
Teller = Callable[[str, tuple[int, ...], State], tuple[str, str, dict[str, int]]]


def of_record(at_w: int, state: State, kind: str, f: tuple[int, ...]) -> Event | None:
    """The event of a journal record, or None where it says nothing that a person needs."""
    teller = _TOLD.get(kind)
    if not teller:
        return None
    channel = state.ids[f[0]] if f and 0 <= f[0] < len(state.ids) else ""
    word, text, numbers = teller(channel or "all channels", f, state)
    return Event(at_w, word, text, channel, **numbers) if word else None


def ml(ul: float) -> str:
    """Microlitres in about three digits: "1.52 mL", "38.4 mL", "2614 mL", "14.4 L"."""
    return f"{ul / 1e6:.1f} L" if abs(ul) >= 1e7 else f"{digits(ul)} mL"


def digits(ul: float) -> str:
    """Microlitres as millilitres, without the unit."""
    places = 2 if abs(ul) < 9995 else 1 if abs(ul) < 999950 else 0
    return f"{ul / 1000:.{places}f}"


def span(seconds: int) -> str:
    """A length of time as people say it: "6 min", "1 h 53 min", "1 day 4 h"."""
    if seconds < 90:
        return "1 second" if seconds == 1 else f"{seconds} seconds"
    minutes = (seconds + 30) // 60
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 24:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    days, hours = divmod(hours, 24)
    many = "1 day" if days == 1 else f"{days} days"
    return f"{many} {hours} h" if hours else many


def doses(n: int) -> str:
    """ "1 dose", "12 doses"."""
    return "1 dose" if n == 1 else f"{n} doses"


def refusal(who: str, field: str, value: object, limit: object, advice: str) -> str:
    """Why the board refuses an act, as a sentence; microlitres as millilitres."""
    said, most = value, limit
    if field.endswith("_ul"):
        said, most = (_NUMBER.sub(lambda n: ml(int(n[0])), str(v)) for v in (value, limit))
    name = field.removesuffix("_ul").replace("_", " ")
    return f"{who}: the board refuses this, {name} {said} (limit: {most}): {advice}"


def why(reason: int) -> str:
    """The reason of a refusal, as a clause."""
    return REASONS.get(reason, "for a reason that this version does not know")


def _passed(word: str, said: str) -> Teller:
    def tell(name: str, f: tuple[int, ...], state: State) -> tuple[str, str, dict[str, int]]:
        text = f"{name}: {doses(f[3])} {said}, {ml(f[4] or f[6])}: {why(f[8])}"
        if f[6] and not f[4]:
            text = f"{name}: {doses(f[3])} {said}, {ml(f[6])}: trimmed away, or the day was full"
        if f[7]:
            text += f"; {ml(f[7])} of it owed"
        numbers = {"ul": f[4], "doses": f[3], "owed_ul": f[7], "reason": f[8]}
        return word, text, numbers

    return tell


def _outcome(name: str, f: tuple[int, ...], state: State) -> tuple[str, str, dict[str, int]]:
    """An outcome is worth a line only where the motor ended short."""
    if f[1] >= 0:
        return "", "", {}
    cause = {FAULT: "the motor ended", RESET: "the board started anew"}.get(f[2], "the run ended")
    text = f"{name}: {cause} {-f[1]:,} counts short"
    return "partial", text + (f"; {ml(f[3])} owed" if f[3] else ""), {"owed_ul": f[3]}


def _uncertain(name: str, f: tuple[int, ...], state: State) -> tuple[str, str, dict[str, int]]:
    text = f"{name}: the power went in the middle of a run; nobody knows how far it came"
    return "uncertain", f"{text}, so all of it counts as given", {}


def _fault(name: str, f: tuple[int, ...], state: State) -> tuple[str, str, dict[str, int]]:
    from aliquot.core.faults import TABLE

    row = TABLE.get(f[1])
    where = "" if f[0] == ALL else f"{name}: "
    text = f"{row[3]} {row[4]}" if row else f"Fault {f[1]}."
    return "fault", where + text, {}


def _extra(name: str, f: tuple[int, ...], state: State) -> tuple[str, str, dict[str, int]]:
    if f[3] == CUP:
        return "cup", f"{name}: {f[2]:,} counts run into a cup", {"ul": f[1]}
    return "extra", f"{name}: {ml(f[1])} given besides the plan", {"ul": f[1]}


def _dropped(name: str, f: tuple[int, ...], state: State) -> tuple[str, str, dict[str, int]]:
    reason = why(f[1]) if f[1] else "taken back"
    text = f"{name}: {ml(f[2])} besides the plan not given: {reason}"
    return "dropped", text, {"ul": f[2], "reason": f[1]}


def _lapsed(name: str, f: tuple[int, ...], state: State) -> tuple[str, str, dict[str, int]]:
    return "lapsed", f"{name}: {ml(f[1])} owed will not be given back", {"ul": f[1]}


def _low(name: str, f: tuple[int, ...], state: State) -> tuple[str, str, dict[str, int]]:
    c = state.channels[f[0]]
    left = c.fill_ul - c.taken_ul
    return "low", f"{name}: the reservoir runs low, {ml(left)} are left by the count", {"ul": left}


def _lost(name: str, f: tuple[int, ...], state: State) -> tuple[str, str, dict[str, int]]:
    return "lost", f"{f[0]} records are lost; dosing is held until the keeper has answered", {}


_TOLD: dict[str, Teller] = {
    "O": _outcome,
    "M": _passed("missed", "missed"),
    "R": _passed("refused", "refused"),
    "S": _passed("skipped", "left out"),
    "U": _uncertain,
    "J": _extra,
    "Y": _dropped,
    "W": _low,
    "Z": _fault,
    "L": _lapsed,
    "G": _lost,
}
