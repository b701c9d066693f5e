"""Small changes to the store and the fold that a cut of power, or a flash that is ill, brings out.

A fault is (what it does, which life shows it, numbers of the invariants of which one must be
named, changes). A change is (file under device/aliquot, old text, new text); the old text must
stand exactly once in the file. Lives: `rp2` is the standard scenario there with clean cuts,
`esp32` the short one with all tears.
"""

from __future__ import annotations

from typing import NamedTuple


class Fault(NamedTuple):
    what: str
    life: str
    numbers: frozenset[str]
    changes: tuple[tuple[str, str, str], ...]


def fault(what, life, numbers, *changes):
    return Fault(what, life, frozenset(numbers.split()), changes)


LIVES = {
    "rp2": ("--board", "rp2", "--scenario", "standard", "--tears", "c"),
    "esp32": ("--board", "esp32", "--scenario", "short", "--tears", "chg"),
}

FAULTS = [
    fault(
        "CRC ignored",
        "rp2",
        "S16 S24",
        (
            "core/records.py",
            'if not body or crc != b"%08x" % crc32(body):',
            "if not body or not crc:",
        ),
    ),
    fault(
        "intent written with the next record",
        "rp2",
        "S14",
        (
            "store/journal.py",
            "        self.files.append(self.name, line)\n",
            '        held, self.held = getattr(self, "held", b""), line if kind == "I" else b""\n'
            '        self.files.append(self.name, held + (b"" if self.held else line))\n',
        ),
    ),
    fault(
        "a record that the flash refused counts as written",
        "rp2",
        "S14 S16 S24",
        (
            "store/journal.py",
            "        self.files.append(self.name, line)\n",
            "        try:\n"
            "            self.files.append(self.name, line)\n"
            "        except OSError:\n"
            "            pass\n",
        ),
    ),
    fault(
        "a record is written in two parts, and the next one behind the first of them",
        "esp32",
        "S16 S24",
        (
            "store/journal.py",
            "        self.files.append(self.name, line)\n",
            "        self.files.append(self.name, line[:9])\n"
            "        self.files.append(self.name, line[9:])\n",
        ),
        (
            "store/recover.py",
            'if word != "foreign"]',
            'if word not in ("foreign", "tail")]',
        ),
    ),
    fault(
        "the candidate takes the name before the record",
        "esp32",
        "S17",
        (
            "store/config.py",
            "    record(own)\n    try:\n        files.rename(CANDIDATE, NAME)\n",
            "    files.rename(CANDIDATE, NAME)\n    try:\n        record(own)\n",
        ),
    ),
    fault(
        "a start does not look for the candidate",
        "esp32",
        "S17",
        ("store/config.py", "for name in (NAME, CANDIDATE):", "for name in (NAME,):"),
    ),
    fault(
        "the recorded hash is not looked at",
        "esp32",
        "S17",
        (
            "store/config.py",
            "if _hash(files, name) == recorded:",
            "if _hash(files, name):",
        ),
    ),
    fault(
        "watermark set back in the snapshot",
        "esp32",
        "S5",
        (
            "core/snapshot.py",
            "        _set(c, _CHANNEL, own)\n",
            "        _set(c, _CHANNEL, own)\n        c.wm_w, c.index = c.wm_w - 1, c.index - 1\n",
        ),
    ),
    fault(
        "the newest place of the window lost in the snapshot",
        "rp2",
        "S15",
        (
            "core/snapshot.py",
            "    for i in range(0, len(ring.data), 2):\n",
            "    for i in range(0, len(ring.data) - 2, 2):\n",
        ),
    ),
    fault(
        "the open run lost in the snapshot",
        "rp2",
        "S15",
        ("core/snapshot.py", "    state.open = tuple(run)\n", "    state.open = ()\n"),
    ),
    fault(
        "a run cut by power counts as not given",
        "esp32",
        "S15",
        (
            "core/runs.py",
            "    _end(state, c, ul, counts, start_s + f[1])\n",
            "    _end(state, c, 0, 0, start_s + f[1])\n",
        ),
    ),
    fault(
        "a run cut by power is not recorded",
        "esp32",
        "S15",
        (
            "core/events.py",
            "        if counts < 0:\n",
            "        if counts < 0:\n            state.open = ()\n        elif counts < 0:\n",
        ),
    ),
    fault(
        "a dose cut by power is due again",
        "rp2",
        "S5",
        (
            "core/runs.py",
            "    _end(state, c, ul, counts, start_s + f[1])\n",
            "    c.wm_w, c.index = c.wm_w - 1, c.index - 1\n"
            "    _end(state, c, ul, counts, start_s + f[1])\n",
        ),
    ),
    fault(
        "a segment goes before its acts are kept",
        "esp32",
        "S24",
        (
            "store/keep.py",
            "    acts = _Acts(files)\n    source = lines(files, name)\n",
            "    acts = _Acts(files)\n"
            "    data = files.read(name)\n"
            "    files.remove(name)\n"
            "    files.write(name, data)\n"
            "    source = lines(files, name)\n",
        ),
    ),
    fault(
        "days counted again after a cut",
        "esp32",
        "S24",
        (
            "store/keep.py",
            "                    if found[0] < self.dates[found[1]][0]:\n",
            "                    if found[0] < self.dates[found[1]][1] + 99:\n",
        ),
    ),
    fault(
        "every other act is kept",
        "rp2",
        "S24",
        (
            "store/keep.py",
            "        if seq > self.last:\n            self.last = seq\n",
            "        if seq > self.last:\n            self.last = seq + 1\n",
        ),
    ),
]
