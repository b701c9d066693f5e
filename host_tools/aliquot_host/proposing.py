"""From use, level and target to a plan: a volume a day, doses, a correction for some days.

The plan covers the use and nothing else; a level that is off is corrected beside it, by an
override that ends by itself and whose change a day stays below a stated limit. A cap is never
raised here unless it is named. It advises on volumes, not on what animals need.
"""

from __future__ import annotations

import bisect
import dataclasses
import math
from collections.abc import Mapping, Sequence
from decimal import Decimal
from types import SimpleNamespace
from typing import Any, cast

from aliquot.core.fits import too_much
from aliquot.core.layout import largest_ul
from aliquot.core.plan import day_ul
from aliquot.core.setup import build
from aliquot.core.setup import channel as compiled
from aliquot_host import advice, chemistry, regression, tank
from aliquot_host.consuming import Estimate, Range
from aliquot_host.editing import Edit

Data = dict[str, Any]

# The most that a value should be moved in a day, and how steady it should stay within one, in the
# units of chemistry (dKH, mg/L). Common practice; slower is safer.
CHANGE = {"alkalinity": 0.5, "calcium": 15.0, "magnesium": 40.0, "nitrate": 1.0}
STEADY = {"alkalinity": 0.1, "calcium": 5.0, "magnesium": 15.0}
DOSES = (1, 2, 3, 4, 6, 8, 12, 24, 48, 96)
DAYS_MOST = 366
# Tubing wears, or swells: so far a pump's delivery may leave its present one in a month, as a
# standard deviation in percent (common practice). It counts in what is foretold.
WEAR_PCT, MONTH_D = 1.0, 30.0
# Volumes are proposed to a hundredth of a millilitre.
STEP_UL = 10
SEPARATE_MIN = 20
WEEKS = 28
# A use that is known no better moves no plan that it agrees with.
UNSURE = 0.25
# A change of pH by 1 dKH in one go, S 35, 25 °C, closed, from TA 2300 µmol/kg and 420 µatm:
# PyCO2SYS with the constants of its option 10 (Lueker et al. 2000), total scale; a test works it
# out again.
PH_BY_CARBONATE, PH_BY_BICARBONATE = 0.201, -0.049
PH_FELT = 0.1
# Sea water stays clear near this saturation of aragonite and falls out above about 7 (Moras et al.
# 2022, Biogeosciences 19:3537).
CLEAR = (
    "Sea water stays clear near an aragonite saturation of 5 and falls out above about 7 (Moras "
    "et al. 2022, Biogeosciences 19:3537); 1 dKH as carbonate at once lifts it from 3.3 to 5.3 "
    "(PyCO2SYS). Keep carbonate and calcium apart, and the outlets in moving water."
)
SLOWER = "The limits of change are common practice: slower is safer for animals."


@dataclasses.dataclass(frozen=True)
class Wish:
    """What the keeper states, by the water's name, in the set-up's units: where it should be, the
    most it may change a day, how steady within one; caps in µL by channel, confirmed by name."""

    target: Mapping[str, float] = dataclasses.field(default_factory=dict[str, float])
    change: Mapping[str, float] = dataclasses.field(default_factory=dict[str, float])
    steady: Mapping[str, float] = dataclasses.field(default_factory=dict[str, float])
    caps_ul: Mapping[str, int] = dataclasses.field(default_factory=dict[str, int])


@dataclasses.dataclass(frozen=True)
class Since:
    """From the last test to now: days, and by how much doses raised the value meanwhile."""

    days: float = 0.0
    dosed: float = 0.0


@dataclasses.dataclass
class Proposal:
    """One channel. rise: of the tank by 1 µL, in the water's unit. share: of days with doses.

    daily_ul, doses: now; new_daily_ul, new_doses: proposed, on a day with doses. extra_ul for
    extra_days dates: the correction, below zero to let it fall. change: the most that the level
    moves a day under it, even at the far end of the use's interval. swing: within a day."""

    channel: str
    water: str
    unit: str
    rise: float
    share: float
    use: Range
    level: Range
    target: float | None
    change_most: float | None
    daily_ul: int
    doses: int
    new_daily_ul: int
    new_doses: int
    cap_ul: int
    new_cap_ul: int
    extra_ul: int = 0
    extra_days: int = 0
    change: float = 0.0
    swing: float = 0.0
    reservoir_days: int | None = None
    said: list[str] = dataclasses.field(default_factory=list[str])
    warnings: list[str] = dataclasses.field(default_factory=list[str])

    def command(self) -> str:
        """The order that corrects the level, "" where nothing is to be corrected."""
        if not self.extra_days:
            return ""
        ml = Decimal(self.extra_ul) / 1000
        return f"aliquot override {self.channel} {ml:f} {self.extra_days}"


@dataclasses.dataclass(frozen=True)
class Forecast:
    """A value day by day from now on: middle and interval, by three ways of dosing."""

    since: Since
    days: list[int]
    proposed: list[Range]
    unchanged: list[Range]
    without: list[Range]


def propose(
    data: Data,
    told: Sequence[Estimate],
    wish: Wish,
    date: int,
    since: Mapping[str, Since] | None = None,
) -> list[Proposal]:
    """A proposal for each channel that raises a value with an estimate.

    data: canonical set-up; date: of today, days since 2000-01-01; since: by the water's name."""
    found: list[Proposal] = []
    by_name = {one.water: one for one in told}
    rises = {c["id"]: tank.per_ul(data, c) for c in data["channel"]}
    # Each channel is fitted beside what is proposed for those before it.
    data = {**data, "channel": list(data["channel"])}
    for place, c in enumerate(data["channel"]):
        water, micro = rises[c["id"]]
        one = by_name.get(water)
        if one is None or not micro:
            continue
        others = [o for o in data["channel"] if rises[o["id"]][0] == water]
        now = (since or {}).get(water, Since())
        p = _channel(data, c, one, micro / 1e6, others, rises, wish, date, now)
        data["channel"][place] = _with(c, p)
        found.append(p)
    return found


def _channel(
    data: Data,
    c: Data,
    one: Estimate,
    rise: float,
    others: Sequence[Data],
    rises: Mapping[str, tuple[str, float]],
    wish: Wish,
    date: int,
    since: Since,
) -> Proposal:
    """The proposal of one channel."""
    share = dosing_share(c, date)
    weight = _weight(c, others, rises, date)
    need = max(0.0, one.use.value) * weight
    p = Proposal(
        channel=c["id"],
        water=one.water,
        unit=one.unit,
        rise=rise,
        share=share,
        use=one.use,
        level=ahead(one, since.days, since.dosed),
        target=wish.target.get(one.water),
        change_most=limit(CHANGE, wish.change, one),
        daily_ul=c["daily_ul"],
        doses=len(c["at"]) if c["at"] else c["doses"],
        new_daily_ul=int(need / rise / share + 1e-6) // STEP_UL * STEP_UL,
        new_doses=len(c["at"]) if c["at"] else c["doses"],
        cap_ul=c["cap_ul"],
        new_cap_ul=wish.caps_ul.get(c["id"], c["cap_ul"]),
    )
    if weight < 1:
        p.said.append(f"It gives {100 * weight:.0f} % of what raises {one.water}, as now.")
    if one.use.low <= 0:
        p.warnings.append(
            "The tests do not show clearly that the tank uses any: no plan is proposed."
        )
        p.new_daily_ul = p.daily_ul
    elif one.use.half > UNSURE * one.use.value:
        now = p.daily_ul * share * rise / weight
        kept = one.use.low <= now <= one.use.high
        if kept:
            p.new_daily_ul = p.daily_ul
        p.warnings.append(
            f"The use is known to ±{100 * one.use.half / one.use.value:.0f} % only"
            + (", and the present plan lies within: it is kept. " if kept else ". ")
            + "Test more."
        )
    if c["ramp"]:
        p.warnings.append("Its ramp goes on to the new volume: look at its dates.")
    _doses(p, c, limit(STEADY, wish.steady, one))
    _within(p, data, c, date)
    _correct(p, data, c, wish, date, first=others[0]["id"] == c["id"])
    _words(p, c, date)
    return p


def limit(usual: Mapping[str, float], stated: Mapping[str, float], one: Estimate) -> float | None:
    """What is stated for a value, else what is usual, in its unit; None where neither is."""
    if one.water in stated:
        return stated[one.water]
    kind = chemistry.kind(one.water, one.unit)
    if kind not in usual:
        return None
    if kind == chemistry.ALKALINITY:
        return usual[kind] / chemistry.to_dkh(1.0, one.unit)
    return usual[kind] if chemistry.plain_unit(one.unit) == "mg/l" else None


def dosing_share(c: Data, date: int) -> float:
    """Which part of the coming days has doses."""
    made = compiled({**c, "ramp": None})
    days = sum(1 for i in range(WEEKS * 13) if day_ul(made, date + i, []))
    return days / (WEEKS * 13) if days else 1.0


def _weight(
    c: Data, others: Sequence[Data], rises: Mapping[str, tuple[str, float]], date: int
) -> float:
    """The part of a value's rise that this channel has now, among those that raise it."""
    parts = {o["id"]: advice.mean_daily_ul(o, date) * rises[o["id"]][1] for o in others}
    whole = sum(parts.values())
    return parts[c["id"]] / whole if whole else 1 / len(others)


def _doses(p: Proposal, c: Data, steady: float | None) -> None:
    """How many doses: enough to keep the value steady, none smaller than the pump gives."""
    rise = p.new_daily_ul * p.rise
    gap = 1 - c["span_s"] / 86400
    if not c["at"]:
        most = max(1, p.new_daily_ul // c["dose_least_ul"])
        least = 1
        if steady:
            room = steady - p.use.value * gap
            least = math.ceil(rise / room) if room > 0 else most + 1
        least = max(least, -(-p.new_daily_ul // c["dose_most_ul"]))
        if least > most:
            p.warnings.append(
                f"So few doses of at least {_ml(c['dose_least_ul'])} cannot keep it that steady: "
                "use a weaker liquid."
            )
            p.new_doses = most
        elif not least <= p.doses <= most:
            fitting = [n for n in DOSES if least <= n <= most]
            p.new_doses = fitting[0] if fitting else least
    # Listed doses may stand close together: no more than the day's whole rise.
    p.swing = rise if c["at"] else rise / max(1, p.new_doses) + p.use.value * gap
    if steady and p.swing > steady * (1 + 1e-9):
        p.warnings.append(
            f"Within a day it moves by {p.swing:.3g} {p.unit}, more than {steady:g}: give more "
            "doses, over more hours."
        )


def _correct(p: Proposal, data: Data, c: Data, wish: Wish, date: int, first: bool) -> None:
    """Spread what is missing, or too much, over days; each stays below the largest change."""
    if p.target is None or not first:
        return
    if p.level.low <= p.target <= p.level.high:
        p.said.append(
            f"The tests cannot tell {p.level.value:.4g} from {p.target:g} {p.unit}: nothing is "
            "corrected."
        )
        return
    if p.change_most is None:
        p.warnings.append(
            f"No limit of change is known for {p.water}: state one with --change {p.water}=VALUE."
        )
        return
    gap = p.target - p.level.value
    # What the level moves by on a day with doses and no correction, at the use's far end.
    plan = p.new_daily_ul * p.rise
    far = p.use.low if gap > 0 else p.use.high
    room = p.change_most - max(0.0, (plan - far) if gap > 0 else (far - plan))
    if room <= 0:
        p.warnings.append(
            f"The use is known too badly to correct within {p.change_most:g} {p.unit} a day: "
            "test more first."
        )
        return

    def order(days: int) -> tuple[int, float]:
        """(µL a day, by how much the level then moves a day at most) of so many days."""
        ul = int(abs(gap) / (days * p.share) / p.rise) // STEP_UL * STEP_UL
        if gap < 0:
            ul = -min(ul, p.new_daily_ul)
            if 0 < p.new_daily_ul + ul < c["dose_least_ul"]:
                ul = -p.new_daily_ul + min(p.new_daily_ul, c["dose_least_ul"])
        return ul, abs(plan + ul * p.rise - far)

    def fits(days: int) -> bool:
        ul, moved = order(days)
        return moved <= p.change_most and _fits(p, data, ul, days, date)  # type: ignore[operator]

    wanted = math.ceil(abs(gap) / room / p.share - 1e-9)
    # The more days, the less a day: the fewest that fit are found by halving.
    days = bisect.bisect_left(range(DAYS_MOST + 1), True, lo=min(wanted, DAYS_MOST), key=fits)
    if days <= DAYS_MOST and order(days)[0]:
        p.extra_ul, p.change = order(days)
        p.extra_days = days
        if days > wanted:
            p.said.append(
                f"Spread over {days} days instead of {wanted}: its cap, its largest dose or its "
                "group's cap allows no more a day."
            )
        return
    p.warnings.append("A correction finds no room: its cap, or its largest dose, is too small.")


def _within(p: Proposal, data: Data, c: Data, date: int) -> None:
    """No more than cap, largest dose and group allow; what is needed is said."""
    needed = p.new_daily_ul
    if needed <= p.daily_ul or _fits(p, data, 0, WEEKS, date):
        return
    low, high = p.daily_ul // STEP_UL, needed // STEP_UL
    while low < high - 1:
        p.new_daily_ul = (low + high) // 2 * STEP_UL
        low, high = ((low + high) // 2, high) if _fits(p, data, 0, WEEKS, date) else (
            low, (low + high) // 2
        )  # fmt: skip
    p.new_daily_ul = low * STEP_UL
    largest = largest_ul(compiled({**_with(c, p), "ramp": None}), needed)
    p.warnings.append(
        f"The use would need {_ml(needed)} a day, and its limits allow {_ml(p.new_daily_ul)}: "
        f"that takes a cap of {_ml(needed + 2 * largest)} and doses of {_ml(largest)}. If that is "
        f"right, say so: --cap {p.channel}=ML, and dose_most_ml in the file."
    )


def _with(c: Data, p: Proposal) -> Data:
    """The channel under the proposal."""
    own = {**c, "daily_ul": p.new_daily_ul, "doses": p.new_doses, "cap_ul": p.new_cap_ul}
    return {**own, "at": _listed(c["at"], p.new_daily_ul)} if c["at"] else own


def _fits(p: Proposal, data: Data, extra_ul: int, days: int, date: int) -> bool:
    """Whether the board would take such an override, by its own rule."""
    place = next(i for i, c in enumerate(data["channel"]) if c["id"] == p.channel)
    changed: Data = {**data, "channel": list(data["channel"])}
    changed["channel"][place] = {**_with(data["channel"][place], p), "ramp": None}
    setup = build(changed, "")
    states = [SimpleNamespace(over=[]) for _ in setup.channels]
    engine = cast("Any", SimpleNamespace(setup=setup, state=SimpleNamespace(channels=states)))
    return too_much(engine, place, [extra_ul, date, days], date, min(days, WEEKS)) is None


def _listed(doses: Sequence[Data], daily_ul: int) -> list[Data]:
    """Listed doses with their own volumes, scaled to another day."""
    if not doses or "ul" not in doses[0] or not doses[0].get("ul"):
        return [dict(dose) for dose in doses]
    whole = sum(dose["ul"] for dose in doses)
    scaled = [dose["ul"] * daily_ul // whole for dose in doses]
    scaled[0] += daily_ul - sum(scaled)
    return [{**dose, "ul": ul} for dose, ul in zip(doses, scaled, strict=True)]


def _words(p: Proposal, c: Data, date: int) -> None:
    """Warnings about chemistry, and how long the container lasts."""
    reservoir = c["reservoir"]
    mean_ul = p.new_daily_ul * p.share
    if reservoir and mean_ul:
        whole = max(0, reservoir["size_ul"] - reservoir["dead_ul"])
        p.reservoir_days = int(whole / mean_ul)
        if p.reservoir_days < advice.RESERVOIR_LEAST_DAYS:
            p.warnings.append(
                f"A full container lasts {p.reservoir_days} days: use a larger one, or a stronger "
                "liquid."
            )
    if chemistry.kind(p.water, p.unit) != chemistry.ALKALINITY:
        return
    one = (p.new_daily_ul + max(0, p.extra_ul)) / max(1, p.new_doses) * p.rise
    lift = chemistry.to_dkh(one, p.unit) * PH_BY_CARBONATE
    p.said.append(
        f"As carbonate each dose lifts the pH by about {lift:.3f} once it is mixed in, as "
        f"bicarbonate it lowers it by {lift * -PH_BY_BICARBONATE / PH_BY_CARBONATE:.3f} "
        "(PyCO2SYS, sea water of 35 at 25 °C, no gas exchange)."
    )
    if lift > PH_FELT:
        p.warnings.append(
            f"Carbonate would lift the pH by {lift:.2f} at each dose: give more and smaller ones."
        )


def _ml(ul: int) -> str:
    return f"{Decimal(ul) / 1000:f} mL"


def edits(
    data: Data, found: Sequence[Proposal], comment: str = "", told: Sequence[Estimate] = ()
) -> list[Edit]:
    """What to change in the set-up file: volumes, doses, named caps, separations that lack; and
    of the values in `told` the use, by which `simulate` rehearses."""
    made: list[Edit] = []
    known = [water["name"] for water in data["tank"]["water"]] if data["tank"] else []
    for one in told:
        if one.water in known and one.use.low > 0:
            use = Decimal(f"{one.use.value:.3g}")
            made.append(Edit(f"tank.water.{one.water}.use_per_day", use))
    for p in found:
        c = next(c for c in data["channel"] if c["id"] == p.channel)
        at = f"channel.{p.channel}"
        if p.new_daily_ul != p.daily_ul:
            made += _volume(c, at, p.new_daily_ul, comment)
        if p.new_doses != p.doses and not c["at"]:
            made.append(Edit(f"{at}.doses", p.new_doses))
        if p.new_cap_ul != p.cap_ul:
            made.append(Edit(f"{at}.cap_ml", Decimal(p.new_cap_ul) / 1000))
    for a, b in missing(data):
        value = {"channels": [a, b], "minutes": SEPARATE_MIN}
        made.append(Edit("separate", value, "their liquids react where they meet undiluted"))
    return made


def _volume(c: Data, at: str, daily_ul: int, comment: str) -> list[Edit]:
    listed = c["at"]
    if listed and listed[0].get("ul"):
        scaled = _listed(listed, daily_ul)
        return [
            Edit(f"{at}.at.{i}.ml", Decimal(dose["ul"]) / 1000) for i, dose in enumerate(scaled)
        ]
    return [Edit(f"{at}.daily_ml", Decimal(daily_ul) / 1000, comment)]


def missing(data: Data) -> list[tuple[str, str]]:
    """Pairs of channels whose liquids react and that nothing keeps apart."""
    kept = {frozenset(pair["channels"]) for pair in data["separate"]}
    return [(a, b) for a, b in advice.reacting(data) if frozenset((a, b)) not in kept]


def forecast(
    one: Estimate, found: Sequence[Proposal], days: int, since: Since | None = None
) -> Forecast:
    """A value over the coming days, doses evenly through each.

    The proposed and the present plan are taken at their mean a day; the band holds what tests and
    pumps leave open: how far they were off, how far they will be when they are measured anew, and
    how they wear."""
    own = [p for p in found if p.water == one.water]
    now = sum(p.daily_ul * p.share * p.rise for p in own)
    new = sum(p.new_daily_ul * p.share * p.rise for p in own)
    at = list(range(days + 1))
    more = [sum(p.extra_ul * p.share * p.rise * min(t, p.extra_days) for p in own) for t in at]
    s = since or Since()
    return Forecast(
        s,
        at,
        [
            ahead(one, s.days + t, s.dosed + new * t + extra)
            for t, extra in zip(at, more, strict=True)
        ],
        [ahead(one, s.days + t, s.dosed + now * t) for t in at],
        [ahead(one, s.days + t, s.dosed) for t in at],
    )


def ahead(one: Estimate, t: float, dosed: float) -> Range:
    """The value after t days in which doses of the set-up raised it by `dosed`."""
    middle = one.level.value + dosed - one.use.value * t
    own = one.level_error**2 - 2 * t * one.level_use_cov + (t * one.standard_error) ** 2
    past = one.level_by_intake - t * one.use_by_intake
    worn = dosed * t / 2 * WEAR_PCT / 100 / MONTH_D
    intake = (past**2 + dosed**2) * (one.intake_pct / 100) ** 2 + worn**2
    df = regression.combined_df([(max(own, 0.0), one.df), (intake, math.inf)])
    half = regression.quantile(one.confidence, df) * math.sqrt(max(own, 0.0) + intake)
    if one.breaks:  # where the break lies is not sure either
        half += t * max(0.0, one.use.half - regression.quantile(one.confidence, one.df)
                        * one.standard_error)  # fmt: skip
    if one.level.value < 0:
        return Range(middle, middle - half, middle + half)
    return Range(max(0.0, middle), max(0.0, middle - half), max(0.0, middle + half))
