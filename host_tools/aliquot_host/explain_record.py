"""One dose as it really went, read from a journal: every step with the records it rests on.

What the journal alone cannot tell (the plan, the cap) is worked out from the set-up whose SHA-256
the journal records; without that set-up the explanation says what it leaves open.
"""

from __future__ import annotations

from collections.abc import Mapping

from aliquot.core import ledger, room
from aliquot.core.amounts import to_counts
from aliquot.core.decimals import date_text
from aliquot.core.ledger import ALL
from aliquot.core.plan import count, day_ul
from aliquot.core.zone import Zone
from aliquot_host import explain
from aliquot_host.archive import Archive
from aliquot_host.explain import Explanation, Step, local, span
from aliquot_host.meaning import ml
from aliquot_host.moment import (
    CAUSES,
    REASONS,
    WORDS,
    Moment,
    cap_step,
    cause_records,
    key_step,
    reservoir_steps,
    setup_step,
)
from aliquot_host.setup_file import Loaded
from aliquot_host.trail import Event, History, Passed, Run

# A start within so many seconds is on time; the engine sees it the same way.
ON_TIME_S = 5


def recorded(
    archive: Archive,
    setups: Mapping[str, Loaded],
    history: History,
    date: int,
    index: int,
) -> list[Explanation]:
    """Everything that a journal holds under the key date#index of a channel, oldest first.

    More than one only where a new revision made the same date anew."""
    found: list[Explanation] = []
    for event in history.events:
        if isinstance(event, Run) and event.holds(date, index):
            found.append(_run(archive, setups, history, event))
        elif isinstance(event, Passed) and event.holds(date, index):
            made = _passed(archive, setups, history, event, date, index)
            found += [made] if made else []
    return found


# A dose that ran


def _run(
    archive: Archive, setups: Mapping[str, Loaded], history: History, run: Run
) -> Explanation:
    at = Moment(archive, setups, history.name, run.seq - 1)
    at.now_s = run.start_w - at.state.offset
    zone = at.zone
    steps = [key_step(at, run.date, run.index, run.revision, (run.seq, at.marks.revised))]
    steps.append(setup_step(at))
    steps += _plan(at, run.date, run.index)
    steps.append(start_step(at, history, run))
    steps += _taken_off(at, run)
    steps.append(_raise(at, run))
    steps.append(cap_step(at, run.ul))
    steps += reservoir_steps(at, run.ul)
    steps.append(_counts(at, run))
    steps += _outcome(run, zone)
    steps += _differs(at, run, steps)
    got = f"{ml(run.got_ul)} of {ml(run.ul)}" if run.ending == "partial" else ml(run.got_ul)
    headline = {
        "done": f"done at {local(run.start_w, zone)}: {got}, {run.given} counts",
        "partial": f"cut short at {local(run.end_w, zone)}: {got} went in",
        "uncertain": f"uncertain: power went during the run; up to {got} counts as given",
        "running": f"started at {local(run.start_w, zone)}; the journal ends before its outcome",
    }[run.ending]
    return Explanation(
        history.name, run.date, run.index, run.revision, run.ending, headline, tuple(steps)
    )


def _plan(at: Moment, date: int, index: int) -> list[Step]:
    """The steps of the plan where it is known and holds the dose."""
    if not at.plan:
        return []
    if index >= len(at.plan.times(at.place, date, at.overs)):
        text = f"by the set-up and what was in force then, the date has no dose #{index}"
        return [Step("plan", text, (at.trail.config, at.marks.revised))]
    origins = at.marks.overridden
    return explain.plan_steps(at.plan, at.place, date, index, at.overs, origins)


def _differs(at: Moment, run: Run, steps: list[Step]) -> list[Step]:
    """What the record says and the set-up, or the calibration, would not have asked for."""
    said: list[str] = []
    counts = next(step.values["counts"] for step in steps if step.name == "counts")
    if counts != run.counts:
        said.append(f"{counts} counts, and the record says {run.counts}")
    times = at.plan.times(at.place, run.date, at.overs) if at.plan else []
    if at.plan and run.index < len(times):
        planned_ul = at.plan.table.day(run.date, at.overs).ul(at.place, run.index)
        if planned_ul != run.base_ul + run.trim_ul:
            recorded_ul = run.base_ul + run.trim_ul
            said.append(f"{ml(planned_ul)}, and the record says {ml(recorded_ul)}")
        if times[run.index] != run.due_w:
            due = local(times[run.index], at.zone)
            said.append(f"due {due}, and the record says {local(run.due_w, at.zone)}")
    elif at.plan:
        said.append("no such dose, and the record says that it ran")
    text = "worked out anew it would be " + "; ".join(said)
    return [Step("differs", text, (run.seq,))] if said else []


def start_step(at: Moment, history: History, run: Run) -> Step:
    """When it started, and what made it late."""
    late = run.start_w - run.due_w
    values: dict[str, object] = {
        "due": explain.spell(run.due_w, at.zone),
        "started": explain.spell(run.start_w, at.zone),
        "late_s": late,
    }
    text = f"due {local(run.due_w, at.zone)}"
    if late <= ON_TIME_S:
        return Step("start", f"{text}, started on time", (run.seq,), values)
    why, records = delay(at, history, run.due_w, run.start_w)
    text = f"{text}, started {span(late)} late: {why}"
    return Step("start", text, (run.seq, *records), values)


def delay(at: Moment, history: History, due_w: int, start_w: int) -> tuple[str, tuple[int, ...]]:
    """What can be told of why a dose did not start when it was due."""
    for gone in history.outages:
        if gone.from_w <= start_w and gone.until_w > due_w:
            what = "the board had no power" if gone.kind == "off" else "the clock was not set"
            until = local(gone.until_w, at.zone)
            return f"{what} until {until}", (gone.before, gone.after)
    released, when_s, scope = at.trail.released
    if scope in (ALL, at.place) and due_w <= when_s + at.state.offset <= start_w:
        return f"dosing was held until {local(when_s + at.state.offset, at.zone)}", (released,)
    return apart(at, due_w, start_w)


def apart(at: Moment, due_w: int, until_w: int) -> tuple[str, tuple[int, ...]]:
    """The runs that a dose had to keep away from, in powered time as the engine counts it."""
    said: list[str] = []
    records: list[int] = []
    for place, name in enumerate(at.plan.ids() if at.plan else []):
        assert at.plan
        gap = at.plan.setup.gap_s(at.place, place)
        runs = [
            run
            for run in at.trail.marks[name].entered
            if gap and due_w - gap < run.end_s + at.state.offset < until_w
        ]
        if runs:
            ends = " and ".join(local(run.end_w, at.zone) for run in runs)
            away = f"it stays {span(gap)} of powered time away from {name}"
            said.append(f"{away}, which ran to {ends}")
            records += [run.seq for run in runs]
    text = "; ".join(said) or "it waited for another run to end, or for room under the cap"
    return text, tuple(records)


def _taken_off(at: Moment, run: Run) -> list[Step]:
    """The rest of a day that a new revision cut, and the trim."""
    whole = run.base_ul + run.trim_ul
    cut = _cut(at, run.date, whole)
    steps: list[Step] = []
    if cut:
        text = (
            f"cut by {ml(cut)}: since the plan changed, the day's total must not pass the larger "
            f"of the new day and what was in already ({ml(at.channel.day_ul)})"
        )
        steps.append(Step("rest of the day", text, (at.marks.revised,), {"cut_ul": cut}))
    trimmed = run.trim_ul - cut
    c = at.channel
    pct = c.trim_pct if c.trim_n else 0
    if trimmed and not at.plan and trimmed != whole - whole * (100 - pct) // 100:
        text = f"{ml(trimmed)} less than planned, by a changed plan"
        text += f" and a trim of {pct} %" if pct else ""
        records = (at.marks.revised, at.marks.trimmed if pct else 0)
        return [Step("rest of the day", text, records, {"cut_ul": trimmed})]
    if trimmed:
        text = (
            f"a trim takes {c.trim_pct} % off: {ml(trimmed)}, {ml(run.base_ul)} stays; "
            f"{doses(max(0, c.trim_n - 1))} of the trim to come"
        )
        values = {"trim_pct": c.trim_pct, "trim_ul": trimmed}
        steps.append(Step("trim", text, (at.marks.trimmed,), values))
    else:
        steps.append(Step("trim", "no trim was in force", (), {"trim_ul": 0}))
    return steps


def _cut(at: Moment, date: int, whole: int) -> int:
    """What a changed plan takes off a dose of a date that had begun."""
    if not at.plan or at.channel.date != date:
        return 0
    cfg = at.plan.setup.channels[at.place]
    total = at.plan.table.totals(date, at.overs)[at.place]
    most = max(day_ul(cfg, date, []) if at.channel.over else total, total)
    return whole - max(0, min(whole, most - at.channel.day_ul))


def _raise(at: Moment, run: Run) -> Step:
    """What was given back of a shortfall, and where that comes from."""
    c = at.channel
    owed_ul = sum(c.owed[1::2])
    if run.raise_ul:
        origins: list[int] = []
        dues: list[int] = []
        given_back: list[dict[str, object]] = []
        left = run.raise_ul
        entries = zip(c.owed[::2], c.owed[1::2], at.marks.owed, strict=True)
        for due_w, ul, records in entries:
            if left > 0:
                origins += records
                dues.append(due_w)
                due = explain.spell(due_w, at.zone)
                given_back.append({"records": records, "due": due, "ul": min(left, ul)})
                left -= min(left, ul)
        since = " and ".join(local(due_w, at.zone) for due_w in dues)
        text = f"raised by {ml(run.raise_ul)} of the {ml(owed_ul)} that was owed from {since}"
        values: dict[str, object] = {"raise_ul": run.raise_ul, "owed_ul": owed_ul}
        values["given_back"] = given_back
        if at.plan:
            least = _raise_limits(at, run)
            values["limits_ul"] = least
            text += "; it may be at most " + ", ".join(f"{ml(v)} ({k})" for k, v in least.items())
        return Step("raise", text, tuple(origins), values)
    values = {"raise_ul": 0, "owed_ul": owed_ul}
    if not owed_ul:
        return Step("raise", "nothing was owed", (), values)
    why = "why it was not raised stands in the set-up" if not at.plan else _not_raised(at, run)
    text = f"{ml(owed_ul)} was owed, and this dose was not raised: {why}"
    return Step("raise", text, tuple(r for records in at.marks.owed for r in records), values)


def _raise_limits(at: Moment, run: Run) -> dict[str, int]:
    """The bounds of a raise, each with a name for people."""
    plan = at.plan
    engine = at.probe()
    assert plan
    assert engine
    cfg = plan.setup.channels[at.place]
    base = run.base_ul
    found = {
        f"{cfg.raise_pct} % of the dose": base * cfg.raise_pct // 100,
        "the largest dose": cfg.most_ul - base,
        "what was owed": _owed_then(at),
        "the room": room.room_ul(engine, at.place, at.now_s),
        "the cap": room.left_ul(engine, at.place, at.now_s) - base,
    }
    if at.channel.fill_ul >= 0:
        found["the reservoir"] = at.channel.fill_ul - at.channel.taken_ul - cfg.dead_ul - base
    return {name: max(0, ul) for name, ul in found.items()}


def _owed_then(at: Moment) -> int:
    """What was owed when the dose was decided."""
    when_s, late_ul = at.marks.late_owed
    return sum(at.channel.owed[1::2]) - (late_ul if when_s == at.now_s else 0)


def _not_raised(at: Moment, run: Run) -> str:
    assert at.plan
    cfg = at.plan.setup.channels[at.place]
    total = at.plan.table.totals(run.date, at.overs)[at.place]
    if run.trim_ul:
        return "a dose that is trimmed or cut is not raised"
    if at.channel.over and day_ul(cfg, run.date, []) > total:
        return "an override lowers it"
    if at.now_s < at.state.fresh_s:
        return "the journal was new"
    if not _owed_then(at):
        return "it became owed only as this dose started"
    least = _raise_limits(at, run)
    name = min(least, key=lambda key: least[key])
    if not least[name]:
        return f"nothing is left by {name}"
    return f"the run would be longer than {cfg.run_most_s} s"


def _counts(at: Moment, run: Run) -> Step:
    """The counts of the intent; they are checked against the calibration in force."""
    c = at.channel
    cal = (c.cal_counts, c.cal_ul, c.cal_offset)
    records = (run.seq, at.marks.calibrated or at.trail.config)
    return explain.conversion(run.ul, cal, run.rem_before, records)


def _outcome(run: Run, zone: Zone | None) -> list[Step]:
    values: dict[str, object] = {
        "ending": run.ending,
        "got_ul": run.got_ul,
        "counts": run.given,
        "remainder_after": run.rem_after,
        "owed_ul": run.owed_ul,
    }
    records = (run.seq, run.end_seq)
    if run.ending == "running":
        return [Step("outcome", "the journal holds no outcome yet", (run.seq,), values)]
    if run.ending == "uncertain":
        text = (
            f"power went during the run: all of {ml(run.ul)} counts as given and is never given "
            "again"
        )
        return [Step("outcome", text, records, values)]
    text = f"ended at {local(run.end_w, zone)} after {run.given} of {run.counts} counts"
    if run.given < run.counts:
        why = CAUSES.get(run.cause)
        text += f", because {why}" if why else ""
        text += f": {ml(run.got_ul)} went in"
        short = run.base_ul - run.got_ul
        if short > 0:
            text += f", {ml(short)} less than planned, of which {ml(run.owed_ul)} is owed"
    elif run.given > run.counts:
        text += f": the motor ran on, and {ml(run.got_ul)} went in"
    else:
        text += f": {ml(run.got_ul)}, as intended"
    return [Step("outcome", text, records, values)]


# A dose that passed


def _passed(
    archive: Archive,
    setups: Mapping[str, Loaded],
    history: History,
    event: Passed,
    date: int,
    index: int,
) -> Explanation | None:
    """None where the plan shows that the date of a longer row had no such dose."""
    at = Moment(archive, setups, history.name, event.seq - 1, None)
    at.now_s = event.at_w - at.state.offset
    due_w = due_of(at, event, date, index)
    if at.plan and due_w is None:
        return None
    steps = [key_step(at, date, index, event.revision, (event.seq, at.marks.revised))]
    steps.append(setup_step(at))
    steps += _plan(at, date, index)
    steps.append(row_step(at, event, due_w))
    steps += reason_steps(at, history, event, due_w)
    steps += amount_steps(at, event)
    why = REASONS.get(event.reason, REASONS[0])
    headline = f"{event.ending}: {why}"
    return Explanation(
        history.name, date, index, event.revision, event.ending, headline, tuple(steps)
    )


def due_of(at: Moment, event: Passed, date: int, index: int) -> int | None:
    """When a dose of a row was due, where that is known."""
    if at.plan:
        times = at.plan.times(at.place, date, at.overs)
        if index < len(times):
            return times[index]
    return event.due_w if (date, index) == event.last else None


def row_step(at: Moment, event: Passed, due_w: int | None) -> Step:
    """The row of doses that the record stands for."""
    first, last = (f"{date_text(date)}#{index}" for date, index in (event.first, event.last))
    if event.number == 1:
        text = f"{first} was the only dose to pass for this reason then"
    else:
        text = f"one of {doses(event.number)}, {first} to {last}, that passed for the same reason"
    if due_w is not None:
        text = f"due {local(due_w, at.zone)}; {text}"
    values: dict[str, object] = {"first": first, "last": last, "doses": event.number}
    values["due"] = explain.spell(due_w, at.zone) if due_w is not None else None
    return Step("passed", text, (event.seq,), values)


def reason_steps(at: Moment, history: History, event: Passed, due_w: int | None) -> list[Step]:
    """Why doses passed, with the records that show it and the numbers of that moment."""
    text, records = REASONS.get(event.reason, REASONS[0]), cause_records(at, event.reason)
    if event.reason == ledger.ABSENT:
        first = due_w if due_w is not None else event.after_w + 1
        last = due_w if due_w is not None else event.due_w
        gone = [g for g in history.outages if g.from_w <= last + _grace(at) and g.until_w > first]
        said = [_gone(g.kind, g.from_w, g.until_w, at.zone) for g in gone[:3]]
        text = "; ".join(said) or text
        records = tuple(dict.fromkeys(r for g in gone for r in (g.before, g.after)))
    elif event.reason == ledger.QUEUE and due_w is not None:
        text, records = delay(at, history, due_w, due_w + _grace(at))
    elif event.reason == ledger.TRIMMED and not at.channel.trim_n:
        text = "the plan changed during the day, and less than the smallest dose was left of it"
    elif event.reason == ledger.TRIMMED:
        text = f"a trim takes {at.channel.trim_pct} % off"
        if at.channel.trim_pct < 100:
            text += ", and what is left of it is less than the smallest dose"
    steps = [Step("reason", text, records, {"reason": WORDS.get(event.reason, "unknown")})]
    one_ul = event.ul if event.number == 1 else 0
    if event.reason == ledger.CAP:
        at_w = event.due_w if due_w is None else due_w
        steps.append(cap_step(at, one_ul, at_w - at.state.offset))
    elif event.reason == ledger.EMPTY:
        steps += reservoir_steps(at, one_ul)
    elif event.reason == ledger.LIMIT and at.plan and one_ul:
        cfg, c = at.plan.setup.channels[at.place], at.channel
        counts = to_counts(one_ul, c.cal_counts, c.cal_ul, c.rem) + c.cal_offset
        steps.append(explain.limits(cfg, one_ul, counts))
    return steps


def _grace(at: Moment) -> int:
    return at.plan.setup.channels[at.place].grace_s if at.plan else 0


def _gone(kind: str, from_w: int, until_w: int, zone: Zone | None) -> str:
    what = "no power, or no sign of it," if kind == "off" else "the clock was not set"
    return f"{what} from {local(from_w, zone)} to {local(until_w, zone)}"


def amount_steps(at: Moment, event: Passed) -> list[Step]:
    """What did not go in, and what of it is owed."""
    whole = "" if event.number == 1 else "together "
    text = f"{whole}{ml(event.ul)} did not go in"
    if event.ending == "skipped":
        text = f"{whole}{ml(event.trim_ul)} was taken off"
        text += f", and the {ml(event.ul)} that stayed did not go in" if event.ul else ""
    elif event.trim_ul:
        text += f", besides {ml(event.trim_ul)} that a trim or a changed plan took off"
    if event.owed_ul:
        text += f"; {ml(event.owed_ul)} is owed and may be given back as raises"
    else:
        text += "; nothing of it is owed"
    values = {"ul": event.ul, "trim_ul": event.trim_ul, "owed_ul": event.owed_ul}
    return [Step("amount", text, (event.seq,), values)]


# A dose that the journal does not hold


def absent(
    archive: Archive,
    setups: Mapping[str, Loaded],
    history: History,
    date: int,
    index: int,
) -> list[Step]:
    """Why the journal holds nothing under a key: what stands around it, and what the plan says."""
    key = (date, index)
    before = [e for e in history.events if _key_of(e, last=True) and _key_of(e, True) < key]
    after = [e for e in history.events if _key_of(e) and _key_of(e) > key]
    steps: list[Step] = []
    if before and after:
        text = f"the journal goes from {_named(before[-1], True)} to {_named(after[0])}"
        records = (before[-1].seq, after[0].seq)
        steps.append(Step("journal", text, records))
        revised = [
            e for e in history.events if before[-1].seq < e.seq < after[0].seq and _is_new(e)
        ]
        for event in revised:
            text = "a new revision began there; what an older one had planned later never was"
            steps.append(Step("revision", text, (event.seq,)))
    elif before:
        text = f"the last dose of the channel in the journal is {_named(before[-1], True)}"
        steps.append(Step("journal", text, (before[-1].seq,)))
    elif after:
        text = f"the first dose of the channel in the journal is {_named(after[0])}"
        steps.append(Step("journal", text, (after[0].seq,)))
    else:
        steps.append(Step("journal", "the journal holds no dose of the channel at all"))
    at = Moment(archive, setups, history.name, archive.records[-1].seq if archive.records else 0)
    if not at.plan:
        return [*steps, setup_step(at)]
    return steps + _unplanned(at, date, index)


def _unplanned(at: Moment, date: int, index: int) -> list[Step]:
    """What the plan in force at the end of the journal says about a dose."""
    plan = at.plan
    assert plan
    cfg, c = plan.channel(at.place)
    times = plan.times(at.place, date, at.overs)
    if not count(cfg, day_ul(cfg, date, at.channel.over)):
        return [explain.why_none(cfg, c, date, explain.triples_of(at.channel.over))]
    if index >= len(times):
        text = f"by the plan at the end of the journal, the date has {len(times)} doses"
        return [Step("plan", text, (at.trail.config,), {"doses": len(times)})]
    due = local(times[index], at.zone)
    wall_w = at.now_s + at.state.offset
    if times[index] <= at.channel.wm_w:
        text = f"it was due {due}, before the revision that holds began"
        return [Step("plan", text, (at.marks.revised,))]
    if times[index] > wall_w:
        return [Step("plan", f"it is due {due}, after the last record", (at.trail.config,))]
    text = f"it was due {due}; the journal ends before the record that closes it"
    return [Step("plan", text, (at.trail.config,))]


def _key_of(event: Event, last: bool = False) -> tuple[int, int]:
    """The key of a dose, or of a row its first or last; () for anything else."""
    if isinstance(event, Run) and event.date:
        return event.date, event.index
    if isinstance(event, Passed):
        return event.last if last else event.first
    return ()  # type: ignore[return-value]


def _is_new(event: Event) -> bool:
    return not isinstance(event, Run | Passed) and hasattr(event, "revision")


def _named(event: Event, last: bool = False) -> str:
    date, index = _key_of(event, last)
    return f"{date_text(date)}#{index}"


def doses(n: int) -> str:
    return "1 dose" if n == 1 else f"{n} doses"
