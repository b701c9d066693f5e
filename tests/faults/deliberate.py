"""One-line changes to the product, each with the number of the invariant that it breaks.

A fault is (number, what it does, file under device/aliquot, old text, new text). The old text must
stand exactly once in the file, so that the list breaks loudly when the code moves. None of them
crashes: what it does wrong is for the checks to find.
"""

from __future__ import annotations

from typing import NamedTuple


class Fault(NamedTuple):
    number: int
    what: str
    file: str
    old: str
    new: str


FAULTS = [
    Fault(*one)
    for one in (
        (
            1,
            "group cap forgotten",
            "core/lanes.py",
            "        if ch in members:\n",
            "        if ch in members and len(members) > 9:\n",
        ),
        (
            1,
            "cap compared with room to spare",
            "core/engine.py",
            "        if base > left:\n",
            "        if base > left + cfg.most_ul:\n",
        ),
        (
            1,
            "cap compared the wrong way",
            "core/engine.py",
            "        if base > left:\n",
            "        if base < left:\n",
        ),
        (1, "expired too early", "core/window.py", "_DAY_S = 86400", "_DAY_S = 80000"),
        (
            1,
            "window stamps at the start",
            "core/runs.py",
            "_end(state, c, got, counts + f[1], state.now_s)",
            "_end(state, c, got, counts + f[1], state.open[4])",
        ),
        (
            1,
            "calibration not recounted",
            "core/fold.py",
            "            _recount(c.ring, more, less)\n",
            "            _recount(c.ring, 1, 1)\n",
        ),
        (
            1,
            "new journal with an empty window",
            "core/adopt.py",
            "else -full if gone and given_ul < 0 else _day_ul(c, date, given_ul)",
            "else 0",
        ),
        (
            2,
            "remainder dropped",
            "core/engine.py",
            "to_counts(ul, c.cal_counts, c.cal_ul, c.rem)",
            "to_counts(ul, c.cal_counts, c.cal_ul, 0)",
        ),
        (
            2,
            "overrun not taken off",
            "core/runs.py",
            "rem if f[1] < 0 else c.rem - f[1] * c.cal_ul",
            "rem if f[1] < 0 else c.rem",
        ),
        (
            5,
            "key and watermark not looked at",
            "core/lanes.py",
            "if due_w > c.wm_w and (lane.date > c.date or at > c.index):",
            "if lane.date >= c.date:",
        ),
        (
            5,
            "a new revision reaches back",
            "core/runs.py",
            "    c.wm_w = max(c.wm_w, from_w)\n",
            "    c.wm_w = max(-1, from_w - 900)\n",
        ),
        (
            5,
            "watermark moved back after a cut",
            "core/runs.py",
            "    _end(state, c, ul, counts, start_s + f[1])\n",
            "    c.wm_w, c.index = c.wm_w - 1, c.index - 1\n"
            "    _end(state, c, ul, counts, start_s + f[1])\n",
        ),
        (
            6,
            "late doses all run",
            "core/lanes.py",
            "            until_w = due_w + grace\n",
            "            until_w = due_w + grace + 90000\n",
        ),
        (
            6,
            "raise unlimited",
            "core/engine.py",
            "min(base * cfg.raise_pct // 100, cfg.most_ul - base,",
            "min(base, cfg.most_ul - base,",
        ),
        (
            6,
            "owed twice",
            "core/lanes.py",
            "    owed = max(0, min(owed, engine",
            "    owed = 2 * max(0, min(owed, engine",
        ),
        (
            6,
            "what is owed never lapses",
            "core/engine.py",
            "lapse = c.owed[0] + cfg.age_s",
            "lapse = c.owed[0] + cfg.age_s + 900000",
        ),
        (
            6,
            "separate ignored",
            "core/engine.py",
            "clear = max(clear, end_s + gap if end_s >= 0 else 0)",
            "clear = max(clear, end_s if end_s >= 0 else 0)",
        ),
        (
            7,
            "extra resumed after a start",
            "core/events.py",
            "        if c.extra:\n",
            "        if c.extra and cause == 9:\n",
        ),
        (
            7,
            "request repeated",
            "core/acts.py",
            "    return not request or request not in engine.state.requests\n",
            "    return True\n",
        ),
        (
            7,
            "prime into the tank not counted",
            "core/runs.py",
            "    if into != CUP:\n        c.ring.add(",
            "    if into == DOSE:\n        c.ring.add(",
        ),
        (
            8,
            "calibration of another pump accepted",
            "core/lanes.py",
            "if not c.cal_ul or c.cal_sig != engine.setup.channels[ch].signature:",
            "if not c.cal_ul:",
        ),
        (
            10,
            "partial run recorded as whole",
            "core/engine.py",
            "(ch, counts - planned, cause, max(0, owed))",
            "(ch, 0, cause, max(0, owed))",
        ),
        (
            10,
            "trim not used up by missed doses",
            "core/runs.py",
            "c.trim_n = max(0, c.trim_n - n)",
            "c.trim_n = max(0, c.trim_n - (n == 1))",
        ),
        (
            10,
            "override applied to the hours before",
            "core/lanes.py",
            "    return max(0, min(ul, total - c.day_ul - gone))\n",
            "    own = total if c.over else min(ul + c.day_ul + gone, total)\n"
            "    return max(0, own - c.day_ul - gone)\n",
        ),
        (11, "hold ignored", "core/lanes.py", "if state.hold_w == 0 or c.hold_w == 0 or", "if"),
        (
            11,
            "a stop loses its count",
            "core/engine.py",
            "(ch, counts - planned, cause, max(0, owed))",
            "(ch, counts - planned if cause != 11 else 0, cause, max(0, owed))",
        ),
        (
            12,
            "latched fault left in one act",
            "core/acts.py",
            "    if target.latched == 1:\n",
            "    if target.latched == 9:\n",
        ),
        (
            12,
            "fault of a channel ignored",
            "core/lanes.py",
            "    if state.fault or c.fault:\n",
            "    if state.fault:\n",
        ),
        (
            13,
            "the same fault never latches",
            "core/events.py",
            "if late.count(code) >= 2 or len(late) >= 4:",
            "if len(late) >= 40:",
        ),
        (
            13,
            "watchdogs not counted",
            "core/events.py",
            "if len(state.dogs) == 3 and",
            "if len(state.dogs) == 4 and",
        ),
        (
            14,
            "intent after the run",
            "core/engine.py",
            '        self.put(now_s, "I", (ch, after, lane.at, ul, counts, dates, trim, up))\n',
            '        later = now_s, "I", (ch, after, lane.at, ul, counts, dates, trim, up)\n',
        ),
        (
            14,
            "the run starts though the write failed",
            "core/engine.py",
            "            self.failed_s = now_s\n"
            "            self.wake_s = now_s + _RETRY_S\n"
            "            return None\n",
            "            return self.go(0, 100)\n",
        ),
        (
            14,
            "an extra runs without a record",
            "core/extras.py",
            '            engine.put(now_s, "J", (ch, ul, counts, into))\n',
            "",
        ),
        (
            14,
            "intent kept in memory",
            "store/journal.py",
            "        self.files.append(self.name, line)\n",
            '        self.files.append(self.name, b"" if kind == "I" else line)\n',
        ),
        (
            15,
            "uncertain counted as zero",
            "core/runs.py",
            "    _end(state, c, ul, counts, start_s + f[1])\n",
            "    _end(state, c, 0, counts, start_s + f[1])\n",
        ),
        (
            15,
            "uncertain stamped at its start",
            "core/runs.py",
            "    _end(state, c, ul, counts, start_s + f[1])\n",
            "    _end(state, c, ul, counts, start_s)\n",
        ),
        (
            15,
            "a cut run taken as not begun",
            "core/events.py",
            "        if counts < 0:\n",
            "        if counts < -1:\n",
        ),
        (
            16,
            "a cut run forgotten at the start",
            "core/events.py",
            "    if state.open:\n",
            "    if state.open and counts >= 0:\n",
        ),
        (
            16,
            "retry appends after a torn tail",
            "store/recover.py",
            'if word != "foreign"]',
            'if word not in ("foreign", "tail")]',
        ),
        (
            17,
            "configuration hash not checked",
            "store/config.py",
            "            if _hash(files, name) == recorded:\n",
            "            if _hash(files, name):\n",
        ),
        (
            17,
            "CRC ignored",
            "core/records.py",
            'if not body or crc != b"%08x" % crc32(body):',
            "if not body:",
        ),
        (
            18,
            "a clock step ends the run",
            "core/events.py",
            "    engine.seek()\n",
            "    engine.seek(); engine.running = False\n",
        ),
        (
            19,
            "doses with the clock unset",
            "core/engine.py",
            "        if not state.quality:\n",
            "        if state.quality > 9:\n",
        ),
        (
            19,
            "first time from one source",
            "core/clock.py",
            "        if not near and source != USER:\n",
            "        if state.quality and not near and source != USER:\n",
        ),
        (
            20,
            "clock step accepted from one source",
            "core/clock.py",
            "_SMALL_S = 600",
            "_SMALL_S = 6000000",
        ),
        (
            20,
            "watermark moved back with the clock",
            "core/runs.py",
            "        if f[3] and c.wm_w > wall + f[3]:\n",
            "        if c.wm_w > wall + f[3]:\n",
        ),
        (
            21,
            "reservoir not counted",
            "core/runs.py",
            "    c.taken_ul += ul\n",
            "    c.taken_ul += 0\n",
        ),
        (
            21,
            "low said again and again",
            "core/engine.py",
            "if c.fill_ul >= 0 and not c.low and",
            "if c.fill_ul >= 0 and",
        ),
        (
            21,
            "empty reservoir not refused",
            "core/engine.py",
            "        if base > have:\n",
            "        if base > have + cfg.cap_ul:\n",
        ),
        (
            22,
            "delivery said to be verified",
            "core/status.py",
            '"delivery": "commanded, not verified"',
            '"delivery": "verified"',
        ),
        (
            24,
            "gap not held",
            "core/lanes.py",
            "    if state.gap or state.foreign:\n",
            "    if state.foreign:\n",
        ),
        (
            24,
            "unknown kind ignored",
            "core/state.py",
            'elif kind[0] != "~":',
            'elif kind[0] == "!":',
        ),
        (24, "snapshot attribute lost", "core/snapshot.py", '    "trim_n",\n', ""),
        (
            24,
            "partial dose counted in full",
            "core/runs.py",
            "    _end(state, c, got, counts + f[1], state.now_s)\n",
            "    _end(state, c, ul, counts + f[1], state.now_s)\n",
        ),
        (
            25,
            "day cut forgotten",
            "core/lanes.py",
            "    return max(0, min(ul, total - c.day_ul - gone))\n",
            "    return ul\n",
        ),
        (
            25,
            "new set-up without a new revision",
            "core/adopt.py",
            "        fields += (1,) + cal",
            "        fields += (0,) + cal",
        ),
        (
            26,
            "a half-made fold goes on",
            "store/journal.py",
            "        self.broken = True  # until",
            "        self.broken = False  # until",
        ),
    )
]
