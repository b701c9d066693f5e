"""Runs cases of the soak on all cores, in the order of their seeds; makes the first bad one small.

A violation is a law that did not hold, or anything that the product or the world raised: "crash".
The same seed gives the same outcome on any number of cores. Nothing is printed here, and no file
is written.
"""

from __future__ import annotations

import contextlib
import dataclasses
import itertools
import multiprocessing
import os
import signal
import threading
import time
import traceback
from collections import Counter, deque
from collections.abc import Callable, Generator, Iterator
from multiprocessing import connection
from pathlib import Path
from types import FrameType
from typing import Any

from aliquot.core.decimals import stamp_text
from aliquot_host import defects, trouble_case, trouble_setup
from aliquot_host.setup_file import Data, Loaded
from aliquot_host.trouble import Broken, TroubledWorld
from aliquot_host.trouble_case import DAY_S, Case, Trouble

SEED_MOST = (1 << 31) - 1
RUNS_MOST = 10_000_000
CRASH = "crash"
# Cases that the shrinking may try, and what of a story is worth telling.
TRIES_MOST = 160
TOLD_MOST = 24
# Seeds in work for each core: an early violation is waited for, not overtaken.
AHEAD = 6
# So often Ctrl-C is looked for, in seconds.
LOOK_S = 0.5


@dataclasses.dataclass(frozen=True)
class Violation:
    """What did not hold. numbers: of all laws that the same step broke, the first one first.
    at_s: powered seconds from the start; at_w: the true time, UTC."""

    seed: int
    numbers: tuple[str, ...]
    text: str
    at_s: int
    at_w: int = 0

    @property
    def number(self) -> str:
        return self.numbers[0]


@dataclasses.dataclass(frozen=True)
class Outcome:
    """What came of one seed. digest: SHA-256 over the board's files at its end."""

    seed: int
    days: float
    doses: int
    records: int
    looks: int
    faults: dict[str, int]
    acts: dict[str, int]
    digest: str
    violation: Violation | None


@dataclasses.dataclass
class Total:
    """What came of all seeds so far; ended: "all" of them ran, or why not."""

    first: int
    runs: int = 0
    days: float = 0.0
    doses: int = 0
    records: int = 0
    looks: int = 0
    faults: Counter[str] = dataclasses.field(default_factory=Counter[str])
    acts: Counter[str] = dataclasses.field(default_factory=Counter[str])
    violation: Violation | None = None
    ended: str = "all"
    seconds: float = 0.0

    def add(self, one: Outcome) -> None:
        """Count an outcome."""
        self.runs += 1
        self.days += one.days
        self.doses += one.doses
        self.records += one.records
        self.looks += one.looks
        self.faults.update(one.faults)
        self.acts.update(one.acts)
        self.violation = self.violation or one.violation


def lived(case: Case, inject: str = "") -> Outcome:
    """Live a case through, with a defect planted where one is named."""
    violation: Violation | None = None
    with defects.planted(inject):
        world = TroubledWorld(case)
        try:
            world.live()
        except Broken as broken:
            numbers = tuple(dict.fromkeys(broken.numbers))
            violation = Violation(case.seed, numbers, broken.text, broken.at_s, world.now_w)
        except Exception as mistake:  # noqa: BLE001 - whatever it is, it is a finding
            at_s = world.powered_s()
            violation = Violation(case.seed, (CRASH,), _crash(mistake), at_s, world.now_w)
    return Outcome(
        case.seed,
        max(0, world.powered_s()) / DAY_S,
        world.doses,
        world.checks.records,
        world.looks,
        dict(world.faults),
        dict(world.acted),
        world.digest(),
        violation,
    )


def _crash(mistake: Exception) -> str:
    at = traceback.extract_tb(mistake.__traceback__)[-1]
    return f"{type(mistake).__name__} in {Path(at.filename).name}, {at.name}: {mistake}"


def one(seed: int, flash: str | None = None, inject: str = "") -> Outcome:
    """The outcome of a seed; one that cannot even be drawn is a crash."""
    try:
        return lived(trouble_case.drawn(seed, flash), inject)
    except Exception as mistake:  # noqa: BLE001 - a finding like all others
        violation = Violation(seed, (CRASH,), _crash(mistake), 0)
        return Outcome(seed, 0.0, 0, 0, 0, {}, {}, "", violation)


def run(
    first: int,
    runs: int | None,
    jobs: int = 1,
    until: float | None = None,
    flash: str | None = None,
    inject: str = "",
    each: Callable[[Total], None] | None = None,
) -> Total:
    """Run seeds from `first` on: `runs` of them, or until `until` of time.monotonic().

    Ends with the first violation. Ctrl-C ends it as well, with what was done until then."""
    total = Total(first)
    begin = time.monotonic()
    seeds = _seeds(first, runs, until)
    with stopping() as asked, _outcomes(seeds, jobs, flash, inject, asked) as outcomes:
        for outcome in outcomes:
            total.add(outcome)
            if each:
                each(total)
            if total.violation:
                break
    if total.violation:
        total.ended = "violation"
    elif asked:
        total.ended = "interrupted"
    elif runs is None or total.runs < runs:
        total.ended = "time"
    total.seconds = time.monotonic() - begin
    return total


@contextlib.contextmanager
def stopping() -> Generator[list[bool]]:
    """Meanwhile Ctrl-C only adds to the list that this gives: what is under way ends well."""
    asked: list[bool] = []
    if threading.current_thread() is not threading.main_thread():
        yield asked
        return

    def ask(_number: int, _frame: FrameType | None) -> None:
        asked.append(True)

    before = signal.signal(signal.SIGINT, ask)
    try:
        yield asked
    finally:
        signal.signal(signal.SIGINT, before)


def _seeds(first: int, runs: int | None, until: float | None) -> Iterator[int]:
    seed = first
    while (runs is None or seed < first + runs) and (until is None or time.monotonic() < until):
        yield seed
        seed += 1


@contextlib.contextmanager
def _outcomes(
    seeds: Iterator[int], jobs: int, flash: str | None, inject: str, asked: list[bool]
) -> Generator[Iterator[Outcome]]:
    """Outcomes in the order of their seeds, until `asked` has something in it."""
    if jobs == 1:
        yield (
            one(seed, flash, inject) for seed in itertools.takewhile(lambda _: not asked, seeds)
        )
        return
    context = multiprocessing.get_context("spawn" if os.name == "nt" else "fork")
    workers: list[_Worker] = []
    try:
        for _ in range(jobs):
            workers.append(_Worker(context, flash, inject))
        yield _in_order(workers, seeds, asked)
    finally:
        for worker in workers:
            worker.end()


class _Worker:
    """A process that works on one seed after the other; seed: the one it has, or -1."""

    def __init__(self, context: Any, flash: str | None, inject: str) -> None:
        self.pipe, theirs = context.Pipe()
        self.seed = -1
        self.dead = False
        self.process = context.Process(target=_serve, args=(theirs, flash, inject), daemon=True)
        self.process.start()
        theirs.close()

    def give(self, seed: int) -> None:
        """Let it begin."""
        self.seed = seed
        self.pipe.send(seed)

    def take(self) -> Outcome:
        """What came of its seed; that it died is a finding too."""
        seed, self.seed = self.seed, -1
        try:
            return self.pipe.recv()
        except EOFError:
            self.dead = True
            self.process.join()
            text = f"the process died of it ({self.process.exitcode})"
            violation = Violation(seed, (CRASH,), text, 0)
            return Outcome(seed, 0.0, 0, 0, 0, {}, {}, "", violation)

    def end(self) -> None:
        """Whatever it does, it stops."""
        self.process.terminate()
        self.process.join()
        self.pipe.close()


def _serve(pipe: Any, flash: str | None, inject: str) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # that is for the process that people see
    with contextlib.suppress(EOFError):
        while True:
            pipe.send(one(pipe.recv(), flash, inject))


def _in_order(
    workers: list[_Worker], seeds: Iterator[int], asked: list[bool]
) -> Iterator[Outcome]:
    """Nobody gets far ahead, so that the first bad seed is the first one told."""
    done: dict[int, Outcome] = {}
    due: deque[int] = deque()
    more = True
    while not asked:
        for worker in workers:
            idle = worker.seed < 0 and not worker.dead
            if idle and more and len(due) < AHEAD * len(workers):
                seed = next(seeds, -1)
                more = seed >= 0
                if more:
                    due.append(seed)
                    worker.give(seed)
        busy = {worker.pipe: worker for worker in workers if worker.seed >= 0}
        if not busy and not due:
            return
        for pipe in connection.wait(list(busy), timeout=LOOK_S):
            outcome = busy[pipe].take()
            done[outcome.seed] = outcome
        while due and due[0] in done:
            yield done.pop(due.popleft())


# Making a case small


@dataclasses.dataclass(frozen=True)
class Shrunk:
    """The smallest case found that breaks the same law. tried: how many were looked at."""

    case: Case
    violation: Violation
    tried: int


class _Shrinking:
    def __init__(self, case: Case, found: Violation, inject: str, each: Callable[[int], None]):
        self.case, self.found, self.inject, self.each = case, found, inject, each
        self.tried = 0

    def holds(self, case: Case) -> bool:
        """Whether a smaller case breaks the same law; it is taken then."""
        if self.tried >= TRIES_MOST:
            return False
        self.tried += 1
        self.each(self.tried)
        found = lived(case, self.inject).violation
        if not found or found.number != self.found.number:
            return False
        self.case, self.found = case, found
        return True

    def days(self) -> None:
        """No longer than it takes, and nothing behind it."""
        case, at_s = self.case, self.found.at_s
        if at_s < case.days * DAY_S:
            days = max(1, at_s // DAY_S + 1)
            kept = tuple(one for one in case.troubles if one.at_s <= at_s)
            self.holds(dataclasses.replace(case, days=days, troubles=kept, short=True))

    def troubles(self) -> None:
        """Fewer troubles: large parts first, then one by one."""
        size = max(1, len(self.case.troubles) // 2)
        while size and self.tried < TRIES_MOST:
            at = 0
            while at < len(self.case.troubles):
                rest = self.case.troubles[:at] + self.case.troubles[at + size :]
                if not self.holds(dataclasses.replace(self.case, troubles=rest)):
                    at += size
                if self.tried >= TRIES_MOST:
                    return
            size //= 2

    def plainer(self) -> None:
        """A board and a set-up without what does not matter."""
        plain: tuple[dict[str, Any], ...] = (
            {"ppm": 0}, {"tick0": 0}, {"kept": 0}, {"flash": ""}, {"chip": False},
        )  # fmt: skip
        for own in plain:
            if any(getattr(self.case, name) != value for name, value in own.items()):
                self.holds(dataclasses.replace(self.case, **own))
        if not any(one.kind == "load" for one in self.case.troubles):
            if len(self.case.setups) > 1:
                self.holds(dataclasses.replace(self.case, setups=self.case.setups[:1]))
            self._channels()

    def _channels(self) -> None:
        for name in [c["id"] for c in self.case.setups[0].data["channel"]]:
            less = trouble_setup.without(self.case.setups[0].data, name, self.case.date)
            if less:
                self.holds(dataclasses.replace(self.case, setups=(less,)))


def shrunk(
    case: Case, found: Violation, inject: str = "", each: Callable[[int], None] | None = None
) -> Shrunk:
    """The smallest case that at most TRIES_MOST tries find."""
    work = _Shrinking(case, found, inject, each or (lambda _: None))
    work.days()
    work.troubles()
    work.plainer()
    work.days()
    work.troubles()
    return Shrunk(work.case, work.found, work.tried)


def story(small: Shrunk, inject: str = "") -> list[str]:
    """What happens in a small case, one line each: the set-up, the troubles, the last records."""
    case = small.case
    data = case.setups[0].data
    lines = [f"zone {data['timezone']}, from {stamp_text(case.start_w)[:10]}, {_board(case)}"]
    lines += [_channel(c) for c in data["channel"]]
    lines += [
        f"{' and '.join(pair['channels'])} apart by {pair['seconds']} s"
        for pair in data["separate"]
    ]
    lines += [f"load {i} is: {_differs(data, other)}" for i, other in _others(case)]
    with defects.planted(inject):
        world = TroubledWorld(case, telling=True)
        with contextlib.suppress(Exception):
            world.live()
    told = [f"{stamp_text(at_w)}  {text}" for at_w, text in world.told]
    if len(told) > TOLD_MOST:
        told = [f"({len(told) - TOLD_MOST} troubles before)", *told[-TOLD_MOST:]]
    return [*lines, *told, *_last_records(world)]


def _board(case: Case) -> str:
    parts = [f"on {case.flash}" if case.flash else "in memory"]
    if case.ppm:
        parts.append(f"its clock {case.ppm:+} ppm")
    return ", ".join(parts)


def _channel(c: Data) -> str:
    grace = f"grace {c['grace_s']} s"
    return f"{c['id']}: {c['daily_ul']} µL in {c['doses']} doses, cap {c['cap_ul']} µL, {grace}"


def _others(case: Case) -> list[tuple[int, Loaded]]:
    used = {one.n[0] for one in case.troubles if one.kind == "load"}
    return [(i, case.setups[i]) for i in sorted(used)]


def _differs(data: Data, other: Loaded) -> str:
    was = {c["id"]: c for c in data["channel"]}
    found = [f"zone {other.data['timezone']}"] if other.data["tz"] != data["tz"] else []
    for c in other.data["channel"]:
        old = was.pop(c["id"], None)
        if old is None:
            found.append(f"{c['id']} comes in")
        elif old != c:
            names = [key for key in c if c[key] != old[key]]
            found.append(f"{c['id']} with other {', '.join(names)}")
    found += [f"{name} goes out" for name in was]
    return "; ".join(found) or "the same"


def _last_records(world: TroubledWorld) -> list[str]:
    """The last lines of the newest segment, as they stand there."""
    names = sorted(name for name in world.files.names() if name[:1] == "j")
    if not names:
        return []
    lines = (world.files.read(names[-1]) or b"").split(b"\n")
    return ["the journal ends with:", *(one.decode(errors="replace") for one in lines[-5:] if one)]


__all__ = ["Outcome", "Shrunk", "Total", "Trouble", "Violation", "one", "run", "shrunk", "story"]
