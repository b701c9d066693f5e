"""Gathers what a keeper has on the desk: tests, a journal, a set-up; and estimates each use.

The commands `consumption` and `propose` and the end of the demo share it. It reads, joins and
explains; it writes nothing and decides no dose.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from aliquot_host import chemistry, consuming, containers, intake, setup_file, tank, water_tests
from aliquot_host.archive import read_archive
from aliquot_host.consuming import Dose, Estimate, Ratio, Settings, Warned
from aliquot_host.errors import bad
from aliquot_host.intake import LIQUID, Intake
from aliquot_host.proposing import Since
from aliquot_host.setup_file import Loaded
from aliquot_host.water_tests import Reading, Tests, days_of

# Error of one careful test with a kit for hobbyists (common practice); a value that is not here
# needs more tests, or --kit-error.
KIT_ERRORS = {"alkalinity": 0.15, "calcium": 8.0, "magnesium": 15.0}
TESTS_LEAST = 2


@dataclasses.dataclass
class Desk:
    """All that was given. notes: what could not be used, as sentences."""

    loaded: Loaded | None
    found: Intake | None
    tests: Tests
    zone: str
    notes: list[str] = dataclasses.field(default_factory=list[str])

    @property
    def data(self) -> Mapping[str, Any] | None:
        return self.loaded.data if self.loaded else None

    @property
    def volume_l(self) -> float:
        """Litres of the tank, 0.0 where nobody said."""
        own = self.data["tank"] if self.data else None
        return own["volume_ml"] / 1000 if own else 0.0

    def rises(self) -> dict[str, tuple[str, float]]:
        """Channel -> (water, rise of the tank by one µL, in the water's unit)."""
        if not self.data:
            return {}
        found = {c["id"]: tank.per_ul(dict(self.data), c) for c in self.data["channel"]}
        return {name: (water, rise / 1e6) for name, (water, rise) in found.items() if water}

    def doses(self, water: str) -> list[Dose]:
        """All that may have raised a value: what the journal says, and what was put in by hand."""
        doses = [Dose(a.at_d, a.raised, a.raised) for a in self.tests.added if a.water == water]
        for name, (raised, rise) in self.rises().items():
            if raised == water and self.found:
                doses += [
                    Dose(days_of(max(r.end_w, r.start_w)), r.low_ul * rise, r.high_ul * rise)
                    for r in self.found.into_tank(name)
                ]
        return sorted(doses, key=lambda dose: dose.at_d)

    def when(self, at_d: float) -> str:
        """A day count as people read it: local time at the tank."""
        if self.tests.counted:
            return f"day {at_d:.4g}"
        return water_tests.date_of(at_d, self.zone).strftime("%Y-%m-%d %H:%M")

    def channels(self, water: str) -> list[str]:
        """The channels that raise a value."""
        return [name for name, (raised, _) in self.rises().items() if raised == water]


@dataclasses.dataclass(frozen=True)
class Choice:
    """What the options of a command say. kit_errors: by the water's name; since_d, until_d: days
    since 2000, or None."""

    confidence: float = 95.0
    kit_errors: Mapping[str, float] = dataclasses.field(default_factory=dict[str, float])
    intake_pct: float = 1.0
    salinity: float = 0.0
    since_d: float | None = None
    until_d: float | None = None


def gather(
    csv: Path | None, journal: Path | None, setup: Path | None, zone: str | None = None
) -> Desk:
    """Read what was given. BadInput: nothing with tests, or things that do not go together."""
    if csv is None and journal is None:
        advice = "Name a CSV file of tests, or --journal with test records in it."
        raise bad("TESTS.csv", limit="tests of the water", advice=advice)
    loaded = setup_file.load(setup) if setup else None
    if journal and not loaded:
        advice = "A journal does not know how strong the liquids are."
        raise bad("--setup", limit="the set-up, beside a journal", advice=advice)
    named = zone or (str(loaded.data["timezone"]) if loaded else "UTC")
    found = intake.read(read_archive(journal)) if journal else None
    desk = Desk(loaded, found, Tests(), named)
    units = water_tests.units_of(desk.data)
    if csv:
        desk.tests = water_tests.read(csv, units, named)
        if desk.tests.counted and found:
            advice = "Write dates in a column `time`: a journal has dates."
            raise bad(str(csv), "day", limit="time or date", advice=advice)
    if found:
        raised_by = {name: water for name, (water, _) in desk.rises().items()}
        own, odd = water_tests.from_journal(found.entries, units, raised_by)
        desk.notes += odd
        desk.tests = water_tests.joined(desk.tests, own)
    return desk


def usable(desk: Desk, water: str, choice: Choice) -> tuple[list[Reading], list[Warned]]:
    """The readings of a value that an estimate can rest on, and why others are left out."""
    readings = desk.tests.readings.get(water, [])
    warned: list[Warned] = []
    since, until = choice.since_d, choice.until_d
    if desk.found:
        first_d, last_d = days_of(desk.found.first_w), days_of(desk.found.last_w)
        for entry in desk.found.entries:
            if entry.kind == LIQUID and entry.channel in desk.channels(water):
                first_d = max(first_d, days_of(entry.at_w))
        if desk.channels(water):
            outside = [r for r in readings if not first_d <= r.at_d <= last_d]
            if outside:
                text = (
                    f"{len(outside)} tests of {water} lie outside the journal, or before its "
                    "newest liquid: what went in then is not known, and they are left out."
                )
                warned.append(Warned("outside", text))
                readings = [r for r in readings if first_d <= r.at_d <= last_d]
    kept = [
        r
        for r in readings
        if (since is None or r.at_d >= since) and (until is None or r.at_d <= until)
    ]
    return kept, warned


def estimate_all(desk: Desk, choice: Choice) -> tuple[list[Estimate], list[str]]:
    """The use of every value with tests enough, and a sentence for each that has not."""
    told: list[Estimate] = []
    short: list[str] = []
    lost = [days_of(gap.from_w) for gap in desk.found.lost] if desk.found else []
    for water in desk.tests.readings:
        readings, warned = usable(desk, water, choice)
        if len(readings) < TESTS_LEAST:
            short.append(f"{water}: {len(readings)} tests that can be used, {TESTS_LEAST} needed")
            continue
        settings = Settings(
            confidence=choice.confidence,
            kit_error=choice.kit_errors.get(water, _kit(desk, water, readings)),
            intake_pct=choice.intake_pct,
            volume_l=desk.volume_l,
            salinity=choice.salinity,
            hour=_hour(desk),
            when=desk.when,
            origin_d=0.0 if desk.tests.counted else None,
        )
        unit = desk.tests.units.get(water, "")
        try:
            one = consuming.estimate(
                water, unit, readings, desk.doses(water), desk.tests.changes, lost, settings
            )
        except ValueError as error:
            short.append(f"{water}: {error}")
            continue
        one.warnings[:0] = warned
        if desk.channels(water) and not desk.found:
            text = "Without --journal it is not known what was dosed: only the fall is told."
            one.warnings.append(Warned("no journal", text))
        one.warnings += _pumps(desk, water, choice)
        told.append(one)
    return told, short


def _pumps(desk: Desk, water: str, choice: Choice) -> list[Warned]:
    """Pumps whose containers say something else than their calibration."""
    told: list[Warned] = []
    for name in desk.channels(water) if desk.found else ():
        assert desk.found
        found = containers.drift(desk.found, name)
        off, far = found.off_pct, 2 * choice.intake_pct
        pct = off.value if off and (off.low > far or off.high < -far) else 0.0
        if found.looks and found.looks[-1].alarm:
            pct = 100 * (found.looks[-1].ratio - 1)
        if pct:
            text = (
                f"By what was left at its refills {name} gives {pct:+.1f} % against its "
                "calibration: what it dosed is counted wrong. See `aliquot drift`, and measure it."
            )
            told.append(Warned("pump", text))
    return told


def _kit(desk: Desk, water: str, readings: Sequence[Reading]) -> float | None:
    """The usual error of a kit where too few tests are there to tell it from them."""
    unit = desk.tests.units.get(water, "")
    kind = chemistry.kind(water, unit)
    usual = KIT_ERRORS.get(kind)
    if len(readings) > 3 or usual is None:
        return None
    return usual / chemistry.to_dkh(1.0, unit) if kind == chemistry.ALKALINITY else usual


def _hour(desk: Desk) -> Callable[[float], float]:
    def hour(at_d: float) -> float:
        if desk.tests.counted:
            return 0.0
        at = water_tests.date_of(at_d, desk.zone)
        return at.hour + at.minute / 60

    return hour


def since(desk: Desk, told: Sequence[Estimate]) -> dict[str, Since]:
    """From each last test to the journal's end: the days, and what the doses of them raised."""
    found: dict[str, Since] = {}
    for one in told:
        end_d = days_of(desk.found.last_w) if desk.found else one.last_d
        after = [d for d in desk.doses(one.water) if one.last_d < d.at_d <= end_d]
        dosed = sum((d.low + d.high) / 2 for d in after)
        found[one.water] = Since(max(0.0, end_d - one.last_d), dosed)
    return found


def ratio(told: Sequence[Estimate]) -> Ratio | None:
    """Calcium beside alkalinity, where both have an estimate."""
    kinds = {chemistry.kind(one.water, one.unit): one for one in told}
    alkalinity, calcium = kinds.get(chemistry.ALKALINITY), kinds.get(chemistry.CALCIUM)
    if alkalinity is None or calcium is None or alkalinity.use.low <= 0:
        return None
    return consuming.calcium_beside(alkalinity, calcium)


def payload(one: Estimate) -> dict[str, object]:
    """An estimate for programs; what does not exist is null."""
    return plain(dataclasses.asdict(one))


def plain(value: Any) -> Any:
    """A value as JSON takes it: what is no number becomes null."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: plain(one) for key, one in value.items()}  # type: ignore[reportUnknownVariableType]
    if isinstance(value, list):
        return [plain(one) for one in value]  # type: ignore[reportUnknownVariableType]
    return value
