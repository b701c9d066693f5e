"""A made-up tank in canonical form: the set-up that memory, conformance and speed are measured on.

It returns what a keeper's file becomes when it is converted, all fields given. Plain Python for
both interpreters; it imports nothing.
"""

RUN_S = 5  # the longest run of a dose of `canonical`, fully raised, at 500 counts a second
SEPARATE_S = 1200


def canonical(channels=4, doses=24, ramp_days=0, start=9498, reservoir_ul=1000000):
    """A configuration of `channels` alike channels with `doses` doses a day, in Berlin.

    Every second channel wants the times of the one before it and must keep SEPARATE_S from it.
    ramp_days: each channel's volume changes on each of so many days from date `start` on.
    reservoir_ul: what each container holds; 0 where nobody keeps count of it.
    """
    return {
        "format": "aliquot-setup",
        "version": 1,
        "timezone": "Europe/Berlin",
        "tz": "CET-1CEST,M3.5.0,M10.5.0/3",
        "board": "",
        "tank": None,
        "channel": [_channel(i, doses, ramp_days, start, reservoir_ul) for i in range(channels)],
        "separate": [
            {"channels": [f"c{i}", f"c{i + 1}"], "seconds": SEPARATE_S}
            for i in range(0, min(channels, 4) - 1, 2)
        ],
        "group": [],
        "clock": {"carry_on_s": 0},
    }


def _channel(i, doses, ramp_days, start, size_ul):
    daily_ul = 36500 + 1000 * i
    ramp = {"from_ul": 20000, "start_date": start, "days": ramp_days} if ramp_days else None
    reservoir = {"size_ul": size_ul, "dead_ul": 0, "low_pct": 10, "left_ul": size_ul}
    return {
        "id": f"c{i}",
        "label": "",
        "liquid": "",
        "daily_ul": daily_ul,
        "doses": doses,
        "from_s": i // 2 * 1800 % 3600,
        "span_s": 86400,
        "weekdays": 127,
        "every_days": 1,
        "start_date": None,
        "ramp": ramp,
        "at": None,
        "cap_ul": 55000,
        "dose_least_ul": 100,
        "dose_most_ul": 4000,
        "run_most_s": 60,
        "grace_s": 1500,
        "calibration": {"counts": 12800 + i, "ul": 10020, "offset": 0},
        "pump": {
            "output": i + 1,
            "kind": "stepper",
            "speed_cps": 500,
            "microsteps": 16,
            "reverse": 0,
        },
        "reservoir": reservoir if size_ul else None,
        "catch_up": {"raise_pct": 25, "max_age_s": 86400, "max_ul": 18000},
        "remind": {"calibration_days": 0, "calibration_ul": 0, "tubing_days": 0, "tubing_ul": 0},
        "strength": None,
    }
