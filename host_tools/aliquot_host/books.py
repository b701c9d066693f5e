"""Adds up a journal by itself, for `checks.py`: what records may say, and what they come to.

`Books` takes one record after the other as it stands on flash. A law that a record breaks is told
to `violate(number, text)`; then the record is added, right or wrong, so that a fault is told
once. Nothing of Aliquot's core is imported: keys, volumes and times come from `due_times.py`. What
motors, files and power do is for `checks.py`, which builds on this class.
"""

from __future__ import annotations

import functools
import hashlib
import itertools
import json
from collections import deque
from collections.abc import Callable
from typing import Any

from aliquot_host.due_times import Calendar
from aliquot_host.journal_lines import Bad, Record

DAY_S = 86400
HOUR_S = 3600
AGAIN_S = 600
SMALL_S = 600
AGREE_S = 60
OFF_MOST_S = 366 * 86400
# An extra waits so long for its moment; how far apart a dose and its end may be recorded.
WAIT_S = 600
ALL = 255
DOSE, TANK, CUP = range(3)
# Reasons and causes as DEVELOPERS.md and the records number them.
ABSENT, FAULT, EMPTY, QUEUE, TRIMMED, USER, RESET = 1, 4, 6, 7, 10, 11, 12
OWED = (ABSENT, FAULT, QUEUE)
WATCHDOG = 2
BY_USER, PHONE, BY_CHIP = 1, 2, 3
# Wall seconds of 2026-01-01 and 2100-01-01.
EARLIEST_W, LATEST_W = 820454400, 3155760000
# Places of the totals.
(PLANNED, COMMANDED, COUNTS, SKIPPED, MISSED, RAISED) = range(6)
(LAPSED, REFUSED, UNCERTAIN, EXTRA, SHORT, OVER) = range(6, 12)
RESETS, DOGS = 3, 3

Violate = Callable[[str, str], None]


class Channel:
    """What the records of one channel add up to, and what its motor truly did."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.at = 0  # its number in the set-up in force
        self.rev = 0
        self.wm = -1
        self.date = 0
        self.index = -1
        self.day_ul = 0
        self.moved = 0  # how far the last key made way for others
        self.cut = False  # the date began under another plan
        self.fresh = True  # no key yet in this revision
        self.since = ""  # what began the revision: the law that a repeated dose breaks besides S5
        self.rem = 0
        self.cal: tuple[int, int, int, int] = (0, 0, 0, 0)
        self.cal_w = self.cal_ul = 0
        self.tube_w = self.tube_ul = 0
        self.tot = [0] * 12
        self.owed: list[tuple[int, int]] = []
        self.trim: tuple[int, int] = (0, 0)
        self.over: list[tuple[int, int, int]] = []
        self.fill = -1
        self.taken = 0
        self.low = 0
        self.must_low = False  # its last outcome left it low, and nobody has said so
        self.hold = -1
        self.cup = 0
        self.fault = 0
        self.latched = 0
        self.faults: list[int] = []  # code, engine second, of the last four
        self.extra: list[int] = []  # ul, counts, into, engine second
        self.stale = False  # that extra is from before a start of the board
        self.ended_s = -1  # engine second of the last end into the tank, as the records have it
        # Lost records may have left the sums uneven: by so much, once it is known.
        self.uneven: tuple[int, int] | None = (0, 0)
        # The truth. The window: powered second of the end, counts * microlitres, and the law that
        # counts it: S1, S7 for an extra, S15 for an end that nobody knows.
        self.window: deque[tuple[int, int, str]] = deque()
        self.sum = 0
        self.end_s = -DAY_S
        self.told: tuple[int, int, int] | None = None  # last dose: revision, date, wall second

    def own(self) -> list[int]:
        """The numbers of a snapshot, in its order."""
        mine = [self.rev, self.wm, self.date, self.index, self.day_ul, self.rem, *self.cal]
        mine += [self.cal_w, self.cal_ul, self.tube_w, self.tube_ul]
        mine += [self.fill, self.taken, self.low, self.hold, self.cup, self.fault, self.latched]
        return [*mine, *self.trim, self.ended_s]


class Run:
    """The open intent, and what its motor did."""

    def __init__(
        self, c: Channel, seq: int, ul: int, counts: int, into: int, start_s: int
    ) -> None:
        self.c, self.seq = c, seq
        self.ul, self.counts, self.into = ul, counts, into
        self.start_s = start_s
        self.base = self.up = 0
        self.rem = 0  # carried in before the intent
        self.index = 0
        self.due = 0
        self.started = False
        self.given = 0
        self.known = True  # whether anybody can know what was given
        self.sure = True  # whether the truth of this run was seen
        self.law = "S10"
        self.stepped = False  # the clock was set while it ran
        self.restarted = False


@functools.lru_cache(maxsize=256)
def calendar_of(canonical: bytes) -> Calendar:
    """The plan of a set-up's canonical text; many boards may share it."""
    return Calendar(json.loads(canonical))


class Books:
    """The sum of all records, and the laws of what they say; see the module.

    stated: what the user said was given before the journal began; None where nobody knows."""

    def __init__(self, violate: Violate) -> None:
        self.violate = violate
        self.stated: int | None = None
        self.plans: dict[str, Calendar] = {}
        self.texts: dict[str, bytes] = {}
        self.hash = ""
        self.calendar: Calendar | None = None
        self.channels: list[Channel] = []
        self.all: dict[str, Channel] = {}
        self.top = 0  # the highest revision of channels taken out
        self.gone_s = -1  # when the last was
        # By channel: (cap, members), and (other, seconds) that it keeps apart from.
        self.caps: list[list[tuple[int, tuple[Channel, ...]]]] = []
        self.apart: list[list[tuple[Channel, int]]] = []
        self.signatures: dict[tuple[Any, ...], int] = {}
        self.seq = 0
        self.now_s = 0
        self.offset = 0
        self.quality = 0
        self.hold = -1
        self.fault = self.latched = 0
        self.faults: list[int] = []
        self.gap = 0
        self.fresh_s = 0
        self.resets = 0
        self.dogs: list[int] = []
        self.requests: list[int] = []
        self.run: Run | None = None
        self.records = 0
        # What happened since the board started.
        self.booted = False
        self.boot_s = 0
        self.idle = True  # no motor has turned
        self.heard: list[tuple[int, int, int]] = []
        self.turning: Channel | None = None
        self.starved = False  # it began after an allocation that failed
        self.dead = False  # memory has run out since, and it still has power
        # True time with power; and by how much it was ahead of the journal's at a motor's start.
        self.powered_s = 0
        self.lead_s = 0
        self.kinds: dict[str, Callable[[Record, list[int]], None]] = {
            name[3:]: getattr(self, name) for name in dir(self) if name.startswith("on_")
        }

    def know(self, data: dict[str, Any], canonical: bytes) -> None:
        """A set-up that somebody may load."""
        digest = hashlib.sha256(canonical).hexdigest()
        self.plans[digest] = calendar_of(canonical)
        self.texts[digest] = canonical

    def by_now_s(self) -> int:
        """The least that true powered time can be at the last record: the journal's only falls
        behind."""
        return max(self.powered_s, self.lead_s + self.now_s)

    def add(self, one: Record, old: bool = False) -> None:
        """Take the next record; `old`: it is from before the start that is under way."""
        self.records += 1
        if one.seq != self.seq + 1:
            self.violate("S24", f"record {one.seq} follows record {self.seq}")
        if self.dead:
            self.violate("S26", f"memory ran out, and a record ({one.kind}) follows")
        if self.starved and not old:
            self.starved = False
            if one.kind not in "BGT":
                self.violate("S26", f"after an allocation failure comes a record {one.kind}")
        self.seq = one.seq
        self.now_s += one.dt_s
        f = one.fields
        do = self.kinds.get(one.kind)
        if do is None:
            self.violate("S24", f"a record of the kind {one.kind}")
        else:
            do(one, f + [0] * (12 - len(f)))

    def _channel(self, ch: int) -> Channel:
        if not 0 <= ch < len(self.channels):
            raise Bad(f"a record of channel {ch}")
        return self.channels[ch]

    def _cfg(self, c: Channel) -> dict[str, Any]:
        assert self.calendar
        return self.calendar.channels[c.at]

    def again(self, c: Channel, text: str) -> None:
        """A dose that may not be runs: S5, and what it is a part of where a revision began."""
        self.violate("S5", f"{c.name}: {text}")
        if c.since:
            self.violate(c.since, f"{c.name}: {text}")

    # Runs

    def on_I(self, one: Record, f: list[int]) -> None:
        ch, after, index, ul, counts, dates, trim, up = f[:8]
        c = self._channel(ch)
        self._no_open(one)
        due = c.wm + after
        base = ul - up
        if after <= 0:
            self.again(c, f"a dose due at {due}, closed is all until {c.wm}")
        pct, left = c.trim
        before = c.day_ul
        total = self._key(c, c.date + dates, index, index, 1, base + trim, due)
        if total >= 0:
            right = base + trim
            if not dates:
                right = max(0, min(right, total - before))
            if left:
                right = right * (100 - pct) // 100
            if base != right:
                self.violate("S10", f"{c.name}: {base} µL are given, {right} should be")
            if base + (0 if dates else before) > total:
                text = f"{base} µL more on a date that gets {total} and has {before}"
                self.violate("S25", f"{c.name}: {text}")
        c.trim = (pct, max(0, left - 1))
        c.day_ul += base
        if up:
            self._raised(c, base, up, trim)
            self._settle(c, up)
        c.tot[PLANNED] += base + trim
        c.tot[SKIPPED] += trim
        self.run = run = Run(c, one.seq, ul, counts, DOSE, self.now_s)
        run.base, run.up, run.index, run.due = base, up, index, due
        self._counts(run)

    def on_J(self, one: Record, f: list[int]) -> None:
        ch, ul, counts, into = f[:4]
        c = self._channel(ch)
        self._no_open(one)
        if c.extra[:1] != [ul] or c.extra[2] != into:
            self.violate("S7", f"{c.name}: a run of {ul} µL that nobody asked for")
        elif c.stale:
            self.violate("S7", f"{c.name}: an extra from before a start runs")
        elif self.now_s - c.extra[3] > WAIT_S:
            self.violate("S7", f"{c.name}: an extra runs {self.now_s - c.extra[3]} s after")
        elif into == CUP and counts != c.extra[1]:
            self.violate("S2", f"{c.name}: {counts} counts into a cup, asked {c.extra[1]}")
        c.extra = []
        self.run = run = Run(c, one.seq, ul, counts, into, self.now_s)
        if into == TANK:
            self._counts(run)
        else:
            c.cup = 1

    def _no_open(self, one: Record) -> None:
        run = self.run
        if run:
            law = "S15" if run.restarted else "S14"
            self.violate(law, f"intent {one.seq}, and how {run.seq} ended is not recorded")

    def _counts(self, run: Run) -> None:
        """S2: exactly what the volume and the remainder carried in come to, at least one."""
        c = run.c
        per, ul_of, offset, _ = c.cal
        run.rem = c.rem
        if not ul_of:
            return
        right = max(1, (2 * (run.ul * per + c.rem) + ul_of) // (2 * ul_of)) + offset
        if run.counts != right:
            self.violate("S2", f"{c.name}: {run.counts} counts for {run.ul} µL, not {right}")
        c.rem += run.ul * per - (run.counts - offset) * ul_of

    def _raised(self, c: Channel, base: int, up: int, lowered: int) -> None:
        if not self.calendar:
            return
        cfg = self._cfg(c)
        catch = cfg["catch_up"]
        owed = sum(ul for _, ul in c.owed)
        if up < 0 or up > base * catch["raise_pct"] // 100 or up > owed:
            self.violate("S6", f"{c.name}: a raise of {up} on {base} µL, {owed} owed")
        plan_ul = self.calendar.total(c.at, c.date, [])
        if lowered or (c.over and self.calendar.total(c.at, c.date, c.over) < plan_ul):
            self.violate("S6", f"{c.name}: a dose that was lowered is raised")
        if base + up > cfg["dose_most_ul"]:
            self.violate("S6", f"{c.name}: {base + up} µL is above the largest dose")
        wall = self.now_s + self.offset
        if c.owed and c.owed[0][0] + catch["max_age_s"] <= wall:
            self.violate("S6", f"{c.name}: raised for a dose that was due at {c.owed[0][0]}")
        if self.now_s < self.fresh_s:
            self.violate("S6", f"{c.name}: a raise while the journal is new")

    def on_O(self, one: Record, f: list[int]) -> None:
        run = self._end(one, f[0])
        if not run:
            return
        c = run.c
        given = run.counts + f[1]
        if run.sure:
            self._told(run, given, f[2])
        got, rem = self._moved(run, given)
        if f[1]:
            if run.into != CUP:
                c.rem = rem if f[1] < 0 else c.rem - f[1] * c.cal[1]
            if run.into == DOSE:
                self._ended_early(run, got, f[3])
        else:
            got = run.ul
            if run.into == DOSE:
                c.tot[RAISED] += run.up
        if f[3] and (f[1] >= 0 or f[2] not in (FAULT, RESET) or run.into != DOSE):
            self.violate("S6", f"{c.name}: {f[3]} µL owed for a run that ended with {f[2]}")
        self.resets = self.resets + 1 if f[2] == RESET else 0
        self._count(run, got, given, self.now_s)
        reservoir = self._cfg(c)["reservoir"] if self.calendar and c.fill >= 0 else None
        low = reservoir["size_ul"] * reservoir["low_pct"] // 100 if reservoir else 0
        c.must_low = c.fill >= 0 and not c.low and c.fill - c.taken <= low

    def _told(self, run: Run, given: int, cause: int) -> None:
        """An outcome beside the truth: S10, S11 after a stop, S18 where a clock stepped."""
        name = run.c.name
        if self.turning:
            self._early(run, "an outcome")
        law = "S11" if cause == USER else "S18" if run.stepped else run.law
        if run.known and given != run.given:
            text = f"{given} counts are recorded, {run.given} of {run.counts} were given"
            self.violate(law, f"{name}: {text}")
        if not run.known:
            self.violate("S15", f"{name}: {given} counts are recorded, and nobody can know")

    def _early(self, run: Run, what: str) -> None:
        self.violate("S14", f"{run.c.name}: {what} while the motor turns")
        if run.stepped:
            self.violate("S18", f"{run.c.name}: {what} while the motor turns, after a clock step")

    def _moved(self, run: Run, given: int) -> tuple[int, int]:
        """What counts bring of the open run's volume, to the nearest µL; what is carried."""
        per, ul_of, offset, _ = run.c.cal
        moved = max(0, given - offset)
        rem = run.rem if run.into != CUP else 0
        if not moved or not per:
            return 0, rem
        got = max(0, (2 * (moved * ul_of - rem) + per) // (2 * per))
        return got, rem + got * per - moved * ul_of

    def _ended_early(self, run: Run, got: int, owed: int) -> None:
        c = run.c
        short = max(0, run.base - got)
        back = max(0, min(got - run.base, run.up))
        if owed > short:
            self.violate("S6", f"{c.name}: {owed} µL owed, {short} is missing")
        c.tot[SHORT] += short
        c.tot[RAISED] += back
        c.tot[LAPSED] += short - owed + run.up - back
        c.tot[OVER] += max(0, got - run.ul)
        self._owe(c, c.wm, owed)

    def on_U(self, one: Record, f: list[int]) -> None:
        run = self._end(one, f[0])
        if not run:
            return
        c = run.c
        if run.sure:
            if self.turning:
                self._early(run, "its run is given up")
            if run.started and run.known:
                text = f"{run.given} counts were given, and the record calls them unknown"
                self.violate("S10", f"{c.name}: {text}")
            if run.into != CUP:
                self._unknown(run)
        c.tot[RAISED] += run.up
        if run.into != CUP:
            c.tot[UNCERTAIN] += run.ul
        self.resets += 1
        self._count(run, run.ul, run.counts, run.start_s + f[1])

    def _unknown(self, run: Run) -> None:
        """Nobody can know how much it gave, or that it never began: all of it may have entered."""
        c = run.c
        end_s = self.by_now_s()
        if run.started and c.window:
            end_s, ul, _ = c.window.pop()
            c.sum -= ul
        self.enter(c, end_s, max(run.counts, run.given) - c.cal[2], "S15")

    def enter(self, c: Channel, end_s: int, counts: int, law: str) -> None:
        """So many counts may have entered, until the powered second `end_s`."""
        ul = max(0, counts) * c.cal[1]
        c.window.append((end_s, ul, law))
        c.sum += ul

    def _end(self, one: Record, ch: int) -> Run | None:
        run = self.run
        if not run or run.c is not self._channel(ch):
            self.violate("S14", f"record {one.seq} ends a run that was not begun")
            return None
        self.run = None
        return run

    def _count(self, run: Run, got: int, given: int, end_s: int) -> None:
        c = run.c
        if run.into != CUP:
            c.ended_s = end_s
            c.tot[COMMANDED] += got
            c.tot[COUNTS] += given
        if run.into == TANK:
            c.tot[EXTRA] += got
        c.taken += got
        c.tube_ul += got
        c.cal_ul += got
        self._balance(c)

    def _balance(self, c: Channel) -> None:
        """The two sums that hold whenever no run of the channel is open."""
        if self.run and self.run.c is c:
            return
        t = c.tot
        came = t[COMMANDED] + t[SKIPPED] + t[MISSED] + t[REFUSED] + t[SHORT]
        owed = 0
        for _, ul in c.owed:
            owed += ul
        left = t[PLANNED] + t[RAISED] + t[EXTRA] + t[OVER] - came
        back = t[MISSED] + t[SHORT] - t[RAISED] - t[LAPSED] - owed
        if c.uneven is None:
            c.uneven = left, back
        elif (left, back) != c.uneven:
            self.violate("S24", f"{c.name}: the sums do not balance: {t}, owed {c.owed}")
            c.uneven = left, back

    # Doses that pass

    def on_M(self, one: Record, f: list[int]) -> None:
        c = self._passed(f, MISSED)
        if f[8] not in OWED:
            self.violate("S6", f"{c.name}: missed for the reason {f[8]}")
        if f[7] > f[4] or (f[7] and self.now_s < self.fresh_s):
            self.violate("S6", f"{c.name}: {f[7]} µL owed for {f[4]} missed")
        c.tot[LAPSED] += f[4] - f[7]
        if not f[5]:
            c.day_ul += f[4]
        self._owe(c, c.wm, f[7])
        self._balance(c)

    def on_R(self, one: Record, f: list[int]) -> None:
        c = self._passed(f, REFUSED)
        if f[8] == TRIMMED or f[8] in OWED:
            self.violate("S10", f"{c.name}: refused for the reason {f[8]}")
        if f[8] == EMPTY and not c.low:
            self.violate("S21", f"{c.name}: is empty, and nobody said that it ran low")
        self._balance(c)

    def on_S(self, one: Record, f: list[int]) -> None:
        c = self._passed(f, SKIPPED)
        least = self._cfg(c)["dose_least_ul"] if self.calendar else 0
        if f[8] != TRIMMED or (least and f[4] >= f[3] * least):
            text = f"{f[3]} doses of {f[4]} µL are skipped for the reason {f[8]}"
            self.violate("S10", f"{c.name}: {text}")
        self._balance(c)

    def _passed(self, f: list[int], where: int) -> Channel:
        ch, after, at, n, ul, dates, trim, owed, _, back, at0 = f[:11]
        c = self._channel(ch)
        date = c.date + dates
        due = c.wm + after
        if after <= 0:
            self.again(c, f"doses due at {due} pass, closed is all until {c.wm}")
        wall = self.now_s + self.offset
        if due > wall:
            self.violate("S20", f"{c.name}: doses pass {due - wall} s before they are due")
        if owed and where != MISSED:
            self.violate("S6", f"{c.name}: {owed} µL owed for what was not missed")
        if back < 0 or min(n, ul, trim, owed) < 0:
            self.violate("S24", f"{c.name}: {f}")
        left = c.trim[1]
        cut = c.cut
        if back and self.calendar:
            self._over_dates(c, date, back, at0, at, n, ul + trim, due)
        else:
            self._key(c, date, at0, at, n, ul + trim, due)
        if trim and not left and not cut and where != SKIPPED:
            self.violate("S10", f"{c.name}: {trim} µL trimmed, and no trim is in force")
        c.trim = (c.trim[0], max(0, left - n))
        c.tot[PLANNED] += ul + trim
        c.tot[SKIPPED] += trim
        c.tot[where] += ul
        return c

    def _over_dates(
        self, c: Channel, date: int, back: int, at0: int, at: int, n: int, ul: int, due: int
    ) -> None:
        """Keys over more than one date: how many, and their volume."""
        cal = self.calendar
        assert cal
        if self.gap:
            self._move(c, date, at, due)
            return
        ch = c.at
        doses = volume = 0
        self._follows(c, cal, ch, date - back, at0)
        for day in range(date - back, date + 1):
            volumes = cal.volumes(ch, cal.total(ch, day, c.over))
            first = at0 if day == date - back else 0
            last = at if day == date else len(volumes) - 1
            doses += last - first + 1
            volume += sum(volumes[first : last + 1])
        if (doses, volume) != (n, ul):
            text = f"{n} doses of {ul} µL over {back + 1} dates, the plan says"
            self.violate("S10", f"{c.name}: {text} {doses} of {volume}")
        self._move(c, date, at, due)

    # Keys

    def _key(self, c: Channel, date: int, first: int, last: int, n: int, ul: int, due: int) -> int:
        """Keys of one record, within one date here: none is left out (S10), volume and time are
        the plan's. Returns the most that the date gets, -1 where nobody can say."""
        cal = self.calendar
        if not cal or self.gap:
            self._move(c, date, last, due)
            return -1
        ch = c.at
        total = most = cal.total(ch, date, c.over)
        if c.over:
            most = max(total, cal.total(ch, date, []))
        volumes = cal.volumes(ch, total)
        self._follows(c, cal, ch, date, first)
        if not 0 <= first <= last < len(volumes):
            self.violate("S10", f"{c.name}: key {last} on a date of {len(volumes)} doses")
            self._move(c, date, last, due)
            return -1
        if last - first + 1 != n:
            self.violate("S10", f"{c.name}: {n} doses between {first} and {last}")
        if (volumes[first] if n == 1 else sum(volumes[first : last + 1])) != ul:
            text = f"{ul} µL for {first} to {last} of {len(volumes)}, the plan says"
            self.violate("S10", f"{c.name}: {text} {sum(volumes[first : last + 1])}")
        self._due(c, cal, date, last, total, due)
        self._move(c, date, last, due)
        return most

    def _due(self, c: Channel, cal: Calendar, date: int, index: int, total: int, due: int) -> None:
        """A dose may make way for others, never to or past the next one of its channel."""
        wanted = cal.wanted(c.at, date, total)
        start = cal.start(date)
        at = due - start
        moved = at - wanted[index]
        if not moved:
            c.moved = 0
            return
        limit = wanted[index + 1] if index + 1 < len(wanted) else cal.start(date + 1) - start
        limit = max(limit, wanted[index] + 1)
        alone = not (c.at or c.moved or c.fresh) and index and date == c.date
        if moved < 0 or at >= limit or (alone and self._short(c, wanted)):
            text = f"dose {index} is due {at} s into its date, wanted at {wanted[index]}"
            self.violate("S10", f"{c.name}: {text}")
            if start + limit - 1 <= c.wm:
                self.again(c, f"dose {index} of {date} belongs to what has passed")
        c.moved = moved

    def _short(self, c: Channel, wanted: tuple[int, ...]) -> bool:
        """Whether no run of a channel can last until its next dose: the first one of a set-up
        then keeps its times."""
        cfg = self._cfg(c)
        counts = cfg["dose_most_ul"] * c.cal[0] // max(1, c.cal[1]) + c.cal[2] + 2
        gaps = [b - a for a, b in itertools.pairwise(wanted)]
        return counts // cfg["pump"]["speed_cps"] + 2 < min(gaps)

    def _follows(self, c: Channel, cal: Calendar, ch: int, date: int, first: int) -> None:
        """Between the last key and this one there is none that the watermark had not closed."""
        if date < c.date:
            self.again(c, f"a dose of date {date} after one of date {c.date}")
            if c.since != "S20":
                self.violate("S20", f"{c.name}: date {date} after date {c.date}")
            return
        if not c.fresh and date == c.date:
            if first <= c.index:
                self.again(c, f"dose {first} of date {date} after dose {c.index}")
            elif first != c.index + 1:
                self.violate("S10", f"{c.name}: dose {first} follows dose {c.index}")
            return
        # The end of the date before, the dates between, and the beginning of this one.
        if not c.fresh:
            n = len(cal.volumes(ch, cal.total(ch, c.date, c.over)))
            if c.index + 1 < n:
                self.violate("S10", f"{c.name}: doses after {c.index} of {n} are left out")
        begin = c.date + 1 if not c.fresh else max(c.date, date - 1)
        for day in range(max(begin, date - 40), date + 1):
            total = cal.total(ch, day, c.over)
            wanted = cal.wanted(ch, day, total)
            left = first if day == date else len(wanted)
            if left and left <= len(wanted) and cal.start(day) + wanted[left - 1] > c.wm:
                self.violate("S10", f"{c.name}: dose {left - 1} of date {day} is left out")
                return

    def _move(self, c: Channel, date: int, index: int, due: int) -> None:
        if date != c.date:
            c.cut = False
            c.day_ul = 0
            if c.over:
                c.over = [one for one in c.over if one[1] + one[2] > date]
        c.date, c.index, c.wm = date, index, due
        c.fresh = False

    # What is owed

    def on_L(self, one: Record, f: list[int]) -> None:
        c = self._channel(f[0])
        if f[1] > sum(ul for _, ul in c.owed):
            self.violate("S24", f"{c.name}: {f[1]} µL lapse, {c.owed} are owed")
        c.tot[LAPSED] += f[1]
        self._settle(c, f[1])
        self._balance(c)

    def _owe(self, c: Channel, due: int, ul: int) -> None:
        if not ul:
            return
        if len(c.owed) >= 4:
            c.owed[3] = (c.owed[3][0], c.owed[3][1] + ul)
        else:
            c.owed.append((due, ul))
        if self.calendar:
            most = self._cfg(c)["catch_up"]["max_ul"]
            owed = sum(own for _, own in c.owed)
            if owed > most:
                self.violate("S6", f"{c.name}: {owed} µL are owed, {most} may be")

    def _settle(self, c: Channel, ul: int) -> None:
        while ul and c.owed:
            due, own = c.owed[0]
            part = min(ul, own)
            ul -= part
            c.owed[0] = (due, own - part)
            if own == part:
                del c.owed[0]

    # Clock and starts

    def on_t(self, one: Record, f: list[int]) -> None:
        pass

    def on_T(self, one: Record, f: list[int]) -> None:
        offset, quality, source, jump = f[:4]
        self._believable(offset, quality, source)
        if jump and jump < DAY_S:
            self.violate("S20", f"keys {jump} s ahead are let go")
        if self.run and self.turning:
            self.run.stepped = True
        self.offset, self.quality = offset, quality
        wall = self.now_s + offset
        for c in self.channels:
            if jump and c.wm > wall + jump:
                c.wm = -1
                c.date = c.day_ul = 0
                self._revise(c, wall, "S20")
            elif not c.since:
                c.since = "S20"

    def _believable(self, offset: int, quality: int, source: int) -> None:
        """What sources said in the last hour bears the new time: S19, S20 where one was set."""
        law = "S20" if self.quality == 2 else "S19"
        wall = self.now_s + offset
        if not EARLIEST_W <= wall < LATEST_W:
            self.violate(law, f"the clock is set to {wall}")
        said = [(own, at) for own, at, when in self.heard if self.now_s - when <= HOUR_S]
        if quality == 1:
            self._estimate(offset, source, [at for own, at in said if own == PHONE])
            return
        if (source, offset) not in said:
            self.violate(law, f"source {source} never said {offset}")
            return
        ahead = offset - self.offset
        near = self.quality == 2 and abs(ahead) <= SMALL_S
        if source == BY_CHIP and self.offset and not self.quality:
            near = -AGREE_S <= ahead <= OFF_MOST_S  # it ran on while the board was off
        others = [at for own, at in said if own not in (source, PHONE)]
        agree = any(abs(at - offset) <= AGREE_S for at in others)
        if not near and source != BY_USER and not agree:
            text = f"the clock goes {offset - self.offset} s on the word of source {source} alone"
            self.violate(law, text)

    def _estimate(self, offset: int, source: int, phones: list[int]) -> None:
        if self.quality:
            self.violate("S19", "an estimate in place of a time that was set")
        if source:
            if offset not in phones:
                self.violate("S19", "an estimate that nobody gave")
            return
        wait_s = self.calendar.carry_on_s if self.calendar else 0
        if not wait_s or offset != self.offset or self.now_s - self.boot_s < wait_s:
            self.violate("S19", f"the estimate goes on after {self.now_s - self.boot_s} s")

    def on_B(self, one: Record, f: list[int]) -> None:
        self.quality = 0
        self.booted = self.idle = True
        self.boot_s = self.now_s
        if f[0] == WATCHDOG:
            self.dogs = [*self.dogs[-2:], self.now_s]
        if self.run:
            self.run.restarted = True
        for c in self.channels:
            c.stale = bool(c.extra)
            c.must_low = False  # power went between two records: the next outcome says it

    def must_latch(self) -> bool:
        """Whether starts came one after the other at the last one, and no fault has latched."""
        dogs = len(self.dogs) == DOGS and self.boot_s - self.dogs[0] < DAY_S
        return (dogs or self.resets >= RESETS) and not self.latched

    def on_V(self, one: Record, f: list[int]) -> None:
        c = self._channel(f[0])
        self._from(f[1], "S20")
        self._revise(c, f[1], "S20")

    def _from(self, from_w: int, law: str) -> None:
        """A revision begins now, and not before."""
        if (self.quality or self.offset) and from_w < self.now_s + self.offset:
            late_s = self.now_s + self.offset - from_w
            self.violate(law, f"a revision is valid from {late_s} s ago on")

    def _revise(self, c: Channel, from_w: int, law: str) -> None:
        c.rev += 1
        c.index = -1
        c.wm = max(c.wm, from_w)
        c.cut = c.fresh = True
        c.since = law

    # Acts

    def _seen(self, request: int) -> None:
        if request:
            if request in self.requests:
                self.violate("S7", f"request {request} is recorded twice")
            self.requests = [*self.requests[-15:], request]

    def on_P(self, one: Record, f: list[int]) -> None:
        self._channel(f[0]).trim = (f[1], f[2])
        self._seen(f[3])

    def on_D(self, one: Record, f: list[int]) -> None:
        c = self._channel(f[0])
        c.over = [own for own in c.over if own[1] + own[2] > f[2]]
        c.over = [*c.over, (f[1], f[2], f[3])] if f[3] else []
        self._from(f[4], "S25")
        self._revise(c, f[4], "S25")
        self._seen(f[5])

    def on_X(self, one: Record, f: list[int]) -> None:
        c = self._channel(f[0])
        if c.extra:
            self.violate("S7", f"{c.name}: an extra while another waits")
        c.extra = [f[1], f[2], f[3], self.now_s]
        c.stale = False
        self._seen(f[4])

    def on_Y(self, one: Record, f: list[int]) -> None:
        self._channel(f[0]).extra = []
        self._seen(f[3])

    def _scope(self, ch: int) -> Books | Channel:
        return self if ch == ALL else self._channel(ch)

    def on_H(self, one: Record, f: list[int]) -> None:
        self._scope(f[0]).hold = f[1]
        self._seen(f[2])

    def on_h(self, one: Record, f: list[int]) -> None:
        if f[1] == 2:
            self.gap = 0
        elif f[1]:
            self._channel(f[0]).cup = 0
        else:
            self._scope(f[0]).hold = -1
        self._seen(f[2])

    def on_F(self, one: Record, f: list[int]) -> None:
        self._fill(self._channel(f[0]), f[1])
        self._seen(f[2])

    def _fill(self, c: Channel, ul: int) -> None:
        c.fill, c.taken, c.low = ul, 0, 0
        c.must_low = False

    def on_W(self, one: Record, f: list[int]) -> None:
        c = self._channel(f[0])
        if c.low:
            self.violate("S21", f"{c.name}: low is said twice a fill")
        c.low = 1
        c.must_low = False

    def on_K(self, one: Record, f: list[int]) -> None:
        c = self._channel(f[0])
        self._calibrate(c, f[1], f[2], f[3], f[4])
        if self.calendar:
            self._sign(c, self._cfg(c), f[4])
        self._seen(f[5])

    def _calibrate(self, c: Channel, counts: int, ul: int, offset: int, signature: int) -> None:
        per, ul_of = c.cal[:2]
        more, less = ul * per, ul_of * counts
        if ul_of:
            c.rem = (2 * c.rem * ul + ul_of) // (2 * ul_of)
            if more > less:
                c.taken = -(-c.taken * more // less)
            # The same counts moved more than was thought: the window holds the larger.
            up, down = (more, less) if more > less else (1, 1)
            c.window = deque(
                (end, own * up * counts // (down * per), law) for end, own, law in c.window
            )
            c.sum = sum(own for _, own, _ in c.window)
        c.cal = (counts, ul, offset, signature)
        c.cal_w, c.cal_ul = self.now_s + self.offset, 0

    def _sign(self, c: Channel, cfg: dict[str, Any], signature: int) -> None:
        """A calibration names the settings of its pump; no two settings have one name."""
        settings = settings_of(cfg)
        known = self.signatures.setdefault(settings, signature)
        others = [own for own in self.signatures if self.signatures[own] == signature]
        if known != signature or others != [settings]:
            self.violate("S8", f"{c.name}: a calibration for other settings of its pump")

    def on_N(self, one: Record, f: list[int]) -> None:
        c = self._channel(f[0])
        c.tube_w, c.tube_ul = self.now_s + self.offset, 0
        self._seen(f[1])

    def on_E(self, one: Record, f: list[int]) -> None:
        self._seen(f[2])

    def on_C(self, one: Record, f: list[int]) -> None:
        names = one.text.split(" ")
        calendar = self.plans.get(names[0])
        if not calendar or calendar.ids != names[1:]:
            self.violate("S17", f"a set-up is recorded that nobody loaded: {names}")
            return
        f = one.fields + [0] * (3 + 7 * len(names))
        if f[0] != -1:
            self._from(f[0], "S25")
        if not self.channels and self.stated is None and f[1] < self.now_s + DAY_S:
            self.violate("S6", f"a new journal may catch up after {f[1] - self.now_s} s")
        self.hash, self.calendar = names[0], calendar
        self.fresh_s = max(self.fresh_s, f[1])
        for c in self.channels:
            if c.name not in calendar.ids:
                self.top = max(self.top, c.rev)
                self.gone_s = self.now_s
        was = {c.name: c for c in self.channels}
        self.channels = []
        for i, name in enumerate(calendar.ids):
            cfg = calendar.channels[i]
            own = f[3 + 7 * i : 10 + 7 * i]
            c = was.get(name) or self._newcomer(name, cfg, bool(was))
            c.at = i
            self.all[name] = c
            self.channels.append(c)
            if not own[0]:
                self.violate("S25", f"{name}: no new revision with a new set-up")
            else:
                self._revise(c, f[0], "S25")
            if own[1]:
                self._calibrate(c, own[1], own[2], own[3], own[4])
                self._sign(c, cfg, own[4])
            if own[5]:
                self._fill(c, own[5] - 1)
        self._limits(calendar)
        self._seen(f[2])

    def _newcomer(self, name: str, cfg: dict[str, Any], later: bool) -> Channel:
        """A channel that was not there. The tank remembers what one that is put back gave; of one
        without a past nobody knows: it may have given a day's plan in the 24 hours before."""
        c = Channel(name)
        c.rev = self.top
        per, ul_of = cfg["calibration"]["counts"], cfg["calibration"]["ul"]
        before = self.all.get(name)
        if before:
            c.end_s = before.end_s
            c.cal = (per, ul_of, 0, 0)
            old = before.cal[0] or per
            c.window = deque((end, own * per // old, law) for end, own, law in before.window)
        elif later or self.stated is None:
            ul = cfg["daily_ul"]
            now_s = self.by_now_s()
            for k in range(24):
                part = ul * (k + 1) // 24 - ul * k // 24
                c.window.append((now_s - HOUR_S * (23 - k), part * per, "S1"))
        c.cal = (0, 0, 0, 0)
        c.sum = sum(own for _, own, _ in c.window)
        return c

    def _limits(self, calendar: Calendar) -> None:
        """Caps and separations of the set-up now in force, by channel."""
        by = {c.name: c for c in self.channels}
        both = zip(calendar.channels, self.channels, strict=True)
        self.caps = [[(own["cap_ul"], (c,))] for own, c in both]
        self.apart = [[] for _ in self.channels]
        at = {name: i for i, name in enumerate(calendar.ids)}
        for group in calendar.groups:
            members = tuple(by[name] for name in group["channels"])
            for name in group["channels"]:
                self.caps[at[name]].append((group["cap_ul"], members))
        for pair in calendar.separate:
            one, other = pair["channels"]
            self.apart[at[one]].append((by[other], pair["seconds"]))
            self.apart[at[other]].append((by[one], pair["seconds"]))

    # Faults

    def on_Z(self, one: Record, f: list[int]) -> None:
        t = self._scope(f[0])
        both = zip(t.faults[::2], t.faults[1::2], strict=True)
        late = [code for code, at_s in both if self.now_s - at_s <= AGAIN_S]
        if late.count(f[1]) >= 2 and not f[2]:
            self.violate("S13", f"fault {f[1]} of {f[0]} for the third time does not latch")
        t.faults = [*t.faults[-6:], f[1], self.now_s]
        if f[2] or not t.latched:
            t.fault, t.latched = f[1], f[2]

    def on_z(self, one: Record, f: list[int]) -> None:
        t = self._scope(f[0])
        if f[1]:
            t.latched = 2
        else:
            if t.latched == 1:
                self.violate("S12", f"the latched fault of {f[0]} is left by one act")
            if t.latched:
                t.faults = []
            t.fault = t.latched = 0
            if f[0] == ALL:
                self.resets, self.dogs = 0, []
        self._seen(f[2])

    def on_G(self, one: Record, f: list[int]) -> None:
        self.gap += f[0]
        f = one.fields + [0] * (1 + len(self.channels))
        for c, ul in zip(self.channels, f[1:], strict=False):
            c.window.append((self.by_now_s(), ul * c.cal[0], "S15"))
            c.sum += ul * c.cal[0]


def settings_of(cfg: dict[str, Any]) -> tuple[Any, ...]:
    """What a calibration of a pump depends on."""
    pump = cfg["pump"]
    return pump["kind"], pump["speed_cps"], pump["microsteps"], pump["reverse"]
