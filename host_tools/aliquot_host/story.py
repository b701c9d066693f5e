"""Tells a rehearsal as a short story: what happened, in order, in plain sentences.

Events that belong together become one beat: an outage with all that it cost, a calibration run
with what the cup held, liquids that were owed and grew old on the same day. Numbers are only added
up here; what is true is decided in the world.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence

from aliquot.core.dates import weekday, ymd
from aliquot.core.ledger import ABSENT, QUEUE
from aliquot_host.happenings import Event, doses, ml, why
from aliquot_host.simulation import Outcome

DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)
HOUR_S = 3600


@dataclasses.dataclass(frozen=True)
class Beat:
    """One part of the story: its true time, that time in words, its sentences, and its kind."""

    at_w: int
    when: str
    text: str
    kind: str


def tell(outcome: Outcome) -> list[Beat]:
    """The story of an outcome, from the first moment to the last."""
    teller = _Teller(outcome)
    beats = [*teller.beats(), *_clock_changes(outcome)]
    beats.sort(key=lambda beat: beat.at_w)
    return [_opening(outcome), *beats, _closing(outcome)]


def sentence(outcome: Outcome, event: Event) -> str:
    """An event's text with the channel's label for its id, as a sentence."""
    text = event.text
    if event.channel and text.startswith(event.channel + ":"):
        text = outcome.label(event.channel) + text[len(event.channel) :]
    else:
        text = text[:1].upper() + text[1:]
    return text + ("" if text[-1:] in ".!?" else ".")


def day_text(date: int, year: bool = False) -> str:
    """A date in words: "Tue 10 March", with `year` "10 March 2026"."""
    y, m, d = ymd(date)
    if year:
        return f"{d} {MONTHS[m - 1]} {y}"
    return f"{DAYS[weekday(date)]} {d} {MONTHS[m - 1]}"


def when_text(outcome: Outcome, at_w: int) -> str:
    """A true time in words, on the wall of the tank: "Tue 10 March, 14:30"."""
    zone = outcome.zone
    second = (at_w + zone.offset(at_w)) % 86400
    return f"{day_text(zone.date_of(at_w))}, {second // 3600:02}:{second // 60 % 60:02}"


def listed(parts: Sequence[str]) -> str:
    """Parts as a list in a sentence: "a, b and c"."""
    if len(parts) < 2:
        return "".join(parts)
    return ", ".join(parts[:-1]) + " and " + parts[-1]


class _Teller:
    """Goes through the events once; each is told in one beat, or left to another one."""

    def __init__(self, outcome: Outcome) -> None:
        self.outcome = outcome
        # What an act lets go of is told by the act.
        let_go = {(e.at_w, e.channel) for e in outcome.events if e.text.endswith(" is let go")}
        self.left = [
            event
            for event in outcome.events
            if event.kind != "lapsed"
            or not {(event.at_w, event.channel), (event.at_w, "")} & let_go
        ]

    def beats(self) -> list[Beat]:
        found: list[Beat] = []
        while self.left:
            event = self.left.pop(0)
            if event.kind == "outage":
                text = self._outage(event)
            elif event.kind == "lapsed":
                text = self._lapsed(event)
            elif event.kind in ("missed", "refused"):
                text = self._passed(event)
            elif event.kind == "cup" or (event.kind == "act" and self._followed(event)):
                continue
            else:
                text = sentence(self.outcome, event)
            found.append(Beat(event.at_w, when_text(self.outcome, event.at_w), text, event.kind))
        return found

    def _take(
        self, wanted: Callable[[Event], bool], until: Callable[[Event], bool]
    ) -> list[Event]:
        """Take the events that are wanted out of those to come, up to one that ends them."""
        taken: list[Event] = []
        kept: list[Event] = []
        for i, event in enumerate(self.left):
            if until(event):
                kept += self.left[i:]
                break
            (taken if wanted(event) else kept).append(event)
        self.left = kept
        return taken

    def _name(self, event: Event) -> str:
        return self.outcome.label(event.channel)

    def _outage(self, outage: Event) -> str:
        back_w = outage.at_w + outage.seconds

        def caused(event: Event) -> bool:
            nonlocal back_w
            if event.kind == "clock":
                back_w = event.at_w
            if event.kind == "missed" and event.reason == QUEUE:
                return event.at_w <= back_w + 2 * HOUR_S
            return event.kind in ("uncertain", "clock") or (
                event.kind == "missed" and event.reason == ABSENT
            )

        cost = self._take(caused, lambda event: event.kind == "outage")
        text = f"{outage.text}."
        for event in cost:
            if event.kind == "uncertain":
                text += (
                    f" It goes in the middle of a run of {self._name(event)}: how far that came"
                    " nobody can know, so all of it counts as given."
                )
            elif event.kind == "clock":
                text += f" {sentence(self.outcome, event)}"
        missed = [event for event in cost if event.kind == "missed"]
        if not missed:
            return text + " No dose is missed."
        return f"{text} {self._sum(missed)}{self._owed(missed)}"

    def _sum(self, passed: list[Event]) -> str:
        """How much did not run, channel by channel: the beginning of a sentence."""
        counts: dict[str, int] = {}
        for event in sorted(passed, key=lambda event: self.outcome.ids.index(event.channel)):
            counts[self._name(event)] = counts.get(self._name(event), 0) + event.doses
        ul = sum(event.ul for event in passed)
        number = sum(counts.values())
        parts = [f"{name} {n}" for name, n in counts.items()]
        kind = f"{'is' if number == 1 else 'are'} {passed[0].kind}"
        if len(parts) == 1:
            return f"{doses(number)} of {next(iter(counts))} {kind}, {ml(ul)}"
        return f"{doses(number)} {kind} ({listed(parts)}), {ml(ul)} in all"

    def _owed(self, missed: list[Event]) -> str:
        """How much of what was missed may come back: the end of the sentence."""
        owed = sum(event.owed_ul for event in missed)
        if not owed:
            return "; none of it will be made up for."
        which = "it" if owed == sum(event.ul for event in missed) else f"{ml(owed)} of it"
        return f"; {which} may come back in small raises of later doses."

    def _passed(self, first: Event) -> str:
        """Doses that passed near to each other for the same reason."""
        near = self._take(
            lambda event: event.kind == first.kind and event.reason == first.reason,
            lambda event: event.kind == "outage" or event.at_w > first.at_w + 2 * HOUR_S,
        )
        text = self._sum([first, *near]) + f", because {why(first.reason)}"
        return text + (self._owed([first, *near]) if first.kind == "missed" else ".")

    def _lapsed(self, first: Event) -> str:
        near = self._take(
            lambda event: event.kind == "lapsed",
            lambda event: event.kind == "outage" or event.at_w > first.at_w + 12 * HOUR_S,
        )
        sums: dict[str, int] = {}
        lapsed = sorted((first, *near), key=lambda e: self.outcome.ids.index(e.channel))
        for event in lapsed:
            sums[self._name(event)] = sums.get(self._name(event), 0) + event.ul
        parts = [f"{ml(ul)} of {name}" for name, ul in sums.items()]
        return f"What was owed is too old now and lapses: {listed(parts)}."

    def _followed(self, act: Event) -> bool:
        """Whether an act is told by what comes of it: a cup that is read, an extra that runs."""
        if not act.text.endswith("asked for"):
            return False
        kinds = ("extra", "dropped", "act") if "besides" in act.text else ("act", "no")
        for event in self.left:
            if event.at_w > act.at_w + 2 * HOUR_S:
                return False
            if event.channel == act.channel and event.kind in kinds:
                return True
        return False


def _clock_changes(outcome: Outcome) -> list[Beat]:
    """A beat for each date of another length: what it meant for the doses."""
    found: list[Beat] = []
    for day in outcome.days:
        if day.length_s == 86400:
            continue
        at_w = outcome.zone.day_start(day.date)
        hours = f"{day.length_s / HOUR_S:g}"
        way = "forward" if day.length_s < 86400 else "back"
        dosed = [
            f"{outcome.label(name)} {ml(day.planned_ul[place])}"
            for place, name in enumerate(outcome.ids)
            if day.planned_ul[place]
        ]
        text = (
            f"The clocks go {way} in the night: this date has {hours} hours. The doses spread over"
            f" the time there really is, and the plan of the day stays whole: {listed(dosed)}."
        )
        found.append(Beat(at_w, day_text(day.date), text, "clocks"))
    return found


def _opening(outcome: Outcome) -> Beat:
    plans: list[str] = []
    for c in outcome.world.setups[0][1]["channel"]:
        many = f"{len(c['at'])} listed doses" if c["at"] else f"{doses(c['doses'])}"
        days = "" if c["weekdays"] == 127 and c["every_days"] == 1 else ", on some days"
        plans.append(f"{c['label'] or c['id']} {ml(c['daily_ul'])} in {many}{days}")
    channels = "One channel" if len(plans) == 1 else f"{len(plans)} channels"
    text = f"The board begins. {channels}, so much a day: {'; '.join(plans)}."
    return Beat(outcome.world.start_w, day_text(outcome.date), text, "begin")


def _closing(outcome: Outcome) -> Beat:
    sums = outcome.totals().values()
    planned = sum(one["planned_ul"] for one in sums)
    commanded = sum(one["commanded_ul"] for one in sums)
    true = sum(one["true_ul"] for one in sums)
    text = (
        f"The end. Of {ml(planned)} planned, {ml(commanded)} were commanded, and {ml(true)} truly"
        " left the pumps: that last number a real board never knows."
    )
    last = outcome.days[-1].date
    return Beat(outcome.world.end_w, day_text(last), text, "end")
