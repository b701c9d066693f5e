"""Warnings: what a valid set-up is better without, and cautions where somebody could be hurt.

Nothing here stops a command. Each warning says what could happen and what answers it.
"""

from __future__ import annotations

import datetime
import zoneinfo
from typing import Any

from aliquot.core.decimals import date_of_text, text_of
from aliquot.core.plan import day_ul
from aliquot.core.setup import channel as compiled
from aliquot_host import zones
from aliquot_host.errors import Problem
from aliquot_host.setup_file import Loaded
from aliquot_host.spelling import kept

Data = dict[str, Any]

RESERVOIR_LEAST_DAYS = 14
CAP_MOST_TIMES = 3
AHEAD_DAYS = 400
COUNTS_PER_ML = (5, 500000)
# What `aliquot new` writes until the pump has been measured: a round figure, to be told apart.
NOMINAL = (12000, 10000)

# Words in the names of liquids. Carbonate falls out as a solid where it meets calcium or magnesium
# (Moras et al. 2022, Biogeosciences 19:3537; Ringham et al. 2024, Biogeosciences 21:3551).
ALKALINE = ("alk", "alkal", "carbonate", "kh", "dkh", "soda", "hydroxide", "lye", "kalk")
HARD = ("ca", "cal", "calc", "mg", "magnes", "strontium")
CAUSTIC = ("hydroxide", "lye", "caustic", "kalk")
SHORT_MOST = 3

CAUTIONS = (
    "Delivery is commanded, not verified: nothing here senses a blocked line, air, an empty "
    "container or a siphon. Keep the outlets above the water, with a siphon break.",
    "Salt water and mains do not go together: a low-voltage supply behind a residual-current "
    "device, and a drip loop in every cable.",
)
CAUSTIC_CAUTION = (
    "Strong alkali ({}): goggles and gloves, add it to water and never the other way round, "
    "and keep it from children. In the eyes, rinse with water for minutes and call a doctor."
)


def warnings(loaded: Loaded, today: datetime.date) -> list[Problem]:
    """Every warning about a set-up, in its order."""
    found = _zone(loaded, today)
    date = date_of_text(today.isoformat())
    if not loaded.data["board"]:
        found.append(_warn(loaded, "board", None, "", "Name the board before you load this."))
    for i, channel in enumerate(loaded.data["channel"]):
        found += _plan(loaded, channel, f"channel.{i}", date)
        found += _calibration(loaded, channel, f"channel.{i}")
        found += _reservoir(loaded, channel, f"channel.{i}", date)
    return found + _reactions(loaded)


def cautions(data: Data) -> list[str]:
    """What a person should be told before work with this set-up."""
    said: list[str] = [*CAUTIONS]
    caustic = [c["liquid"] or c["id"] for c in data["channel"] if _named(c, CAUSTIC)]
    if caustic:
        said.append(CAUSTIC_CAUTION.format(", ".join(caustic)))
    return said


def mean_daily_ul(channel: Data, date: int) -> int:
    """What a channel gives on a day on average, over the coming four weeks."""
    made = compiled(channel)
    return sum(day_ul(made, date + i, []) for i in range(28)) // 28


def days_left(channel: Data, date: int) -> int | None:
    """How many days what can be drawn from the reservoir lasts; None without an end."""
    tank = channel["reservoir"]
    daily_ul = mean_daily_ul(channel, date)
    if not tank or not daily_ul:
        return None
    return max(0, tank["left_ul"] - tank["dead_ul"]) // daily_ul


def reacting(data: Data) -> list[tuple[str, str]]:
    """Pairs of channels whose liquids are known to react, by their names."""
    alkaline = [c["id"] for c in data["channel"] if _named(c, ALKALINE)]
    hard = [c["id"] for c in data["channel"] if _named(c, HARD) and c["id"] not in alkaline]
    return [(a, b) for a in alkaline for b in hard]


def _named(channel: Data, words: tuple[str, ...]) -> bool:
    """Whether a word of the channel's names begins with one of `words`, or is a short one."""
    text = f"{channel['id']} {channel['label']} {channel['liquid']}".lower()
    found = "".join(c if c.isalpha() else " " for c in text).split()
    return any(
        part == word or (len(word) > SHORT_MOST and part.startswith(word))
        for word in words
        for part in found
    )


def _warn(loaded: Loaded, path: str, value: object, limit: str, advice: str) -> Problem:
    return Problem(loaded.shown(path), value, "", limit, advice, "warning")


def _zone(loaded: Loaded, today: datetime.date) -> list[Problem]:
    """A rule that is not the zone's own, or no longer: where it came with the file."""
    name, text = loaded.data["timezone"], loaded.data["tz"]
    until = today.replace(year=today.year + zones.YEARS, day=min(today.day, 28))
    difference = zones.compare(text, zoneinfo.ZoneInfo(name), today, until)
    if difference is None:
        return []
    limit = f"the clock of {name} for {zones.YEARS} years"
    advice = f"{difference.text()} Doses come at the wrong hour then, never twice."
    return [_warn(loaded, "tz", text, limit, advice)]


def _plan(loaded: Loaded, channel: Data, where: str, date: int) -> list[Problem]:
    found: list[Problem] = []
    made = compiled(channel)
    days = [day_ul(made, date + i, []) for i in range(AHEAD_DAYS)]
    fullest = max(days)
    if not fullest:
        advice = (
            "It gives nothing on any of these days: look at daily_ml, weekdays and start_date."
        )
        found.append(_warn(loaded, where, None, f"the coming {AHEAD_DAYS} days", advice))
    elif channel["cap_ul"] > CAP_MOST_TIMES * fullest:
        limit = f"about {CAP_MOST_TIMES} times the fullest day, {text_of(fullest)} mL"
        advice = "A cap this far above the day would let a slip through: lower it."
        shown = f"{text_of(channel['cap_ul'])} ({kept('ml', channel['cap_ul'])})"
        found.append(_warn(loaded, f"{where}.cap_ul", shown, limit, advice))
    catch_up = channel["catch_up"]
    if fullest and not (catch_up["raise_pct"] and catch_up["max_age_s"] and catch_up["max_ul"]):
        advice = "What is missed is never given back. If that is meant, all is well."
        found.append(_warn(loaded, f"{where}.catch_up", None, "", advice))
    return found


def _calibration(loaded: Loaded, channel: Data, where: str) -> list[Problem]:
    cal = channel["calibration"]
    shown = f"{cal['counts']} counts for {text_of(cal['ul'])} mL"
    low, high = COUNTS_PER_ML
    if (cal["counts"], cal["ul"]) == NOMINAL:
        advice = "This is a round figure, not a measurement: measure the pump before you dose."
        return [_warn(loaded, f"{where}.calibration", shown, "", advice)]
    if not low * cal["ul"] <= cal["counts"] * 1000 <= high * cal["ul"]:
        limit = f"{low} to {high} counts/mL"
        advice = "No pump of this kind is usual: look for a slip in counts or ml."
        return [_warn(loaded, f"{where}.calibration", shown, limit, advice)]
    return []


def _reservoir(loaded: Loaded, channel: Data, where: str, date: int) -> list[Problem]:
    tank = channel["reservoir"]
    at = f"{where}.reservoir"
    if not tank:
        advice = "Without its size nobody is told before the container is empty: add reservoir."
        return [_warn(loaded, at, None, "", advice)]
    found: list[Problem] = []
    low_ul = tank["size_ul"] * tank["low_pct"] // 100
    if low_ul <= tank["dead_ul"]:
        limit = f"more than the {text_of(tank['dead_ul'])} mL that cannot be drawn"
        advice = "It would be called low when nothing comes any more: raise low_pct."
        found.append(_warn(loaded, f"{at}.low_pct", tank["low_pct"], limit, advice))
    left = days_left(channel, date)
    if left is not None and left < RESERVOIR_LEAST_DAYS:
        limit = f"{RESERVOIR_LEAST_DAYS} days"
        advice = "Fill it, or take a larger one, before you go away."
        found.append(_warn(loaded, at, f"lasts {left} days", limit, advice))
    return found


def _reactions(loaded: Loaded) -> list[Problem]:
    data = loaded.data
    apart = [set(pair["channels"]) for pair in data["separate"]]
    found: list[Problem] = []
    for a, b in reacting(data):
        if {a, b} not in apart:
            advice = (
                "Carbonate and calcium or magnesium fall out as a solid where they meet "
                "undiluted: keep them apart with [[separate]]."
            )
            found.append(_warn(loaded, "separate", f"{a} and {b}", "some minutes apart", advice))
    return found
