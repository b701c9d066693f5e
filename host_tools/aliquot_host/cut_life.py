"""A board on a flash under test, the people around it, and the truth about its motors.

Each `Life` lasts from one cut of power to the next. What its motors gave is kept here, exactly, in
fractions, whatever the engine believes; after a cut the truth of that moment goes on into the next
life. What must always hold is looked at from outside at each run, after each start and at the end;
what does not is raised as `cut_checks.Broken` with the number of the invariant.

`wall` is the true UTC second since 2000, `powered` the true seconds with power.
"""

from __future__ import annotations

import dataclasses
import json
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from fractions import Fraction
from typing import NamedTuple

from aliquot.core import acts, adopt, events, ledger, setup, snapshot
from aliquot.core.engine import Engine
from aliquot.core.ledger import CUP, DOSE, FAULT
from aliquot.core.plan import Setup
from aliquot.core.state import State
from aliquot.store import config
from aliquot.store.journal import Journal
from aliquot.store.recover import open_journal
from aliquot_host import cut_checks
from aliquot_host.cut_checks import Broken, Gave, Row
from aliquot_host.flash import Flash, LittleFiles

DAY_S = 86400
RETRY_S = 600
TRIES_MOST = 40
STEPS_MOST = 20000


class Turn(NamedTuple):
    """One run of a motor. key: (channel, revision, date, index), () outside the timetable; given:
    counts that it made; ul: what entered, at the largest calibration since."""

    channel: str
    key: tuple[int | str, ...]
    into: int
    asked: int
    given: int
    start: int
    end: int
    ul: Fraction
    seq: int


@dataclasses.dataclass(frozen=True)
class Truth:
    """What is so at a moment, replaced and never changed.

    place: the next act of the script. seq: the last record whose `put` had returned. setup,
    coming: the set-up adopted, and the one being adopted. tampered: whether setup.json was
    changed from outside ("begun" while that is under way). flipped: numbers of records with a
    flipped bit."""

    wall: int
    powered: int = 0
    place: int = 0
    turns: tuple[Turn, ...] = ()
    seq: int = 0
    setup: str = ""
    coming: str = ""
    tampered: str = ""
    flipped: frozenset[int] = frozenset()


class Watched:
    """A journal that tells the life of every record once it is durable."""

    def __init__(self, journal: Journal, life: Life) -> None:
        self.journal = journal
        self.state = journal.state
        self.life = life

    def put(self, now_s: int, kind: str, fields: tuple[int, ...], text: str = "") -> None:
        """Pass a record on."""
        before = self.state.now_s
        run = self.state.open
        got = self.state.channels[run[0]].tot[ledger.COMMANDED] if run else 0
        try:
            self.journal.put(now_s, kind, fields, text)
        except OSError:
            self.life.failures += 1
            raise
        own = Row(self.state.seq, now_s - before, kind, cut_checks.plain(fields), text)
        self.life.recorded(own, run, got)


def all_lost(state: State, records: int) -> tuple[int, ...]:
    """What may have entered in lost records: nobody knows, so all that each window held."""
    return tuple(max(1, c.ring.total_ul) for c in state.channels)


def entered(turns: Iterable[Turn], channels: tuple[str, ...], since: int) -> Fraction:
    """What the runs that ended after `since` brought into the tank, exactly."""
    sums: dict[int, int] = {}
    for turn in turns:
        if turn.end > since and turn.into != CUP and turn.channel in channels:
            own = turn.ul.denominator
            sums[own] = sums.get(own, 0) + turn.ul.numerator
    return sum((Fraction(n, own) for own, n in sums.items()), Fraction(0))


Act = Callable[["Life"], None]


class World(NamedTuple):
    """What all lives of a scenario share: canonical set-ups by name, the acts, who is at what."""

    board: str
    setups: Mapping[str, bytes]
    script: tuple[tuple[int, str, Act], ...]  # (true second, what, how)
    first: str


_COMPILED: dict[bytes, Setup] = {}


def compiled(data: bytes) -> Setup:
    """The set-up of canonical bytes, compiled once a process."""
    if data not in _COMPILED:
        _COMPILED[data] = setup.build(json.loads(data), config.hash_of(data))
    return _COMPILED[data]


class Life:
    """One life of the board, from `start` until somebody cuts its power.

    known, gave: every record so far by number, and what each outcome came to. With a list in
    `flash.log`, `marks` says what was so after how many changes of the flash."""

    def __init__(
        self,
        world: World,
        flash: Flash,
        truth: Truth,
        known: dict[int, Row] | None = None,
        gave: dict[int, Gave] | None = None,
    ) -> None:
        self.world = world
        self.flash = flash
        self.truth = truth
        self.known: dict[int, Row] = known if known is not None else {}
        self.gave: dict[int, Gave] = gave if gave is not None else {}
        self.marks: list[tuple[int, Truth]] = [(0, truth)]
        self.files: LittleFiles
        self.journal: Journal
        self.number = -1  # of the newest segment, when it was last looked at
        self.engine: Engine | None = None
        self.zero_w = 0
        self.again_w = -1  # when a start that failed is tried again
        self.looked_w = -1  # when the user looks at lost records
        self.retry_w = -1
        self.tries = 0
        self.ran = 0
        self.done: Counter[str] = Counter()  # acts that were taken
        self.refused: list[str] = []
        self.failures = 0  # records that the flash did not take
        self.turned_away = 0  # starts that refused a changed set-up
        self.rotations = 0
        self.rolls: list[tuple[int, int]] = []  # changes of the flash before and after each
        self.stumble = False
        self.pull = False  # power goes in the middle of the next run
        self.dated = True  # whether `gave` has every outcome
        self.caps: list[tuple[int, tuple[str, ...]]] = []

    # Truth

    def now_s(self) -> int:
        return self.truth.wall - self.zero_w

    def be(self, **changes: object) -> None:
        """Something is so from now on."""
        self.truth = dataclasses.replace(self.truth, **changes)  # type: ignore[arg-type]
        if self.flash.log is not None:
            self.marks.append((len(self.flash.log), self.truth))

    def sleep(self, seconds: int) -> None:
        self.be(wall=self.truth.wall + seconds, powered=self.truth.powered + seconds)

    def recorded(self, own: Row, run: tuple[int, ...], before_ul: int) -> None:
        """A record is durable."""
        state = self.journal.state
        self.known[own.seq] = own
        if self.journal.number != self.number:
            self.number = self.journal.number
            self.rotations += 1
            self.rolls.append((self.marks[-1][0], len(self.flash.log or ())))
        if own.kind in "OU" and run and run[3] != CUP:
            ch, asked, into = run[0], run[1], run[3]
            c = state.channels[ch]
            got = c.tot[ledger.COMMANDED] - before_ul
            date, utc = c.date, (state.now_s + state.offset) // DAY_S
            if into != DOSE and not (date and abs(date - utc) < 2):
                date = utc
            sure = got if own.kind == "O" else 0
            self.gave[own.seq] = (date, state.ids[ch], asked, sure, got)
        self.be(seq=own.seq)

    # Power

    def start(self) -> None:
        """Power comes: the board recovers, boots, and somebody sets its clock. Where the flash
        does not take what that needs, nothing runs and it is tried again."""
        self.engine = None
        self.again_w = -1
        try:
            self._start()
        except OSError:
            self.engine = None
            self.failures += 1
            self.again_w = self.truth.wall + RETRY_S

    def _start(self) -> None:
        self.files = LittleFiles(self.world.board, self.flash)
        truth = self.truth
        damaged = bool(truth.flipped)
        worst = self._newest_flipped() if damaged else False
        self.journal, findings = open_journal(self.files, all_lost)
        state = self.journal.state
        if self.number >= 0:
            self.rotations += self.journal.number != self.number
        self.number = self.journal.number
        if not damaged and not truth.seq <= state.seq <= truth.seq + 1:
            raise Broken("S16", f"{truth.seq} records were durable, {state.seq} were found")
        if worst and not state.gap:
            raise Broken("S16", f"a damaged record was taken for good: {findings}")
        self._last_written(state.seq)
        self.be(seq=state.seq)  # what was found once must be found again
        self.zero_w = truth.wall - state.now_s
        found = self._settle(state)
        if found is None:
            self.engine = None
            self.caps = []
        else:
            self.engine = Engine(found, Watched(self.journal, self))
            self._limits(found)
            if state.ids:
                self._looked_again(state)
                events.boot(self.engine, state.now_s, 1)
            else:
                self.load(self.world.first)
                events.boot(self.engine, state.now_s, 1)
            events.set_clock(self.engine, self.now_s(), truth.wall, 2, 1)
        self.looked_w = truth.wall + RETRY_S if state.gap else -1
        if state.channels:
            self.check_counters()

    def _last_written(self, last: int) -> None:
        """Forget records that never were; one whose `put` had not returned may be there."""
        for seq in [n for n in self.known if n > last]:
            del self.known[seq]
            self.gave.pop(seq, None)
        if last == self.truth.seq + 1:
            own = next((r for r in cut_checks.last_rows(self.files) if r.seq == last), None)
            if own and own != self.known.get(last):
                self.known[last] = own
                self.dated = self.dated and own.kind not in "OU"

    def _newest_flipped(self) -> bool:
        """Whether the newest segment holds a damaged record before a good one."""
        found = cut_checks.segments(self.files)
        return bool(found) and found[-1].seq >= 0 and found[-1].bad > 0

    def _settle(self, state: State) -> Setup | None:
        """S17: the set-up is the old one, the new one, or refused; None where nothing may run."""
        truth = self.truth
        word, data = config.settle(self.files, state.hash)
        if word == "none" and not truth.setup:
            return compiled(self.world.setups[self.world.first])
        if word == "rejected" and truth.tampered:
            self.turned_away += 1
            return None
        names = [name for name, own in self.world.setups.items() if own == data]
        if word != "ok" or not names:
            raise Broken("S17", f"the set-up reads as {word}: {str(data)[:60]}")
        if truth.tampered == "done":
            raise Broken("S17", "a file that was changed from outside was taken")
        if names[0] not in (truth.setup, truth.coming):
            raise Broken("S17", f"set-up {names[0]}, adopted was {truth.setup}")
        if config.hash_of(self.world.setups[names[0]]) != state.hash:
            raise Broken("S17", "the set-up is not the one that the journal names")
        self.be(setup=names[0], coming="")
        return compiled(self.world.setups[names[0]])

    def _looked_again(self, state: State) -> None:
        """S15: a run whose outcome was not recorded is known and taken as given."""
        if self.truth.flipped or not self.truth.turns:
            return
        last = self.truth.turns[-1]
        ended = any(s > last.seq and r.kind in "OU" for s, r in self.known.items())
        if not ended and not state.open:
            raise Broken("S15", f"the run of {last.channel} at record {last.seq} is forgotten")

    def power_cycle(self, seconds: int) -> None:
        """Power goes between two runs, and comes back."""
        self.be(wall=self.truth.wall + seconds)
        self.start()

    def load(self, name: str) -> None:
        """The user loads a set-up into the board."""
        engine = self.engine
        if engine is None:
            raise self.held()
        data = self.world.setups[name]
        if self.truth.setup == name:
            return
        self.be(coming=name)
        new = compiled(data)
        config.adopt(
            self.files, data, lambda _: adopt.adopt(engine, new, self.now_s(), given_ul=0)
        )
        self._limits(new)
        self.be(setup=name, coming="")

    def held(self) -> Exception:
        """What an act meets on a board that did not start."""
        if self.again_w >= 0:
            return OSError(28, "the board could not start")
        return acts.Refused("board", "held", "started", "put the set-up right first")

    def _limits(self, made: Setup) -> None:
        self.caps = [(c.cap_ul, (c.id,)) for c in made.channels]
        self.caps += [
            (ul, tuple(made.channels[m].id for m in members)) for ul, members in made.groups
        ]

    # Time

    def live(self, until_w: int, stop: Callable[[], bool] | None = None) -> None:
        """Let time pass; acts of the script come when they are due."""
        for _ in range(STEPS_MOST):
            if self.truth.wall >= until_w or (stop and stop()):
                return
            self._step(until_w)
        raise Broken("S23", "the engine never comes to rest")

    def _step(self, until_w: int) -> None:
        engine, wall = self.engine, self.truth.wall
        script, place = self.world.script, self.truth.place
        rest = engine is None or engine.wake_s > self.now_s()
        act_w = max(script[place][0], self.retry_w) if place < len(script) else until_w
        if rest and engine and 0 <= self.looked_w <= wall:
            self._look(engine)
            return
        if rest and act_w <= wall and place < len(script):
            self._act(place, script[place][1], script[place][2])
            return
        if engine:
            job = engine.poll(self.now_s())
            if job:
                self._turn(engine, *job[:2])
                return
        if not engine and 0 <= self.again_w <= wall:
            self.start()
            return
        other_w = self.again_w if self.again_w >= 0 else until_w
        wake_w = engine.wake_s + self.zero_w if engine else other_w
        if rest or wake_w > wall:
            look_w = self.looked_w if self.looked_w >= 0 else until_w
            self.sleep(max(0, min(wake_w, until_w, look_w, max(act_w, wall)) - wall))

    def _look(self, engine: Engine) -> None:
        """The user answers for lost records."""
        self.looked_w = -1
        try:
            acts.release(engine, self.now_s(), ledger.ALL, 2)
        except OSError:
            self.looked_w = self.truth.wall + RETRY_S

    def _act(self, place: int, what: str, do: Act) -> None:
        try:
            do(self)
            self.done[what] += 1
        except acts.Refused as why:
            self.refused.append(f"{what}: {why}")
        except OSError as error:
            self.tries += 1
            if self.tries > TRIES_MOST:
                raise Broken("S24", f"{what} cannot be recorded: {error}") from error
            self.retry_w = self.truth.wall + RETRY_S
            return
        self.tries = 0
        self.retry_w = -1
        if self.truth.place == place:
            self.be(place=place + 1)

    # Motors

    def _turn(self, engine: Engine, ch: int, counts: int) -> None:
        """The motor turns; S1, S5 and S14 before it does."""
        state = engine.state
        truth = self.truth
        own = self.known.get(truth.seq)
        c = state.channels[ch]
        name = state.ids[ch]
        asked, into = state.open[2:4] if state.open else (0, 0)
        if not own or own.kind not in "IJ" or (*own.fields, 0)[0] != ch or asked != counts:
            raise Broken("S14", f"a motor moved, the last record is {own}")
        if not self.ran or self.flash.log is not None:
            self._durable(own)
        key = (name, c.rev, c.date, (own.fields + (0,) * 3)[2]) if own.kind == "I" else ()
        if key and any(turn.key == key for turn in truth.turns):
            raise Broken("S5", f"dose {key} runs again")
        if into != CUP:
            self._room(name, Fraction(counts * c.cal_ul, c.cal_counts), c.cal_ul // c.cal_counts)
        given = counts * 6 // 10 if self.stumble or self.pull else counts
        ratio = Fraction(c.cal_ul, c.cal_counts) if c.cal_counts else Fraction(0)
        seconds = -(-given // engine.setup.channels[ch].speed_cps)
        start = truth.powered
        turn = Turn(name, key, into, counts, given, start, start + seconds, given * ratio, own.seq)
        self.ran += 1
        self.be(
            wall=truth.wall + seconds,
            powered=truth.powered + seconds,
            turns=(*truth.turns, turn),
        )
        if self.pull:
            self.pull = False
            self.power_cycle(RETRY_S)
            return
        cause = FAULT if self.stumble else 0
        self.stumble = False
        engine.ended(self.now_s(), given, cause)

    def _durable(self, own: Row) -> None:
        """S14: the flash alone, mounted anew, holds the intent."""
        found = cut_checks.last_rows(self.files.copy(), 1)
        if not found or found[-1][0] != own[0] or found[-1][2:] != own[2:]:
            raise Broken("S14", f"the intent {own.seq} is not on the flash")

    def _room(self, name: str, ul: Fraction, count_ul: int) -> None:
        """S1, by what the motors gave: rounding may hide a count and two microlitres a channel."""
        since = self.truth.powered - DAY_S
        for cap_ul, members in self.caps:
            if name in members:
                used = ul + entered(self.truth.turns, members, since)
                if used > cap_ul + len(members) * (3 + count_ul):
                    text = f"{float(used):.1f} µL through {' and '.join(members)} in 24 h"
                    raise Broken("S1", f"{text}, the cap is {cap_ul}")

    def calibrated(self, name: str, more: Fraction) -> None:
        """A new calibration says that more went in than was thought."""
        if more > 1:
            self.be(
                turns=tuple(
                    t._replace(ul=t.ul * more) if t.channel == name else t
                    for t in self.truth.turns
                )
            )

    # At the end

    def check_counters(self) -> None:
        """S15: what went in is counted, in the totals and in the cap's window; and no more than
        what was asked for."""
        if self.truth.flipped:
            return
        state = self.journal.state
        since = self.truth.powered - DAY_S
        for name, c in zip(state.ids, state.channels, strict=True):
            mine = [t for t in self.truth.turns if t.channel == name and t.into != CUP]
            open_run = state.open and state.ids[state.open[0]] == name and state.open[3] != CUP
            least = sum(t.given for t in mine)
            most = sum(t.asked for t in mine) + self._unasked(name)
            counts = c.tot[ledger.COUNTS] + (state.open[2] if open_run else 0)
            if not least <= counts <= most:
                raise Broken("S15", f"{name}: {counts} counts recorded, {least} to {most} given")
            used = c.ring.used_ul(self.now_s()) + (state.open[1] if open_run else 0)
            true = entered(self.truth.turns, (name,), since)
            lost = 3 + 2 * (c.cal_ul // max(1, c.cal_counts))
            if used + lost < true:
                raise Broken("S15", f"{name}: {used} µL in the window, {float(true):.1f} entered")

    def _unasked(self, name: str) -> int:
        """Counts of intents whose motor never moved: they are taken as given."""
        state = self.journal.state
        begun = {turn.seq for turn in self.truth.turns}
        most = 0
        for seq, own in self.known.items():
            if own.kind in "IJ" and seq not in begun:
                fields = own.fields + (0,) * 5
                if fields[0] < len(state.ids) and state.ids[fields[0]] == name:
                    most += fields[4] if own.kind == "I" else fields[2]
        return most

    def check_end(self) -> None:
        """S24: the files alone give the state, the records are whole and add up."""
        if not self.journal.state.ids:
            return
        state = self.journal.state
        damaged = bool(self.truth.flipped)
        if self.engine is not None:
            self.check_counters()
        files = self.files.copy()
        found = cut_checks.segments(files)
        rows = cut_checks.journal(found, damaged)
        if not rows or rows[-1].seq != state.seq:
            raise Broken("S24", f"the last record on flash is not {state.seq}")
        cut_checks.same_records(rows, self.known, self.truth.seq, self.truth.flipped)
        whole = [one for one in found if one.seq >= 0]
        cut_checks.acts_kept(files, whole[0].seq, self.known, damaged)
        if damaged:
            return
        if self.dated:
            cut_checks.days_kept(files, self.gave)
        again = snapshot.load(whole[0].snapshot)
        for own in rows:
            again.apply(own.dt_s, own.kind, own.fields + (0,) * cut_checks.PADDED, own.text)
        if snapshot.dump(again) != snapshot.dump(state):
            raise Broken("S24", "the records fold to another state than the board has")
        books(state)


def books(state: State) -> None:
    """The two identities of the ledger, where no run is open (S10, S24)."""
    for name, c in zip(state.ids, state.channels, strict=True):
        t = c.tot
        came = t[ledger.COMMANDED] + t[ledger.SKIPPED] + t[ledger.MISSED] + t[ledger.REFUSED]
        wanted = t[ledger.PLANNED] + t[ledger.RAISED] + t[ledger.EXTRA] + t[ledger.OVER]
        if not state.open and wanted != came + t[ledger.SHORT]:
            raise Broken("S10", f"{name}: planned and given do not add up")
        back = t[ledger.RAISED] + t[ledger.LAPSED] + sum(c.owed[1::2])
        if not state.open and t[ledger.MISSED] + t[ledger.SHORT] != back:
            raise Broken("S24", f"{name}: missed and owed do not add up")
