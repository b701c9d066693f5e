"""From dated tests and what went in meanwhile to the tank's use a day, with its interval.

One well-mixed volume: use lowers a value evenly, what went in raises it by volume times strength,
a water change mixes in new water. Then every test is linear in the value at the first test and in
the use, and least squares gives both. It cannot see a kit that drifts: that looks like use. Where
tests do not fit such a line it says so, and does not give a narrow interval.
"""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Callable, Sequence

import numpy as np
from scipy import stats

from aliquot_host import chemistry, regression
from aliquot_host.regression import SURE, Array, Fit
from aliquot_host.water_tests import Change, Reading

BREAKS_MOST = 3
# Tests on each side of a break; fewer cannot tell a break from an odd test.
SIDE_LEAST = 3
TESTS_MOST = 400
FEW = 4
NEAR_PCT = 10
# Tests at hours so far apart see the day's own rise and fall (common practice).
HOURS_APART = 4


@dataclasses.dataclass(frozen=True)
class Dose:
    """What a run may have raised a value by. at_d: when it ended; low and high bound."""

    at_d: float
    low: float
    high: float


@dataclasses.dataclass(frozen=True)
class Settings:
    """What the keeper states. kit_error: standard deviation of one test, None: from the tests.

    confidence in percent. intake_pct: standard deviation of the true volumes against the
    calibration, the same for all doses. volume_l: 0 unknown. salinity: to which values are
    corrected, 0: the mean of the tests. hour, when: local hour, and words, of a day count.
    origin_d: where the line's intercept is told, None: at the first test."""

    confidence: float = 95.0
    kit_error: float | None = None
    intake_pct: float = 1.0
    volume_l: float = 0.0
    salinity: float = 0.0
    hour: Callable[[float], float] = lambda at_d: at_d % 1 * 24
    when: Callable[[float], str] = lambda at_d: f"day {at_d:.4g}"
    origin_d: float | None = None


@dataclasses.dataclass(frozen=True)
class Range:
    """A value with its interval."""

    value: float
    low: float
    high: float

    @property
    def half(self) -> float:
        """Half the interval's width."""
        return (self.high - self.low) / 2


@dataclasses.dataclass(frozen=True)
class Break:
    """Where the tests leave one line. kind: `rate` (the use changed) or `step` (the value did).

    before, after: use a day on both sides of a rate; size: of a step. chance: that errors alone
    look so."""

    kind: str
    at_d: float
    size: float
    chance: float


@dataclasses.dataclass(frozen=True)
class Warned:
    """Something that the estimate rests on and that does not hold: a word, and a sentence."""

    word: str
    text: str


@dataclasses.dataclass
class Estimate:
    """The use of one value a day, in its unit, and all that it rests on.

    use: with the interval of `confidence`; standard_error: of the tests alone. slope and
    intercept (at origin_d) of the tests less what went in, with standard errors; without breaks
    use is minus the slope. level: at last_d; level_error, level_use_cov: by
    the tests alone. level_by_intake, use_by_intake: how far they move where every dose was twice
    as large; intake_pct: how far doses may be off. sigma: error of one test, `kit` or `tests` by
    sigma_from. added: a day, by doses."""

    water: str
    unit: str
    n: int
    first_d: float
    last_d: float
    confidence: float
    use: Range
    standard_error: float
    df: float
    sigma: float
    sigma_from: str
    slope: float
    intercept: float
    origin_d: float
    slope_error: float
    intercept_error: float
    theil_sen: Range
    level: Range
    level_error: float
    level_use_cov: float
    level_by_intake: float
    use_by_intake: float
    added: float
    intake_pct: float
    breaks: list[Break]
    warnings: list[Warned]
    more_tests: int | None
    times: list[float]
    values: list[float]
    fitted: list[float]
    without: list[float]


@dataclasses.dataclass
class _Mixing:
    """The tests as linear in the first level and the use: y = a L0 - b u + known.

    dosed: what of `known` the doses gave. spread: of each test and each uncertain run, half of
    what is not known (n x m). marks: the columns of a step at a time, and of more use from then
    on."""

    a: Array
    b: Array
    known: Array
    dosed: Array
    spread: Array
    marks: Callable[[float], tuple[Array, Array]]


def estimate(
    water: str,
    unit: str,
    readings: Sequence[Reading],
    doses: Sequence[Dose],
    changes: Sequence[Change],
    lost: Sequence[float] = (),
    settings: Settings | None = None,
) -> Estimate:
    """The use of one value a day.

    readings: two or more, at two times or more, in the order of time; doses too. lost: times at
    which something unknown may have gone in. ValueError: too few tests."""
    s = settings or Settings()
    warned: list[Warned] = []
    t = np.array([reading.at_d for reading in readings])
    if len(readings) < 2 or t[-1] <= t[0]:
        raise ValueError("two tests at two times are the least")
    y = _at_one_salinity(readings, s, warned)
    mixing = _mix(water, t, doses, changes, s, warned)
    X, names = _columns(mixing, readings, lost, t, warned)
    seen = y - mixing.known
    try:
        found = regression.fit(X, seen)
    except ValueError:
        raise ValueError("the tests do not tell use and steps apart: test more often") from None
    line = _Line(found, np.array([float(name == "use") for name in names]))
    lines, breaks = _broken(line, seen, mixing, t, s)
    told = _Telling(water, unit, readings, t, y, mixing, names, lines, breaks, s, warned)
    return told.estimate(line)


def _at_one_salinity(readings: Sequence[Reading], s: Settings, warned: list[Warned]) -> Array:
    """Values as they would be at one salinity: evaporation concentrates all salts alike."""
    y = np.array([reading.value for reading in readings])
    salty = np.array([reading.salinity for reading in readings])
    if not salty.any():
        return y
    if not salty.all():
        warned.append(
            Warned("salinity", "Not every test has a salinity: none is corrected by it.")
        )
        return y
    return y * (s.salinity or float(salty.mean())) / salty


def _mix(
    water: str,
    t: Array,
    doses: Sequence[Dose],
    changes: Sequence[Change],
    s: Settings,
    warned: list[Warned],
) -> _Mixing:
    """Follow the water from the first test on."""
    n = len(t)
    within = [change for change in changes if t[0] < change.at_d <= t[-1]]
    left, fresh, when = _mixed(water, within, s, warned)

    def after(start_d: float, stop_d: Array) -> Array:
        """What is left at the stops of something that was there at the start."""
        factor = np.ones(n)
        for at_d, part in zip(when, left, strict=True):
            factor[(stop_d >= at_d) & (start_d < at_d)] *= part
        return factor

    a = after(t[0], t)

    def marks(at_d: float) -> tuple[Array, Array]:
        """Columns of a step at a time, and of more use from then on."""
        step = np.where(t > at_d, after(at_d, t), 0.0)
        edges = [at_d, *[w for w in when if w > at_d]]
        more = np.zeros(n)
        for begin, end in zip(edges, [*edges[1:], math.inf], strict=True):
            length = np.clip(np.minimum(t, end) - begin, 0.0, None)
            more += length * np.where(t > begin, after(max(begin, at_d), t), 0.0)
        return step, more

    b = marks(t[0])[1]
    known, dosed = np.zeros(n), np.zeros(n)
    for at_d, value, part in zip(when, fresh, left, strict=True):
        known += np.where(t >= at_d, after(at_d, t) * value * (1 - part), 0.0)
    open_doses = [d for d in doses if d.high > d.low and t[0] < d.at_d <= t[-1]]
    spread = np.zeros((n, len(open_doses)))
    for j, dose in enumerate(open_doses):
        spread[:, j] = (
            np.where(t >= dose.at_d, after(dose.at_d, t), 0) * (dose.high - dose.low) / 2
        )
    edges = [float(t[0]), *when, math.inf]
    at = np.array([d.at_d for d in doses])
    middle = np.array([(d.low + d.high) / 2 for d in doses])
    for begin, end in itertools.pairwise(edges):
        inside = (at > begin) & (at <= end) if doses else np.zeros(0, bool)
        if inside.any():
            total = np.concatenate([[0.0], np.cumsum(middle[inside])])
            share = total[np.searchsorted(at[inside], t, side="right")]
            dosed += share * np.where(t > begin, after(begin, t), 0.0)
    return _Mixing(a, b, known + dosed, dosed, spread, marks)


def _mixed(
    water: str, changes: Sequence[Change], s: Settings, warned: list[Warned]
) -> tuple[list[float], list[float], list[float]]:
    """Of each water change: what part of the old water stays, the new water's value, when."""
    left: list[float] = []
    fresh: list[float] = []
    when: list[float] = []
    for change in changes:
        if not s.volume_l or water not in change.values:
            continue
        left.append(max(0.0, 1 - change.litres / s.volume_l))
        fresh.append(change.values[water])
        when.append(change.at_d)
    if len(left) < len(changes):
        why = "the tank's volume" if not s.volume_l else f"the new water's {water}"
        text = f"A water change without {why} is taken for a step of unknown size."
        warned.append(Warned("water change", text))
    return left, fresh, when


def _columns(
    mixing: _Mixing,
    readings: Sequence[Reading],
    lost: Sequence[float],
    t: Array,
    warned: list[Warned],
) -> tuple[Array, list[str]]:
    """The design: first level, use, a step where something unknown went in, one for each kit."""
    columns = [mixing.a, -mixing.b]
    names = ["level", "use"]
    for at_d in sorted(set(lost)):
        if t[0] <= at_d < t[-1]:
            columns.append(mixing.marks(at_d)[0])
            names.append("lost")
    kits = list(dict.fromkeys(reading.kit for reading in readings))
    for kit in kits[1:]:
        columns.append(np.array([float(reading.kit == kit) for reading in readings]))
        names.append(f"kit {kit}")
    unique: list[Array] = []
    kept: list[str] = []
    for column, name in zip(columns, names, strict=True):
        if not any(np.array_equal(column, other) for other in unique):
            unique.append(column)
            kept.append(name)
    return np.column_stack(unique), kept


@dataclasses.dataclass(frozen=True)
class _Line:
    """A fit, and the weights by which its parameters make the use of today."""

    fit: Fit
    use: Array


def _broken(
    line: _Line, seen: Array, mixing: _Mixing, t: Array, s: Settings
) -> tuple[list[_Line], list[Break]]:
    """Add a break where the tests clearly leave the line, most telling one first.

    Returns the line, then those with the last break of the rate elsewhere that the tests allow
    as well; and the breaks."""
    candidates = _candidates(mixing, t)
    plain = line.fit
    taken: list[tuple[str, float, Array, float]] = []
    while candidates and len(taken) < BREAKS_MOST and line.fit.df > FEW:
        best = regression.best_of(line.fit, np.column_stack([c for _, _, c in candidates]))
        if best is None or best.chance > SURE:
            break
        kind, place, column = candidates[best.index]
        taken.append((kind, place, column, best.chance))
        line = _with(plain, line.use[: plain.X.shape[1]], [c[:3] for c in taken], seen)
    base = plain.X.shape[1]
    breaks = [
        Break(kind, place, float(line.fit.beta[base + i]), chance)
        for i, (kind, place, _, chance) in enumerate(taken)
    ]
    lines = [line]
    rates = [i for i, one in enumerate(breaks) if one.kind == "rate"]
    if rates:
        last = max(rates, key=lambda i: breaks[i].at_d)
        others = [c[:3] for i, c in enumerate(taken) if i != last]
        q = regression.quantile(s.confidence, line.fit.df)
        most = line.fit.rss * (1 + q**2 / line.fit.df)
        for one in candidates:
            if one[0] == "rate":
                other = _with(plain, line.use[:base], [*others, one], seen)
                lines += [other] if other.fit.rss <= most else []
    return lines, breaks


def _candidates(mixing: _Mixing, t: Array) -> list[tuple[str, float, Array]]:
    """Every break that could be seen: between two tests, with some on both sides."""
    found: list[tuple[str, float, Array]] = []
    for i in range(SIDE_LEAST - 1, len(t) - SIDE_LEAST):
        if t[i + 1] > t[i]:
            place = float(t[i] + t[i + 1]) / 2
            step, more = mixing.marks(place)
            found += [("step", place, step), ("rate", place, -more)]
    return found


def _with(plain: Fit, use: Array, added: Sequence[tuple[str, float, Array]], seen: Array) -> _Line:
    """The fit with further columns; one that cannot be told from the others is given no weight."""
    columns = [plain.X, *[column[:, None] for _, _, column in added]]
    weights = np.concatenate([use, [float(kind == "rate") for kind, _, _ in added]])
    try:
        return _Line(regression.fit(np.hstack(columns), seen), weights)
    except ValueError:
        worst = dataclasses.replace(plain, rss=math.inf)
        return _Line(worst, use)


@dataclasses.dataclass
class _Telling:
    """Turns fits into an estimate and what is to be said about it."""

    water: str
    unit: str
    readings: Sequence[Reading]
    t: Array
    y: Array
    mixing: _Mixing
    names: list[str]
    lines: list[_Line]
    breaks: list[Break]
    s: Settings
    warned: list[Warned]

    def warn(self, word: str, text: str) -> None:
        self.warned.append(Warned(word, text))

    def estimate(self, plain: _Line) -> Estimate:
        """All of it."""
        fit, n = self.lines[0].fit, len(self.t)
        sigma, df, source = self._error(fit)
        stretch = self._lag(fit)
        ranges = [self._range(line, sigma * stretch, df) for line in self.lines]
        value = ranges[0].value
        use = Range(value, min(r.low for r in ranges), max(r.high for r in ranges))
        standard_error = sigma * stretch * _size(fit, self.lines[0].use)
        last = fit.X[-1].copy()
        last[[i for i, name in enumerate(self.names) if name.startswith("kit")]] = 0.0
        moved = self._moved(fit, last) + self.mixing.dosed[-1]
        level = float(last @ fit.beta + self.mixing.known[-1])
        own, intake = sigma * stretch * _size(fit, last), moved * self.s.intake_pct / 100
        parts = [(own**2, df), (intake**2, math.inf)]
        half = regression.quantile(self.s.confidence, regression.combined_df(parts))
        half *= math.hypot(own, intake)
        without = self.y - self.mixing.known
        self._judge(fit, use)
        length = float(self.t[-1] - self.t[0])
        origin = float(self.t[0]) if self.s.origin_d is None else self.s.origin_d
        at_origin = np.zeros(len(plain.use))
        at_origin[:2] = 1.0, self.t[0] - origin
        return Estimate(
            water=self.water,
            unit=self.unit,
            n=n,
            first_d=float(self.t[0]),
            last_d=float(self.t[-1]),
            confidence=self.s.confidence,
            use=use,
            standard_error=standard_error,
            df=df,
            sigma=sigma,
            sigma_from=source,
            slope=-float(plain.use @ plain.fit.beta),
            intercept=float(at_origin @ plain.fit.beta),
            origin_d=origin,
            slope_error=sigma * _size(plain.fit, plain.use),
            intercept_error=sigma * _size(plain.fit, at_origin),
            theil_sen=self._theil_sen(fit, use),
            level=Range(level, level - half, level + half),
            level_error=own,
            level_use_cov=float(last @ fit.cov1 @ self.lines[0].use) * (sigma * stretch) ** 2,
            level_by_intake=moved,
            use_by_intake=self._moved(fit, self.lines[0].use),
            added=float(self.mixing.dosed[-1]) / length,
            intake_pct=self.s.intake_pct,
            breaks=self.breaks,
            warnings=self.warned,
            more_tests=self._more(use, sigma * stretch, df),
            times=[float(at) for at in self.t],
            values=[float(value) for value in self.y],
            fitted=[float(value) for value in fit.X @ fit.beta + self.mixing.known],
            without=[float(value) for value in without],
        )

    def _error(self, fit: Fit) -> tuple[float, float, str]:
        """(error of one test, degrees of freedom, where it comes from)."""
        stated = self.s.kit_error
        if stated is None:
            if fit.df < 1:
                raise ValueError("so few tests need the kit's error: --kit-error")
            if fit.df < FEW:
                self.warn("few", "So few tests give a wide interval: test more often.")
            return fit.s, float(fit.df), "tests"
        if fit.df > 0:
            ratio = fit.rss / stated**2
            if float(stats.chi2.sf(ratio, fit.df)) < SURE:
                text = (
                    f"The tests scatter by {fit.s:.3g} {self.unit}, more than the stated error of "
                    f"{stated:.3g}: the scatter is taken."
                )
                self.warn("scatter", text.replace("  ", " "))
                return fit.s, float(fit.df), "tests"
        return stated, math.inf, "kit"

    def _moved(self, fit: Fit, weights: Array) -> float:
        """How much a parameter moves where every dose was twice as large."""
        return -float(weights @ fit.rows @ self.mixing.dosed)

    def _range(self, line: _Line, sigma: float, df: float) -> Range:
        fit, w = line.fit, line.use
        value = float(w @ fit.beta)
        own = (sigma * _size(fit, w)) ** 2
        intake = (self._moved(fit, w) * self.s.intake_pct / 100) ** 2
        # Power goes at any moment of a run alike: a rectangular error between its two bounds
        # (GUM, JCGM 100:2008, 4.3.7).
        cut = float(((w @ fit.rows @ self.mixing.spread) ** 2).sum()) / 3
        parts = [(own, df), (intake + cut, math.inf)]
        q = regression.quantile(self.s.confidence, regression.combined_df(parts))
        half = q * math.sqrt(own + intake + cut)
        return Range(value, value - half, value + half)

    def _lag(self, fit: Fit) -> float:
        """By how much the errors are larger because tests are like the ones before."""
        r, chance = regression.lag(fit)
        if chance > SURE or r <= 0:
            return 1.0
        text = (
            "Each test is like the one before it: they are fewer than they look, and the interval "
            "is made wider. A slow change, or one sample tested twice?"
        )
        self.warn("lag", text)
        r = min(r, 0.9)
        return math.sqrt((1 + r) / (1 - r))

    def _theil_sen(self, fit: Fit, use: Range) -> Range:
        """The median of pairs, of the tests after the last break of the rate."""
        others = [i for i in range(fit.X.shape[1]) if i not in (0, self.names.index("use"))]
        free = self.y - self.mixing.known - fit.X[:, others] @ fit.beta[others]
        x, y = self.mixing.b / self.mixing.a, free / self.mixing.a
        rates = [one.at_d for one in self.breaks if one.kind == "rate"]
        if rates:  # the use after it is in the slope again
            y = y + (fit.X[:, others] @ (fit.beta[others] * self.lines[0].use[others]))
            keep = self.t > max(rates)
            x, y = x[keep], y[keep]
        slope, low, high, _ = regression.theil_sen(x, y, self.s.confidence)
        found = Range(-slope, -high, -low)
        if len(x) >= 2 * FEW and not found.low <= use.value <= found.high:
            text = (
                f"The median of all pairs of tests gives {found.value:.3g} {self.unit} a day, "
                "and least squares something else: look at single tests."
            )
            self.warn("median", text)
        return found

    def _more(self, use: Range, sigma: float, df: float) -> int | None:
        """How many more tests, at the spacing so far, bring the interval to a tenth of the use."""
        rates = [one.at_d for one in self.breaks if one.kind == "rate"]
        t = self.t[self.t > max(rates)] if rates else self.t
        wanted = abs(use.value) * NEAR_PCT / 100
        gap = float(np.median(np.diff(np.unique(t)))) if len(np.unique(t)) > 1 else 1.0
        intake = self._moved(self.lines[0].fit, self.lines[0].use) * self.s.intake_pct / 100
        if use.half <= wanted:
            return 0
        for more in range(1, TESTS_MOST + 1):
            at = np.concatenate([t, t[-1] + gap * np.arange(1, more + 1)])
            own = sigma**2 / float(((at - at.mean()) ** 2).sum())
            parts = [(own, df + more), (intake**2, math.inf)]
            q = regression.quantile(self.s.confidence, regression.combined_df(parts))
            if q * math.sqrt(own + intake**2) <= wanted:
                return more
        return None

    def _judge(self, fit: Fit, use: Range) -> None:
        """Say what does not hold."""
        for one in self.breaks:
            at = self.s.when(one.at_d)
            if one.kind == "rate":
                word = "rose" if one.size > 0 else "fell"
                text = (
                    f"The use {word} by {abs(one.size):.3g} {self.unit} a day around {at}: only "
                    "what came after it counts."
                )
            else:
                text = (
                    f"The value jumped by {one.size:+.3g} {self.unit} around {at}: a new kit or "
                    "bottle, a water change or an addition that nobody wrote down? It is "
                    "left out of the use."
                )
            self.warn(one.kind, text)
        if "lost" in self.names:
            text = "Records are missing: what went in there is taken for a step of unknown size."
            self.warn("lost", text)
        kits = [i for i, name in enumerate(self.names) if name.startswith("kit ")]
        for i in kits:
            text = (
                f"Kit {self.names[i][4:]} reads {fit.beta[i]:+.3g} {self.unit} against the first "
                "one: which of them is right is not known from the tests."
            )
            self.warn("kit bias", text)
        index, chance = regression.outlier(fit)
        if chance < SURE:
            text = (
                f"The test of {self.s.when(float(self.t[index]))}, {self.y[index]:.4g} "
                f"{self.unit}, stands out: was it a slip? "
                "It is kept."
            )
            self.warn("outlier", text)
        hours = np.array([self.s.hour(float(at)) for at in self.t])
        angle = np.exp(2j * math.pi * hours / 24)
        spread = 24 / (2 * math.pi) * np.abs(np.angle(angle / angle.mean())).max()
        if spread > HOURS_APART / 2 and self.unit:
            text = (
                f"Tests are up to {2 * spread:.0f} hours apart in the day: alkalinity rises and "
                "falls with the light. Test at the same hour."
            )
            self.warn("hours", text)
        if float(self.y.min()) <= 0:
            text = "A test reads nothing at all: below what a kit can see, the use looks smaller."
            self.warn("floor", text)
        if use.low <= 0 <= use.high:
            text = "The interval holds 0: whether any is used is not known yet."
            self.warn("none", text)
        elif use.value < 0:
            text = (
                "The value rises by itself: something goes in that is not written down, or the "
                "pump gives more than its calibration says."
            )
            self.warn("rises", text)


def _size(fit: Fit, weights: Array) -> float:
    """Standard error of weighted parameters, for an error of 1."""
    return math.sqrt(max(0.0, float(weights @ fit.cov1 @ weights)))


@dataclasses.dataclass(frozen=True)
class Ratio:
    """Calcium used beside alkalinity used: what calcification takes, and what the tests say.

    expected: mg/L of calcium a day for the alkalinity's use; agrees: the two intervals meet."""

    expected: Range
    calcium: Range
    agrees: bool
    text: str


def calcium_beside(alkalinity: Estimate, calcium: Estimate) -> Ratio:
    """Compare two uses with what calcification takes (2 equivalents with 1 mole of calcium)."""
    factor = chemistry.CA_MG_PER_DKH * chemistry.to_dkh(1.0, alkalinity.unit)
    use = alkalinity.use
    expected = Range(use.value * factor, use.low * factor, use.high * factor)
    own = calcium.use
    agrees = own.low <= expected.high and expected.low <= own.high
    beside = f"{own.value:.3g} mg/L of calcium a day beside {expected.value:.3g}"
    if agrees:
        text = f"Calcium fits alkalinity: {beside} that calcification takes."
    elif own.value < expected.value:
        text = (
            f"Calcium does not fit alkalinity: {beside}. More alkalinity is used than corals "
            "take: chalk that falls out, nitrification, or a biased kit."
        )
    else:
        text = (
            f"Calcium does not fit alkalinity: {beside}. Alkalinity comes from elsewhere "
            "(denitrification, water changes), or a kit is biased."
        )
    return Ratio(expected, own, agrees, text)
