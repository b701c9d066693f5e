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


class ChannelState:
    """Where one channel stands; `_w` are wall seconds, `_s` engine seconds, `_ul` microlitres."""

    def __init__(self) -> None:
        self.rev = 0
        self.wm_w = -1  # no dose due at or before this will ever run
        self.date = 0  # of the last key
        self.index = -1  # of the last key; -1: none yet in this revision
        self.day_ul = 0  # what the doses of that date took of its volume
        self.rem = 0
        self.cal_counts = 0
        self.cal_ul = 0
        self.cal_offset = 0
        self.cal_sig = 0
        self.cal_w = 0
        self.cal_done_ul = 0
        self.tube_w = 0
        self.tube_ul = 0
        self.fill_ul = -1  # -1: the reservoir is not kept count of
        self.taken_ul = 0
        self.low = 0
        self.hold_w = -1  # -1 none, 0 until released, else until then
        self.cup = 0
        self.fault = 0
        self.latched = 0  # 1 latched, 2 seen by the user and not yet released
        self.faults: list[int] = []  # the last four: code, engine second, ...
        self.trim_pct = 0
        self.trim_n = 0
        self.end_s = -1  # when the channel last gave into the tank
        self.over: list[int] = []  # overrides in force: delta_ul, first date, days, ...
        self.owed: list[int] = []  # shortfall: wall second it was due, microlitres, ...
        self.extra: list[int] = []  # accepted, not yet run: ul, counts, into, engine second
        self.tot = [0] * 12
        self.ring = Window()
