"""A journal folded anew and judged: where it leads, whether its accounts balance, what is odd.

The fold is the board's. The SHA-256 is that of the snapshot which a board would write after the
last record, so that two machines, or a board and a desk, can tell whether they came to the same
state.
"""

from __future__ import annotations

import dataclasses
import hashlib
from collections.abc import Iterator, Mapping

from aliquot.core import ledger, snapshot
from aliquot.core.decimals import date_text, stamp_text
from aliquot.core.ledger import DOSE, TANK, ChannelState
from aliquot.core.state import State
from aliquot_host import errors
from aliquot_host.archive import Archive
from aliquot_host.explain import triples_of
from aliquot_host.trail import Clock

TOTALS = {
    "planned_ul": ledger.PLANNED,
    "commanded_ul": ledger.COMMANDED,
    "commanded_counts": ledger.COUNTS,
    "skipped_ul": ledger.SKIPPED,
    "missed_ul": ledger.MISSED,
    "raised_ul": ledger.RAISED,
    "lapsed_ul": ledger.LAPSED,
    "refused_ul": ledger.REFUSED,
    "uncertain_ul": ledger.UNCERTAIN,
    "extra_ul": ledger.EXTRA,
    "short_ul": ledger.SHORT,
    "over_ul": ledger.OVER,
}
QUALITIES = ("unset", "estimated", "trusted")


@dataclasses.dataclass(frozen=True)
class Balance:
    """One account: two sides that must be equal, in microlitres."""

    name: str
    left_ul: int
    right_ul: int

    @property
    def holds(self) -> bool:
        return self.left_ul == self.right_ul

    def text(self) -> str:
        return f"{self.name}: {self.left_ul} µL against {self.right_ul} µL"


@dataclasses.dataclass(frozen=True)
class Replay:
    """Where a journal leads.

    first_w, last_w: wall seconds of the first and last record whose time is known, or None. odd:
    what was found, as (word, sentence), accounts that do not balance included."""

    state: State
    first: int
    last: int
    records: int
    first_w: int | None
    last_w: int | None
    powered_s: int
    starts: int
    odd: tuple[tuple[str, str], ...]

    @property
    def sha256(self) -> str:
        """SHA-256 of the state as a board's snapshot spells it."""
        return fingerprint(self.state)

    @property
    def days(self) -> int:
        """The UTC dates from the first to the last record whose time is known."""
        if self.first_w is None or self.last_w is None:
            return 0
        return self.last_w // 86400 - self.first_w // 86400 + 1


def fingerprint(state: State) -> str:
    return hashlib.sha256("\n".join(snapshot.dump(state)).encode()).hexdigest()


def replay(archive: Archive, until: int | None = None) -> Replay:
    """Fold the records up to number `until`; BadInput where the journal has no such number."""
    state = snapshot.load(archive.opening)
    first = state.seq + 1
    ends = archive.records[-1].seq if archive.records else state.seq
    if until is not None and not first <= until <= ends:
        limit = f"{first} to {ends}, the records that are there"
        raise errors.bad("--until", until, limit=limit)
    clock = Clock(state)
    began_s, number = state.now_s, 0
    first_w = last_w = state.now_s + state.offset if state.quality else None
    for record, now in archive.walk(until):
        state = now
        clock.after(record, now)
        number += 1
        if now.quality:
            last_w = now.now_s + now.offset
            first_w = last_w if first_w is None else first_w
    odd = [(f.word, f.text) for f in archive.findings if until is None or f.first <= until]
    for name, account in accounts(state):
        if not account.holds:
            odd.append(("account", f"{name}: {account.text()}"))
    return Replay(
        state=state,
        first=first,
        last=state.seq,
        records=number,
        first_w=first_w,
        last_w=last_w,
        powered_s=state.now_s - began_s,
        starts=clock.starts,
        odd=tuple(odd),
    )


def accounts(state: State) -> Iterator[tuple[str, Balance]]:
    """(id, account) of both accounts of every channel; a run under way counts as it was begun."""
    for place, name in enumerate(state.ids):
        c = state.channels[place]
        base = up = 0
        if state.open and state.open[0] == place and state.open[3] == DOSE:
            _, _, _, _, _, base, up = state.open
        for account in balances(c, base, up):
            yield name, account


def balances(c: ChannelState, base_ul: int = 0, raise_ul: int = 0) -> tuple[Balance, Balance]:
    """The two identities of `ledger.py`; base and raise are those of a dose under way."""
    t = c.tot
    wanted = t[ledger.PLANNED] + t[ledger.RAISED] + t[ledger.EXTRA] + t[ledger.OVER]
    became = t[ledger.COMMANDED] + t[ledger.SKIPPED] + t[ledger.MISSED] + t[ledger.REFUSED]
    became += t[ledger.SHORT] + base_ul
    fell_short = t[ledger.MISSED] + t[ledger.SHORT]
    settled = t[ledger.RAISED] + t[ledger.LAPSED] + sum(c.owed[1::2]) + raise_ul
    return (
        Balance("planned + raised + extra + over = what became of it", wanted, became),
        Balance("missed + short = raised + lapsed + owed", fell_short, settled),
    )


def payload(found: Replay) -> dict[str, object]:
    """What `replay --json` prints under its format and version."""
    state = found.state
    return {
        "records": found.records,
        "first_record": found.first,
        "last_record": found.last,
        "first_utc": None if found.first_w is None else stamp_text(found.first_w),
        "last_utc": None if found.last_w is None else stamp_text(found.last_w),
        "days": found.days,
        "powered_s": found.powered_s,
        "starts": found.starts,
        "snapshot_sha256": found.sha256,
        "setup_sha256": state.hash,
        "clock": QUALITIES[state.quality],
        "hold": _hold(state.hold_w),
        "fault": _fault(state.fault, state.latched),
        "lost_records": state.gap,
        "foreign_record": state.foreign,
        "running": _running(state),
        "channels": {
            name: _channel(state, place, c)
            for place, (name, c) in enumerate(zip(state.ids, state.channels, strict=True))
        },
        "findings": [{"word": word, "text": text} for word, text in found.odd],
    }


def _channel(state: State, place: int, c: ChannelState) -> dict[str, object]:
    mine = [account for name, account in accounts(state) if name == state.ids[place]]
    return {
        "revision": c.rev,
        "totals": {name: c.tot[at] for name, at in TOTALS.items()},
        "balances": [{**dataclasses.asdict(one), "holds": one.holds} for one in mine],
        "last_date": date_text(c.date) if c.date else None,
        "last_due_utc": stamp_text(c.wm_w) if c.wm_w >= 0 else None,
        "calibration": {"counts": c.cal_counts, "ul": c.cal_ul, "offset": c.cal_offset},
        "remainder": c.rem,
        "window_ul": c.ring.used_ul(state.now_s),
        "reservoir": None
        if c.fill_ul < 0
        else {"filled_ul": c.fill_ul, "taken_ul": c.taken_ul, "low": bool(c.low)},
        "hold": _hold(c.hold_w),
        "in_cup": bool(c.cup),
        "fault": _fault(c.fault, c.latched),
        "trim": {"pct": c.trim_pct, "doses": c.trim_n} if c.trim_n else None,
        "overrides": [
            {"ul_a_day": ul, "from": date_text(first), "days": n}
            for ul, first, n in triples_of(c.over)
        ],
        "owed": [
            {"due_utc": stamp_text(due_w), "ul": ul}
            for due_w, ul in zip(c.owed[::2], c.owed[1::2], strict=True)
        ],
        "extra_waiting_ul": c.extra[0] if c.extra else None,
    }


def _hold(hold_w: int) -> str | None:
    if hold_w < 0:
        return None
    return stamp_text(hold_w) if hold_w else "until released"


def _fault(code: int, latched: int) -> dict[str, object] | None:
    return {"code": code, "latched": bool(latched), "seen": latched == 2} if code else None


def _running(state: State) -> Mapping[str, object] | None:
    if not state.open:
        return None
    place, ul, counts, into, *_ = state.open
    words = {DOSE: "dose", TANK: "tank"}
    return {
        "channel": state.ids[place],
        "ul": ul,
        "counts": counts,
        "into": words.get(into, "cup"),
    }
