"""Builds the compiled set-up, a `plan.Setup`, from a canonical configuration that is valid.

It never checks: give it only what `validate.problems` found nothing in. A board imports it once at
start-up and after a change, and drops it.
"""

from binascii import crc32

from aliquot.core.plan import Channel, Setup
from aliquot.core.zone import Zone
from aliquot.core.zone_text import parse

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any


def build(data: "dict[str, Any]", digest: str = "") -> Setup:
    """Return the Setup of canonical `data`; `digest` is the SHA-256 (hex) of its file."""
    channels = [channel(c) for c in data["channel"]]
    made = Setup(Zone(parse(data["tz"])), channels)
    index: dict[str, int] = {}
    for i in range(len(channels)):
        index[channels[i].id] = i
    for group in data["group"]:
        made.groups.append((group["cap_ul"], tuple([index[i] for i in group["channels"]])))
    for pair in data["separate"]:
        a, b = pair["channels"]
        made.separate.append((index[a], index[b], pair["seconds"]))
    made.hash = digest
    made.carry_on_s = data["clock"]["carry_on_s"]
    return made


def channel(c: "dict[str, Any]") -> Channel:
    """Return the Channel of one canonical channel."""
    made = Channel()
    made.id = c["id"]
    made.daily_ul = c["daily_ul"]
    made.doses = c["doses"]
    made.from_s = c["from_s"]
    made.span_s = c["span_s"]
    made.weekdays = c["weekdays"]
    made.every = c["every_days"]
    made.start_date = c["start_date"] or 0
    ramp = c["ramp"]
    if ramp:
        made.ramp = (ramp["from_ul"], ramp["start_date"], ramp["days"])
    if c["at"]:
        made.at = tuple([(d["time_s"], d["share"] if "share" in d else d["ul"]) for d in c["at"]])
    made.cap_ul = c["cap_ul"]
    made.least_ul = c["dose_least_ul"]
    made.most_ul = c["dose_most_ul"]
    made.run_most_s = c["run_most_s"]
    made.grace_s = c["grace_s"]
    made.speed_cps = c["pump"]["speed_cps"]
    made.offset = c["calibration"]["offset"]
    made.signature = signature(c["pump"])
    made.raise_pct = c["catch_up"]["raise_pct"]
    made.age_s = c["catch_up"]["max_age_s"]
    made.owed_most_ul = c["catch_up"]["max_ul"]
    cal = c["calibration"]
    made.cal = (cal["counts"], cal["ul"], cal["offset"])
    tank = c["reservoir"]
    if tank:
        made.left_ul = tank["left_ul"]
        made.size_ul = tank["size_ul"]
        made.dead_ul = tank["dead_ul"]
        made.low_ul = tank["size_ul"] * tank["low_pct"] // 100
    r = c["remind"]
    made.remind = (r["calibration_days"], r["calibration_ul"], r["tubing_days"], r["tubing_ul"])
    return made


def signature(pump: "dict[str, Any]") -> int:
    """Return a number of 30 bits that changes with every pump setting a calibration depends on."""
    text = "%s %d %d %d" % (pump["kind"], pump["speed_cps"], pump["microsteps"], pump["reverse"])
    return crc32(text.encode()) & 0x3FFFFFFF
