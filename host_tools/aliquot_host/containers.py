"""Containers calibrate the pumps: what was drawn between two looks, beside the counts run between.

A look is a refill that says what was left. From all looks of one tubing come the K-factor, its
drift, and an early sign that a line is blocked or leaks, without any sensor. Each new look is held
against what the ones before let expect; nothing is corrected by it.
"""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Sequence

import numpy as np
from scipy import stats

from aliquot_host import regression
from aliquot_host.consuming import Range
from aliquot_host.intake import Calibration, Fill, Intake

# Standard error of reading a container by eye (common practice; a scale does better).
READING_ML = 5.0
# Before anything is known of a pump: how far it may be off its calibration, how much it may wear
# by the litre, and how much it wanders besides (common practice), as standard deviations.
OFF, WEAR_L, WANDER_L = 0.02, 0.01, 0.002
# A look so far out comes by chance once in 5,000 looks: with one a fortnight, once in 200 years.
ALARM = float(stats.norm.isf(1 / 10_000))
PART = 0.3
WORN_PCT = 15.0
LOOKS_MOST = 5000
SEEN_LEAST = 6
# `refill --left` tells the board both numbers in one go; a person who types again takes longer.
AT_ONCE_S = 10


@dataclasses.dataclass(frozen=True)
class Interval:
    """From one look, or fill, to the next look.

    from_w, until_w: wall seconds. drawn_ul: what left the container. counts: run meanwhile
    without dead times; half_counts: half of what is not known of them. expected_ul: by the
    calibrations in force. before_ul: what the tubing had moved by the books at its start. parts:
    of each calibration that was in force (its seq, µL a count, counts run under it), in order."""

    seq: int
    from_w: int
    until_w: int
    drawn_ul: int
    counts: float
    half_counts: float
    expected_ul: float
    before_ul: float
    parts: tuple[tuple[int, float, float], ...] = ()

    @property
    def by_calibration(self) -> tuple[tuple[int, float, float], ...]:
        """The parts, one of them at least."""
        return self.parts or ((0, self.expected_ul / self.counts, self.counts),)

    @property
    def middle_l(self) -> float:
        """Litres through the tubing at the middle of it."""
        return (self.before_ul + self.expected_ul / 2) / 1e6


@dataclasses.dataclass(frozen=True)
class Look:
    """One interval beside what was expected of it.

    ratio: drawn over expected by the calibration. forecast: the same as the looks before it let
    expect, with its standard error. z: how many standard errors it is away."""

    interval: Interval
    ratio: float
    forecast: float
    error: float

    @property
    def z(self) -> float:
        """Away from the forecast, in standard errors."""
        return (self.ratio - self.forecast) / self.error

    @property
    def alarm(self) -> str:
        """`less` or `more` where it lies far outside, "" otherwise."""
        if abs(self.z) <= ALARM:
            return ""
        return "less" if self.z < 0 else "more"

    @property
    def sharp(self) -> bool:
        """Whether it could show a delivery that fell by 30 %."""
        return PART * self.forecast > (ALARM + 1) * self.error


@dataclasses.dataclass(frozen=True)
class Drift:
    """What the looks at one tubing say together.

    k_counts_ml: now, with its interval. trend_pct_l: by how much the delivery changes a litre.
    off_pct: delivery against the calibration in force now. reading_ml: of one look, from
    `looks` or `stated`. None where there are too few looks."""

    channel: str
    since_w: int
    moved_l: float
    litres_a_day: float
    looks: list[Look]
    k_counts_ml: Range | None
    trend_pct_l: Range | None
    off_pct: Range | None
    reading_ml: float
    reading_from: str
    due_l: float | None
    due_days: float | None
    error_pct: float
    fallen_pct: float | None


def intervals(found: Intake, channel: str) -> list[Interval]:
    """All stretches between two looks, over all tubings, in the order of time."""
    groups = _groups([f for f in found.fills if f.channel == channel], found, channel)
    made: list[Interval] = []
    for (_, start), (look, _) in itertools.pairwise(groups):
        if look is None or any(
            start.at_w <= gap.until_w and gap.from_w <= look.at_w for gap in found.lost
        ):
            continue
        moved = _between(found, channel, start.seq, look.seq)
        counts = sum(part[2] for part in moved.parts)
        expected = sum(part[1] * part[2] for part in moved.parts)
        if counts <= 0 or expected <= 0:
            continue
        drawn = start.ul - look.ul
        made.append(
            Interval(
                look.seq, start.at_w, look.at_w, drawn, counts, moved.half_counts, expected,
                moved.before_ul, moved.parts,
            )
        )  # fmt: skip
    return made


def _groups(fills: Sequence[Fill], found: Intake, channel: str) -> list[tuple[Fill | None, Fill]]:
    """Fills with no run between them belong together: (the look, or None; what it held after).

    A look is the first of two that came at once, the last such two where somebody put right what
    was typed. A fill alone says only what is there: somebody may have topped up without a look."""
    starts = [run.seq for run in found.runs if run.channel == channel]
    groups: list[list[Fill]] = []
    for fill in fills:
        last = groups[-1][-1] if groups else None
        if last and not any(last.seq < seq < fill.seq for seq in starts):
            groups[-1].append(fill)
        else:
            groups.append([fill])
    return [(_look(group), group[-1]) for group in groups]


def _look(group: Sequence[Fill]) -> Fill | None:
    looks = [a for a, b in itertools.pairwise(group) if 0 <= b.at_w - a.at_w <= AT_ONCE_S]
    return looks[-1] if looks else None


@dataclasses.dataclass(frozen=True)
class _Moved:
    """What ran between two records; see Interval. before_ul: through the tubing before them."""

    parts: tuple[tuple[int, float, float], ...]
    half_counts: float
    before_ul: float


def _between(found: Intake, channel: str, first: int, last: int) -> _Moved:
    """What ran from record `first` to record `last`, without dead times."""
    cals = [c for c in found.calibrations if c.channel == channel]
    renewed = max(
        (t.seq for t in found.tubings if t.channel == channel and t.seq <= last), default=0
    )
    half = before = 0.0
    parts: dict[int, tuple[float, float]] = {}
    for run in found.runs:
        if run.channel != channel or run.seq > last or run.seq < renewed:
            continue
        cal = _in_force(cals, run.seq)
        if cal is None:
            continue
        low, high = (max(0, one - cal.offset) for one in (run.low, run.high))
        ul_a_count = cal.ul / cal.counts
        if run.seq < first:
            before += (low + high) / 2 * ul_a_count
            continue
        _, counts = parts.get(cal.seq, (0.0, 0.0))
        parts[cal.seq] = (ul_a_count, counts + (low + high) / 2)
        half += (high - low) / 2
    in_order = tuple((seq, *part) for seq, part in sorted(parts.items()))
    return _Moved(in_order, half, before)


def _in_force(cals: Sequence[Calibration], seq: int) -> Calibration | None:
    earlier = [cal for cal in cals if cal.seq <= seq]
    return earlier[-1] if earlier else (cals[0] if cals else None)


class _Expected:
    """What a pump is expected to deliver, and how sure that is.

    The state is the delivery of a count and its change a litre, both against the first
    calibration; known only roughly at first, each look narrows them (a Kalman filter: Kalman
    1960, J. Basic Eng. 82:35). A new calibration says the delivery anew: what a person has
    measured and put right is no alarm at the next look."""

    def __init__(self) -> None:
        self.unit = 0.0
        self.cal = -1
        self.state = np.array([1.0, 0.0])
        self.spread = np.diag([OFF**2, WEAR_L**2])

    def on(self, litres: float) -> None:
        """So much further through the tubing."""
        step = np.array([[1.0, litres], [0.0, 1.0]])
        self.state = step @ self.state
        wander = np.diag([WANDER_L**2 * abs(litres), 0.0])
        self.spread = step @ self.spread @ step.T + wander

    def forecast(self, one: Interval) -> tuple[float, float, float]:
        """(ratio of drawn to expected, its variance without the reading, the weight in it of what
        is known at its end)."""
        ratio = variance = weight = 0.0
        for seq, ul_a_count, counts in one.by_calibration:
            self.unit = self.unit or ul_a_count
            if seq != self.cal:
                if self.cal >= 0:
                    variance += weight**2 * float(self.spread[0, 0])
                    self._anew(ul_a_count / self.unit)
                self.cal = seq
            weight = counts * self.unit / one.expected_ul
            ratio += weight * float(self.state[0])
        return ratio, variance + weight**2 * float(self.spread[0, 0]), weight

    def _anew(self, delivery: float) -> None:
        self.state[0] = delivery
        # It may wear otherwise than before: often more was put right than the number.
        self.spread = np.diag([(OFF * delivery) ** 2, WEAR_L**2])

    def learn(self, off: float, error: float, weight: float) -> None:
        """Take in a look that was `off` its forecast of that standard error."""
        gain = weight * self.spread[:, 0] / error**2
        self.state = self.state + gain * off
        self.spread = self.spread - weight * np.outer(gain, self.spread[0])


def watch(stretches: Sequence[Interval], reading_ml: float = READING_ML) -> list[Look]:
    """Hold each look against those before it, of one tubing.

    What is far outside is not learned from: a blocked line stays an alarm."""
    known = _Expected()
    looks: list[Look] = []
    at_l: float | None = None
    for one in stretches:
        if at_l is not None:
            known.on(one.middle_l - at_l)
        at_l = one.middle_l
        ratio, variance, weight = known.forecast(one)
        variance += 2 * (reading_ml * 1000 / one.expected_ul) ** 2
        variance += (one.half_counts / one.counts) ** 2 / 3
        error = math.sqrt(variance)
        look = Look(one, one.drawn_ul / one.expected_ul, ratio, error)
        looks.append(look)
        if not look.alarm:
            known.learn(look.ratio - ratio, error, weight)
    return looks


def drift(
    found: Intake,
    channel: str,
    *,
    reading_ml: float | None = None,
    error_pct: float = 5.0,
    confidence: float = 95.0,
) -> Drift:
    """What the looks at a channel's present tubing say. reading_ml: standard error of a look,
    None: from the looks where they are enough, else READING_ML."""
    whole = intervals(found, channel)[-LOOKS_MOST:]
    renewed = [t for t in found.tubings if t.channel == channel]
    since_seq = renewed[-1].seq if renewed else 0
    since_w = renewed[-1].at_w if renewed else found.first_w
    own = [one for one in whole if one.seq > since_seq]
    if own and renewed and own[0].from_w < since_w:
        del own[0]  # part of it went through the old tubing
    looks = watch(own, seen_ml(own) if reading_ml is None else reading_ml)
    good = [look.interval for look in looks if not look.alarm]
    moved = _between(found, channel, 1 << 62, 1 << 62).before_ul
    days = max(1.0, (found.last_w - since_w) / 86400)
    fitted = _fit(good, reading_ml, confidence, moved / 1e6)
    cals = [c for c in found.calibrations if c.channel == channel]
    told = Drift(
        channel, since_w, moved / 1e6, moved / 1e6 / days, looks, None, None, None,
        READING_ML if reading_ml is None else reading_ml, "stated", None, None, error_pct, None,
    )  # fmt: skip
    if fitted is None or not cals:
        return told
    per_count, trend, reading, source = fitted
    nominal = cals[-1].ul / cals[-1].counts / 1000  # mL a count
    off = Range(
        *(100 * (v / nominal - 1) for v in (per_count.value, per_count.low, per_count.high))
    )
    due_l = _due(off, trend, error_pct)
    fallen = None
    if trend is not None:
        fallen = -trend.value * moved / 1e6
    return dataclasses.replace(
        told,
        k_counts_ml=k_factor(good, reading_ml, confidence, moved / 1e6),
        trend_pct_l=trend,
        off_pct=off,
        reading_ml=reading,
        reading_from=source,
        due_l=due_l,
        due_days=None if due_l is None or not moved else due_l / (moved / 1e6 / days),
        fallen_pct=fallen,
    )


def seen_ml(own: Sequence[Interval]) -> float:
    """The error of a look as neighbours show it, READING_ML at least: from the median of their
    differences, which one blocked line does not move."""
    if len(own) < SEEN_LEAST:
        return READING_ML
    steps = [
        abs(b.drawn_ul / b.expected_ul - a.drawn_ul / a.expected_ul) * b.expected_ul / 1000
        for a, b in itertools.pairwise(own)
    ]
    # 1.4826 makes a median of absolute errors a standard deviation; each step holds four looks.
    return max(READING_ML, 1.4826 * float(np.median(steps)) / 2)


def k_factor(
    own: Sequence[Interval],
    reading_ml: float | None = None,
    confidence: float = 95.0,
    at_l: float | None = None,
) -> Range | None:
    """Counts per mL from looks, at so many litres through the tubing (None: at the last look);
    None where the looks do not tell."""
    if not own:
        return None
    at = own[-1].middle_l if at_l is None else at_l
    found = _fit(own, reading_ml, confidence, at)
    if found is None or found[0].low <= 0:
        return None
    per_count = found[0]
    return Range(1 / per_count.value, 1 / per_count.high, 1 / per_count.low)


def _fit(
    own: Sequence[Interval], reading_ml: float | None, confidence: float, at_l: float
) -> tuple[Range, Range | None, float, str] | None:
    """(mL a count at at_l, change in percent a litre, error of one look, its source).

    Least squares of what was drawn on the counts, and from four looks on on counts times litres
    too: each look errs by the same number of mL, whatever was drawn."""
    if not own:
        return None
    counts = np.array([one.counts for one in own])
    drawn = np.array([one.drawn_ul / 1000 for one in own])
    away = np.array([one.middle_l - at_l for one in own])
    wide = len(own) >= 4 and float(np.ptp(away)) > 0
    X = np.column_stack([counts, counts * away]) if wide else counts[:, None]
    try:
        fit = regression.fit(X, drawn)
    except ValueError:
        return None
    if reading_ml is None and fit.df >= 2:
        error, df, source = fit.s, float(fit.df), "looks"
    else:
        error = math.sqrt(2) * (READING_ML if reading_ml is None else reading_ml)
        df, source = math.inf, "stated"
    value = float(fit.beta[0])
    parts = [(error**2 * float(fit.cov1[0, 0]), df)]
    # What is not known of the counts may lie anywhere between its bounds.
    unknown = fit.rows[0] * value * np.array([one.half_counts for one in own])
    parts.append((float((unknown**2).sum()) / 3, math.inf))
    if not wide:  # the wear is not seen yet, but it is there
        lag = float((counts**2 * away).sum() / (counts**2).sum())
        parts.append(((value * WEAR_L * lag) ** 2, math.inf))
    half = regression.quantile(confidence, regression.combined_df(parts))
    half *= math.sqrt(sum(variance for variance, _ in parts))
    q = regression.quantile(confidence, df)
    trend = None
    if wide and value > 0:
        slope = 100 * float(fit.beta[1]) / value
        reach = 100 * q * error * math.sqrt(float(fit.cov1[1, 1])) / value
        trend = Range(slope, slope - reach, slope + reach)
    per_count = Range(value, value - half, value + half)
    return per_count, trend, error / math.sqrt(2), source


def _due(off: Range, trend: Range | None, error_pct: float) -> float | None:
    """Litres until the delivery may be off by error_pct, at the far end of both intervals; 0.0:
    it may be now; None: it does not come nearer."""
    if trend is None:
        return 0.0 if max(abs(off.low), abs(off.high)) >= error_pct else None
    found: list[float] = []
    for edge, slope, side in ((off.low, trend.low, -1), (off.high, trend.high, 1)):
        if edge * side >= error_pct:
            return 0.0
        if slope * side > 0:
            found.append((error_pct * side - edge) / slope)
    return min(found, default=None)
