"""The last weeks of a journal once more, under another plan: same cuts, same clock, same orders.

From a journal come the outages, the times without a clock and what people ordered; the simulated
world lives through them with the new set-up. What cannot be known from records is said, never
guessed at: when in an idle hour power went, and motors that failed.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

from aliquot.core import acts
from aliquot.core.ledger import ALL, CUP
from aliquot.core.state import State
from aliquot_host import daybook, intake, simulation
from aliquot_host.acts_file import Script
from aliquot_host.archive import Archive, from_files
from aliquot_host.daybook import Daybook
from aliquot_host.errors import bad
from aliquot_host.intake import Dark, Intake, Order
from aliquot_host.setup_file import Loaded
from aliquot_host.simulation import Outcome
from aliquot_host.world import Act, Weather, World

WARM_UP = 2
SILENT_S = 60
# The first orders of the time before are given a moment after the start.
SETTLE_S = 30
YOUNG_S = 3600
APPROXIMATE = (
    "When in an idle hour power went is not recorded: it is cut after the last record before.",
    "Motors do not fail in the rehearsal, and containers hold what they were said to hold.",
)


@dataclasses.dataclass
class WhatIf:
    """Both sides. first, last: the dates that are compared, all of them whole.

    left_out: orders of channels that the new set-up has not; refused: orders that it refuses."""

    first: int
    last: int
    was: Daybook
    found: Intake
    would: Daybook
    would_found: Intake
    outcome: Outcome
    left_out: list[str]
    refused: list[str]
    approximate: list[str]


def what_if(archive: Archive, loaded: Loaded, days: int) -> WhatIf:
    """Live the last `days` whole dates of a journal through under another set-up.

    BadInput: the journal covers no whole date of the tank's zone, or lies outside of what a board
    believes of the time."""
    zone = loaded.setup.zone
    found = intake.read(archive)
    was = daybook.book(found, zone)
    begin, end = was.whole
    if begin > end:
        advice = "Pull the journal again when a day has passed."
        raise bad("journal", limit="at least one whole date", advice=advice)
    first = max(begin, end - days + 1)
    start = max(begin, first - WARM_UP)
    simulation.date_checked(start, end - start + 1, "journal")
    start_w = zone.day_start(start)
    names = {c.id for c in loaded.setup.channels}
    left_out: list[str] = []
    state = _state_before(archive, start_w) if start > begin else None
    script = _earlier(state, start_w, names, zone.date_of(start_w)) if state else []
    for order in found.orders:
        if not start_w <= order.at_w < zone.day_start(end + 1) or _is_look(order, found):
            continue
        if order.channel and order.channel not in names:
            left_out.append(order.channel)
            continue
        do = _again(order)
        if do:
            script.append(Act(order.at_w, do, order.channel))
    weather = _weather(found, start_w)
    outcome = simulation.live(
        loaded, start, end - start + 1, 1, weather, Script(tuple(script)), "The same weeks again"
    )
    would_found = intake.read(from_files(outcome.world.files, "the rehearsal"))
    counted = sorted({f"{left_out.count(one)} of {one}" for one in left_out})
    told = [*APPROXIMATE]
    if found.lost:
        told.append("Records are missing: what was ordered in them is not known.")
    if state is None and found.first_w < start_w - YOUNG_S:
        told.append(
            "The first day begins with a full day in each cap window, as a new board does."
        )
    return WhatIf(
        first,
        end,
        was,
        found,
        daybook.book(would_found, zone),
        would_found,
        outcome,
        counted,
        [event.text for event in outcome.events if event.kind == "no"],
        told,
    )


def _is_look(order: Order, found: Intake) -> bool:
    """Whether a refill only says what was left before the next one: another plan leaves more, or
    less."""
    if order.kind != "F":
        return False
    later = [f for f in found.fills if f.channel == order.channel and f.seq > order.seq]
    if not later:
        return False
    runs = [r for r in found.runs if r.channel == order.channel]
    return not any(order.seq < run.seq < later[0].seq for run in runs)


def _state_before(archive: Archive, at_w: int) -> State | None:
    """What the board believed at a moment; None where the journal begins later."""
    before: int | None = None
    for record, state in archive.walk():
        if state.quality and record.now_s + state.offset >= at_w:
            # The state that was walked along holds this record already.
            return None if before is None else archive.state(before)
        before = record.seq
    return None


def _earlier(state: State, start_w: int, names: set[str], date: int) -> list[Act]:
    """What stood already when the time begins: contents, overrides, trims, holds."""
    made: list[Act] = []
    at_w = start_w + SETTLE_S

    def add(name: str, do: Callable[[World, int], object]) -> None:
        def order(world: World) -> str:
            do(world, world.channel(name))
            return ""

        made.append(Act(at_w + len(made), order, name))

    for name, c in zip(state.ids, state.channels, strict=True):
        if name not in names:
            continue
        if c.fill_ul >= 0:
            left = max(0, c.fill_ul - c.taken_ul)
            add(name, lambda world, ch, left=left: acts.refill(
                world.engine(), world.now_s(), ch, left))  # fmt: skip
        for delta, first, days in zip(c.over[::3], c.over[1::3], c.over[2::3], strict=True):
            remains = first + days - date
            if remains > 0:
                add(name, lambda world, ch, d=delta, n=remains: acts.override(
                    world.engine(), world.now_s(), ch, d, n))  # fmt: skip
        if c.trim_n:
            add(name, lambda world, ch, pct=c.trim_pct, n=c.trim_n: acts.trim(
                world.engine(), world.now_s(), ch, pct, n))  # fmt: skip
        if c.hold_w >= 0:
            add(name, lambda world, ch, until=c.hold_w: acts.hold(
                world.engine(), world.now_s(), ch, until))  # fmt: skip
    return made


def _weather(found: Intake, start_w: int) -> Weather:
    """Outages and times without a clock, in seconds from the start."""
    outages: list[tuple[int, int]] = []
    silences: list[tuple[int, int]] = []
    off: Dark | None = None
    for dark in found.dark:
        if dark.kind == "off":
            off = dark
            # A second after the last record: a run that had begun is cut in its middle.
            begin = max(0, dark.from_w + 1 - start_w)
            if dark.until_w > start_w + begin:
                outages.append((begin, dark.until_w - start_w - begin))
        elif dark.until_w - dark.from_w > SILENT_S:
            begin = off.from_w if off and off.until_w <= dark.from_w else dark.from_w
            if dark.until_w > start_w:
                silences.append((max(0, begin - start_w), dark.until_w - max(begin, start_w)))
    return Weather([one for one in outages if one[1] > 0], silences)


def _again(order: Order) -> Callable[[World], str] | None:
    """The same order, to another board; None for what says nothing to a plan."""
    f, name = order.fields, order.channel

    def give(do: Callable[[World, int], object]) -> Callable[[World], str]:
        def order_it(world: World) -> str:
            do(world, world.channel(name) if name else ALL)
            return ""

        return order_it

    if order.kind == "P":
        return give(lambda w, ch: acts.trim(w.engine(), w.now_s(), ch, f[1], f[2]))
    if order.kind == "D":
        return give(lambda w, ch: acts.override(w.engine(), w.now_s(), ch, f[1], f[3]))
    if order.kind == "X" and f[3] == CUP:
        return give(lambda w, ch: acts.cup_run(w.engine(), w.now_s(), ch, f[2]))
    if order.kind == "X":
        return give(lambda w, ch: acts.extra(w.engine(), w.now_s(), ch, f[1], planned=True))
    if order.kind == "H":
        return give(lambda w, ch: acts.hold(w.engine(), w.now_s(), ch, f[1]))
    if order.kind == "h" and f[1] < 2:
        return give(lambda w, ch: acts.release(w.engine(), w.now_s(), ch, f[1]))
    if order.kind == "F":
        return give(lambda w, ch: acts.refill(w.engine(), w.now_s(), ch, f[1]))
    if order.kind == "K":
        return give(
            lambda w, ch: acts.calibrate(w.engine(), w.now_s(), ch, f[1], f[2], min(f[3], f[1]))
        )
    return None
