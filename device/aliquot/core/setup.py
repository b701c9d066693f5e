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

# Attribute of Channel, and where it stands in the data where it is called otherwise. One text, so
# that a board keeps none of these names; what has its first value takes no memory.
_PLACES = """
id daily_ul doses from_s span_s weekdays every=every_days start_date cap_ul least_ul=dose_least_ul
most_ul=dose_most_ul run_most_s grace_s speed_cps=pump.speed_cps offset=calibration.offset
raise_pct=catch_up.raise_pct age_s=catch_up.max_age_s owed_most_ul=catch_up.max_ul
size_ul=reservoir.size_ul dead_ul=reservoir.dead_ul left_ul=reservoir.left_ul
"""


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
    for pair in _PLACES.split():
        name, _, path = pair.partition("=")
        value: Any = c
        for key in (path or name).split("."):
            value = value[key] if value else None
        if value is not None and value != getattr(made, name):
            setattr(made, name, value)
    ramp = c["ramp"]
    if ramp:
        made.ramp = (ramp["from_ul"], ramp["start_date"], ramp["days"])
    if c["at"]:
        made.at = tuple([(d["time_s"], d["share"] if "share" in d else d["ul"]) for d in c["at"]])
    made.signature = signature(c["pump"])
    cal = c["calibration"]
    made.cal = (cal["counts"], cal["ul"], cal["offset"])
    if c["reservoir"]:
        made.low_ul = made.size_ul * c["reservoir"]["low_pct"] // 100
    return made


def signature(pump: "dict[str, Any]") -> int:
    """Return a number of 30 bits that changes with every pump setting a calibration depends on."""
    text = "%s %d %d %d" % (pump["kind"], pump["speed_cps"], pump["microsteps"], pump["reverse"])
    return crc32(text.encode()) & 0x3FFFFFFF
