"""Lets a set-up live through some days in the small world, and adds up what came of it by date.

What a channel was to give on a date is the engine's own plan; when and how much it gave is the
world's truth. Nothing is printed, and nothing but `export` writes a file.
"""

from __future__ import annotations

import dataclasses
import functools
import random
from collections import Counter
from collections.abc import Iterable
from pathlib import Path

from aliquot.core.decimals import date_of_text, date_text, stamp_text
from aliquot.core.zone import Zone
from aliquot.store.keep import SPARE
from aliquot_host import output, tank
from aliquot_host.acts_file import Script
from aliquot_host.errors import bad
from aliquot_host.happenings import TROUBLES, Event
from aliquot_host.setup_file import Loaded
from aliquot_host.world import TOTALS, Weather, World

DAYS_MOST = 3660
OUTAGES_MOST = 1000
SEED_MOST = (1 << 31) - 1
# A board believes no time before 2026 and none after 2099.
FIRST_DATE, LAST_DATE = date_of_text("2026-01-02"), date_of_text("2099-12-30")
KEYS = ("planned_ul", "commanded_ul", "commanded_counts", "true_ul", *list(TOTALS)[3:])


@dataclasses.dataclass(frozen=True)
class Day:
    """A local date, numbers by a channel's place: planned for its keys, commanded and truly given
    by runs that began on it, extras and primes among them."""

    date: int
    length_s: int
    planned_ul: tuple[int, ...]
    commanded_ul: tuple[int, ...]
    true_ul: tuple[float, ...]
    runs: tuple[int, ...]


@dataclasses.dataclass(frozen=True)
class Outcome:
    """What came of it. left: at the end of each date, id -> (by the engine's count, in truth)."""

    loaded: Loaded
    world: World
    date: int
    seed: int
    outages: int
    days: list[Day]
    waters: list[tank.Water]
    left: list[dict[str, tuple[int, float]]]

    @property
    def zone(self) -> Zone:
        return self.loaded.setup.zone

    @property
    def ids(self) -> list[str]:
        """Channels in the order of their places."""
        return self.world.ids

    @property
    def events(self) -> list[Event]:
        return self.world.events

    @functools.cached_property
    def _labels(self) -> dict[str, str]:
        found: dict[str, str] = {}
        for _, data in self.world.setups:
            found |= {c["id"]: str(c["label"] or c["id"]) for c in data["channel"]}
        often = Counter(found.values())
        return {
            name: label if often[label] == 1 else f"{label} ({name})"
            for name, label in found.items()
        }

    def label(self, name: str) -> str:
        """What people call a channel: its label, else its id; both where two share a label."""
        return self._labels[name]

    def totals(self) -> dict[str, dict[str, int]]:
        """id -> the sums that `--json` names, in its order."""
        found = self.world.totals()
        return {name: {key: sums[key] for key in KEYS} for name, sums in found.items()}


def live(
    loaded: Loaded,
    date: int,
    days: int,
    seed: int,
    weather: Weather,
    script: Script | None = None,
    what: str = "Living through the days",
) -> Outcome:
    """Run `days` local dates from `date` on; a bar shows how far it is."""
    script = script or Script()
    zone = loaded.setup.zone
    weather = Weather(
        sorted([*weather.outages, *script.outages]),
        sorted([*weather.silences, *script.silences]),
        weather.stumbles,
    )
    world = World(
        loaded,
        start_w=zone.day_start(date),
        days=days,
        seed=seed,
        weather=weather,
        acts=script.acts,
    )
    world.boot()
    left: list[dict[str, tuple[int, float]]] = []
    for day in output.progress(range(days), what):
        world.until(zone.day_start(date + day + 1))
        left.append(world.left())
    world.finish()
    waters = tank.waters(world.setups, world.ids, world.runs, world.start_w, world.end_w)
    listed = by_date(world, zone, date, days)
    return Outcome(loaded, world, date, seed, len(weather.outages), listed, waters, left)


def drawn(seed: int, days: int, outages: int) -> Weather:
    """Outages at any moment, the same for the same seed."""
    return Weather.drawn(random.Random(f"weather {seed}"), days, outages)


def by_date(world: World, zone: Zone, date: int, days: int) -> list[Day]:
    """Add the world's runs and plans up by local date."""
    n = len(world.ids)
    starts = [zone.day_start(date + i) for i in range(days + 1)]
    commanded = [[0] * n for _ in range(days)]
    true = [[0.0] * n for _ in range(days)]
    runs = [[0] * n for _ in range(days)]
    at = 0
    for run in world.runs:
        while at + 1 < days and run.start_w >= starts[at + 1]:
            at += 1
        runs[at][run.channel] += 1
        if run.into != "cup":
            commanded[at][run.channel] += run.ul
            true[at][run.channel] += run.true_ul
    return [
        Day(
            date + i,
            starts[i + 1] - starts[i],
            tuple(world.planned.get((date + i, place), 0) for place in range(n)),
            tuple(commanded[i]),
            tuple(true[i]),
            tuple(runs[i]),
        )
        for i in range(days)
    ]


def payload(outcome: Outcome) -> dict[str, object]:
    """What `--json` prints under its format and version."""
    world, zone = outcome.world, outcome.zone
    return {
        "totals": outcome.totals(),
        "days": [_day(outcome, i) for i in range(len(outcome.days))],
        "faults": [_fault(event, zone) for event in world.events if event.kind in TROUBLES],
        "records": world.records,
        "violations": [
            {**one, "utc": stamp_text(int(str(one["at_w"])))} for one in world.violations
        ],
    }


def _day(outcome: Outcome, i: int) -> dict[str, object]:
    day = outcome.days[i]
    channels = {
        name: {
            "planned_ul": day.planned_ul[place],
            "commanded_ul": day.commanded_ul[place],
            "true_ul": round(day.true_ul[place]),
            "runs": day.runs[place],
        }
        for place, name in enumerate(outcome.ids)
    }
    first, last = hours_of(outcome, i)
    water: dict[str, dict[str, object]] = {}
    for one in outcome.waters:
        least, mean, most = (round(value, 4) for value in one.span(first, last))
        water[one.name] = {"unit": one.unit, "least": least, "mean": mean, "most": most}
    reservoirs = {
        name: {"counted_ul": counted, "true_ul": round(true)}
        for name, (counted, true) in outcome.left[i].items()
    }
    return {
        "date": date_text(day.date),
        "length_s": day.length_s,
        "channels": channels,
        "water": water,
        "left": reservoirs,
    }


def hours_of(outcome: Outcome, i: int) -> tuple[int, int]:
    """The first and the last hour of date `i`, counted from the start."""
    start_w = outcome.world.start_w
    begin_w = outcome.zone.day_start(outcome.date + i)
    end_w = outcome.zone.day_start(outcome.date + i + 1)
    return -(-(begin_w - start_w) // tank.HOUR_S), (end_w - start_w) // tank.HOUR_S


def _fault(event: Event, zone: Zone) -> dict[str, object]:
    found: dict[str, object] = {
        "kind": event.kind,
        "local": stamp_text(event.at_w, zone.offset(event.at_w)),
        "utc": stamp_text(event.at_w),
        "channel": event.channel or None,
        "text": event.text,
    }
    if event.seconds:
        found["seconds"] = event.seconds
    return found


def difference(sums: dict[str, int]) -> str:
    """How much more than commanded a pump truly gave, as "+0.8"; "" where nothing was."""
    commanded = sums["commanded_ul"]
    if not commanded:
        return ""
    return f"{100 * (sums['true_ul'] - commanded) / commanded:+.1f}"


def verdict(outcome: Outcome) -> str:
    """Whether everything held, as one sentence."""
    broken = outcome.world.violations
    looked = f"{len(outcome.world.runs):,} runs and {outcome.world.records:,} records"
    if not broken:
        return f"Every rule held: {looked} were looked at, and none broke one."
    numbers = ", ".join(dict.fromkeys(str(one["invariant"]) for one in broken))
    many = "once" if len(broken) == 1 else f"{len(broken)} times"
    return f"A rule was broken {many} ({numbers}) in {looked}: report this, with the command."


def export(outcome: Outcome, folder: Path) -> int:
    """Write the board's files, journal and set-up, into a new or empty folder; how many."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        limit = "a new or an empty folder"
        advice = "Segments of two journals must not mix: name another folder."
        raise bad("--journal", str(folder), limit=limit, advice=advice)
    folder.mkdir(parents=True, exist_ok=True)
    files = outcome.world.files
    names = sorted(name for name in files.names() if name != SPARE)
    for name in names:
        (folder / name).write_bytes(files.read(name) or b"")
    return len(names)


def date_checked(date: int, days: int, option: str = "--start") -> int:
    """A first date for which a board believes the time throughout; BadInput otherwise."""
    if not FIRST_DATE <= date <= LAST_DATE - days:
        limit = f"{date_text(FIRST_DATE)} to {date_text(LAST_DATE - days)}"
        advice = "A board believes no time outside of 2026 to 2099."
        raise bad(option, date_text(date), limit=limit, advice=advice)
    return date


def local(zone: Zone, at_w: int) -> str:
    """A true time on the wall of the tank: "2026-03-12 14:30"."""
    return stamp_text(at_w, zone.offset(at_w))[:16].replace("T", " ")


def quiet_dates(outcome: Outcome) -> Iterable[int]:
    """Dates of ordinary length on which nothing happened but the plan, the fullest first."""
    zone = outcome.zone
    loud = {zone.date_of(event.at_w) for event in outcome.events}
    loud |= {zone.date_of(event.at_w + event.seconds) for event in outcome.events}
    found = [
        day
        for day in outcome.days
        if day.length_s == 86400 and day.date not in loud and day.planned_ul == day.commanded_ul
    ]
    found.sort(key=lambda day: (-sum(1 for n in day.runs if n), day.date))
    return [day.date for day in found]
