"""Draws set-ups for the soak: valid ones, tight ones, from a source of chance alone.

One to five channels of one to 96 doses, listed times, weekdays, ramps, reservoirs, separations and
groups, in zones of both hemispheres; caps lie near the least that the validator allows. What it
returns has passed the validator. Nothing is read from a file, and nothing is run.
"""

from __future__ import annotations

import datetime
import random
from typing import Any

from aliquot.core import consistent, validate
from aliquot.core.fields import FORMAT, VERSION
from aliquot.core.setup import build
from aliquot.core.survey import survey
from aliquot_host import defaults
from aliquot_host.setup_file import Data, Loaded

DAY_S = 86400
# With and without summer time, north and south, whole hours and odd ones.
ZONES = (
    "UTC",
    "Europe/Berlin",
    "Europe/Dublin",
    "America/New_York",
    "America/St_Johns",
    "America/Santiago",
    "Australia/Sydney",
    "Australia/Lord_Howe",
    "Pacific/Chatham",
    "Asia/Kathmandu",
    "Pacific/Kiritimati",
    "Pacific/Pago_Pago",
)
DOSES = (1, 2, 3, 4, 6, 8, 12, 12, 24, 24, 24, 48, 96)
EVERY_DAY = 127
MANY = 160  # doses a day of all channels: a seed stays cheap
TRIES = 6
_RULES_AS_OF = datetime.date(2026, 1, 1)


def rule(zone: str) -> str:
    """The POSIX rule of a zone, as the zone database of this machine has it."""
    return defaults.verdict(zone, _RULES_AS_OF).text


def drawn(rng: random.Random, date: int) -> Loaded:
    """A set-up that is valid on `date`; the simpler, the more tries it took."""
    zone = rng.choice(ZONES)
    for simple in range(TRIES):
        channels: list[Data] = []
        left = MANY
        for i in range(rng.choice((1, 1, 2, 2, 3, 4, 5))):
            channels.append(_channel(rng, i, date, left, simple))
            left = max(2, left - channels[-1]["doses"])
        data = _whole(zone, channels, _pairs(rng, channels, simple), [])
        data["clock"]["carry_on_s"] = rng.choice((0, 0, 3600, 21600))
        if _fit(rng, data, date):
            return Loaded(data, False, "", {}, ())
    raise RuntimeError("no set-up was found")  # the simplest is one even dose a day


def changed(rng: random.Random, old: Data, date: int) -> Loaded | None:
    """Another set-up that somebody may load in place of `old`; None where what was drawn does not
    hold together."""
    data = _copy(old)
    channels: list[Data] = data["channel"]
    what = rng.choice(("volume", "doses", "zone", "zone", "pump", "out", "in", "order", "same"))
    c = rng.choice(channels)
    if what == "volume" and not c["at"]:
        c["daily_ul"] = max(c["dose_least_ul"], c["daily_ul"] * rng.randrange(50, 150) // 100)
    elif what == "doses" and not c["at"]:
        c["doses"] = max(1, min(96, c["doses"] * rng.choice((1, 2, 3)) // 2))
    elif what == "zone":
        data["timezone"] = rng.choice(ZONES)
        data["tz"] = rule(data["timezone"])
    elif what == "pump":
        c["pump"]["microsteps"] = 32 if c["pump"]["microsteps"] == 16 else 16
    elif what == "out" and len(channels) > 1:
        channels.remove(c)
        _forget(data, c["id"])
    elif what == "in" and len(channels) < 5:
        new = _channel(rng, len(channels), date, 24, 0)
        new["id"] = rng.choice([f"c{i}" for i in range(6) if f"c{i}" not in _ids(channels)])
        used = {own["pump"]["output"] for own in channels}
        new["pump"]["output"] = min(set(range(1, 17)) - used)
        channels.append(new)
    elif what == "order":
        channels.reverse()
    c = rng.choice(channels)
    share = -(-c["daily_ul"] // max(1, min(c["doses"], c["daily_ul"] // c["dose_least_ul"])))
    c["dose_most_ul"] = max(c["dose_most_ul"], share)
    if not _fit(rng, data, date):
        return None
    return Loaded(data, False, "", {}, ())


def without(old: Data, name: str, date: int) -> Loaded | None:
    """The set-up without a channel; None where that leaves nothing, or nothing valid."""
    data = _copy(old)
    data["channel"] = [c for c in data["channel"] if c["id"] != name]
    _forget(data, name)
    if not data["channel"] or validate.problems(data, date):
        return None
    return Loaded(data, False, "", {}, ())


def _copy(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _copy(own) for key, own in value.items()}  # pyright: ignore[reportUnknownVariableType]
    if isinstance(value, list):
        return [_copy(own) for own in value]  # pyright: ignore[reportUnknownVariableType]
    return value


def _ids(channels: list[Data]) -> list[str]:
    return [c["id"] for c in channels]


def _forget(data: Data, name: str) -> None:
    """Take a channel out of separations and groups."""
    data["separate"] = [s for s in data["separate"] if name not in s["channels"]]
    for group in data["group"]:
        group["channels"] = [own for own in group["channels"] if own != name]
    data["group"] = [g for g in data["group"] if len(g["channels"]) > 1]


def _whole(zone: str, channels: list[Data], separate: list[Data], group: list[Data]) -> Data:
    return {
        "format": FORMAT,
        "version": VERSION,
        "timezone": zone,
        "tz": rule(zone),
        "board": "",
        "tank": None,
        "channel": channels,
        "separate": separate,
        "group": group,
        "clock": {"carry_on_s": 0},
    }


def _channel(rng: random.Random, i: int, date: int, left: int, simple: int) -> Data:
    doses = 1 if simple >= TRIES - 1 else min(left, rng.choice(DOSES), 96 >> simple)
    daily = doses * rng.randrange(200, 3000)
    counts, ul = rng.choice(((12800, 10020), (637, 10000), (12345, 6789), (1009, 457)))
    timed = not rng.randrange(6)
    if timed:
        counts, ul = 10000, rng.randrange(3000, 20000)
    at: list[Data] | None = None
    if doses <= 12 and not simple and not rng.randrange(4):
        at, daily = _listed(rng, doses, daily)
    largest = -(-daily // doses) if not at else max(d.get("ul", daily) for d in at)
    most = largest * rng.choice((100, 110, 150)) // 100 + 1
    # A run of the largest dose takes from a second to a minute.
    need = -(-2 * most * counts // ul) + 2
    speed = 1000 if timed else max(40, min(20000, need // rng.choice((2, 4, 10, 30, 60))))
    size = daily * rng.randrange(4, 12)
    ramp = None
    if not at and not rng.randrange(5):
        low = max(100, daily * rng.choice((30, 60, 120)) // 100)
        ramp = {
            "from_ul": low,
            "start_date": date + rng.randrange(-3, 4),
            "days": rng.randrange(1, 10),
        }
        most = max(most, -(-max(low, daily) // doses) + 1)
    start = date + rng.randrange(-20, 3) if not rng.randrange(4) else None
    return {
        "id": f"c{i}",
        "label": "",
        "liquid": "",
        "daily_ul": daily,
        "doses": doses,
        "from_s": 0 if at else rng.choice((0, 0, 900, 36000, 80000)),
        "span_s": DAY_S if at or simple or doses > 24 else rng.choice((DAY_S, DAY_S, 43200)),
        "weekdays": rng.choice((EVERY_DAY, EVERY_DAY, EVERY_DAY, 31, 85, 64)),
        "every_days": rng.choice((1, 2, 3)) if start is not None else 1,
        "start_date": start,
        "ramp": ramp,
        "at": at,
        "cap_ul": 1,
        "dose_least_ul": 100,
        "dose_most_ul": most,
        "run_most_s": 1,
        "grace_s": 0,
        "calibration": {"counts": counts, "ul": ul, "offset": 30 if timed else 0},
        "pump": {
            "output": i + 1,
            "kind": "timed" if timed else "stepper",
            "speed_cps": speed,
            "microsteps": 16,
            "reverse": 0,
        },
        "reservoir": {
            "size_ul": size,
            "dead_ul": size // 50,
            "low_pct": rng.choice((5, 10, 30)),
            "left_ul": size - rng.randrange(size // 2),
        }
        if rng.randrange(3)
        else None,
        "catch_up": {
            "raise_pct": rng.choice((0, 10, 25, 100)),
            "max_age_s": rng.choice((0, 7200, DAY_S, 3 * DAY_S)),
            "max_ul": rng.choice((0, daily // 3, daily)),
        },
        "remind": {"calibration_days": 0, "calibration_ul": 0, "tubing_days": 0, "tubing_ul": 0},
        "strength": None,
    }


def _listed(rng: random.Random, doses: int, daily: int) -> tuple[list[Data], int]:
    """Times of a day, at night too, when clocks change; volumes or shares."""
    minutes = sorted(rng.sample(range(0, 1440, 15), doses))
    if rng.randrange(2):
        return [{"time_s": m * 60, "share": rng.randrange(1, 5)} for m in minutes], daily
    at = [{"time_s": m * 60, "ul": rng.randrange(200, 3000)} for m in minutes]
    return at, sum(d["ul"] for d in at)


def _pairs(rng: random.Random, channels: list[Data], simple: int) -> list[Data]:
    """Separations of neighbours, shorter where there are many doses."""
    found: list[Data] = []
    if simple > 2:
        return found
    for i in range(len(channels) - 1):
        doses = max(channels[i]["doses"], channels[i + 1]["doses"])
        if rng.randrange(2) and doses <= 48:
            longest = max(60, min(3600, DAY_S // doses // 4 // 6 * 6))
            seconds = max(60, longest * rng.randrange(1, 5) // 4 // 6 * 6)
            pair = [channels[i]["id"], channels[i + 1]["id"]]
            found.append({"channels": pair, "seconds": seconds})
    return found


def _fit(rng: random.Random, data: Data, date: int) -> bool:
    """Set what depends on the whole: longest run, grace, caps, groups. False where it does not
    hold together all the same."""
    channels: list[Data] = data["channel"]
    for c in channels:
        longest = consistent.longest_s(c, c["dose_most_ul"])
        c["run_most_s"] = max(min(900, c["run_most_s"]), min(900, longest * rng.choice((1, 2))), 1)
        found: list[Any] = []
        consistent.channel(found, c, "")
        if [one for one in found if not one[0].endswith("cap_ul")]:
            return False
    setup = build(data)
    gaps, buckets, late = survey(setup, consistent.calibrations(data), date)
    if late:
        return False
    full = [max(consistent.totals(c)) for c in setup.channels]
    runs = [consistent.longest_s(c, c["dose_most_ul"]) for c in channels]
    for i, c in enumerate(channels):
        least = (sum(runs) - runs[i]) // 6 * 6 + 6
        most = (gaps[i] - 1) // 6 * 6
        if most < max(least, consistent.GRACE_LEAST_S):
            return False
        least = max(least, consistent.GRACE_LEAST_S)
        c["grace_s"] = min(most, 43200, rng.choice((least, most, max(least, 1800))))
        margin = max(buckets[i], _largest(setup, i, full[i]))
        c["cap_ul"] = full[i] + 2 * margin + rng.choice((0, 0, 1, margin, full[i]))
    if data["group"] or (len(channels) > 1 and not rng.randrange(3)):
        members = data["group"][0]["channels"] if data["group"] else _ids(channels)[:2]
        at = [i for i, c in enumerate(channels) if c["id"] in members]
        cap = sum(full[i] for i in at) + 2 * sum(buckets[i] for i in at) + rng.randrange(500)
        data["group"] = [{"channels": [channels[i]["id"] for i in at], "cap_ul": cap}]
    return not validate.problems(data, date)


def _largest(setup: Any, i: int, ul: int) -> int:
    from aliquot.core.layout import largest_ul

    c = setup.channels[i]
    return max(largest_ul(c, own) for own in [*consistent.totals(c), ul])
