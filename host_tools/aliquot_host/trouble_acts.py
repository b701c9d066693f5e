"""What people do to a board in the soak: acts with wrong and right values, some twice, at any
moment, a run under way or not.

Each function takes the world and the numbers of a `Trouble`; shares are per cent of the channel's
own plan. What the engine refuses is fine; what it must not do is for `checks.py` to find.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from aliquot.core import acts, events
from aliquot.core.ledger import ALL

if TYPE_CHECKING:
    from aliquot_host.trouble import TroubledWorld

MOTOR_FAULT = 3
# What `release` releases.
HOLD, CUP, LOST = 0, 1, 2


def pressed(world: TroubledWorld, do: Callable[..., Any], own: tuple[Any, ...], n: Any) -> bool:
    """Do it with a request number, and where drawn a second time with the same one: nothing may
    come of that. Whether it was accepted."""
    _, request, twice = n[:3]
    engine = world.engine()
    try:
        done = do(engine, world.seconds(), *own, request=request)
    except acts.Refused:
        world.count_act("refused")
        return False
    except OSError:
        world.count_act("not written")
        return False
    if done and twice:
        world.faults["pressed twice"] += 1
        before = world.state().seq
        try:
            again = do(engine, world.seconds(), *own, request=request)
        except (acts.Refused, OSError):
            again = True
        if again or world.state().seq != before:
            world.broken("S7", f"request {request} is taken twice")
    return bool(done)


def trim(world: TroubledWorld, n: tuple[int, ...]) -> None:
    ch = world.some(n)
    pressed(world, _keeping(acts.trim, n[5]), (ch, n[3], n[4]), n)


def override(world: TroubledWorld, n: tuple[int, ...]) -> None:
    ch = world.some(n)
    ul = world.setup.channels[ch].daily_ul * n[3] // 100
    pressed(world, _keeping(acts.override, n[5]), (ch, ul, n[4]), n)


def extra(world: TroubledWorld, n: tuple[int, ...]) -> None:
    ch = world.some(n)
    c = world.setup.channels[ch]
    ul = max(1, c.daily_ul // c.doses * n[3] // 100)

    def do(engine: Any, now_s: int, ch: int, ul: int, request: int) -> bool:
        return acts.extra(engine, now_s, ch, ul, request, bool(n[4]), bool(n[5]), n[6])

    pressed(world, do, (ch, ul), n)


def cup(world: TroubledWorld, n: tuple[int, ...]) -> None:
    ch = world.some(n)
    c = world.setup.channels[ch]
    if pressed(world, acts.cup_run, (ch, min(n[3], c.run_most_s * c.speed_cps)), n):
        world.follows(n[4], "back", (n[0], n[1] + 1, 0))


def cancel(world: TroubledWorld, n: tuple[int, ...]) -> None:
    pressed(world, acts.cancel_extra, (world.some(n),), n)


def back(world: TroubledWorld, n: tuple[int, ...]) -> None:
    pressed(world, acts.release, (world.some(n), CUP), n)


def hold(world: TroubledWorld, n: tuple[int, ...]) -> None:
    scope = ALL if n[3] else world.some(n)
    until_w = world.seconds() + world.state().offset + n[4] if n[4] else 0
    if pressed(world, _keeping(acts.hold, n[5]), (scope, until_w), n) and n[1] % 2:
        world.follows(n[1] % 40000, "release", (n[0], n[1] + 1, 0, n[3]))


def release(world: TroubledWorld, n: tuple[int, ...]) -> None:
    pressed(world, acts.release, (ALL if n[3] else world.some(n), HOLD), n)


def refill(world: TroubledWorld, n: tuple[int, ...]) -> None:
    ch = world.some(n)
    size = full_ul(world, ch)
    pressed(world, acts.refill, (ch, size * n[3] // 100), n)


def full_ul(world: TroubledWorld, ch: int) -> int:
    """What a container holds; one that the set-up does not know holds some days' volume."""
    c = world.setup.channels[ch]
    return c.size_ul or 5 * c.daily_ul


def calibrate(world: TroubledWorld, n: tuple[int, ...]) -> None:
    ch = world.some(n)
    counts, ul, offset = world.setup.channels[ch].cal
    c = world.state().channels[ch]
    if c.cal_ul and n[1] % 3:
        counts, ul, offset = c.cal_counts, c.cal_ul, c.cal_offset
    pressed(world, acts.calibrate, (ch, counts, max(1, ul * n[3] // 100), offset), n)


def tubing(world: TroubledWorld, n: tuple[int, ...]) -> None:
    pressed(world, acts.tubing, (world.some(n),), n)


def note(world: TroubledWorld, n: tuple[int, ...]) -> None:
    def do(engine: Any, now_s: int, request: int) -> bool:
        return acts.note(engine, now_s, 1, ALL, "8.1 dKH", request)

    pressed(world, do, (), n)


def fault(world: TroubledWorld, n: tuple[int, ...]) -> None:
    """A driver or the app raises a fault, some times in a row."""
    scope = ALL if n[3] else world.some(n)
    for _ in range(n[6]):
        try:
            events.fault(world.engine(), world.seconds(), scope, n[4], n[5])
        except OSError:
            return


def clear(world: TroubledWorld, n: tuple[int, ...]) -> None:
    """One act alone, which ends no latched fault."""
    for scope, t in [(ALL, world.state()), *enumerate(world.state().channels)]:
        if t.fault:
            pressed(world, acts.clear, (scope,), n)


def answer(world: TroubledWorld, n: tuple[int, ...] = ()) -> None:
    """The keeper looks after everything: faults, holds, cups, lost records, empty containers,
    pumps that are not calibrated."""
    try:
        _answer(world)
    except (acts.Refused, OSError):
        world.count_act("not written")


def _answer(world: TroubledWorld) -> None:
    state, engine = world.state(), world.engine()
    for scope, t in [(ALL, state), *enumerate(state.channels)]:
        if t.latched == 1:
            acts.see(engine, world.seconds(), scope)
        if t.fault:
            acts.clear(engine, world.seconds(), scope)
        if t.hold_w >= 0:
            acts.release(engine, world.seconds(), scope, HOLD)
    if state.gap or state.foreign:
        acts.release(engine, world.seconds(), ALL, LOST)
    for ch, c in enumerate(state.channels):
        cfg = world.setup.channels[ch]
        under_way = bool(state.open)
        if c.cup and not under_way:
            acts.release(engine, world.seconds(), ch, CUP)
        if c.cal_sig != cfg.signature and not under_way:
            acts.calibrate(engine, world.seconds(), ch, *cfg.cal)
        if 0 <= c.fill_ul < c.taken_ul + cfg.dead_ul + 2 * cfg.daily_ul:
            acts.refill(engine, world.seconds(), ch, full_ul(world, ch))


def put_right(world: TroubledWorld) -> None:
    """After all troubles: the calibrations of the set-up, no trims, no overrides,
    nothing waiting, and all of `answer`."""
    answer(world)
    state, engine = world.state(), world.engine()
    for ch, c in enumerate(state.channels):
        cal = world.setup.channels[ch].cal
        if (c.cal_counts, c.cal_ul, c.cal_offset) != cal and not state.open:
            acts.calibrate(engine, world.seconds(), ch, *cal)
        if c.trim_n:
            acts.trim(engine, world.seconds(), ch, 0, 0, keep=True)
        if c.over:
            acts.override(engine, world.seconds(), ch, 0, 0, keep=True)
        if c.extra:
            acts.cancel_extra(engine, world.seconds(), ch)


def _keeping(do: Callable[..., bool], keep: int) -> Callable[..., bool]:
    def asked(engine: Any, now_s: int, *own: Any, request: int) -> bool:
        return do(engine, now_s, *own, request=request, keep=bool(keep))

    return asked


ACTS: dict[str, Callable[[TroubledWorld, tuple[int, ...]], None]] = {
    "trim": trim,
    "override": override,
    "extra": extra,
    "cup": cup,
    "cancel": cancel,
    "back": back,
    "hold": hold,
    "release": release,
    "refill": refill,
    "calibrate": calibrate,
    "tubing": tubing,
    "note": note,
    "fault": fault,
    "clear": clear,
    "answer": answer,
}
