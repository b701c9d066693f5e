"""What the tests of the store share: a made-up stream of records, and files that remember.

The stream is the same every time and record n of it has sequence number n, so after any accident a
test can go on where the journal ended, and knows what every sum must be. One count is one
microlitre here. Its sums are worked out from the stream alone, not by the product.
"""

from aliquot.core import snapshot
from aliquot.store import journal, keep, recover, segment
from aliquot_host.memory_files import MemoryFiles

IDS = ["alk", "cal"]
DAY_0 = 9259  # 2025-05-08
START_W = DAY_0 * 86400
HASH = "5e7" * 21 + "0"


def stream(n):
    """The first n records: (engine second, kind, fields, text, what it gave).

    What it gave is (date, channel id, commanded, lower, upper) in microlitres, or None.
    """
    out = [(0, "T", (START_W, 2, 1), "", None)]
    fields = [START_W, 0, 0] + [1, 1000, 1000, 0, 5, 500001, 0] * len(IDS)
    out.append((0, "C", tuple(fields), " ".join([HASH, *IDS]), None))
    now = 0
    dates = [0, 0]
    while len(out) < n:
        i = len(out)
        now += 1700
        ch = i // 2 % 2
        # The wall seconds begin at midnight, so the local date of this zone is that of UTC.
        date = (now + START_W) // 86400
        on = date - dates[ch] if date != dates[ch] else 0
        dates[ch] = date
        ul = 900 + i % 7
        out.append((now, "I", (ch, 1700, i % 24, ul, ul, on, 0, i % 3), "", None))
        now += 3
        if i % 23 == 4:
            out.append((now, "B", (i % 3,), "", None))
            out.append((now, "U", (ch, 30), "", (date, IDS[ch], ul, 0, ul)))
        elif i % 11 == 3:
            out.append((now, "O", (ch, -100, 5, 60), "", (date, IDS[ch], ul, ul - 100, ul - 100)))
        else:
            out.append((now, "O", (ch,), "", (date, IDS[ch], ul, ul, ul)))
        out += _acts(i, ch, now, date)
    return out[:n]


def _acts(i, ch, now, date):
    """What happens now and then besides the doses."""
    if i % 5 == 1:
        return [(now, "E", (0, ch, i), "Wasser geprüft: 8,1 °dKH", None)]
    if i % 13 == 2:
        return [(now, "P", (ch, 10, 3, i), "", None)]
    if i % 17 == 5:
        return [(now, "M", (ch, 3600, i % 24, 1, 900, 0, 0, 400, 1), "", None)]
    if i % 19 == 6:
        extra = [(now, "X", (ch, 500, 0, 1, i), "", None), (now, "J", (ch, 500, 500, 1), "", None)]
        return [*extra, (now + 2, "O", (ch,), "", (date, IDS[ch], 500, 500, 500))]
    if i % 29 == 7:
        return [(now, "K", (ch, 1000, 1000, 0, 5, i), "", None)]
    return [(now, "t", (), "", None)] if i % 7 == 0 else []


def put(log, records):
    """Put records of the stream into a journal, from where it stands on."""
    for now, kind, fields, text, _ in records[log.state.seq :]:
        log.put(now, kind, fields, text)


def dumps(records):
    """The snapshot's lines after each record; the first is that of a journal with none."""
    log, _ = recover.open_journal(MemoryFiles())
    out = [snapshot.dump(log.state)]
    for now, kind, fields, text, _ in records:
        log.put(now, kind, fields, text)
        out.append(snapshot.dump(log.state))
    return out


def day_sums(records, last):
    """date -> id -> [commanded, lower, upper] of the first `last` records."""
    out = {}
    for *_, gave in records[:last]:
        if gave:
            date, name, *sums = gave
            old = out.setdefault(date, {}).setdefault(name, [0, 0, 0])
            out[date][name] = [a + b for a, b in zip(old, sums, strict=True)]
    return out


def act_numbers(records, last):
    """The sequence numbers of the acts among the first `last` records."""
    return [i + 1 for i, r in enumerate(records[:last]) if r[1] not in keep._DOSE_KINDS]


def small_segments(patch, size=2560, kept=4, dates=2):
    """Make segments small, so that few records see many rotations."""
    for module in (journal, segment, keep, recover):
        patch.setattr(module, "SEGMENT_MOST", size)
    patch.setattr(recover, "_LOST_WITH_SEGMENT", segment.most_records(size))
    patch.setattr(keep, "SEGMENTS_KEPT", kept)
    patch.setattr(keep, "DATES_A_FILE", dates)


def journal_names(files):
    return [segment.name_of(number) for number in segment.numbers(files)]


def flipped(data, bit):
    """The bytes with one bit the other way."""
    out = bytearray(data)
    out[bit >> 3] ^= 1 << (bit & 7)
    return bytes(out)


class Recorder(MemoryFiles):
    """Files that remember every change, so that power can be cut at each of them afterwards."""

    def __init__(self, files=None):
        super().__init__(files)
        self.begin = self.content()
        self.log = []  # (what, name, second name or bytes)

    def append(self, name, data):
        self.log.append(("append", name, bytes(data)))
        super().append(name, data)

    def write(self, name, data):
        self.log.append(("write", name, bytes(data)))
        super().write(name, data)

    def rename(self, old, new):
        self.log.append(("rename", old, new))
        super().rename(old, new)

    def remove(self, name):
        self.log.append(("remove", name, b""))
        super().remove(name)

    def cuts(self):
        """Yield (changes done, what a cut may leave): clean, and the next change torn.

        A torn append has left part of its bytes, a torn creation nothing or part.
        """
        now = MemoryFiles(self.begin)
        for done, (what, name, data) in enumerate(self.log):
            yield done, now.copy()
            if what in ("append", "write"):
                for some in sorted({0, 1, len(data) // 2, len(data) - 1}):
                    torn = now.copy()
                    getattr(torn, what)(name, data[:some])
                    yield done, torn
            getattr(now, what)(*([name, data] if what != "remove" else [name]))
        yield len(self.log), now.copy()
