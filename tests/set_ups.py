"""Set-ups for tests: a canonical one to change, and TOML text around it. No test stands here."""

import copy

TOML = """
timezone = "Europe/Berlin"
[[channel]]
id = "alk"
daily_ml = 36.5
cap_ml = 55
dose_most_ml = 4
calibration = { counts = 12800, ml = 10.02 }
"""

_CHANNEL = {
    "id": "alk",
    "label": "",
    "liquid": "",
    "daily_ul": 36500,
    "doses": 24,
    "from_s": 0,
    "span_s": 86400,
    "weekdays": 127,
    "every_days": 1,
    "start_date": None,
    "ramp": None,
    "at": None,
    "cap_ul": 55000,
    "dose_least_ul": 100,
    "dose_most_ul": 4000,
    "run_most_s": 22,
    "grace_s": 1800,
    "calibration": {"counts": 12800, "ul": 10020, "offset": 0},
    "pump": {"output": 1, "kind": "stepper", "speed_cps": 500, "microsteps": 16, "reverse": 0},
    "reservoir": None,
    "catch_up": {"raise_pct": 25, "max_age_s": 86400, "max_ul": 18250},
    "remind": {
        "calibration_days": 90,
        "calibration_ul": 0,
        "tubing_days": 365,
        "tubing_ul": 0,
    },
    "strength": None,
}


def channel(name="alk", output=1, **changes):
    """A canonical channel; channels 2, 3 ... begin half an hour later each."""
    made = copy.deepcopy(_CHANNEL)
    made.update(id=name, from_s=1800 * (output - 1) % 3600)
    made["pump"]["output"] = output
    for key, value in changes.items():
        if isinstance(value, dict) and isinstance(made[key], dict):
            made[key].update(value)
        else:
            made[key] = value
    return made


def canonical(*channels, **changes):
    """Canonical data of the channels given, else of one."""
    made = {
        "format": "aliquot-setup",
        "version": 1,
        "timezone": "Europe/Berlin",
        "tz": "CET-1CEST,M3.5.0,M10.5.0/3",
        "board": "",
        "tank": None,
        "channel": list(channels) or [channel()],
        "separate": [],
        "group": [],
        "clock": {"carry_on_s": 0},
    }
    made.update(changes)
    return made
