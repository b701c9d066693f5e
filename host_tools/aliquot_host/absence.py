"""What would fail, run low or come due while nobody is at the tank, from the plan alone.

Each reservoir is drawn down dose by dose as the plan says; a running board's status, where there
is one, gives what is left now and what stops dosing already. It knows no blocked line and no pump
that stands still: delivery is commanded, not verified. It asks no board and changes nothing.
"""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from aliquot.core.decimals import date_text, stamp_text
from aliquot.core.faults import TABLE
from aliquot.core.ledger import LOST, UNCALIBRATED
from aliquot.core.plan import Channel, Setup, count, day_ul, dose_ul, volumes
from aliquot.core.state import State
from aliquot_host import advice, timetables
from aliquot_host.explain import signed, triples_of
from aliquot_host.meaning import ml

Data = dict[str, Any]
Live = Mapping[str, Any]

# How far beyond the absence a reservoir is followed.
BEYOND_DAYS = 366
WEEK = 7
DAY_S = 86400
DONE = {"calibration": "calibrate {} --live", "tubing": "new-tubing {}"}


@dataclasses.dataclass(frozen=True)
class Problem:
    """One thing that happens in an absence.

    date: local, days since 2000. channel: its id, "" for all of them. kind: a word for programs:
    set-up, fault, lost, held, clock, journal, cup, uncalibrated, empty, low, calibration, tubing,
    trim, override, uncounted. fails: doses do not run, or nobody knows how much a run gives; what
    does not fail only wants to be known.
    """

    date: int
    channel: str
    kind: str
    what: str
    advice: str
    fails: bool = False

    def as_json(self) -> dict[str, object]:
        """The shape of a problem in `away --json`."""
        return {
            "date": date_text(self.date),
            "channel": self.channel or None,
            "kind": self.kind,
            "fails": self.fails,
            "what": self.what,
            "advice": self.advice,
        }


@dataclasses.dataclass(frozen=True)
class Life:
    """A reservoir by the plan, from the first date on.

    left_ul: what can be drawn at first; -1 where nobody keeps count. need_ul: what the plan draws
    before the last date. low: the date of the low mark. empty: the date of the first dose that it
    does not hold. Both are None where that is not before `seen`, the date up to which it was
    followed.
    """

    channel: str
    left_ul: int
    need_ul: int
    low: int | None
    empty: int | None
    seen: int

    def as_json(self) -> dict[str, object]:
        """The shape of a reservoir in `away --json`; null where it is not counted or not soon."""
        return {
            "channel": self.channel,
            "left_ul": None if self.left_ul < 0 else self.left_ul,
            "need_ul": self.need_ul,
            "low": None if self.low is None else date_text(self.low),
            "empty": None if self.empty is None else date_text(self.empty),
        }


def problems(
    setup_data: Data, setup: Setup, from_date: int, until_date: int, live: Live | None = None
) -> list[Problem]:
    """Everything that happens from `from_date` to the day before `until_date`, in the order of
    the dates, on one date what fails first.

    Dates are local ones, days since 2000. `live` is a board's reply to `status`, with channels of
    the set-up's ids; without it reservoirs hold at first what the file says, and calibrations and
    tubing are as old as `from_date`. With it everything counts from the board's own date. A
    channel of it may also bear what only the journal tells, see `remembered`.
    """
    case = _Case(setup_data, setup, from_date, until_date, live)
    found = [*_now(case), *_channels(case)]
    found = [problem for problem in found if problem.date < until_date]
    return sorted(found, key=lambda problem: (problem.date, not problem.fails))


def lives(
    setup_data: Data, setup: Setup, from_date: int, until_date: int, live: Live | None = None
) -> list[Life]:
    """The life of every channel's reservoir, in the order of the set-up; arguments as above."""
    case = _Case(setup_data, setup, from_date, until_date, live)
    return [case.life(at) for at in range(len(setup.channels))]


def remembered(live: Live, state: State) -> Live:
    """A board's status, its channels with two things more from the state that its journal leads
    to: `over`, the overrides in force (see `ChannelState.over`), and `since`, for calibration and
    tubing the wall second of the last one, 0 unknown, and the microlitres moved since."""
    channels: list[Data] = []
    for one, c in zip(live["channels"], state.channels, strict=True):
        since = {"calibration": (c.cal_w, c.cal_done_ul), "tubing": (c.tube_w, c.tube_ul)}
        channels.append({**one, "over": list(c.over), "since": since})
    return {**live, "channels": channels}


class _Case:
    """A set-up, an absence, and what a board says, with what follows from them."""

    def __init__(
        self, data: Data, setup: Setup, from_date: int, until_date: int, live: Live | None
    ) -> None:
        self.data = data
        self.setup = setup
        self.until = until_date
        self.live = live
        told: Sequence[Live] = live.get("channels", ()) if live else ()
        by_id = {str(one["id"]): one for one in told}
        self.told = [by_id.get(channel.id) for channel in setup.channels]
        self.over = [list(map(int, one.get("over", ()))) if one else [] for one in self.told]
        self.reminders = [
            (str(told[int(place)]["id"]), str(what), str(why))
            for place, what, why in (live.get("reminders", ()) if live and told else ())
        ]
        # Where the clock is unset the board's own date means nothing.
        self.now_w: int | None = live.get("wall_w") if live and live.get("clock") else None
        self.start = from_date if self.now_w is None else setup.zone.date_of(self.now_w)

    def held(self, until_w: int) -> bool:
        """Whether a hold until a wall second, 0 until released, is in force."""
        now_w = self.setup.zone.day_start(self.start) if self.now_w is None else self.now_w
        return until_w == 0 or until_w > now_w

    def doses(self, at: int, date: int) -> Sequence[int]:
        """The volumes of a channel's doses on a date, those alone that are still to come."""
        channel = self.setup.channels[at]
        ul = day_ul(channel, date, self.over[at])
        if self.now_w is None or date > self.start:
            return _doses(channel, ul)
        told = self.told[at]
        # A dose that is due and waits is still to come.
        next_w = int(told.get("next_w", 0)) if told else 0
        after_w = min(self.now_w, next_w - 1) if next_w > 0 else self.now_w
        day, start_w = self._today, self.setup.zone.day_start(date)
        return [
            day.ul(at, i)
            for i, second in enumerate(timetables.times(day, at))
            if start_w + second > after_w
        ]

    @functools.cached_property
    def _today(self) -> Any:
        table = timetables.table_of(self.setup, timetables.calibrations(self.data))
        return table.day(self.start, self.over)

    def days(self, at: int) -> Iterator[tuple[int, Sequence[int]]]:
        """(date, volumes of its doses) as far as a reservoir is followed. What is owed comes back
        as raises of the next doses."""
        channel, told = self.setup.channels[at], self.told[at]
        owed = int(told.get("owed_ul", 0)) if told else 0
        for date in range(self.start, self.until + BEYOND_DAYS):
            doses = self.doses(at, date)
            if owed:
                raised: list[int] = []
                for ul in doses:
                    up = max(0, min(ul * channel.raise_pct // 100, channel.most_ul - ul, owed))
                    owed -= up
                    raised.append(ul + up)
                doses = raised
            yield date, doses

    def life(self, at: int) -> Life:
        """What becomes of a channel's reservoir."""
        channel, told = self.setup.channels[at], self.told[at]
        seen = self.until + BEYOND_DAYS
        stated = max(0, channel.left_ul - channel.dead_ul) if channel.left_ul >= 0 else -1
        at_first = left = int(told.get("left_ul", -1)) if told else stated
        mark = channel.low_ul - channel.dead_ul
        low = self.start if left >= 0 and (left <= mark or (told and told.get("low"))) else None
        empty: int | None = None
        need = 0
        for date, doses in self.days(at):
            if date < self.until:
                need += sum(doses)
            elif left < 0 or empty is not None:
                break
            for ul in doses if left >= 0 and empty is None else ():
                if ul > left:
                    empty = date
                    break
                left -= ul
                if low is None and left <= mark:
                    low = date
        empty = self._by_the_board(told, empty) if at_first >= 0 else None
        if empty is not None and (low is None or low > empty):
            low = empty  # the board calls it low at the latest when a dose finds too little
        return Life(channel.id, at_first, need, low, empty, seen)

    def _by_the_board(self, told: Live | None, empty: int | None) -> int | None:
        """The board knows overrides, which the set-up does not: where they are not told and it
        says that a reservoir does not last for the coming week, that is believed."""
        days = int(told.get("days_left", -1)) if told and "over" not in told else -1
        if not 0 <= days < WEEK:
            return empty
        says = self.start + 1 + days
        return says if empty is None or empty > self.start + WEEK else empty


def _doses(channel: Channel, ul: int) -> Sequence[int]:
    """The volumes of the doses of a day of `ul`."""
    if channel.at:
        return [each for _, each in volumes(channel, ul)]
    n = count(channel, ul)
    return [dose_ul(channel, ul, n, i) for i in range(n)]


def _now(case: _Case) -> Iterator[Problem]:
    """What stops every channel already, by the board."""
    live, start = case.live, case.start
    if live is None:
        return
    if live.get("why") or not live.get("channels"):
        what = f"the board doses nothing: {live.get('why') or 'it has no set-up'}"
        yield Problem(start, "", "set-up", what, "Load a set-up: aliquot load FILE", True)
    if not live.get("channels"):
        return
    if live.get("fault"):
        yield _fault(start, "", int(live["fault"]))
    if live.get("lost") or any(one and one.get("blocked") == LOST for one in case.told):
        doing = "Answer for them: aliquot release all --lost-records"
        yield Problem(start, "", "lost", "records are lost, and dosing is held", doing, True)
    if live.get("unwritten"):
        what, doing = "the journal cannot be written", "Pull the journal and free the flash."
        yield Problem(start, "", "journal", what, doing, True)
    if not live.get("clock"):
        what = "the clock is unset, and nothing is dosed until it is set"
        yield Problem(start, "", "clock", what, "Set it: aliquot set-clock", True)
    yield from _hold(case, "", int(live.get("hold_w", -1)))
    for name, what, why in case.reminders:
        yield _due(start, name, what, f"{what} is due: {why}")


def _channels(case: _Case) -> Iterator[Problem]:
    """What happens to each channel by itself."""
    for at, channel in enumerate(case.setup.channels):
        told = case.told[at]
        if told:
            yield from _stopped(case, channel.id, told)
        elif case.live is not None and case.live.get("channels"):
            what, doing = "the board has no such channel", "Load the set-up: aliquot load FILE"
            yield Problem(case.start, channel.id, "set-up", what, doing, True)
        yield from _overrides(case, at)
        yield from _uncalibrated(case, at)
        yield from _reservoir(case, at)
        yield from _reminders(case, at)


def _stopped(case: _Case, name: str, told: Live) -> Iterator[Problem]:
    """What stops a channel already, by the board."""
    if told.get("fault"):
        yield _fault(case.start, name, int(told["fault"]))
    if told.get("cup"):
        doing = f"Put it back: aliquot release {name} --line-back"
        yield Problem(case.start, name, "cup", "its line is over a cup", doing, True)
    yield from _hold(case, name, int(told.get("hold_w", -1)))
    if told.get("trim_n"):
        many, off = int(told["trim_n"]), int(told.get("trim_pct", 0))
        what = f"trimmed: {off} % off the next {many} dose{'' if many == 1 else 's'}"
        doing = "If that is meant, all is well; it ends by itself."
        yield Problem(case.start, name, "trim", what, doing)


def _overrides(case: _Case, at: int) -> Iterator[Problem]:
    """When an override ends, or that it does not in the absence."""
    name = case.setup.channels[at].id
    for ul, first, days in triples_of(case.over[at]):
        if first + days > case.start:
            what = f"an override of {signed(ul)} a day"
            end = first + days < case.until
            what += " ends; the plan goes on" if end else " lasts until you are back"
            doing = f"If that is meant, all is well; else: aliquot override {name} 0 0"
            yield Problem(first + days if end else case.start, name, "override", what, doing)


def _fault(date: int, name: str, code: int) -> Problem:
    row = TABLE.get(code)
    what, doing = row[3:5] if row else (f"Fault {code}: dosing is held.", "Pull the journal.")
    return Problem(date, name, "fault", what, doing, True)


def _hold(case: _Case, name: str, until_w: int) -> Iterator[Problem]:
    if until_w >= 0 and case.held(until_w):
        end = "until released"
        if until_w:
            end = f"until {stamp_text(until_w, case.setup.zone.offset(until_w))}"
        doing = f"Release it before you go: aliquot release {name or 'all'}"
        yield Problem(case.start, name, "held", f"held {end}", doing, True)


def _uncalibrated(case: _Case, at: int) -> Iterator[Problem]:
    told, name = case.told[at], case.setup.channels[at].id
    cal = tuple(told["cal"]) if told and "cal" in told else case.setup.channels[at].cal
    if cal[:2] == advice.NOMINAL:
        what = "never calibrated: its calibration is a round figure"
    elif not cal[1] or (told and told.get("blocked") == UNCALIBRATED):
        what = "not calibrated as its pump is set up: it gives nothing"
    else:
        return
    doing = f"Measure the pump before you go: aliquot calibrate {name} --live"
    yield Problem(case.start, name, "uncalibrated", what, doing, True)


def _reservoir(case: _Case, at: int) -> Iterator[Problem]:
    life = case.life(at)
    name = life.channel
    if life.left_ul < 0:
        doing = f"State its reservoir in the set-up; then, filled: aliquot refill {name} ML"
        yield Problem(case.start, name, "uncounted", "nobody counts what is left", doing)
        return
    ends = life.empty is not None and life.empty < case.until
    if life.low is not None:
        what = f"low: at most {ml(_low_ul(case, at))} in the container"
        doing = "It lasts until you are back: refill it then."
        if ends:
            doing = "Refill it before you go: it runs out."
        yield Problem(life.low, name, "low", what, doing)
    if life.empty is not None:
        what = f"runs out: {ml(life.left_ul)} can be drawn, the plan draws {ml(life.need_ul)}"
        yield Problem(life.empty, name, "empty", what, _refill(case, at, life), True)


def _low_ul(case: _Case, at: int) -> int:
    """What is in a container when it is called low: the mark, or what cannot be drawn."""
    channel = case.setup.channels[at]
    return max(channel.low_ul, channel.dead_ul)


def _refill(case: _Case, at: int, life: Life) -> str:
    """What keeps a reservoir from running out."""
    channel = case.setup.channels[at]
    more_ul = life.need_ul - life.left_ul
    whole_ul = life.need_ul + channel.dead_ul
    if more_ul <= 0:
        return "An override draws more than the plan: refill it before you go."
    if channel.size_ul and whole_ul > channel.size_ul:
        text = f"It takes {ml(whole_ul)} and the container holds {ml(channel.size_ul)}: a larger "
        return text + "one, or somebody who refills it."
    return f"Add at least {ml(more_ul)} before you go."


def _reminders(case: _Case, at: int) -> Iterator[Problem]:
    """What comes due by days or by the planned volume, whichever is first. Where nobody tells
    since when, it begins with the first date: that is the latest it can be."""
    told, name = case.told[at], case.setup.channels[at].id
    ask = case.data["channel"][at]["remind"]
    due_now = {(channel, kind) for channel, kind, _ in case.reminders}
    for what in DONE:
        if (name, what) in due_now:
            continue
        days, most_ul = int(ask[f"{what}_days"]), int(ask[f"{what}_ul"])
        found: list[tuple[int, str]] = []
        since_w, moved_ul = told["since"][what] if told and "since" in told else (0, 0)
        last = case.setup.zone.date_of(since_w) if since_w else case.start
        if days:
            # The board counts whole days from the second on.
            due = case.setup.zone.date_of(since_w + days * DAY_S) if since_w else last + days
            found.append((max(case.start, due), f"{days} days"))
        moved = _moved(case, at, most_ul - moved_ul) if most_ul else None
        if moved is not None:
            found.append((moved, f"{ml(most_ul)} moved"))
        if found:
            date, why = min(found)
            sure = since_w or not told
            since = f"counted from {date_text(last)}" if sure else "at the latest"
            yield _due(date, name, what, f"{what} comes due: {why}, {since}")


def _moved(case: _Case, at: int, most_ul: int) -> int | None:
    """The date within the absence on which the plan has moved so much."""
    moved = 0
    for date, doses in case.days(at):
        if date >= case.until:
            break
        moved += sum(doses)
        if moved >= most_ul:
            return date
    return None


def _due(date: int, name: str, what: str, text: str) -> Problem:
    doing = "Do it before you go."
    if what in DONE:
        doing = f"Do it before you go, then: aliquot {DONE[what].format(name)}"
    return Problem(date, name, what, text, doing)
