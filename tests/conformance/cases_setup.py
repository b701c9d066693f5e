"""Set-ups: the validator, what must fit together, older versions. Runs on both interpreters."""

from aliquot.core import fields, migrate, validate
from aliquot.core.setup import build

DATE = 9584  # 2026-03-29, a day of 23 hours in Berlin


REMIND = {"calibration_days": 90, "calibration_ul": 0, "tubing_days": 365, "tubing_ul": 0}


def pump(n):
    return {"output": n, "kind": "stepper", "speed_cps": 500, "microsteps": 16, "reverse": 0}


def channel(name, output, **changes):
    made = {
        "id": name,
        "label": "",
        "liquid": "",
        "daily_ul": 36500,
        "doses": 24,
        "from_s": 1800 * (output - 1),
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
        "pump": pump(output),
        "reservoir": {"size_ul": 2000000, "dead_ul": 0, "low_pct": 10, "left_ul": 2000000},
        "catch_up": {"raise_pct": 25, "max_age_s": 86400, "max_ul": 18250},
        "remind": REMIND,
        "strength": None,
    }
    made.update(changes)
    return made


def canonical(**changes):
    made = {
        "format": "aliquot-setup",
        "version": 1,
        "timezone": "Europe/Berlin",
        "tz": "CET-1CEST,M3.5.0,M10.5.0/3",
        "board": "",
        "tank": None,
        "channel": [channel("alk", 1), channel("cal", 2)],
        "separate": [{"channels": ["alk", "cal"], "seconds": 1200}],
        "group": [{"channels": ["alk", "cal"], "cap_ul": 110000}],
        "clock": {"carry_on_s": 0},
    }
    made.update(changes)
    return made


def one(**changes):
    return canonical(channel=[channel("alk", 1, **changes)], separate=[], group=[])


LISTED = [{"time_s": 28800, "ul": 3000}, {"time_s": 72000, "ul": 1500}]
CASES = (
    canonical(),
    one(at=LISTED, doses=2, daily_ul=4500, cap_ul=11000),
    one(ramp={"from_ul": 0, "start_date": DATE, "days": 30}),
    one(ramp={"from_ul": 20000, "start_date": DATE, "days": 30}),
    one(daily_ul=2000001, doses=0, id="Alk", label="a\nb", weekdays=128, grace_s=125, cap_ul="55"),
    one(daily_ul=True, at=[{}], pump=None, catch_up=[], reservoir={"size_ul": 10}, more=1),
    one(cap_ul=39541),
    one(cap_ul=39542),
    one(dose_most_ul=1520),
    one(dose_least_ul=40000, dose_most_ul=50000, cap_ul=200000, run_most_s=300),
    one(calibration={"counts": 10, "ul": 1000, "offset": 0}),
    one(calibration={"counts": 0, "ul": 0, "offset": 1}),
    one(run_most_s=10),
    one(grace_s=3600),
    one(doses=144, grace_s=600, cap_ul=60000),
    one(at=LISTED + LISTED, doses=3, daily_ul=1, from_s=60),
    one(every_days=3),
    canonical(separate=[{"channels": ["alk", "alk"], "seconds": 90}]),
    canonical(separate=[{"channels": ["alk", "mg"], "seconds": 1200}] * 2),
    canonical(channel=[channel("alk", 1), channel("alk", 1)]),
    canonical(group=[{"channels": ["alk", "cal"], "cap_ul": 79083}]),
    canonical(channel=[channel("alk", 1, doses=144), channel("cal", 2, doses=144)]),
    canonical(tz="CET-1CEST"),
    canonical(version=2, channel=[]),
    [],
    {},
)


def main():
    print(fields.section("channel.at"), fields.children("channel"), fields.children(""))
    for name in ("", "channel", "channel.at", "clock"):
        print(fields.rows(name))
    for data in CASES:
        print([validate.text(problem) for problem in validate.problems(data, DATE)])
    made = build(CASES[0], "ab")
    first = made.channels[0]
    print(made.hash, made.groups, made.separate, first.signature, first.low_ul, first.cal)
    steps = {1: lambda data: data.update(new=7) or data, 2: lambda data: {"moved": data["new"]}}
    print(migrate.migrate({"format": "aliquot-setup", "version": 1}, steps, 3))
    print(migrate.migrate({"format": "aliquot-setup", "version": 4}, steps, 3))
