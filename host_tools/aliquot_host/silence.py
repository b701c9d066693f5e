"""Why a channel gave nothing at a time: by the plan alone, or by what a journal recorded.

The answer names one verdict and the steps that lead to it. Where the channel did run, it says so:
a wrong question gets a right answer. Times that come twice get an answer each.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Mapping
from types import SimpleNamespace
from typing import Any

from aliquot.core import lanes, ledger
from aliquot.core.decimals import date_of_text, date_text, time_of_text
from aliquot.core.ledger import CUP, DOSE, TANK
from aliquot.core.plan import count, day_ul
from aliquot.core.zone import Zone
from aliquot_host import errors, explain, timetables
from aliquot_host.archive import Archive
from aliquot_host.explain import Plan, Step, local, span
from aliquot_host.explain_record import delay, due_of, reason_steps, row_step
from aliquot_host.meaning import minutes, ml
from aliquot_host.moment import REASONS, WORDS, Moment, cause_records, setup_step
from aliquot_host.setup_file import Loaded
from aliquot_host.trail import History, Passed, Run, Stretch, Withdrawn

INTO = {DOSE: "a dose", TANK: "an extra", CUP: "a run into a cup"}
FORM = re.compile(r"(\d{4}-\d\d-\d\d)[T ](\d\d:\d\d(?::\d\d)?)(Z|[+-]\d\d:\d\d)?")
LIMIT = "a date and a time, such as 2026-03-29T14:05, with Z or +02:00 behind it if not local"


@dataclasses.dataclass(frozen=True)
class Span:
    """The time in question, in wall seconds: a second, or the minute of a time without seconds.

    note: what is odd about a local time that does not exist, or comes twice."""

    from_w: int
    until_w: int
    note: str = ""


@dataclasses.dataclass(frozen=True)
class Answer:
    """One verdict in a word, the sentence that says it, and the steps that it rests on."""

    span: Span
    verdict: str
    headline: str
    steps: tuple[Step, ...]

    def as_json(self) -> dict[str, object]:
        return {
            "verdict": self.verdict,
            "headline": self.headline,
            "steps": [step.as_json() for step in self.steps],
        }


def spans(text: str, zone: Zone | None, option: str = "TIME") -> list[Span]:
    """The time that a person wrote; two spans where the clock shows it twice."""
    found = FORM.fullmatch(text)
    if not found:
        raise errors.bad(option, text, limit=LIMIT)
    date_part, time_part, east = found.groups()
    try:
        date, second = date_of_text(date_part), time_of_text(time_part)
        shift = time_of_text(east[1:]) if east and east != "Z" else 0
    except ValueError as wrong:
        raise errors.bad(option, text, limit=LIMIT, advice=f"{wrong}.") from wrong
    length = 1 if len(time_part) > 5 else 60
    naive = date * 86400 + second
    if east:
        from_w = naive - (-shift if east.startswith("-") else shift)
        return [Span(from_w, from_w + length)]
    if zone is None:
        advice = "The journal does not say in which zone the tank stands: give --setup, or UTC."
        raise errors.bad(option, text, limit="a time that ends in Z or +02:00", advice=advice)
    first = zone.wall(date, second)
    again = first + zone.high - zone.low
    if zone.high > zone.low and zone.offset(first) == zone.high and zone.offset(again) == zone.low:
        notes = ("the first of two times that the clock shows this", "the second of the two")
        pairs = zip((first, again), notes, strict=True)
        return [Span(start, start + length, note) for start, note in pairs]
    skipped = first + zone.offset(first) != naive
    note = f"the clock leaves {time_part} out; the first moment after it" if skipped else ""
    return [Span(first, first + length, note)]


# By the plan alone


def planned(plan: Plan, name: str, asked: Span) -> Answer:
    """What a set-up file says about a time."""
    place = plan.place(name)
    cfg, c = plan.channel(place)
    zone = plan.setup.zone
    date = zone.date_of(asked.from_w)
    doses = [
        dose
        for day in timetables.dates(plan.setup, plan.cals, range(date - 1, date + 2))
        for dose in day.doses
        if dose.channel == name
    ]
    hit = [
        dose
        for dose in doses
        if dose.wall_s < asked.until_w and dose.wall_s + -(-dose.run_ms // 1000) > asked.from_w
    ]
    if hit:
        key = f"{date_text(zone.date_of(hit[0].wall_s))}#{hit[0].index}"
        headline = f"it does run then, by the plan: {key}, {ml(hit[0].volume_ul)}"
        step = Step("dose", f"dose {key} is planned for {local(hit[0].wall_s, zone)}")
        return Answer(asked, "planned", headline, (step,))
    steps: list[Step] = []
    if not count(cfg, day_ul(cfg, date, [])):
        steps.append(explain.why_none(cfg, c, date, []))
    before = [dose for dose in doses if dose.wall_s < asked.until_w]
    after = [dose for dose in doses if dose.wall_s >= asked.until_w]
    steps += [around(before[-1].wall_s if before else None, _at(after), zone)]
    return Answer(asked, "not due", "no dose is planned for that time", tuple(steps))


def _at(doses: list[timetables.Dose]) -> int | None:
    return doses[0].wall_s if doses else None


def around(before_w: int | None, after_w: int | None, zone: Zone | None) -> Step:
    """The doses before and after a time."""
    said = [
        f"due before it: {local(before_w, zone)}" if before_w is not None else "",
        f"due next: {local(after_w, zone)}" if after_w is not None else "",
    ]
    text = "; ".join(filter(None, said)) or "no dose is due near it"
    values = {
        "before": explain.spell(before_w, zone) if before_w is not None else None,
        "next": explain.spell(after_w, zone) if after_w is not None else None,
    }
    return Step("around it", text, (), values)


# By a journal


def recorded(
    archive: Archive,
    setups: Mapping[str, Loaded],
    history: History,
    asked: Span,
    zone: Zone | None,
) -> list[Answer]:
    """What a journal says about a time: an answer for each time that the board's clock showed it.

    history: of the channel, with the stretches around the time."""
    ran = [
        event
        for event in history.events
        if isinstance(event, Run)
        and event.start_w < asked.until_w
        and max(event.end_w, event.start_w + 1) > asked.from_w
    ]
    if ran:
        return [_ran(run, asked, zone) for run in ran]
    stretches = [
        s for s in history.stretches if s.from_w < asked.until_w and asked.from_w < s.until_w
    ]
    if not stretches:
        step = Step("journal", "the records that are there begin later")
        return [Answer(asked, "before the journal", "the journal begins later", (step,))]
    powered = [s for s in stretches if s.kind == "on"]
    gone = given_up(history, asked, zone)
    answers = [
        _powered(archive, setups, history, asked, stretch)
        if stretch.kind == "on"
        else _dark(archive, setups, history, asked, stretch, zone)
        for stretch in powered[:1] or stretches[:2]
    ]
    return [dataclasses.replace(a, steps=(*a.steps, *gone)) for a in answers]


def _ran(run: Run, asked: Span, zone: Zone | None) -> Answer:
    what = INTO[run.into]
    if run.into == DOSE:
        what = f"dose {date_text(run.date)}#{run.index}"
    until = f" to {local(run.end_w, zone)}" if run.end_w >= 0 else ", and power went during it"
    if run.ending == "running":
        until = ", and the journal ends before its outcome"
    text = f"{what}: {ml(run.got_ul or run.ul)} from {local(run.start_w, zone)}{until}"
    records = tuple(filter(None, (run.seq, run.end_seq)))
    step = Step("run", text, records, {"ending": run.ending, "ul": run.got_ul})
    return Answer(asked, "ran", f"it did run: {text}", (step,))


def _dark(
    archive: Archive,
    setups: Mapping[str, Loaded],
    history: History,
    asked: Span,
    stretch: Stretch,
    zone: Zone | None,
) -> Answer:
    """A time at which the board was off or did not know the time, or that no record reaches."""
    ends = f"{local(stretch.from_w, zone)} to {local(stretch.until_w, zone)}"
    records = tuple(filter(None, (stretch.before, stretch.after)))
    if stretch.kind == "later":
        text = f"the last record that has a time was written {local(stretch.from_w, zone)}"
        step = Step("journal", text, records[:1])
        headline = "the journal has no record of that time"
        return Answer(asked, "after the journal", headline, (step,))
    verdict, headline = {
        "off": ("off", "the board had no power, or left no sign of it"),
        "unset": ("clock unset", "the board had power but did not know the time"),
    }.get(stretch.kind, ("clock skipped", "the clock was set forward over that time"))
    steps = [Step("board", f"{headline}, {ends}", records, {"stretch": stretch.kind})]
    event = _next(history, stretch.before)
    absent = isinstance(event, Passed) and event.reason == ledger.ABSENT
    if isinstance(event, Passed) and absent and event.after_w < asked.until_w:
        at = Moment(archive, setups, history.name, event.seq - 1)
        steps.append(row_step(at, event, None))
    return Answer(asked, verdict, headline, tuple(steps))


def _next(history: History, seq: int) -> Run | Passed | None:
    """The first dose that a record after `seq` closes."""
    for event in history.events:
        dose = isinstance(event, Passed) or (isinstance(event, Run) and event.into == DOSE)
        if event.seq > seq and dose:
            assert isinstance(event, Run | Passed)
            return event
    return None


def _powered(
    archive: Archive, setups: Mapping[str, Loaded], history: History, asked: Span, on: Stretch
) -> Answer:
    """The board was up: a stop comes first, then a dose that waited, else none was due."""
    at = Moment(archive, setups, history.name, on.before)
    at.now_s = asked.from_w - at.state.offset
    if history.name not in at.state.ids:
        step = Step("set-up", "the channel was not part of the set-up then", (at.trail.config,))
        return Answer(asked, "no channel", "there was no such channel then", (step,))
    stop = blocked(at, asked.from_w)
    waiting = _waiting(at, history, on, asked)
    steps: list[Step] = []
    if stop:
        steps.append(_stop_step(at, stop))
    if waiting:
        then = Moment(archive, setups, history.name, waiting.seq - 1)
        steps += _fate(then, history, waiting)
    else:
        steps.append(_around(at, history, on, asked))
    if not at.plan:
        steps.append(setup_step(at))
    elif not waiting:
        cfg, c = at.plan.channel(at.place)
        date = at.plan.setup.zone.date_of(asked.from_w)
        over = at.channel.over
        if not count(cfg, day_ul(cfg, date, over)):
            steps.append(explain.why_none(cfg, c, date, explain.triples_of(over)))
    if stop:
        return Answer(asked, WORDS[stop], REASONS[stop], tuple(steps))
    if isinstance(waiting, Run):
        return Answer(asked, "waiting", "a dose was due and waited", tuple(steps))
    if isinstance(waiting, Passed):
        why = REASONS.get(waiting.reason, REASONS[0])
        verdict = WORDS.get(waiting.reason, waiting.ending)
        return Answer(asked, verdict, f"a dose was due and {waiting.ending}: {why}", tuple(steps))
    return Answer(asked, "not due", "no dose was due at that time", tuple(steps))


def blocked(at: Moment, wall_w: int) -> int:
    """Why the channel may not run at all at a wall second, or 0; asks `lanes.block` itself."""
    channels = at.plan.setup.channels if at.plan else None
    # Without the set-up the calibration is taken to fit the pump that it was made with.
    config = channels or [SimpleNamespace(signature=c.cal_sig) for c in at.state.channels]
    asked: Any = SimpleNamespace(state=at.state, setup=SimpleNamespace(channels=config))
    block: Any = lanes.block
    return int(block(asked, at.place, wall_w))


def _stop_step(at: Moment, stop: int) -> Step:
    text, state, c = REASONS[stop], at.state, at.channel
    values: dict[str, object] = {"reason": WORDS[stop]}
    if stop == ledger.HOLD:
        until_w = max(state.hold_w, c.hold_w) if min(abs(state.hold_w), abs(c.hold_w)) else 0
        whole = state.hold_w >= 0
        text = f"{'all channels were' if whole else 'the channel was'} on hold"
        text += f" until {local(until_w, at.zone)}" if until_w > 0 else " until released"
    elif stop == ledger.FAULT:
        values["fault"] = state.fault or c.fault
        text = f"fault {state.fault or c.fault} of {'all' if state.fault else 'the channel'}"
    return Step("stop", text, cause_records(at, stop), values)


def _waiting(at: Moment, history: History, on: Stretch, asked: Span) -> Run | Passed | None:
    """The newest dose that was due by then and had not been closed."""
    found: Run | Passed | None = None
    for event in history.events:
        if event.seq <= on.before or not isinstance(event, Run | Passed):
            continue
        if isinstance(event, Run):
            first_w = event.due_w if event.into == DOSE else asked.until_w
        else:
            first_w = _first_w(at, event)
        if first_w < asked.until_w:
            found = event
        elif isinstance(event, Passed) or event.into == DOSE:
            break
    return found


def _first_w(at: Moment, event: Passed) -> int:
    """When the first dose of a row was due; without the plan, of a longer row the earliest."""
    first_w = due_of(at, event, *event.first)
    if first_w is not None:
        return first_w
    return event.due_w if event.number == 1 else event.after_w + 1


def _fate(at: Moment, history: History, event: Run | Passed) -> list[Step]:
    """What became of the dose that was due."""
    if isinstance(event, Passed):
        at.now_s = event.at_w - at.state.offset
        due_w = due_of(at, event, *event.last)
        return [row_step(at, event, None), *reason_steps(at, history, event, due_w)]
    why, records = delay(at, history, event.due_w, event.start_w)
    key = f"{date_text(event.date)}#{event.index}"
    due, start = local(event.due_w, at.zone), local(event.start_w, at.zone)
    late = span(event.start_w - event.due_w)
    text = f"dose {key} was due {due} and started {start}, {late} late: {why}"
    return [Step("waited", text, (event.seq, *records), {"late_s": event.start_w - event.due_w})]


def _around(at: Moment, history: History, on: Stretch, asked: Span) -> Step:
    """The doses around a time at which none was due, by the plan or by the records."""
    event = _next(history, on.before)
    after_w = None
    records: tuple[int, ...] = ()
    if isinstance(event, Run):
        after_w, records = event.due_w, (event.seq,)
    elif event:
        after_w, records = due_of(at, event, *event.first), (event.seq,)
    if at.plan and after_w is None:
        date = at.plan.setup.zone.date_of(asked.from_w)
        times = [w for d in (date, date + 1) for w in at.plan.times(at.place, d, at.overs)]
        after_w = next((w for w in times if w >= asked.until_w), None)
    before_w = at.channel.wm_w if at.channel.date else None
    step = around(before_w, after_w, at.zone)
    grace = f"; each may start up to {minutes(_grace_s(at))} later" if at.plan else ""
    return dataclasses.replace(step, text=step.text + grace, records=records)


def _grace_s(at: Moment) -> int:
    assert at.plan
    return at.plan.setup.channels[at.place].grace_s


def given_up(history: History, asked: Span, zone: Zone | None) -> list[Step]:
    """Extras that were given up within an hour of the time: perhaps they were what was meant."""
    found: list[Step] = []
    for event in history.events:
        near = isinstance(event, Withdrawn) and abs(event.at_w - asked.from_w) < 3600
        if isinstance(event, Withdrawn) and near:
            why = REASONS[event.reason] if event.reason in REASONS else REASONS[ledger.OK]
            why = why if event.reason else "the user took it back"
            text = f"an extra of {ml(event.ul)} ended at {local(event.at_w, zone)} unrun: {why}"
            found.append(Step("extra", text, (event.seq,)))
    return found
