"""One planned dose explained, from the day's volume to the counts: what it is, and why.

Everything is worked out again from the set-up with the board's own functions; nothing is stored
and nothing is believed. `explain_record.py` adds what a journal knows.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence

from aliquot.core.amounts import share, to_counts
from aliquot.core.dates import weekday
from aliquot.core.decimals import date_text, stamp_text, text_of, time_text
from aliquot.core.plan import Channel, count, day_ul, volumes
from aliquot.core.timetable import Day, Timetable
from aliquot.core.zone import Zone
from aliquot_host import meaning, timetables
from aliquot_host.meaning import ml
from aliquot_host.setup_file import Data, Loaded
from aliquot_host.timetables import Calibration

WEEKDAYS = ("Mondays", "Tuesdays", "Wednesdays", "Thursdays", "Fridays", "Saturdays", "Sundays")
# Weekdays and every n days meet again within 7 × 366 dates.
LOOK_AHEAD = 2600
Over = Sequence[tuple[int, int, int]]


@dataclasses.dataclass(frozen=True)
class Step:
    """One step of an explanation: a name, a sentence, the records it rests on, its numbers."""

    name: str
    text: str
    records: tuple[int, ...] = ()
    values: Mapping[str, object] = dataclasses.field(default_factory=dict[str, object])

    def as_json(self) -> dict[str, object]:
        return {
            "step": self.name,
            "text": self.text,
            "records": [record for record in self.records if record],
            **self.values,
        }


@dataclasses.dataclass(frozen=True)
class Explanation:
    """What became, or is to become, of one dose. ending: `planned` or one of the six ends."""

    channel: str
    date: int
    index: int
    revision: int
    ending: str
    headline: str
    steps: tuple[Step, ...]

    def as_json(self) -> dict[str, object]:
        return {
            "channel": self.channel,
            "revision": self.revision,
            "date": date_text(self.date),
            "index": self.index,
            "ending": self.ending,
            "headline": self.headline,
            "steps": [step.as_json() for step in self.steps],
        }


@dataclasses.dataclass(frozen=True)
class Move:
    """Why a dose stands later than it would alone: the run or separation that it had to wait for.

    by: the channel in whose way it was; at_s: when that one's run starts (seconds after the start
    of the date, negative on the date before); run_s: its longest run; gap_s: kept apart by so
    much; until_s: the earliest time after it."""

    by: str
    at_s: int
    run_s: int
    gap_s: int
    until_s: int


class Plan:
    """A set-up with calibrations, ready to explain doses of it."""

    def __init__(self, loaded: Loaded, cals: list[Calibration] | None = None) -> None:
        self.loaded = loaded
        self.setup = loaded.setup
        self.cals = cals or timetables.calibrations(loaded.data)
        self.table: Timetable = timetables.table_of(self.setup, self.cals)

    def place(self, name: str) -> int:
        """The channel's place in the set-up; ValueError where it has none of that id."""
        return self.ids().index(name)

    def ids(self) -> list[str]:
        return [channel.id for channel in self.setup.channels]

    def channel(self, place: int) -> tuple[Channel, Data]:
        """A channel as compiled, and as canonical data."""
        return self.setup.channels[place], self.loaded.data["channel"][place]

    def times(self, place: int, date: int, overs: list[list[int]] | None = None) -> list[int]:
        """The due times of a channel's doses on a date, as wall seconds."""
        start_w = self.setup.zone.day_start(date)
        day = self.table.day(date, overs)
        return [start_w + second for second in timetables.times(day, place)]


def local(wall_s: int, zone: Zone | None) -> str:
    """A wall second as people read it: local time where the zone is known, else UTC."""
    text = stamp_text(wall_s + (zone.offset(wall_s) if zone else 0))
    return text[:-1].replace("T", " ") + ("" if zone else " UTC")


def spell(wall_s: int, zone: Zone | None) -> dict[str, object]:
    """The same for programs: RFC 3339, local time only where the zone is known."""
    at = stamp_text(wall_s, zone.offset(wall_s)) if zone else None
    return {"utc": stamp_text(wall_s), "local": at}


def day_total(cfg: Channel, c: Data, date: int, over: Over, records: Sequence[int] = ()) -> Step:
    """How much the channel gives on a date: the plan, a ramp, overrides with their records."""
    said = [f"{ml(cfg.daily_ul)} a day, {meaning.days(c)}"]
    plan_ul = day_ul(cfg, date, [])
    if cfg.ramp and date < cfg.ramp[1] + cfg.ramp[2]:
        low, first, n = cfg.ramp
        said.append(
            f"on the way there from {ml(low)}: {max(0, date - first)} of {n} days since "
            f"{date_text(first)} have passed, which makes {ml(plan_ul)}"
        )
    flat = [number for triple in over for number in triple]
    used: list[int] = []
    more = 0
    for i, (delta, first, n) in enumerate(over):
        if plan_ul_on(cfg, date) and first <= date < first + n:
            more += delta
            said.append(f"{signed(delta)} by the override of {days(n)} from {date_text(first)}")
            used += records[i : i + 1]
    total = day_ul(cfg, date, flat)
    if plan_ul + more < 0:
        said.append("never below 0")
    text = "; ".join(said) + (f"; in all {ml(total)}" if len(said) > 1 else "")
    values = {"plan_ul": plan_ul, "override_ul": more, "day_ul": total}
    return Step("day total", text, tuple(used), values)


def plan_ul_on(cfg: Channel, date: int) -> bool:
    """Whether a date is one of the channel's days at all."""
    since = date - cfg.start_date
    return bool(cfg.weekdays >> weekday(date) & 1) and since >= 0 and since % cfg.every == 0


def why_none(cfg: Channel, c: Data, date: int, over: Over) -> Step:
    """Why a date has no dose of the channel, and which is the next that has."""
    flat = [number for triple in over for number in triple]
    ul = day_ul(cfg, date, flat)
    if not plan_ul_on(cfg, date):
        text = f"{date_text(date)} is none of its days ({meaning.days(c)})"
        if not cfg.weekdays >> weekday(date) & 1:
            text = f"it does not dose on {WEEKDAYS[weekday(date)]}; its days: {meaning.days(c)}"
    elif not ul:
        text = "its volume on that date is 0"
    else:
        text = f"{ml(ul)} on that date is less than its smallest dose, {ml(cfg.least_ul)}"
    following = next(
        (d for d in range(date + 1, date + LOOK_AHEAD) if count(cfg, day_ul(cfg, d, flat))), None
    )
    text += f"; the next date with doses is {date_text(following)}" if following else ""
    values = {"day_ul": ul, "next_date": date_text(following) if following else None}
    return Step("no dose", text, (), values)


def division(cfg: Channel, c: Data, total: int, index: int) -> Step:
    """Which part of the day's volume the dose is, and what was merged to make it large enough."""
    if cfg.at:
        return _listed(cfg, c, total, index)
    n = count(cfg, total)
    small, large = total // n, -(-total // n)
    each = ml(large) if small == large else f"{text_of(small)} or {ml(large)}"
    text = f"{ml(total)} in {n} doses of {each}; this is part {index + 1}"
    if n < cfg.doses:
        text = f"{cfg.doses} doses would be smaller than {ml(cfg.least_ul)} each, so {text}"
    return Step("division", text, (), {"doses": n, "doses_wanted": cfg.doses})


def _listed(cfg: Channel, c: Data, total: int, index: int) -> Step:
    listed = cfg.at or ()
    groups = merged(cfg, total)
    weights = sum(weight for _, weight in listed)
    names = [f"{time_text(listed[k][0])}" for k in groups[index]]
    volumes_listed = "ul" in c["at"][0]
    parts = [
        text_of(w) if volumes_listed else str(w) for w in (listed[k][1] for k in groups[index])
    ]
    whole = ml(weights) if volumes_listed else f"{weights} shares"
    text = f"of the list's {whole} this dose has {' + '.join(parts)}"
    if not volumes_listed or total != weights:
        text += f", and as much of {ml(total)}"
    if len(names) > 1:
        text += (
            f"; {', '.join(names)} were joined, because alone they are below the smallest "
            f"dose, {ml(cfg.least_ul)}"
        )
    return Step("division", text, (), {"doses": len(groups), "doses_wanted": len(listed)})


def merged(cfg: Channel, total: int) -> list[list[int]]:
    """Which entries of the list each dose of a day of `total` is made of, see `plan.volumes`."""
    listed = cfg.at or ()
    weights = sum(weight for _, weight in listed)
    groups: list[list[int]] = []
    waiting: list[int] = []
    before = left = 0
    for k, (_, weight) in enumerate(listed):
        left += share(total, before, weight, weights)
        before += weight
        waiting.append(k)
        if left >= cfg.least_ul:
            groups.append(waiting)
            waiting, left = [], 0
    if waiting and groups and left:
        groups[-1] += waiting
    return groups


def time_step(plan: Plan, place: int, date: int, index: int, total: int) -> Step:
    """Where the dose stands before other channels come into it."""
    cfg, zone = plan.setup.channels[place], plan.setup.zone
    start_w = zone.day_start(date)
    wish = timetables.nominal(plan.table, place, date, total)[index]
    at = local(start_w + wish, zone)
    values = {"nominal": spell(start_w + wish, zone)["local"]}
    if cfg.at:
        second = volumes(cfg, total)[index][0]
        text = f"listed at {time_text(second)}"
        shown = (start_w + wish + zone.offset(start_w + wish) - date * 86400) % 86400
        other = start_w + wish + zone.high - zone.low
        if start_w + wish != zone.wall(date, second):
            text += ", when the dose before it is given on this date"
        elif shown != second:
            text += ", which the clocks leave out on this date"
        elif zone.high > zone.low and _twice(zone, start_w + wish, other):
            text += ", which comes twice on this date; the first counts"
        return Step("time", f"{text}: {at}", (), values)
    n = count(cfg, total)
    window = f"from {time_text(cfg.from_s)} for {meaning.hours(cfg.span_s)}"
    text = f"{n} doses spread over the window {window}"
    length = zone.day_length(date)
    if length != 86400:
        text += f", on a day of {text_of(length * 1000 // 3600)} h"
    first_s = zone.wall(date, cfg.from_s) - start_w
    if wish < first_s:
        text += "; the window runs past midnight, and this part stands in the morning"
    return Step("time", f"{text}: {at}", (), values)


def _twice(zone: Zone, first_w: int, second_w: int) -> bool:
    return zone.offset(first_w) == zone.high and zone.offset(second_w) == zone.low


def spacing(
    plan: Plan, place: int, date: int, index: int, overs: list[list[int]] | None = None
) -> Step:
    """What moved the dose away from the time it would have alone."""
    zone = plan.setup.zone
    day = plan.table.day(date, overs)
    start_w = zone.day_start(date)
    wish = timetables.nominal(plan.table, place, date, day.totals[place])[index]
    at = timetables.times(day, place)[index]
    when = local(start_w + at, zone)
    values: dict[str, object] = {"moved_s": at - wish, **spell(start_w + at, zone)}
    if at == wish:
        if plan.setup.channels[place].id in [plan.setup.channels[i].id for i in day.late]:
            text = "it stays, though on this date a dose of the channel finds no room"
            return Step("spacing", text, (), values)
        return Step("spacing", f"nothing stands in its way: due {when}", (), values)
    found = moves(plan, day, place, date, index, overs)
    said = [_moved(plan, move, place, start_w) for move in found]
    values["moved_by"] = [dataclasses.asdict(move) for move in found]
    why = "; ".join(said) or "the doses before midnight or of other channels stand in its way"
    return Step("spacing", f"{why}: due {when}, {span(at - wish)} later", (), values)


def _moved(plan: Plan, move: Move, place: int, start_w: int) -> str:
    own = plan.setup.channels[place].id
    at = local(start_w + move.at_s, plan.setup.zone)[11:]
    if move.by == own:
        return f"its own dose before it runs from {at}"
    if move.gap_s > 1:
        return f"{own} stays {span(move.gap_s)} away from {move.by}, which runs at {at}"
    return f"{move.by} runs at {at}, and one pump runs at a time"


def moves(
    plan: Plan,
    day: Day,
    place: int,
    date: int,
    index: int,
    overs: list[list[int]] | None = None,
) -> list[Move]:
    """Place one dose anew, as `core/timetable.py` does, and note what it had to give way to.

    Empty where that does not lead to the dose's time."""
    ids = plan.ids()
    gaps = [max(1, plan.setup.gap_s(place, other)) for other in range(len(ids))]
    taken = [timetables.times(day, other) for other in range(place)]
    own, run_s = timetables.times(day, place), day.run_s[place]
    t = timetables.nominal(plan.table, place, date, day.totals[place])[index]
    found: list[Move] = []
    if index:
        clear = own[index - 1] + run_s + 1
        if clear > t:
            t = clear
            found.append(Move(ids[place], own[index - 1], run_s, 1, t))
    else:
        t = _behind_midnight(plan, place, date, t, gaps, found, overs)
    moved = True
    while moved:
        moved = False
        for other, times in enumerate(taken):
            ahead, behind = run_s + gaps[other], day.run_s[other] + gaps[other]
            near = next((s for s in times if s + behind > t), None)
            if near is not None and near < t + ahead:
                t = near + behind
                moved = True
                found.append(Move(ids[other], near, day.run_s[other], gaps[other], t))
    return found if t == own[index] else []


def _behind_midnight(
    plan: Plan,
    place: int,
    date: int,
    t: int,
    gaps: list[int],
    found: list[Move],
    overs: list[list[int]] | None,
) -> int:
    """The first dose of a date keeps clear of the last ones of the date before."""
    before = plan.table.day(date - 1, overs)
    length = plan.setup.zone.day_length(date - 1)
    latest = Move("", 0, 0, 0, t)
    for other, name in enumerate(plan.ids()):
        times, run_s = timetables.times(before, other), before.run_s[other]
        if times and times[-1] - length + run_s + gaps[other] > latest.until_s:
            at_s = times[-1] - length
            latest = Move(name, at_s, run_s, gaps[other], at_s + run_s + gaps[other])
    if latest.by:
        found.append(latest)
    return latest.until_s


def conversion(ul: int, cal: Calibration, before: int, records: tuple[int, ...] = ()) -> Step:
    """How the volume becomes counts, with what was left over before and is left over after."""
    cal_counts, cal_ul, offset = cal
    # As `Engine.counts`: a run of nothing is none, even where an overrun came before it.
    counts = max(1, to_counts(ul, cal_counts, cal_ul, before))
    after = before + ul * cal_counts - counts * cal_ul
    text = (
        f"{ml(ul)} at {cal_counts} counts for {ml(cal_ul)} is {decimal(ul * cal_counts, cal_ul)}; "
        f"with {decimal(before, cal_ul)} carried over that is {counts} counts, and "
        f"{decimal(after, cal_ul)} is carried on"
    )
    if offset:
        text += f"; {offset} more for the motor's dead time, {counts + offset} in all"
    values = {
        "counts": counts + offset,
        "calibration": {"counts": cal_counts, "ul": cal_ul, "offset": offset},
        "remainder_before": before,
        "remainder_after": after,
    }
    return Step("counts", text, records, values)


def limits(cfg: Channel, ul: int, counts: int) -> Step:
    """What the dose must stay within."""
    ms = timetables.run_ms(counts, cfg.speed_cps)
    text = (
        f"at most {ml(cfg.most_ul)} a dose, {cfg.run_most_s} s a run (this one takes "
        f"{text_of(ms)} s) and {ml(cfg.cap_ul)} in any 24 h; it starts within "
        f"{meaning.minutes(cfg.grace_s)} of its time, before the next dose is due, or not at all"
    )
    values = {
        "volume_ul": ul,
        "run_ms": ms,
        "dose_most_ul": cfg.most_ul,
        "run_most_s": cfg.run_most_s,
        "cap_ul": cfg.cap_ul,
        "grace_s": cfg.grace_s,
    }
    return Step("limits", text, (), values)


def plan_steps(
    plan: Plan,
    place: int,
    date: int,
    index: int,
    overs: list[list[int]] | None = None,
    records: Sequence[int] = (),
) -> list[Step]:
    """Day total, division, time and spacing of a dose that the plan holds."""
    cfg, c = plan.channel(place)
    over = triples_of(overs[place]) if overs else []
    total = plan.table.totals(date, overs)[place]
    return [
        day_total(cfg, c, date, over, records),
        division(cfg, c, total, index),
        time_step(plan, place, date, index, total),
        spacing(plan, place, date, index, overs),
    ]


def planned(plan: Plan, name: str, date: int, index: int) -> Explanation | Step:
    """The dose of a set-up file, or the step that says why there is none."""
    place = plan.place(name)
    cfg, c = plan.channel(place)
    day = next(timetables.dates(plan.setup, plan.cals, [date]))
    doses = [dose for dose in day.doses if dose.channel == name]
    if not doses:
        return why_none(cfg, c, date, [])
    if index >= len(doses):
        text = f"the date has {len(doses)} doses, #0 to #{len(doses) - 1}"
        return Step("no dose", text, (), {"doses": len(doses)})
    dose = doses[index]
    steps = plan_steps(plan, place, date, index)
    said = conversion(dose.volume_ul, plan.cals[place], dose.remainder)
    assumed = f"{said.text}. Before the date's first dose nothing is taken to be carried over"
    steps.append(dataclasses.replace(said, text=assumed))
    steps.append(limits(cfg, dose.volume_ul, dose.counts))
    at = local(dose.wall_s, plan.setup.zone)
    headline = f"planned for {at}: {ml(dose.volume_ul)}, {dose.counts} counts"
    return Explanation(name, date, index, dose.revision, "planned", headline, tuple(steps))


def triples_of(over: list[int]) -> list[tuple[int, int, int]]:
    """An override list of the state as (microlitres more a day, first date, dates)."""
    return list(zip(over[::3], over[1::3], over[2::3], strict=True))


def decimal(number: int, unit: int) -> str:
    """number/unit with three places, for people."""
    return f"{number / unit:.3f}"


def signed(ul: int) -> str:
    """Microlitres with their sign: "+5 mL"."""
    return ("+" if ul >= 0 else "") + ml(ul)


def days(n: int) -> str:
    return "1 date" if n == 1 else f"{n} dates"


def span(seconds: int) -> str:
    """A length of time for people: "20 min 5 s"."""
    parts = [(seconds // 86400, "d"), (seconds // 3600 % 24, "h"), (seconds // 60 % 60, "min")]
    said = [f"{n} {unit}" for n, unit in [*parts, (seconds % 60, "s")] if n]
    return " ".join(said[:2]) or "0 s"
