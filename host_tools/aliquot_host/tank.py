"""The water of a simulated tank: what truly went in raises it, the animals' use lowers it.

One well-mixed volume. A run raises a value by its true volume times the liquid's strength, scaled
to the tank; use lowers it evenly through the day, never below zero. Nothing else is known of the
water: no chemistry, no evaporation, no water changes. Nothing here is seen by the engine.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Iterator, Sequence

from aliquot_host.setup_file import Data
from aliquot_host.world import DAY_S, Run

HOUR_S = 3600
Rise = tuple[str, float]
NOTHING: Rise = ("", 0.0)


@dataclasses.dataclass(frozen=True)
class Water:
    """One value of the water: `hourly` from the start on, in its unit. dosed: some channel of the
    set-up raises it."""

    name: str
    unit: str
    dosed: bool
    hourly: list[float]

    def span(self, first: int, last: int) -> tuple[float, float, float]:
        """Least, mean and most of the hours from `first` to `last`, both included."""
        hours = self.hourly[first : last + 1] or self.hourly[-1:]
        return min(hours), sum(hours) / len(hours), max(hours)


class _Level:
    """Where one value stands, in millionths of its unit."""

    def __init__(self, start_w: int, value: float) -> None:
        self.value = value
        self.at_w = start_w
        self.use_micro = 0

    def until(self, at_w: int) -> float:
        """Let the time pass; time that is past already changes nothing."""
        if at_w > self.at_w:
            fallen = self.use_micro * (at_w - self.at_w) / DAY_S
            self.value = max(0.0, self.value - fallen)
            self.at_w = at_w
        return self.value


def per_ul(data: Data, channel: Data) -> Rise:
    """Return (water, rise in millionths for one µL of a channel's liquid); ("", 0) where the
    set-up does not say."""
    strength, tank = channel["strength"], data["tank"]
    if not strength or not tank:
        return NOTHING
    rise = strength["raises_micro"] / strength["ul"]
    return strength["water"], rise * strength["tank_ml"] / tank["volume_ml"]


def waters(
    setups: Sequence[tuple[int, Data]],
    ids: Sequence[str],
    runs: Iterable[Run],
    start_w: int,
    end_w: int,
) -> list[Water]:
    """The water, hour by hour, of runs in the order of their time.

    setups: what was in force from when on; the values and their start are those of the first one.
    ids: channel id by place. A later set-up may change use, strengths and the volume."""
    data = setups[0][1]
    if not data["tank"]:
        return []
    levels = {w["name"]: _Level(start_w, float(w["start_micro"])) for w in data["tank"]["water"]}
    hourly: dict[str, list[float]] = {name: [] for name in levels}
    dosed: set[str] = set()
    rises: dict[str, Rise] = {}
    hours = _hours(start_w, end_w)
    hour_w = next(hours)
    later = list(setups)

    def sample(until_w: int) -> None:
        nonlocal hour_w
        while hour_w <= until_w:
            for name, level in levels.items():
                hourly[name].append(level.until(hour_w) / 1e6)
            hour_w = next(hours)

    def change(until_w: int) -> None:
        nonlocal rises
        while later and later[0][0] <= until_w:
            sample(later[0][0] - 1)
            rises = _take(later.pop(0), levels, dosed)

    for run in runs:
        change(run.start_w)
        if run.into == "cup":
            continue
        water, rise = rises.get(ids[run.channel], NOTHING)
        sample(run.end_w)
        if water in levels:
            levels[water].until(run.end_w)
            levels[water].value += rise * run.true_ul
    change(end_w)
    sample(end_w)
    units = {w["name"]: w["unit"] for w in data["tank"]["water"]}
    return [Water(name, units[name], name in dosed, hourly[name]) for name in levels]


def _take(setup: tuple[int, Data], levels: dict[str, _Level], dosed: set[str]) -> dict[str, Rise]:
    """Put a set-up in force; returns what each channel raises, and by how much a µL."""
    at_w, data = setup
    water: list[Data] = data["tank"]["water"] if data["tank"] else []
    uses: dict[str, int] = {w["name"]: w["use_micro"] for w in water}
    for name, level in levels.items():
        level.until(at_w)
        level.use_micro = uses.get(name, level.use_micro)
    rises = {c["id"]: per_ul(data, c) for c in data["channel"]}
    dosed.update(water for water, _ in rises.values())
    return rises


def _hours(start_w: int, end_w: int) -> Iterator[int]:
    """Every hour from the start to the end, both included, then a time that never comes."""
    yield from range(start_w, end_w + 1, HOUR_S)
    while True:
        yield 1 << 62
