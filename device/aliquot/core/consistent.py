"""Says where fields that are right by themselves do not fit together.

`problems` takes canonical data in which `validate.shape` found nothing, has the days that matter
laid out, and returns problems of the same form as `validate.py`. Nothing here changes the data or
reads a clock: today is an argument. On the board it is imported when needed and dropped.
"""

from aliquot.core.amounts import run_s, to_counts
from aliquot.core.decimals import date_text, text_of, time_text
from aliquot.core.layout import largest_ul
from aliquot.core.plan import Channel, volumes
from aliquot.core.setup import build
from aliquot.core.setup import channel as compiled
from aliquot.core.survey import steps as survey
from aliquot.core.zone_text import parse

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Iterator
    from typing import Any

GRACE_LEAST_S = 120
_DAY_S = 86400


def problems(data: "dict[str, Any]", date: int) -> "list[Any]":
    """Return what does not fit together; `date` is today's local date."""
    found: list[Any] = []
    for _ in steps(found, data, date):
        """Nothing else to do in between."""
    return found


def steps(found: "list[Any]", data: "dict[str, Any]", date: int) -> "Iterator[None]":
    """Add what does not fit together, in slices, so that a board can do other work meanwhile."""
    for i in range(len(data["channel"])):
        channel(found, data["channel"][i], "channel.%d" % i)
        yield None
    names(found, data)
    try:
        parse(data["tz"])
    except ValueError as error:
        found.append(("tz", data["tz"], "must be", "a POSIX rule", str(error)))
    if not found:
        yield from _days(found, data, date)


def channel(found: "list[Any]", c: "dict[str, Any]", where: str) -> None:
    """Add what does not fit inside one canonical channel."""
    _times(found, c, where)
    _pump(found, c, where)
    if c["every_days"] > 1 and c["start_date"] is None:
        _add(
            found, where, "start_date", None, "is", "missing", "every_days counts from it: add it"
        )
    tank = c["reservoir"]
    if tank:
        for key in ("dead_ul", "left_ul"):
            if tank[key] > tank["size_ul"]:
                advice = "a container holds no more than its size_ml"
                at = where + ".reservoir"
                _add(found, at, key, tank[key], "at most", tank["size_ul"], advice)
    if all("ul" in d or "share" in d for d in c["at"] or ()):
        _volumes(found, c, where)


def _times(found: "list[Any]", c: "dict[str, Any]", where: str) -> None:
    """Listed times: rising, each with a volume or each with a share, and what they add up to."""
    listed = c["at"]
    if not listed:
        return
    for i in range(len(listed)):
        at = "%s.at.%d" % (where, i)
        if ("ul" in listed[i]) == ("share" in listed[i]):
            _add(found, at, "", listed[i], "must have", "ml or share, one of them", "")
        elif ("ul" in listed[i]) != ("ul" in listed[0]):
            advice = "give every time of the list its ml, or every time its share"
            _add(found, at, "", listed[i], "must not", "mix ml and share", advice)
        if i and listed[i]["time_s"] <= listed[i - 1]["time_s"]:
            limit = "later than " + time_text(listed[i - 1]["time_s"])
            advice = "list the times of a day once each, in order"
            _add(found, at, "time_s", listed[i]["time_s"], "must be", limit, advice)
    if c["doses"] != len(listed):
        advice = "leave doses out, the list says how many"
        _add(found, where, "doses", c["doses"], "must be", len(listed), advice)
    total = sum([d.get("ul", 0) for d in listed])
    if total and c["daily_ul"] != total:
        advice = "the listed doses add up to this: leave daily_ml out, or use shares"
        _add(found, where, "daily_ul", c["daily_ul"], "must be", total, advice)
    if c["from_s"] or c["span_s"] != _DAY_S:
        advice = "from and span_h are for doses spread evenly: leave them out"
        _add(found, where, "at", listed, "must not", "stand beside from or span_h", advice)


def _pump(found: "list[Any]", c: "dict[str, Any]", where: str) -> None:
    """Motor and calibration."""
    pump, cal = c["pump"], c["calibration"]
    steps = pump["microsteps"]
    if pump["kind"] == "timed" and pump["speed_cps"] != 1000:
        advice = "a timed motor counts milliseconds: leave speed_cps out"
        _add(found, where + ".pump", "speed_cps", pump["speed_cps"], "must be", 1000, advice)
    if pump["kind"] == "stepper" and cal["offset"]:
        advice = "only a timed motor has a dead time: take it out"
        _add(found, where + ".calibration", "offset", cal["offset"], "must be", 0, advice)
    if steps & (steps - 1):
        _add(found, where + ".pump", "microsteps", steps, "must be", "1, 2, 4, 8 ... 256", "")
    if c["dose_least_ul"] * cal["counts"] < 2 * cal["ul"]:
        limit = -(-2 * cal["ul"] // cal["counts"])
        advice = "the smallest dose must be 2 counts or more, or the pump cannot divide it"
        _add(found, where, "dose_least_ul", c["dose_least_ul"], "at least", limit, advice)
    need = longest_s(c, c["dose_most_ul"])
    if need > c["run_most_s"]:
        advice = "dose_most_ml takes that long: raise run_most_s, or lower dose_most_ml"
        _add(found, where, "run_most_s", c["run_most_s"], "at least", need, advice)


def longest_s(c: "dict[str, Any]", ul: int) -> int:
    """Return the seconds that the pump of canonical channel `c` needs for `ul` at most."""
    cal = c["calibration"]
    counts = to_counts(ul, cal["counts"], cal["ul"], 0) + 1 + cal["offset"]
    return run_s(counts, c["pump"]["speed_cps"])


def totals(c: Channel) -> "list[Any]":
    """Return every volume that an ordinary day of the channel can have, the days of a ramp too."""
    found = [c.daily_ul]
    if c.ramp:
        low, _, days = c.ramp
        for i in range(days):
            ul = low + (c.daily_ul - low) * i // days
            if ul not in found:
                found.append(ul)
    return found


def _volumes(found: "list[Any]", c: "dict[str, Any]", where: str) -> None:
    """Doses against dose_least, dose_most and the cap, over every volume a day can have."""
    made = compiled(c)
    least, most = c["dose_least_ul"], c["dose_most_ul"]
    if most < least:
        _add(
            found, where, "dose_most_ul", most, "at least", least, "dose_least_ml is more than it"
        )
        return
    days = totals(made)
    small = [ul for ul in days if ul and (ul < least or (made.at and not volumes(made, ul)))]
    if small:
        at, key, value = where, "daily_ul", c["daily_ul"]
        if value not in small:
            at, key, value = where + ".ramp", "from_ul", c["ramp"]["from_ul"]
        advice = "a day of %s mL holds no dose: lower dose_least_ml, or let that day have none"
        _add(found, at, key, value, "at least", least, advice % text_of(small[0]))
        return
    largest = max([largest_ul(made, ul) for ul in days])
    if largest > most:
        advice = "the largest dose of a day is that much: use more doses, or raise dose_most_ml"
        _add(found, where, "dose_most_ul", most, "at least", largest, advice)
    _cap(found, where, c["cap_ul"], max(days), largest)


def _cap(found: "list[Any]", where: str, cap: int, day: int, margin: int) -> bool:
    if cap >= day + 2 * margin:
        return False
    advice = (
        "the fullest day (%s mL) and twice what may come together (%s mL) must fit into any 24 h: "
        "raise cap_ml, or lower the day" % (text_of(day), text_of(margin))
    )
    _add(found, where, "cap_ul", cap, "at least", day + 2 * margin, advice)
    return True


def names(found: "list[Any]", data: "dict[str, Any]") -> None:
    """Add what is wrong with ids, outputs, groups, separations and names of water values."""
    _once(found, [c["id"] for c in data["channel"]], "channel.%d.id")
    _once(found, [c["pump"]["output"] for c in data["channel"]], "channel.%d.pump.output")
    ids = [c["id"] for c in data["channel"]]
    water = [w["name"] for w in data["tank"]["water"]] if data["tank"] else []
    _once(found, water, "tank.water.%d.name")
    for i in range(len(ids)):
        strength = data["channel"][i]["strength"]
        if strength and strength["water"] not in water:
            at = "channel.%d.strength" % i
            limit = "a name of [[tank.water]]"
            _add(found, at, "water", strength["water"], "must be", limit, "add it there")
    pairs: list[Any] = []
    for key in ("separate", "group"):
        for i in range(len(data[key])):
            at = "%s.%d" % (key, i)
            members = data[key][i]["channels"]
            for name in members:
                if name not in ids:
                    limit = "ids of channels: " + ", ".join(ids)
                    _add(found, at, "channels", name, "must be", limit, "")
            if len(set(members)) < len(members):
                _add(found, at, "channels", " and ".join(members), "must be", "different", "")
            if key == "separate":
                pairs.append(" and ".join(sorted(members)))
    _once(found, pairs, "separate.%d.channels", "say it once for each pair")


def _once(
    found: "list[Any]", values: "list[Any]", where: str, advice: str = "give each its own"
) -> None:
    for i in range(len(values)):
        if values[i] in values[:i]:
            first = where % values.index(values[i])
            found.append((where % i, values[i], "is used by", first, advice))


def _days(found: "list[Any]", data: "dict[str, Any]", date: int) -> "Iterator[None]":
    """Spacing, grace, and caps with what comes close together, on the days that matter."""
    setup = build(data)
    channels = setup.channels
    gaps: list[int] = []
    buckets: list[int] = []
    late: tuple[int, ...] = ()
    for told in survey(setup, calibrations(data), date):
        if told:
            gaps, buckets, late = told
        yield None
    if late:
        name = setup.channels[late[1]].id
        limit = "spaced on " + date_text(late[0])
        advice = (
            "a dose of it finds no room between the others: use fewer doses, shorter separations, "
            "or listed times"
        )
        found.append(("channel.%d" % late[1], name, "cannot be", limit, advice))
        return
    full = [max(totals(c)) for c in channels]
    runs = [longest_s(c, c["dose_most_ul"]) for c in data["channel"]]
    for i in range(len(channels)):
        where = "channel.%d" % i
        _cap(found, where, channels[i].cap_ul, full[i], buckets[i])
        _grace(found, where, channels[i].grace_s, gaps[i], sum(runs) - runs[i])
    for i in range(len(setup.groups)):
        cap, members = setup.groups[i]
        day = sum([full[m] for m in members])
        _cap(found, "group.%d" % i, cap, day, sum([buckets[m] for m in members]))


def _grace(found: "list[Any]", where: str, grace_s: int, gap_s: int, queue_s: int) -> None:
    """Grace lies between the longest queue and the shortest time between two doses."""
    most_s = (gap_s - 1) // 6 * 6
    least_s = queue_s // 6 * 6 + 6
    if most_s < GRACE_LEAST_S:
        advice = "use fewer doses or a wider window; the day on which the clock jumps counts too"
        limit = "%d s apart, its doses are %d s" % (GRACE_LEAST_S + 6, gap_s)
        found.append((where, None, "must give doses at least", limit, advice))
    elif grace_s > most_s:
        advice = "two of its doses are only %d s apart: lower grace_min, or use fewer doses"
        _add(found, where, "grace_s", grace_s, "at most", most_s, advice % gap_s)
    if grace_s < least_s:
        advice = "the other pumps may run for %d s when all are due: raise grace_min" % queue_s
        _add(found, where, "grace_s", grace_s, "at least", least_s, advice)


def calibrations(data: "dict[str, Any]") -> "list[Any]":
    """Return (counts, microlitres) of every channel, as a Timetable wants them."""
    return [(c["calibration"]["counts"], c["calibration"]["ul"]) for c in data["channel"]]


def _add(
    found: "list[Any]", where: str, key: str, value: object, rule: str, limit: object, advice: str
) -> None:
    found.append((where + "." + key if key else where, value, rule, limit, advice))
