"""What `aliquot new` proposes: doses, windows, separations, limits; and the text of the file.

Everything follows from what was answered; nothing is asked, read or written here. A proposal is a
start that passes `check`, not advice on what animals need.
"""

from __future__ import annotations

import dataclasses
import json
import os
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from aliquot.core.decimals import text_of, time_text
from aliquot.core.window import BUCKET_S
from aliquot_host import advice

# 24 doses a day is a usual most (common practice); fewer where they would be tiny. All divide the
# day into whole hours, so that channels which share an hour stay apart all day.
DOSES = (24, 12, 8, 6, 4, 3, 2, 1)
DOSE_LEAST_UL = 250
SEPARATE_MOST_S = 1200
DAY_S = 86400
HOUR_S = 3600


@dataclasses.dataclass
class Channel:
    """One channel: what was answered, then what is proposed."""

    id: str
    liquid: str
    daily_ul: int
    counts: int = advice.NOMINAL[0]
    ul: int = advice.NOMINAL[1]
    reservoir_ul: int = 0
    doses: int = 0
    from_s: int = 0
    cap_ul: int = 0
    most_ul: int = 0


@dataclasses.dataclass
class Plan:
    """A whole set-up in the making; separate holds (id, id, seconds)."""

    timezone: str
    board: str = ""
    volume_ml: int = 0
    channels: list[Channel] = dataclasses.field(default_factory=list[Channel])
    separate: list[tuple[str, str, int]] = dataclasses.field(
        default_factory=list[tuple[str, str, int]]
    )


def propose(plan: Plan) -> None:
    """Fill in what is proposed, in place."""
    for channel in plan.channels:
        channel.doses = doses(channel.daily_ul)
        channel.most_ul = dose_most_ul(channel.daily_ul, channel.doses)
        channel.cap_ul = cap_ul(channel.daily_ul, channel.doses)
    pairs = advice.reacting({"channel": [_names(c) for c in plan.channels]})
    ring = _ring([c.id for c in plan.channels], pairs)
    step_s = HOUR_S // max(1, len(ring)) // 60 * 60
    for channel in plan.channels:
        channel.from_s = ring.index(channel.id) * step_s
    start = {c.id: c.from_s for c in plan.channels}
    plan.separate = [(a, b, _apart_s(start[a], start[b])) for a, b in pairs]


def _names(channel: Channel) -> dict[str, Any]:
    return {"id": channel.id, "label": "", "liquid": channel.liquid}


def doses(daily_ul: int) -> int:
    """The doses that a day is divided into."""
    return next((n for n in DOSES if daily_ul >= n * DOSE_LEAST_UL), 1)


def dose_most_ul(daily_ul: int, n: int) -> int:
    """Twice the planned dose: room for a raise, and for a day that is given more."""
    return nice(2 * -(-daily_ul // n))


def cap_ul(daily_ul: int, n: int) -> int:
    """Half as much again as the day, and no less than `check` demands."""
    together = -(-daily_ul // n) * (BUCKET_S * n // DAY_S + 1)
    return nice(max(daily_ul * 3 // 2, daily_ul + 2 * together))


def nice(ul: int) -> int:
    """Rounded up to two digits that count: 54750 as 55000."""
    unit = 10 ** max(0, len(str(ul)) - 2)
    return -(-ul // unit) * unit


def _ring(ids: list[str], pairs: list[tuple[str, str]]) -> list[str]:
    """Channels in the order in which they share an hour: those that react face each other."""
    alkaline = list(dict.fromkeys(a for a, _ in pairs))
    hard = list(dict.fromkeys(b for _, b in pairs))
    others = [name for name in ids if name not in alkaline and name not in hard]
    half = (len(others) + 1) // 2
    return alkaline + others[:half] + hard + others[half:]


def _apart_s(a_s: int, b_s: int) -> int:
    """Two thirds of the time between two starts in the hour they share, in whole minutes."""
    between_s = abs(a_s - b_s)
    nearest_s = min(between_s, HOUR_S - between_s)
    return max(60, min(SEPARATE_MOST_S, nearest_s * 2 // 3 // 60 * 60))


def text(plan: Plan) -> str:
    """The TOML of a plan, with a few comments and without what defaults give."""
    lines = [
        "# A set-up of Aliquot. `aliquot check` says what is wrong with it; `--explain` lists the",
        "# defaults. Volumes are millilitres of liquid a day, through each pump.",
        f"timezone = {quoted(plan.timezone)}",
    ]
    if plan.board:
        lines.append(f"board = {quoted(plan.board)}")
    if plan.volume_ml:
        lines += ["", "[tank]", f"volume_l = {text_of(plan.volume_ml)}"]
    for channel in plan.channels:
        lines += ["", *_channel(channel)]
    for a, b, seconds in plan.separate:
        lines += [
            "",
            "[[separate]]                # their liquids react where they meet undiluted",
            f"channels = [{quoted(a)}, {quoted(b)}]",
            f"minutes = {seconds // 60}",
        ]
    return "\n".join(lines) + "\n"


def _channel(c: Channel) -> Iterable[str]:
    each = text_of(-(-c.daily_ul // c.doses))
    measured = (c.counts, c.ul) != advice.NOMINAL
    yield "[[channel]]"
    yield f"id = {quoted(c.id)}"
    if c.liquid:
        yield f"liquid = {quoted(c.liquid)}"
    yield _noted(f"daily_ml = {text_of(c.daily_ul)}", f"{c.doses} of {each} mL")
    if c.doses != 24:
        yield f"doses = {c.doses}"
    if c.from_s:
        yield f"from = {quoted(time_text(c.from_s))}"
    yield _noted(f"cap_ml = {text_of(c.cap_ul)}", "the most in any 24 h, whatever happens")
    yield _noted(f"dose_most_ml = {text_of(c.most_ul)}", "the largest dose")
    calibration = f"calibration = {{ counts = {c.counts}, ml = {text_of(c.ul)} }}"
    yield calibration if measured else _noted(calibration, "NOT MEASURED: measure, then dose")
    if c.reservoir_ul:
        yield f"reservoir = {{ size_ml = {text_of(c.reservoir_ul)} }}"


def _noted(line: str, comment: str) -> str:
    return f"{line:<26}  # {comment}"


def quoted(words: str) -> str:
    """A text as TOML writes it; what JSON escapes, TOML reads the same."""
    return json.dumps(words, ensure_ascii=False)


def guess_zone() -> str:
    """The name of this machine's time zone, or "" where it does not say."""
    named = os.environ.get("TZ", "").lstrip(":")
    if "/" in named and not named.startswith("/"):
        return named
    try:
        target = os.readlink("/etc/localtime")
    except OSError:
        target = ""
    _, found, name = target.partition("zoneinfo/")
    if found:
        return name
    try:
        return Path("/etc/timezone").read_text(encoding="utf-8").strip()
    except OSError:
        return ""
