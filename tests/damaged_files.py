"""What a flash may do to the files at rest, and what a start must make of it.

Every byte of a small journal and of its set-up is changed once; records of a kind that nobody
knows are put in; a new set-up is cut at each change of the flash. A start must find the state as
it was, or hold dosing, or refuse; it never doses on a state that never was (S17, S24).
"""

from __future__ import annotations

import zlib

from aliquot.core import status
from aliquot.core.engine import Engine
from aliquot.core.events import boot, set_clock
from aliquot.store import config, recover
from controller import DAY, Flash, Power, Rig, broken, changed, portrait
from small_worlds import FIRST, START, tank


def lived() -> Rig:
    """A controller in the middle of its first morning, after acts and one start."""
    rig = Rig(tank(), START)
    rig.act("trim", 1, 50, 3)
    rig.until(FIRST + 400)
    rig.outage(60)
    rig.rotate()
    rig.act("override", 1, -303, 2)
    rig.until(FIRST + 1800)
    rig.rotate()
    rig.act("refill", 0, 5000)
    rig.until(FIRST + 3700)
    return rig


def _doses(rig: Rig, journal: recover.Journal, setup) -> int:
    """How many runs a start and six hours bring."""
    engine = Engine(setup, journal)
    now = journal.state.now_s
    boot(engine, now, 0)
    set_clock(engine, now, rig.wall + 600, 2, 1)
    runs = 0
    for _ in range(400):
        job = engine.poll(now)
        if job:
            runs += 1
            engine.ended(now, job[1])
        now = max(now + 1, min(engine.wake_s, now + 3600))
        if now - journal.state.now_s > DAY:
            break
    return runs


def flipped_journals(rig: Rig, stride: int = 1) -> int:
    """Each byte of the journal changed; returns how many were."""
    whole = portrait(rig.memory)
    allowed = [whole, _before_last(rig)]
    tried = 0
    for name, data in rig.flash.content().items():
        if name[:1] != "j":
            continue
        for at in range(0, len(data), stride):
            files = Flash(rig.flash.content())
            files.files[name][at] ^= 1 + at % 5
            tried += 1
            try:
                journal, _ = recover.open_journal(files, lambda s, n: (0,) * len(s.channels))
            except recover.Unreadable:
                continue
            if journal.state.gap or journal.state.foreign:
                if not tried % 20 and _doses(rig, journal, rig.setup):
                    broken(24, "it doses while lost records are not answered for")
            elif portrait(journal.state) not in allowed:
                broken(17, f"byte {at} of {name} changed, and a state that never was is believed")
    return tried


def _before_last(rig: Rig):
    """The state without the newest record, whose line a cut could have torn."""
    files = Flash(rig.flash.content())
    name = max(n for n in files.files if n[:1] == "j")
    data = files.files[name]
    del data[data.rfind(b"\n", 0, -1) + 1 :]
    return portrait(recover.open_journal(files)[0].state)


def flipped_set_ups(rig: Rig) -> int:
    """Each byte of the set-up changed, or another file in its place."""
    data = rig.flash.content()[config.NAME]
    others = [data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :] for at in range(len(data))]
    for other in [*others, b"", data[:-1], data + b"\n"]:
        files = Flash(rig.flash.content())
        files.files[config.NAME] = bytearray(other)
        word, found = config.settle(files, rig.memory.hash)
        if word == "ok":
            broken(17, f"{other!r} counts as the set-up that was adopted: {found!r}")
    return len(others) + 3


def unknown_records(rig: Rig) -> int:
    """A record of a later version holds dosing; one that is marked harmless does not."""
    for kind, doses in (("Q", False), ("~q", True)):
        files = Flash(rig.flash.content())
        name = max(n for n in files.files if n[:1] == "j")
        body = b"%d 0 %s 1 2" % (rig.eyes.seq + 1, kind.encode())
        files.files[name] += b"%s %08x\n" % (body, zlib.crc32(body))
        journal, _ = recover.open_journal(files)
        runs = _doses(rig, journal, rig.setup)
        if bool(runs) != doses:
            broken(24, f"after a record {kind!r}, which nobody knows, {runs} doses ran")
    return 2


def cut_set_ups(stride: int = 1) -> int:
    """A new set-up, cut at each change of the flash: the old one or the new one, as recorded."""
    tried = 0
    for reached in ("nothing", "half", "all"):
        for nth in range(1, 9, stride):
            rig = lived()
            left = [nth]

            def watch(call: str, name: str, data: bytes, left=left, reached=reached):
                left[0] -= 1
                return reached if not left[0] else None

            rig.flash.watch = watch
            new = changed(rig.setup, "b", daily_ul=900)
            try:
                rig.adopt(new)
            except Power:
                rig.outage(30)
            rig.flash.watch = None
            if rig.setup.hash != rig.eyes.hash:
                broken(17, "the set-up in force is not the one recorded")
            rig.until(FIRST + 3 * 3600)
            rig.check()
            tried += left[0] <= 0
    return tried


def words(rig: Rig) -> int:
    """The status says that delivery is not verified (S22)."""
    remind = dict.fromkeys(("calibration_days", "calibration_ul", "tubing_days", "tubing_ul"), 0)
    data = {"channel": [{"remind": remind} for _ in rig.memory.channels]}
    said = status.overview(rig.engine, data, rig.now)["delivery"]
    if said != "commanded, not verified":
        broken(22, f"delivery is said to be {said!r}")
    return 1


def all_of(stride: int = 1) -> dict[str, int]:
    """Everything; how many cases of each."""
    rig = lived()
    return {
        "words": words(rig),
        "set-ups": flipped_set_ups(rig),
        "unknown records": unknown_records(rig),
        "cut set-ups": cut_set_ups(),
        "journals": flipped_journals(rig, stride),
    }
