"""What a set-up means in words and numbers that people compare: volumes, times, limits.

`check` shows it, `diff` sets two of them side by side. Everything here reads valid canonical data.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Hashable
from fractions import Fraction
from typing import Any

from aliquot.core.decimals import date_text, text_of, time_text
from aliquot.core.layout import largest_ul
from aliquot.core.plan import count, volumes
from aliquot.core.setup import channel as compiled
from aliquot_host import spelling

Data = dict[str, Any]


@dataclasses.dataclass(frozen=True)
class Item:
    """One thing a set-up says. Two are the same when their keys are; `text` is for people."""

    what: str
    text: str
    key: Hashable = None

    @property
    def same_as(self) -> Hashable:
        """What decides whether two items mean the same."""
        return self.text if self.key is None else self.key


def ml(ul: int) -> str:
    """Microlitres as "36.5 mL"."""
    return text_of(ul) + " mL"


def whole(data: Data) -> list[Item]:
    """What the set-up says outside its channels."""
    tank = data["tank"]
    items = [
        Item("time zone", f"{data['timezone']} ({data['tz']})"),
        Item("board", data["board"] or "not said"),
        Item("tank", f"{text_of(tank['volume_ml'])} litres" if tank else "not said"),
        Item("without a clock", _carry_on(data["clock"]["carry_on_s"])),
        Item("order of channels", ", ".join(channel["id"] for channel in data["channel"])),
    ]
    waters: list[Data] = tank["water"] if tank else []
    for water in waters:
        start, use = text_of(water["start_micro"], 6), text_of(water["use_micro"], 6)
        text = f"{start} {water['unit']}, {use} used a day"
        items.append(Item(f"water: {water['name']}", text))
    for pair in data["separate"]:
        names = " and ".join(sorted(pair["channels"]))
        items.append(Item(f"{names} apart", minutes(pair["seconds"])))
    for group in data["group"]:
        names = " + ".join(sorted(group["channels"]))
        items.append(Item(f"{names} together", f"at most {ml(group['cap_ul'])} in any 24 h"))
    return items


def _carry_on(seconds: int) -> str:
    return f"go on after {hours(seconds)}" if seconds else "hold until it is set"


def minutes(seconds: int) -> str:
    """1200 as "20 min"."""
    return f"{spelling.amount('min', seconds)} min"


def hours(seconds: int) -> str:
    """5400 as "1.5 h"."""
    text = spelling.amount("h", seconds)
    return text if ":" in text else f"{text} h"


def channel(c: Data) -> list[Item]:
    """What one channel says."""
    cal, pump, catch_up, remind = c["calibration"], c["pump"], c["catch_up"], c["remind"]
    per_ml = Fraction(cal["counts"] * 1000, cal["ul"])
    speed = Fraction(pump["speed_cps"] * 60 * cal["ul"], cal["counts"] * 1000)
    return [
        Item("name", " / ".join(filter(None, (c["label"], c["liquid"]))) or "not said"),
        Item("a day", ml(c["daily_ul"])),
        Item("doses", doses(c), _dose_key(c)),
        Item("times", times(c), None if c["at"] else (c["from_s"], c["span_s"])),
        Item("days", days(c)),
        Item("ramp", _ramp(c)),
        Item("cap", f"{ml(c['cap_ul'])} in any 24 h"),
        Item("smallest dose", ml(c["dose_least_ul"])),
        Item("largest dose", ml(c["dose_most_ul"])),
        Item("longest run", f"{c['run_most_s']} s"),
        Item("grace", minutes(c["grace_s"])),
        Item(
            "calibration",
            f"{float(per_ml):.6g} counts/mL ({cal['counts']} for {ml(cal['ul'])})"
            + _offset(cal["offset"]),
            (per_ml, cal["offset"]),
        ),
        Item("pump", _pump(pump, float(speed)), tuple(sorted(pump.items()))),
        Item("reservoir", _reservoir(c["reservoir"])),
        Item("catch-up", _catch_up(catch_up)),
        Item("reminders", _reminders(remind)),
        Item("strength", _strength(c["strength"])),
    ]


def doses(c: Data) -> str:
    """The doses of an ordinary day: "24 of 1.521 mL", or the listed ones."""
    made = compiled(c)
    if made.at:
        return ", ".join(f"{time_text(at)} {ml(ul)}" for at, ul in volumes(made, made.daily_ul))
    n = count(made, made.daily_ul)
    return f"{n} of {ml(largest_ul(made, made.daily_ul))}" if n else "none"


def _dose_key(c: Data) -> Hashable:
    made = compiled(c)
    listed = volumes(made, made.daily_ul) if made.at else count(made, made.daily_ul)
    return (c["daily_ul"], listed)


def times(c: Data) -> str:
    """When the doses of an ordinary day fall."""
    made = compiled(c)
    if made.at:
        listed = volumes(made, made.daily_ul)
        return f"{len(listed)} listed" if listed else "none"
    n = count(made, made.daily_ul)
    if n < 2:
        return f"at {time_text(c['from_s'])}" if n else "none"
    last = (c["from_s"] + (n - 1) * c["span_s"] // n) % 86400
    every = Fraction(c["span_s"], n * 60)
    gap = f"{float(every):.4g} min" if every < 120 else f"{float(every / 60):.4g} h"
    return f"{time_text(c['from_s'])} to {time_text(last // 60 * 60)}, every {gap}"


def days(c: Data) -> str:
    """The days on which the channel gives."""
    text = spelling.amount("weekdays", c["weekdays"])
    if c["every_days"] > 1:
        each = f"every {c['every_days']} days"
        text = each if text == "every day" else f"{each}, only on {text}"
    return text + (f" from {date_text(c['start_date'])}" if c["start_date"] is not None else "")


def _ramp(c: Data) -> str:
    ramp = c["ramp"]
    if not ramp:
        return "none"
    start = date_text(ramp["start_date"])
    return f"from {ml(ramp['from_ul'])} on {start} to {ml(c['daily_ul'])} in {ramp['days']} days"


def _offset(ms: int) -> str:
    return f", {ms} ms dead time" if ms else ""


def _pump(pump: Data, ml_per_min: float) -> str:
    text = f"output {pump['output']}, {pump['kind']}, {pump['speed_cps']} counts/s"
    if pump["kind"] == "stepper":
        text += f", {pump['microsteps']} microsteps"
    return f"{text}, {ml_per_min:.3g} mL/min" + (", reversed" if pump["reverse"] else "")


def _reservoir(tank: Data | None) -> str:
    if not tank:
        return "none"
    text = f"{ml(tank['left_ul'])} of {ml(tank['size_ul'])}, low at {tank['low_pct']} %"
    return text + (f", {ml(tank['dead_ul'])} out of reach" if tank["dead_ul"] else "")


def _catch_up(c: Data) -> str:
    if not c["raise_pct"] or not c["max_age_s"] or not c["max_ul"]:
        return "none"
    limits = f"for {hours(c['max_age_s'])}, {ml(c['max_ul'])} at most"
    return f"doses raised by up to {c['raise_pct']} %, {limits}"


def _reminders(remind: Data) -> str:
    said: list[str] = []
    for what in ("calibration", "tubing"):
        limits: list[str] = []
        if remind[f"{what}_days"]:
            limits.append(f"{remind[f'{what}_days']} days")
        if remind[f"{what}_ul"]:
            limits.append(ml(remind[f"{what}_ul"]))
        if limits:
            said.append(f"{what} after {' or '.join(limits)}")
    return "; ".join(said) or "none"


def _strength(strength: Data | None) -> str:
    if not strength:
        return "not said"
    litres, raises = text_of(strength["tank_ml"]), text_of(strength["raises_micro"], 6)
    return f"{ml(strength['ul'])} in {litres} litres raises {strength['water']} by {raises}"
