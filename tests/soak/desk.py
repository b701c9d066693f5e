"""A board played by hand for the tests of `checks.py`: lines, motors and power, right by default.

No engine, no store and no world takes part. What a `Desk` writes follows DEVELOPERS.md and the
books of the checks themselves; a test then does one thing wrong.
"""

import sys
from pathlib import Path
from zlib import crc32

from aliquot_host import books, checks
from aliquot_host.books import TANK
from aliquot_host.checks import Checks
from aliquot_host.setup_file import dump_json
from set_ups import canonical, channel

DAY, HOUR = 86400, 3600
DATE = 9648  # 2026-06-01
START = DATE * DAY
SEGMENT = "j00000001.txt"
PLACES = {"books.py": books, "checks.py": checks}


def sealed(body):
    return b"%s %08x\n" % (body, crc32(body))


def two(**own):
    """Two channels of 24 doses of 100 µL, 128 counts each, half an hour apart."""
    most = {"cap_ul": 3000, "dose_most_ul": 300, "grace_s": 1200, "daily_ul": 2400}
    most |= {"calibration": {"counts": 1280, "ul": 1000}}
    most |= {"catch_up": {"raise_pct": 25, "max_age_s": DAY, "max_ul": 500}} | own
    container = {"size_ul": 10000, "left_ul": 5000, "dead_ul": 100, "low_pct": 20}
    a = channel("a", 1, **{"reservoir": container, **most, "from_s": 0})
    return [a, channel("b", 2, **{**most, "from_s": 1800})]


class Desk:
    """A board of two channels, on since midnight, as the checks see it; `now` is both engine and
    powered seconds, the wall is START + now."""

    def __init__(self, *channels, stated=0, adopt=True, **own):
        self.told = []
        self.places = set()
        self.sounded = False
        self.now = self.request = 0
        self.segment = SEGMENT
        pairs = [{"channels": ["a", "b"], "seconds": 600}]
        group = [{"channels": ["a", "b"], "cap_ul": 5500}]
        self.data = canonical(
            *(channels or two()),
            timezone="Etc/UTC",
            tz="UTC0",
            **{"separate": pairs, "group": group, **own},
        )
        self.shift = 1800  # of the second channel
        self.checks = Checks(self.violate, stated=stated)
        self.text = self.know(self.data)
        self.checks.booted_with(0, 0)
        self.checks.written(SEGMENT, self.opening(1))
        if adopt:
            self.now = 10
            self.adopt(self.text, fresh=0 if stated is not None else self.now + DAY)
            self.boot()

    # What is told

    def violate(self, number, text):
        self.told.append((number, text))
        frame = sys._getframe(1)
        while frame:
            name = Path(frame.f_code.co_filename).name
            if name in PLACES and frame.f_code.co_filename == PLACES[name].__file__:
                self.places.add((name, frame.f_lineno))
            frame = frame.f_back

    def sound(self):
        """Nothing was wrong so far."""
        assert self.told == []
        self.sounded = True
        return self.checks

    # Lines

    def line(self, kind, *fields, text="", seq=0, dt=None, whole=True):
        fields = list(fields)
        while fields and not fields[-1]:
            fields.pop()
        c = self.checks
        dt = self.now - c.now_s if dt is None else dt
        body = " ".join(map(str, (seq or c.seq + 1, dt, kind, *fields)))
        body += f' "{text}' if text else ""
        c.appended(self.segment, sealed(body.encode()), whole)

    def know(self, data):
        text = dump_json(data)
        self.checks.know(data, text)
        return text

    def adopt(self, text, fresh=0, revised=1, cal=(1280, 1000, 0, 77), begin=None, left=5001):
        c = self.checks
        digest = next(own for own, known in c.texts.items() if known == text)
        names = c.plans[digest].ids
        begin = (START + self.now if c.offset else -1) if begin is None else begin
        fields = [begin, fresh, 0]
        for name in names:
            fields += [revised, *cal, left if name == "a" else 0, 0]
        self.line("C", *fields, text=" ".join([digest, *names]))

    def boot(self, cause=1, clock=True):
        self.line("B", cause)
        if clock:
            self.clock()
            for ch, c in enumerate(self.checks.channels):
                if c.wm < 0:
                    self.line("V", ch, START + self.now)

    def clock(self, source=1, skew=0, quality=2, jump=0, heard=True):
        if heard:
            self.checks.hear(source, START + self.now + skew, self.now)
        self.line("T", START + skew, quality, source, jump)

    def cut(self, seconds=0, cause=1, clock=True):
        self.dark()
        self.boot(cause, clock)

    def dark(self):
        c = self.checks
        c.dark()
        c.booted_with(c.seq, c.now_s)

    def opening(self, number, extra=(), lines=None):
        return self.opening_of(self.checks.seq, lines or self.lines(), extra, number)

    def opening_of(self, seq, lines, extra=(), number=2):
        body = [f"aliquot-journal 1 {number} {seq}", *lines]
        data = b"".join(sealed(b"S " + line.encode()) for line in body)
        data += b"".join(extra)
        return data + sealed(b"S end %d" % (len(body) + len(extra)))

    def lines(self, ring=None):
        """What the books come to, as a snapshot's lines."""
        c = self.checks
        own = [c.seq, c.now_s, c.offset, c.quality, c.hold, c.fault, c.latched, c.gap, 0]
        own += [c.fresh_s, c.resets, c.top, c.gone_s]
        r = c.run
        run = [r.c.at, r.ul, r.counts, r.into, r.start_s, r.base, r.up] if r else []
        out = [joined(own, c.requests, c.dogs, c.faults, run)]
        out.append(" ".join([c.hash or "-", *(one.name for one in c.channels)]))
        for one in c.channels:
            over = [n for part in one.over for n in part]
            owed = [n for part in one.owed for n in part]
            held = one.sum // max(1, one.cal[0]) if ring is None else ring
            places = [0, 0, held]
            out.append(joined(one.own(), over, owed, one.extra, one.faults, one.tot, places))
        return out

    def rotate(self, lines=None, number=None):
        number = number or self.checks.number + 1
        self.segment = f"j{number:08}.txt"
        self.checks.written(self.segment, self.opening(number, lines=lines))

    # Runs

    def due(self, ch, index, dates=0):
        return START + dates * DAY + index * HOUR + self.shift * ch

    def intent(self, ch=0, index=1, ul=100, counts=128, trim=0, up=0, late=0, moved=0, dates=0):
        c = self.checks.channels[ch]
        due = self.due(ch, index, dates) + moved
        self.now = due - START + late
        passed = START // DAY + dates - c.date
        self.line("I", ch, due - c.wm, index, ul, counts, passed, trim, up)

    def starts(self, counts=None, most=2, ch=None, law="S10"):
        run = self.checks.run
        counts = run.counts if counts is None else counts
        self.checks.starts(run.c.at if ch is None else ch, counts, most, self.now, law)

    def stops(self, given=None, known=True):
        self.now += 1
        run = self.checks.run
        self.checks.stops(run.counts if given is None else given, self.now, known)

    def outcome(self, beyond=0, cause=0, owed=0, ch=None):
        run = self.checks.run
        ch = (run.c.at if run else 0) if ch is None else ch
        self.line("O", ch, beyond, cause, owed)

    def dose(self, ch=0, index=1, short=0, cause=0, owed=0, **own):
        self.intent(ch, index, **own)
        self.starts()
        self.stops(self.checks.run.counts - short)
        self.outcome(-short, cause, owed)

    def passes(self, kind, ch=0, last=1, n=1, ul=None, dates=0, trim=0, owed=0, why=1, back=0,
               first=None, late=1201, moved=0):  # fmt: skip
        c = self.checks.channels[ch]
        due = self.due(ch, last, dates) + moved
        self.now = due - START + late
        passed = START // DAY + dates - c.date
        first = last - n + 1 if first is None else first
        ul = 100 * n - trim if ul is None else ul
        self.line(kind, ch, due - c.wm, last, n, ul, passed, trim, owed, why, back, first)

    def extra(self, ch=0, ul=100, counts=0, into=TANK, run=True):
        self.line("X", ch, ul, counts, into)
        if run:
            self.line("J", ch, ul, counts or 128, into)


def joined(*lists):
    return ";".join(" ".join(map(str, part)) for part in lists)


def fresh(old, *channels, **own):
    """Another desk in the place of one, which has not been used; the test goes on with it."""
    new = Desk(*channels, **own)
    old.next = new
    return new
