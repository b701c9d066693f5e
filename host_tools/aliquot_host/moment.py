"""What was known at one moment of a journal: the state, its origins, the plan then in force.

Here stand the steps that every explanation from a journal shares. A set-up is believed only where
its SHA-256 is the one that the journal records; an engine that is asked runs on a copy of the
state, and nothing is ever written.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from aliquot.core import lanes, ledger, room, snapshot
from aliquot.core.decimals import date_text
from aliquot.core.engine import Engine
from aliquot.core.ledger import ChannelState
from aliquot.core.state import State
from aliquot.core.window import BUCKET_S
from aliquot.core.zone import Zone
from aliquot_host.archive import Archive
from aliquot_host.explain import Plan, Step
from aliquot_host.meaning import ml
from aliquot_host.setup_file import Loaded
from aliquot_host.trail import DAY_S, Marks, trail_until

# The lanes of a probe come to rest long before.
SLICES_MOST = 100_000
SETUP = "give it with --setup to have this explained"

REASONS = {
    ledger.OK: "no reason was recorded",
    ledger.ABSENT: "the board had no power, or did not know the time",
    ledger.HOLD: "dosing was held",
    ledger.CUP_OUT: "its line was out of the tank, over a cup",
    ledger.FAULT: "a fault kept it from running",
    ledger.CAP: "the cap had no room for it",
    ledger.EMPTY: "the reservoir held too little",
    ledger.QUEUE: "other runs and the time to stay apart from them took too long",
    ledger.UNCALIBRATED: "the pump was not calibrated as it is set up",
    ledger.LOST: "records were lost and nobody had answered for them",
    ledger.TRIMMED: "a trim, or a day cut short, left less than the smallest dose of it",
    ledger.USER: "the user ended it",
    ledger.RESET: "the board started anew",
    ledger.LIMIT: "it was more than the largest dose or the longest run",
}
# The same as causes of a run that ended early.
CAUSES = {
    ledger.FAULT: "a fault stopped it",
    ledger.USER: "the user stopped it",
    ledger.RESET: "the board started anew during it",
}
WORDS = {
    ledger.OK: "ok",
    ledger.ABSENT: "absent",
    ledger.HOLD: "held",
    ledger.CUP_OUT: "cup",
    ledger.FAULT: "fault",
    ledger.CAP: "cap",
    ledger.EMPTY: "empty",
    ledger.QUEUE: "queue",
    ledger.UNCALIBRATED: "uncalibrated",
    ledger.LOST: "lost records",
    ledger.TRIMMED: "trimmed",
    ledger.USER: "user",
    ledger.RESET: "reset",
    ledger.LIMIT: "limit",
}


class Probe:
    """A journal for questions: a copy of a state, and nothing is ever written."""

    def __init__(self, state: State) -> None:
        self.state = copy_of(state)

    def put(self, now_s: int, kind: str, fields: tuple[int, ...], text: str = "") -> None:
        """Take what passes on the way to the answer into the copy."""
        padded = fields + (0,) * 12
        self.state.apply(now_s - self.state.now_s, kind, padded, text)


class Moment:
    """The state before a record, where it comes from, and the plan in force, if that is known.

    now_s: the engine second in question."""

    def __init__(
        self,
        archive: Archive,
        setups: Mapping[str, Loaded],
        name: str,
        before: int,
        now_s: int | None = None,
    ) -> None:
        self.state, self.trail = trail_until(archive, before)
        self.name = name
        self.now_s = self.state.now_s if now_s is None else now_s
        self.place = self.state.ids.index(name)
        self.plan: Plan | None = None
        loaded = setups.get(self.state.hash)
        if loaded:
            cals = [(c.cal_counts, c.cal_ul, c.cal_offset) for c in self.state.channels]
            self.plan = Plan(loaded, cals)

    @property
    def channel(self) -> ChannelState:
        return self.state.channels[self.place]

    @property
    def marks(self) -> Marks:
        return self.trail.marks.setdefault(self.name, Marks())

    @property
    def zone(self) -> Zone | None:
        return self.plan.setup.zone if self.plan else None

    @property
    def overs(self) -> list[list[int]]:
        return [list(c.over) for c in self.state.channels]

    def probe(self) -> Engine | None:
        """An engine on a copy of the state, its lanes at the doses that are next; None without
        the plan."""
        if not self.plan:
            return None
        engine = Engine(self.plan.setup, Probe(self.state))
        advance: Any = lanes.advance
        for place in range(len(self.state.channels)):
            for _ in range(SLICES_MOST):
                if advance(engine, place, self.now_s):
                    break
        return engine


def copy_of(state: State) -> State:
    return snapshot.load(snapshot.dump(state))


def key_step(at: Moment, date: int, index: int, revision: int, records: tuple[int, ...]) -> Step:
    text = f"dose {date_text(date)}#{index} of {at.name}, revision {revision}: it can run once"
    values = {"date": date_text(date), "index": index, "revision": revision}
    return Step("key", text, records, values)


def setup_step(at: Moment) -> Step:
    digest = at.state.hash
    values = {"sha256": digest, "known": at.plan is not None}
    if at.plan:
        name = at.plan.loaded.where or "the set-up that was given"
        text = f"by {name}, which is the set-up that was in force"
    else:
        text = (
            "what the plan asked for, the times before spacing and the limits stand in the set-up "
            f"with SHA-256 {digest or '(none was recorded)'}: {SETUP}"
        )
    return Step("set-up", text, (at.trail.config,), values)


def cap_step(at: Moment, ul: int, now_s: int | None = None) -> Step:
    """What may have entered in the 24 h before `now_s`, and what the cap left for `ul`."""
    now_s = at.now_s if now_s is None else now_s
    used = at.channel.ring.used_ul(now_s)
    entered = [run for run in at.marks.entered if now_s - DAY_S < run.end_s <= now_s]
    runs_ul = sum(run.ul for run in entered)
    records = [run.seq for run in entered]
    runs = "1 run" if len(entered) == 1 else f"{len(entered)} runs"
    text = f"{ml(used)} may have entered in the 24 h before, {ml(runs_ul)} of it in {runs}"
    if used > runs_ul:
        text += ", the rest as stated, lost, measured anew, or no more than a little older"
        records += [seq for seq, at_s in at.trail.filled_in if at_s > now_s - DAY_S - BUCKET_S]
    values: dict[str, object] = {"ul": ul, "used_ul": used, "runs_ul": runs_ul}
    if at.plan:
        cfg = at.plan.setup.channels[at.place]
        left = room.left_ul(Engine(at.plan.setup, Probe(at.state)), at.place, now_s)
        text += f"; the cap is {ml(cfg.cap_ul)}"
        if left < cfg.cap_ul - used:
            text += f", but that of its group leaves {ml(max(0, left))}"
        else:
            text += f" and leaves {ml(max(0, left))}"
        text += f" for {ml(ul)}" if ul else ""
        values |= {"cap_ul": cfg.cap_ul, "left_ul": left}
    return Step("cap", text, tuple(records), values)


def reservoir_steps(at: Moment, ul: int) -> list[Step]:
    """What the reservoir held, where count of it is kept."""
    c = at.channel
    if c.fill_ul < 0:
        return []
    left = c.fill_ul - c.taken_ul
    text = f"{ml(c.fill_ul)} at the last fill less {ml(c.taken_ul)} taken leaves {ml(left)}"
    dead = at.plan.setup.channels[at.place].dead_ul if at.plan else 0
    if dead:
        text += f", {ml(dead)} of it out of reach"
    text += f", for {ml(ul)}" if ul else ""
    values = {"fill_ul": c.fill_ul, "taken_ul": c.taken_ul, "dead_ul": dead}
    return [Step("reservoir", text, (at.marks.filled,), values)]


def cause_records(at: Moment, reason: int) -> tuple[int, ...]:
    """The records that a reason rests on, at the moment in question."""
    trail, marks = at.trail, at.marks
    c, state = at.channel, at.state
    if reason == ledger.HOLD:
        found: list[int] = [
            *([trail.held] if state.hold_w >= 0 else []),
            *([marks.held] if c.hold_w >= 0 else []),
        ]
    elif reason == ledger.FAULT:
        found = [*([trail.faulted] if state.fault else []), *([marks.faulted] if c.fault else [])]
    else:
        others: dict[int, list[int]] = {
            ledger.CUP_OUT: [marks.cup],
            ledger.EMPTY: [marks.filled],
            ledger.UNCALIBRATED: [trail.config, marks.calibrated],
            ledger.LOST: [trail.lost],
            ledger.TRIMMED: [marks.trimmed if c.trim_n else marks.revised],
            ledger.LIMIT: [trail.config, marks.calibrated],
        }
        found = others.get(reason, [])
    return tuple(found)
