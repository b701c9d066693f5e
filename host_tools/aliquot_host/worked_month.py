"""The desk side of the demo: tests of a made-up tank, its use, a plan, and how it went.

The tests are drawn from the simulated water with the error of a kit; then everything is done that
a keeper would do, with the functions that the commands use. Because the truth is known, each
interval that was stated can be held against it, and the verdict is told either way.
"""

from __future__ import annotations

import dataclasses
import datetime
import random
from collections.abc import Callable, Sequence
from pathlib import Path

from aliquot.core import acts
from aliquot_host import desk, editing, intake, proposing, simulation, water_tests
from aliquot_host.acts_file import Script
from aliquot_host.archive import from_files
from aliquot_host.consuming import Estimate, Range
from aliquot_host.desk import Choice, Desk
from aliquot_host.proposing import Proposal, Wish
from aliquot_host.setup_file import Loaded
from aliquot_host.simulation import Outcome
from aliquot_host.tank import Water
from aliquot_host.water_tests import Reading, Tests, days_of
from aliquot_host.world import Act, Weather, World

EVERY_DAYS = 2
HOUR = 19
WEEKS_DAYS = 28
# Made up for the demo: standard error of a test, and the step that its scale is read in.
KITS = {
    "alkalinity": (0.1, 0.1),
    "calcium": (5.0, 5.0),
    "magnesium": (12.0, 5.0),
    "nitrate": (0.25, 0.1),
}
# When the new plan goes onto the board, on the morning after: no dose is under way then. A new
# plan deserves full containers and pumps that were measured anew, one after the other.
CHANGE_S = 10 * 3600 + 20 * 60
MEASURE_S, MEASURED = 55 * 60, 11000
HOUR_S = 3600


@dataclasses.dataclass(frozen=True)
class Verdict:
    """One statement that was made before the truth was looked at."""

    what: str
    unit: str
    stated: Range
    truth: float

    @property
    def holds(self) -> bool:
        """Whether the truth lies in the interval."""
        return self.stated.low <= self.truth <= self.stated.high


@dataclasses.dataclass
class Worked:
    """All of it. later: the whole time, the weeks under the new plan included.

    swing: by the water's name, the most that a value moved within 24 h once it was corrected."""

    first: Outcome
    on_desk: Desk
    told: list[Estimate]
    found: list[Proposal]
    changes: list[str]
    later: Outcome
    ends: dict[str, Range]
    verdicts: list[Verdict]
    swing: dict[str, float]
    forecasts: dict[str, proposing.Forecast]


def work(
    first: Outcome, file: Path, script: Script, weather: Weather, today: datetime.date
) -> Worked:
    """Do the desk side of a month that was simulated from set-up `file`, with these acts and this
    weather; today: as in `setup_file.load`."""
    on_desk = at_desk(first)
    told, _ = desk.estimate_all(on_desk, Choice())
    begin = {water.name: water.hourly[0] for water in first.waters}
    since = desk.since(on_desk, told)
    date = first.date + len(first.days)
    found = proposing.propose(first.loaded.data, told, Wish(target=begin), date, since)
    edited = editing.preview(file, proposing.edits(first.loaded.data, found), today)
    later = go_on(first, edited.after, found, script, weather)
    forecasts = {
        one.water: proposing.forecast(one, found, WEEKS_DAYS, since[one.water]) for one in told
    }
    ends = {name: one.proposed[-1] for name, one in forecasts.items()}
    worked = Worked(first, on_desk, told, found, edited.lines(), later, ends, [], {}, forecasts)
    _judge(worked)
    return worked


def at_desk(first: Outcome) -> Desk:
    """The journal of a simulated month, and tests of its water as a keeper would have them."""
    data = first.loaded.data
    tests = Tests(units=water_tests.units_of(data), where="made-up tests")
    rng = random.Random(f"tests {first.seed}")
    for water in first.waters:
        error, step = KITS.get(water.name, (0.02 * water.hourly[0], 0.01))
        tests.readings[water.name] = [
            Reading(
                days_of(first.world.start_w + hour * HOUR_S),
                max(0.0, round(rng.gauss(water.hourly[hour], error) / step) * step),
            )
            for hour in range(HOUR, len(water.hourly), 24 * EVERY_DAYS)
        ]
    found = intake.read(from_files(first.world.files, "the made-up journal"))
    return Desk(first.loaded, found, tests, str(data["timezone"]))


def go_on(
    first: Outcome,
    plan: Loaded,
    found: Sequence[Proposal],
    script: Script,
    weather: Weather,
) -> Outcome:
    """The same life once more, and four weeks after it under the new plan: the same pumps, the
    same board, quiet weeks."""
    days = len(first.days)
    zone = first.zone
    at_w = zone.day_start(first.date + days) + CHANGE_S

    def load(world: World) -> str:
        world.change_setup(plan)
        return "the proposed plan is loaded"

    made = [Act(at_w, load)]
    for i, p in enumerate(found):
        if p.extra_days:
            made.append(Act(at_w + 60 + i, _override(p), p.channel))
        made.append(Act(at_w + 120 + i, _refill(plan, p.channel), p.channel))
        made.append(Act(at_w + (1 + i) * MEASURE_S, _measure(p.channel), p.channel))
    both = dataclasses.replace(script, acts=(*script.acts, *made))
    whole = days + WEEKS_DAYS
    return simulation.live(
        first.loaded, first.date, whole, first.seed, weather, both, "The weeks after"
    )


def _override(p: Proposal) -> Callable[[World], str]:
    def order(world: World) -> str:
        ch = world.channel(p.channel)
        acts.override(world.engine(), world.now_s(), ch, p.extra_ul, p.extra_days)
        return f"{p.channel}: corrected for {p.extra_days} days"

    return order


def _refill(plan: Loaded, name: str) -> Callable[[World], str]:
    c = next(c for c in plan.data["channel"] if c["id"] == name)
    return lambda world: world.refill(name, c["reservoir"]["size_ul"])


def _measure(name: str) -> Callable[[World], str]:
    return lambda world: world.measure(name, MEASURED)


def _judge(worked: Worked) -> None:
    """Hold what was stated against the truth."""
    truths = {w["name"]: w["use_micro"] / 1e6 for w in worked.first.loaded.data["tank"]["water"]}
    waters = {water.name: water for water in worked.later.waters}
    for one in worked.told:
        word = f"{one.water} used a day"
        worked.verdicts.append(Verdict(word, one.unit, one.use, truths[one.water]))
    for name, stated in worked.ends.items():
        water = waters[name]
        word = f"{name} after four weeks"
        worked.verdicts.append(Verdict(word, water.unit, stated, water.hourly[-1]))
        worked.swing[name] = swing(worked, water)


def swing(worked: Worked, water: Water) -> float:
    """The most that a value moved in 24 h after its correction: of the hours, and a dose more,
    because a dose between two hours may be seen by neither."""
    own = [p for p in worked.found if p.water == water.name]
    ends = max((p.extra_days for p in own), default=0)
    start = 24 * (len(worked.first.days) + ends + 1)
    hours = water.hourly[min(start, len(water.hourly) - 24 * 7) :]
    dose = max((p.new_daily_ul / p.new_doses * p.rise for p in own), default=0.0)
    spans = [hours[i : i + 25] for i in range(max(1, len(hours) - 24))]
    return max(max(span) - min(span) for span in spans) + dose
