"""What the fold keeps of one channel, and the names of its running totals. Data only."""

from aliquot.core.window import Window

ALL = 255
DOSE = 0
TANK = 1
CUP = 2
# Why a dose did not run; also the cause of an outcome.
OK, ABSENT, HOLD, CUP_OUT, FAULT, CAP, EMPTY = range(7)
QUEUE, UNCALIBRATED, LOST, TRIMMED, USER, RESET, LIMIT = range(7, 14)
# Positions in `ChannelState.tot`, microlitres but for COUNTS. Two identities hold at any time:
# planned + raised + extra + over = commanded + skipped + missed + refused + short   (no run open)
# missed + short = raised + lapsed + what is owed now                               (no run open)
(
    PLANNED,
    COMMANDED,
    COUNTS,
    SKIPPED,
    MISSED,
    RAISED,
    LAPSED,
    REFUSED,
    UNCERTAIN,
    EXTRA,
    SHORT,
    OVER,
) = range(12)

_NONE: list[int] = []


class ChannelState:
    """Where one channel stands; `_w` are wall seconds, `_s` engine seconds, `_ul` microlitres.

    What still has its first value takes no memory; lists are replaced, never changed."""

    rev = 0
    wm_w = -1  # no dose due at or before this will ever run
    date = 0  # of the last key
    index = -1  # of the last key; -1: none yet in this revision
    day_ul = 0  # what the doses of that date took of its volume
    rem = 0
    cal_counts = 0
    cal_ul = 0
    cal_offset = 0
    cal_sig = 0
    cal_w = 0
    cal_done_ul = 0
    tube_w = 0
    tube_ul = 0
    fill_ul = -1  # -1: the reservoir is not kept count of
    taken_ul = 0
    low = 0
    hold_w = -1  # -1 none, 0 until released, else until then
    cup = 0
    fault = 0
    latched = 0  # 1 latched, 2 seen by the user and not yet released
    faults: list[int] = _NONE  # the last four: code, engine second, ...
    trim_pct = 0
    trim_n = 0
    end_s = -1  # when the channel last gave into the tank
    over: list[int] = _NONE  # overrides in force: delta_ul, first date, days, ...
    owed: list[int] = _NONE  # shortfall: wall second it was due, microlitres, ...
    extra: list[int] = _NONE  # accepted, not yet run: ul, counts, into, engine second

    def __init__(self) -> None:
        self.tot = [0] * 12
        self.ring = Window()
