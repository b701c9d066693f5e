"""The laws of the scheduler, with the true board on a desk (see drive.py) and much going wrong.

Numbers S1 to S26 are those of the table of invariants. What acts, cap, catch-up, extras, faults,
reservoirs, clocks and new set-ups do stands in the tests of those names.
"""

import copy
import itertools
from fractions import Fraction

import pytest
from hypothesis import HealthCheck, given, note, settings
from hypothesis import strategies as st

from aliquot.core import acts, adopt, events
from aliquot.core.dates import days_of
from aliquot.core.engine import Engine
from aliquot.core.ledger import ABSENT, ALL, FAULT, LIMIT, QUEUE, RESET
from aliquot.core.plan import day_ul
from drive import (
    AUTUMN,
    DAY,
    SPRING,
    START,
    START_DATE,
    UTC,
    Desk,
    Memory,
    Power,
    channel,
    check_all,
    check_books,
    check_every_key,
    check_keys,
    check_late,
    check_separate,
    check_snapshots,
    setup,
)
from scenes import STORIES, play, setups, told

SLOW = [HealthCheck.too_slow, HealthCheck.data_too_large]
H = 3600


def test_an_ordinary_month_gives_every_dose_once_in_its_minute_and_the_volume_exactly():
    desk = Desk(setup(channel(), channel("cal", 12345, 24), separate=[(0, 1, 1200)]))
    desk.days(30)
    check_all(desk)
    for ch, daily in ((0, 24000), (1, 12345)):
        runs = desk.doses(ch)
        # Of channel a the dose of the very start is left out, and that of the very end is in.
        assert len(runs) == 30 * 24
        assert all(run.wall - run.due_w <= 1 for run in runs)
        assert desk.c(ch).tot[0] == desk.c(ch).tot[1] == sum(run.ul for run in runs)
        assert sum(run.ul for run in runs if run.key[2] == START_DATE + 9) == daily
        times = {(run.due_w - START) % H for run in runs}
        assert times == ({0} if not ch else {1204})


@pytest.mark.parametrize("date", [SPRING, AUTUMN])
def test_a_day_of_23_or_25_hours_has_the_same_doses_and_volume(date):
    desk = Desk(setup(channel(from_s=600)), wall=(date - 1) * DAY - 7200)
    desk.days(3)
    runs = [run for run in desk.doses() if run.key[2] == date]
    assert [run.key[3] for run in runs] == list(range(24))
    assert sum(run.ul for run in runs) == 24000
    steps = {b.due_w - a.due_w for a, b in itertools.pairwise(runs)}
    assert steps == ({3450} if date == SPRING else {3750})


@pytest.mark.parametrize(
    "own",
    [
        {"weekdays": 0b0010101},
        {"every": 3, "start_date": START_DATE - 1},
        {"ramp": (6000, START_DATE + 1, 9)},
        {"start_date": START_DATE + 5},
        {"at": ((H, 3), (5 * H, 2), (23 * H, 7)), "most_ul": 20000},
        {"from_s": 22 * H, "span_s": 6 * H, "grace_s": 600},
    ],
)
def test_every_date_brings_the_volume_of_its_plan(own):
    c = channel(doses=8, cap_ul=60000, **own)
    desk = Desk(setup(c))
    desk.days(14)
    for date in range(START_DATE + 1, START_DATE + 14):
        came = sum(run.ul for run in desk.doses() if run.key[2] == date)
        assert came == day_ul(c, date, []), date - START_DATE
    check_all(desk)


def test_doses_that_would_be_too_small_are_fewer_and_larger():
    desk = Desk(setup(channel(daily_ul=1500, doses=24, least_ul=100)))
    desk.days(2)
    assert {run.ul for run in desk.doses()} == {100}
    assert len([run for run in desk.doses() if run.key[2] == START_DATE + 1]) == 15


# What must hold whatever happens


@settings(max_examples=120, deadline=None, suppress_health_check=SLOW)
@given(setups(), STORIES, st.integers(0, DAY))
def test_s01_s05_s06_s24_whatever_happens_the_laws_hold(made, story, at):
    """Caps, keys, books, counters, separations, lateness and snapshots; see drive.py. Not all of
    it is in the name: S2, S7, S10, S14, S15, S18, S20 and S25 are looked at in every one of
    these."""
    note(told(made))
    desk = Desk(made, START + at)
    for happening, then in story:
        play(desk, happening)
        desk.pass_s(then)
    desk.pass_s(30000)
    if not desk.state.open:
        desk.settle()
    check_all(desk)


OUTAGES = st.lists(
    st.tuples(
        st.integers(1, 90000),
        st.sampled_from(("outage", "cut", "skew", "no clock")),
        st.one_of(st.integers(1, 4000), st.integers(1, 4 * DAY)),
    ),
    min_size=1,
    max_size=9,
)


@settings(max_examples=60, deadline=None, suppress_health_check=SLOW)
@given(
    OUTAGES,
    st.sampled_from((1, 5, 24)),
    st.integers(0, DAY),
    st.sampled_from((SPRING - 2, START_DATE)),
)
def test_s05_s10_every_key_ends_once_and_none_is_left_out(outages, doses, at, date):
    made = setup(channel("a", doses * 800, doses), channel("b", 7200, 6), separate=[(0, 1, 600)])
    desk = Desk(made, date * DAY - 7200 + at)
    for then, what, span in outages:
        desk.pass_s(then)
        if what == "outage":
            desk.outage(span)
        elif what == "no clock":
            desk.outage(span, clock=0)
            desk.pass_s(then % 5000)
            desk.clock()
        elif what == "cut":
            desk.cut_s = span % 3
        else:
            # Steps of less than a day: after more than that the keys of the wrong dates let go.
            desk.skew = span % 40000 - 20000
            desk.clock()
    desk.cut_s = -1
    desk.pass_s(3 * DAY)
    desk.settle()
    check_every_key(desk)
    check_all(desk)


def tank():
    return setup(
        channel("a", 9600, 8, left_ul=60000, size_ul=60000),
        channel("b", 7200, 6),
        channel("c", 1000, 2, weekdays=0b1010101),
        separate=[(0, 1, 900)],
        groups=[(22000, (0, 1))],
    )


def troubled_day(desk):
    """Acts and outages of one and a half days; yields before each, so that a cut can be
    answered."""
    engine = lambda: desk.engine  # noqa: E731, a new one after each start
    yield lambda: desk.pass_s(5000)
    yield lambda: acts.trim(engine(), desk.now, 0, 50, 3, request=1)
    yield lambda: desk.pass_s(9000)
    yield lambda: acts.extra(engine(), desk.now, 1, 500, request=2, planned=True)
    yield lambda: desk.pass_s(2000)
    yield lambda: desk.outage(15000)
    yield lambda: acts.override(engine(), desk.now, 0, 960, 2, request=3, keep=True)
    yield lambda: desk.pass_s(9000)
    yield lambda: acts.calibrate(engine(), desk.now, 0, 12800, 9900, request=4)
    yield lambda: acts.hold(engine(), desk.now, 1, request=5)
    yield lambda: desk.pass_s(9000)
    yield lambda: acts.release(engine(), desk.now, 1, request=6)
    yield lambda: adopt.adopt(engine(), desk.setup, desk.now, request=7)
    yield lambda: desk.outage(3000, 2)
    yield lambda: desk.pass_s(60000)


def lived(cuts):
    desk = Desk(tank())
    desk.journal.cuts = list(cuts)
    for act in troubled_day(desk):
        for _ in range(9):
            try:
                act()
            except acts.Refused:
                pass
            except Power:
                desk.restart()
                continue
            break
    desk.journal.cuts = []
    desk.settle()
    return desk


def test_s16_no_single_cut_at_any_record_breaks_a_law():
    """Before each record and after it, during each run: what was asked again is not done twice."""
    n = len(lived([]).journal.records)
    assert n > 60
    for at in range(n):
        for durable in (False, True):
            desk = lived([(at, durable)])
            check_all(desk)
            assert not desk.state.open
            requests = [f[3] for f in desk.journal.of("P")] + [f[4] for f in desk.journal.of("X")]
            assert len(set(requests)) == len(requests), "an act was done twice"


def test_s16_no_pair_of_cuts_breaks_a_law_a_cut_of_the_start_included():
    n = len(lived([]).journal.records)
    for at in range(0, n, 3):
        for second in range(4):
            desk = lived([(at, at % 2 == 0), (second, second % 2 == 1)])
            check_all(desk)


# Once, and not again


def test_s05_a_table_that_shifts_by_a_few_seconds_never_opens_a_key_again():
    """A new calibration of one channel moves the doses of another by its longer run."""
    desk = Desk(setup(channel("a"), channel("b")))
    desk.until(START + 4 * H + 12)
    assert [run.due_w - START - 4 * H for run in desk.runs[-2:]] == [0, 5]
    acts.calibrate(desk.engine, desk.now, 0, 12800 * 8, 10000)
    desk.until(START + 5 * H - 1)
    assert desk.runs[-1].wall == START + 4 * H + 5
    desk.until(START + 5 * H + 100)
    assert [run.due_w - START - 5 * H for run in desk.runs[-2:]] == [0, 27]
    check_all(desk)


def test_s05_a_start_of_the_board_does_not_open_the_keys_of_a_date_anew():
    """After an override has ended, yesterday's last runs look shorter than they were."""
    big = channel("a", 24000, 24, most_ul=20000, cap_ul=10**6, from_s=DAY - 10)
    desk = Desk(setup(big, channel("b")))
    acts.override(desk.engine, desk.now, 0, 200000, 1)
    for _ in range(70):
        desk.pass_s(1800)
        desk.outage(2)
    check_keys(desk)
    check_every_key(desk)


@pytest.mark.parametrize("what", ["set-up", "calibration", "zone", "pump"])
@pytest.mark.parametrize("later", [0, 1, 4, 600])
def test_s25_nothing_new_makes_a_dose_run_again(what, later):
    desk = Desk(setup(channel("a"), channel("b", 12000, 12)))
    desk.until(START + 6 * H)
    desk.step(desk.wall + 5)
    assert desk.runs[-1].due_w == START + 6 * H
    desk.pass_s(later)
    ran = len(desk.runs)
    if what == "calibration":
        if desk.state.open:
            return
        acts.calibrate(desk.engine, desk.now, 0, 12800, 9000)
    else:
        made = copy.copy(desk.setup)
        made.channels = [copy.copy(c) for c in made.channels]
        if what == "zone":
            made.zone = setup(tz="EET-2EEST,M3.5.0/3,M10.5.0/4").zone
        if what == "pump":
            made.channels[0].speed_cps, made.channels[0].signature = 400, 6
            made.channels[0].cal = (12700, 10000, 0)
        adopt.adopt(desk.engine, made, desk.now)
        desk.setup = made
    desk.until(START + 7 * H - 1)
    assert [run for run in desk.runs[ran:] if run.channel == 0] == []
    desk.until(START + 7 * H + 30)
    assert [run.due_w for run in desk.runs[ran:] if run.channel == 0] == [START + 7 * H]
    check_all(desk)


@settings(max_examples=40, deadline=None, suppress_health_check=SLOW)
@given(
    st.lists(
        st.tuples(
            st.integers(1, 60000), st.sampled_from((UTC, "PST8", "NZST-12", "<-11>11", "<+14>-14"))
        ),
        min_size=1,
        max_size=6,
    )
)
def test_s25_no_change_of_zone_uses_a_key_twice_or_gives_a_date_more_than_its_plan(changes):
    desk = Desk(setup(channel(cap_ul=10**6, raise_pct=0), tz=UTC))
    dates = []
    for then, tz in changes:
        desk.pass_s(then)
        made = copy.copy(desk.setup)
        made.zone = setup(tz=tz).zone
        adopt.adopt(desk.engine, made, desk.now)
        desk.setup = made
    desk.pass_s(DAY)
    dates = [run.key[2] for run in desk.doses()]
    assert dates == sorted(dates)
    for date in set(dates):
        assert sum(run.ul for run in desk.doses() if run.key[2] == date) <= 24000
    check_all(desk)


# Late, missed, and never in a burst


@pytest.mark.parametrize(
    "off_s", [60, 1000, 1210, 1211, 3 * H, 3 * H + 1300, 30 * H + 99, 9 * DAY]
)
def test_s06_after_an_outage_at_most_the_newest_dose_runs_late_and_the_rest_is_missed(off_s):
    desk = Desk(setup(channel(raise_pct=0)))
    desk.until(START + 6 * H - 10)
    before = len(desk.runs)
    desk.outage(off_s)
    back = desk.wall
    desk.until(back + 5)
    late = desk.runs[before:]
    assert len(late) == (1 if (back - START) % H <= 1200 else 0)
    assert all(run.wall - run.due_w <= 1200 for run in late)
    desk.until(back + 2 * H)
    check_all(desk)
    check_every_key(desk)
    missed = sum(f[3] for f in desk.journal.of("M"))
    assert missed == (back - START) // H - 5 - len(late)


def test_s06_of_two_doses_that_are_due_only_the_newer_runs():
    """Grace is shorter than any interval of a valid set-up; the engine does not rely on it."""
    desk = Desk(setup(channel(grace_s=5 * H)))
    desk.until(START + 4 * H - 10)
    desk.outage(3 * H)
    desk.pass_s(2 * H)
    check_late(desk)
    assert [run.key[3] for run in desk.doses()][3:] == [6, 7, 8]
    assert [f[3] for f in desk.journal.of("M")] == [2]


def test_a_late_dose_gives_way_to_one_that_is_on_time():
    """Channel b comes back from a hold two seconds before a dose of channel a is due."""
    a = channel("a", 24000, 24, from_s=600)
    b = channel("b", 24000, 24)
    desk = Desk(setup(a, b, separate=[(0, 1, 300)]))
    acts.hold(desk.engine, desk.now, 1)
    desk.until(START + H + 400)
    acts.release(desk.engine, desk.now, 1)
    desk.until(START + 2 * H - 10)
    first, second = [run for run in desk.runs if run.wall >= START + H]
    assert (first.channel, first.wall - first.due_w) == (0, 0)
    assert (second.channel, second.start - first.end) == (1, 300)
    check_separate(desk)


def test_a_dose_that_waits_too_long_for_another_pump_is_missed_with_that_reason():
    desk = Desk(setup(channel("a"), channel("b", grace_s=150), separate=[(0, 1, 400)]))
    desk.pass_s(100)
    acts.extra(desk.engine, desk.now, 0, 500, planned=True)
    # The separation after the extra is longer than the grace of b's dose that is due in five
    # minutes.
    desk.until(START + H - 300)
    acts.extra(desk.engine, desk.now, 0, 500, planned=True)
    desk.until(START + 3 * H)
    check_separate(desk)
    assert [f[8] for f in desk.journal.of("M")] in ([], [QUEUE])


def test_each_channel_goes_its_own_way_and_a_held_one_delays_nobody():
    desk = Desk(setup(channel("a"), channel("b", from_s=600)))
    acts.hold(desk.engine, desk.now, 0)
    desk.days(2)
    runs = desk.doses(1)
    assert len(runs) == 48
    assert all(run.wall == run.due_w for run in runs)
    assert desk.doses(0) == []


def test_two_years_without_power_cost_no_more_than_two_days():
    """Bounded polls and records, one late dose at most, and only the newest doses are owed."""
    work = []
    for days in (2, 2 * 365):
        desk = Desk(
            setup(
                channel("a"),
                channel("b", weekdays=1),
                channel("c", at=((9 * H, 1), (21 * H, 2)), doses=2),
            )
        )
        desk.days(1)
        records, polls, runs = len(desk.journal.records), desk.polls, len(desk.runs)
        desk.outage(days * DAY)
        desk.pass_s(60)
        work.append((len(desk.journal.records) - records, desk.polls - polls))
        assert len(desk.runs) - runs <= 2
        assert sum(f[7] for f in desk.journal.of("M") if f[0] == 0) <= 12000
        desk.days(1)
        check_all(desk)
    assert work[1][0] <= work[0][0] + 2
    assert work[1][1] <= work[0][1] + 100


@pytest.mark.parametrize(
    "own",
    [
        {"daily_ul": 0},
        {"start_date": START_DATE + 4000},
        {"every": 366, "start_date": START_DATE - 1},
        {"weekdays": 1 << 6},
        {"daily_ul": 99},
    ],
)
def test_a_channel_without_doses_for_long_keeps_nobody_waiting_and_little_in_memory(own):
    desk = Desk(setup(channel("a"), channel("b", **own)))
    desk.days(6)
    assert len(desk.doses()) == 6 * 24 - 1 + 1
    assert desk.polls < 1500
    assert len(desk.engine.days) <= 3
    desk.outage(3 * H)
    desk.days(2)
    assert desk.polls < 2500
    check_all(desk)


def test_channels_of_other_days_of_the_week_do_not_fill_the_memory_with_tables():
    days = [channel("bcdefg"[i], weekdays=1 << i) for i in range(6)]
    desk = Desk(setup(channel("a"), *days))
    for _ in range(16):
        desk.pass_s(40000)
        assert len(desk.engine.days) <= 3
    check_all(desk)


def test_a_channel_of_one_day_a_week_doses_on_that_day():
    desk = Desk(setup(channel("a"), channel("b", 4000, 4, weekdays=1 << 6)))
    desk.days(15)
    assert {run.key[2] - START_DATE for run in desk.doses(1)} == {6, 13}
    assert len(desk.doses(1)) == 8


def test_a_channel_that_was_away_while_another_has_gone_on_finds_its_place():
    """Their tables are of different dates: neither may hinder the other for ever."""
    desk = Desk(
        setup(channel("a"), channel("b", 3000, 3, weekdays=0b1001), separate=[(0, 1, 600)])
    )
    for off in (5000, 3 * DAY, 40000, 8 * DAY):
        desk.days(3)
        desk.outage(off)
    desk.pass_s(600)
    check_all(desk)


# The journal comes first


def test_s14_no_motor_moves_while_the_journal_cannot_be_written():
    desk = Desk(setup(channel()))
    desk.until(START + 2 * H - 100)
    ran = len(desk.runs)
    desk.journal.fail = 10**9
    desk.pass_s(900)
    assert len(desk.runs) == ran
    desk.journal.fail = 0
    desk.pass_s(30)
    assert len(desk.runs) == ran + 1  # still within its grace
    assert desk.runs[-1].wall - desk.runs[-1].due_w > 790
    desk.journal.fail = 10**9
    desk.pass_s(3 * H)
    desk.journal.fail = 0
    desk.pass_s(60)
    check_all(desk)
    check_every_key(desk)


def unwritten():
    """A desk whose last run has ended and could not be recorded."""
    desk = Desk(setup(channel("a"), channel("b", from_s=900)))
    desk.until(START + 2 * H - 1)
    job = None
    while not job:
        desk.sleep(1)
        job = desk.engine.poll(desk.now)
    desk.sleep(4)
    desk.journal.fail = 10**9
    desk.engine.ended(desk.now, job[1])
    return desk


def test_s24_an_outcome_that_cannot_be_written_holds_all_dosing_until_it_is():
    desk = unwritten()
    ran = len(desk.runs)
    desk.pass_s(2 * H)
    assert len(desk.runs) == ran
    assert desk.state.open
    with pytest.raises(acts.Refused):
        acts.extra(desk.engine, desk.now, 1, 200, planned=True)
    desk.journal.fail = 0
    desk.pass_s(60)
    assert not desk.state.open
    assert desk.journal.of("U") == []
    assert desk.c().tot[8] == 0
    check_books(desk.state)


def test_s24_an_outcome_lost_with_the_power_stays_uncertain_and_counts_in_full():
    desk = unwritten()
    desk.pass_s(100)
    desk.journal.fail = 0
    desk.outage(50)
    assert desk.c().tot[8] == 1000
    assert desk.c().ring.used_ul(desk.now) == 2000
    check_books(desk.state)


def test_s15_a_dose_cut_by_a_loss_of_power_is_never_given_again_nor_owed():
    desk = Desk(setup(channel(raise_pct=100)))
    desk.until(START + 5 * H - 10)
    desk.cut_s = 1
    desk.pass_s(30)
    assert desk.runs[-1].given == -1
    cut = desk.runs[-1].key
    desk.pass_s(DAY)
    assert [run.key for run in desk.runs].count(cut) == 1
    assert not any(run.raise_ul for run in desk.runs)
    assert desk.c().tot[8] == 1000
    assert desk.journal.of("U") == [(0, 60, *[0] * 12)]


def test_s15_counts_that_a_driver_still_knows_after_a_reset_are_recorded_and_the_rest_is_owed():
    desk = Desk(setup(channel()))
    desk.until(START + 5 * H - 10)
    desk.cut_s = 1
    while not (desk.runs and desk.runs[-1].given < 0):
        desk.step(desk.wall + 30)
    desk.outage(5, counts=500)
    assert desk.journal.of("O")[-1][:4] == (0, 500 - 1280, RESET, 609)
    assert desk.c().owed[1::2] == [609]
    check_books(desk.state)


def test_s18_a_clock_step_during_a_dose_does_not_change_it():
    for step in (-3 * H, 40, 3 * H, 400 * DAY):
        desk = Desk(setup(channel()))
        desk.until(START + 2 * H - 1)
        job = None
        while not job:
            desk.sleep(1)
            job = desk.engine.poll(desk.now)
        desk.sleep(1)
        events.set_clock(desk.engine, desk.now, desk.wall + step, 2, 1)
        assert desk.engine.poll(desk.now) is None
        desk.sleep(2)
        desk.engine.ended(desk.now, job[1])
        assert (job[:2], desk.c().tot[1:3]) == ((0, 1280), [2000, 2560])
        check_books(desk.state)


@pytest.mark.parametrize("at", ["put", "after"])
def test_s26_an_allocation_that_fails_leaves_no_run_open_and_none_done_twice(at):
    """A MemoryError out of `poll` means that no motor was started."""
    desk = Desk(setup(channel()))
    desk.until(START + 2 * H - 1)
    put = desk.journal.put
    hits = []

    def failing(now_s, kind, fields, text=""):
        if kind == "I" and not hits:
            hits.append(1)
            if at == "after":
                put(now_s, kind, fields, text)
            raise MemoryError
        put(now_s, kind, fields, text)

    desk.journal.put = failing
    desk.boot()
    with pytest.raises(MemoryError):
        desk.pass_s(30)
    ran = len(desk.runs)
    desk.pass_s(600)
    assert len(desk.runs) == ran + (at == "put")
    assert desk.c().tot[8] == (1000 if at == "after" else 0)
    assert not desk.state.open
    desk.pass_s(2 * H)
    check_all(desk)
    check_every_key(desk)


# Counts


def test_s02_a_driver_that_overruns_gives_no_more_in_the_long_run():
    """Three counts too many with every dose are three fewer in the next."""
    desk = Desk(setup(channel()))
    while len(desk.doses()) < 200:
        desk.give = (3, 0)
        desk.step(desk.wall + DAY)
    given_counts = sum(run.given for run in desk.doses())
    planned = sum(run.ul for run in desk.doses())
    assert given_counts - Fraction(planned * 12800, 10000) <= 4
    assert [run.counts for run in desk.doses()[1:4]] == [1277] * 3
    check_all(desk)


def test_s02_a_gross_overrun_is_paid_back_dose_by_dose_and_never_below_one_count():
    desk = Desk(setup(channel(cap_ul=10**6)))
    desk.give = (5000, 0)
    desk.pass_s(7 * H)
    counts = [run.counts for run in desk.doses()]
    assert counts == [1280, 1, 1, 1, 117, 1280, 1280]
    assert sum(run.given for run in desk.doses()) == 1280 * 7
    check_all(desk)


@settings(max_examples=15, deadline=None)
@given(
    st.lists(st.tuples(st.integers(600, 900000), st.integers(80, 125)), max_size=8),
    st.integers(2000, 40000),
)
def test_the_running_error_stays_within_a_count_whatever_calibrations_come(changes, daily_ul):
    """Over the doses that ended as told, against exact fractions by the calibration of their
    day."""
    desk = Desk(
        setup(channel(daily_ul=daily_ul, doses=24, cal=(637, 10000, 0), cap_ul=10**7)),
        checked=False,
    )
    for then, pct in [*changes, (300000, 100)]:
        desk.pass_s(then)
        c = desk.c()
        if not desk.state.open:
            acts.calibrate(desk.engine, desk.now, 0, 637, max(1, c.cal_ul * pct // 100))
    exact = total = Fraction(0)
    kind_cal = (637, 10000)
    for _, _, kind, f, _ in desk.journal.records:
        if kind == "K":
            kind_cal = f[1:3]
        if kind == "I":
            exact += Fraction(f[3] * kind_cal[0], kind_cal[1])
            total += f[4]
            assert abs(total - exact) <= 1


def test_a_dose_beyond_its_limits_is_refused_with_that_reason():
    for own in ({"most_ul": 900}, {"run_most_s": 1}):
        desk = Desk(setup(channel(**own)))
        desk.days(1)
        assert desk.runs == []
        desk.settle()
        assert {f[8] for f in desk.journal.of("R")} == {LIMIT}
        check_books(desk.state)


# Nothing moves before all is known


@pytest.mark.parametrize(
    "why", ["no set-up", "no calibration", "pump changed", "lost records", "unknown record"]
)
def test_s08_s17_nothing_moves_before_set_up_calibration_and_journal_are_accepted(why):
    if why == "no set-up":
        journal = Memory()
        engine = Engine(setup(channel()), journal)
        events.boot(engine, 0, 0)
        events.set_clock(engine, 0, START, 2, 1)
        assert [engine.poll(now) for now in range(0, 2 * DAY, 60)] == [None] * 2880
        return
    made = setup(channel(cal=(0, 0, 0) if why == "no calibration" else (12800, 10000, 0)))
    desk = Desk(made)
    if why == "pump changed":
        made.channels[0].signature += 1
    if why == "lost records":
        desk.journal.put(desk.now, "G", (3, 0))
    if why == "unknown record":
        desk.journal.put(desk.now, "Q", (3, 0))
    desk.boot()
    desk.days(1)
    assert desk.runs == []
    if why in ("lost records", "unknown record"):
        acts.release(desk.engine, desk.now, ALL, 2)
        desk.pass_s(2 * H)
        assert desk.runs
    desk.settle()
    check_books(desk.state)


def test_s19_with_the_clock_unset_nothing_doses_and_nothing_is_owed_for_good():
    desk = Desk(setup(channel(raise_pct=0)))
    desk.pass_s(5 * H)
    ran = len(desk.runs)
    desk.outage(600, clock=0)
    desk.pass_s(9 * H)
    assert len(desk.runs) == ran
    assert desk.state.quality == 0
    desk.clock()
    desk.pass_s(2 * H)
    assert len(desk.runs) > ran
    check_all(desk)
    check_every_key(desk)


@pytest.mark.parametrize("back_s", [40, 3 * H, 20 * H])
def test_s20_a_step_back_repeats_nothing(back_s):
    desk = Desk(setup(channel(raise_pct=0)))
    desk.pass_s(30 * H)
    ran = len(desk.runs)
    desk.skew = -back_s
    desk.clock()
    desk.pass_s(back_s - 100 if back_s > 100 else 1)
    assert len(desk.runs) - ran <= (0 if back_s > H else 1)
    desk.pass_s(2 * DAY)
    check_all(desk)
    check_every_key(desk)


@pytest.mark.parametrize("on_s", [40, 3 * H, 20 * H, 400 * DAY])
def test_s20_a_step_forward_does_no_more_than_an_outage_would(on_s):
    desk = Desk(setup(channel(raise_pct=0)))
    desk.pass_s(30 * H + 1800)
    ran = len(desk.runs)
    desk.skew = on_s
    desk.clock()
    desk.pass_s(60)
    assert len(desk.runs) - ran <= 1
    desk.pass_s(2 * DAY)
    check_all(desk)
    check_every_key(desk)


def test_s20_a_clock_wrong_by_years_leaves_no_trace_once_it_is_right():
    """Nothing of the wrong dates was missed; nothing of them is caught up."""
    desk = Desk(setup(channel(raise_pct=100, cap_ul=10**6)))
    desk.pass_s(10 * H)
    desk.skew = 400 * DAY
    desk.clock()
    desk.pass_s(30)
    assert desk.c().owed
    desk.skew = 0
    desk.clock()
    assert not desk.c().owed
    ran = len(desk.runs)
    desk.pass_s(DAY)
    assert len(desk.runs) - ran == 24
    assert not any(run.raise_ul for run in desk.runs[ran:])
    check_all(desk)


# Waiting


def test_an_idle_poll_changes_nothing_and_asks_to_be_left_alone_until_the_next_dose():
    desk = Desk(setup(channel()))
    desk.until(START + H + 100)
    engine = desk.engine
    assert engine.wake_s == desk.now - 100 + H
    before = len(desk.journal.records), engine.wake_s
    for now in range(desk.now, engine.wake_s, 10):
        assert engine.poll(now) is None
    assert (len(desk.journal.records), engine.wake_s) == before


def test_an_hour_without_a_record_gets_one():
    desk = Desk(setup(channel(doses=1, at=((9 * H, 1),), most_ul=24000, cap_ul=10**6)))
    desk.days(1)
    times = [now for _, now, *_ in desk.journal.records]
    assert max(b - a for a, b in itertools.pairwise(times)) <= H
    desk.outage(600, clock=0)
    desk.pass_s(5 * H)
    assert len(desk.journal.of("t")) >= 20


def test_what_passed_for_one_reason_is_one_record_a_day():
    desk = Desk(setup(channel()))
    acts.hold(desk.engine, desk.now, ALL)
    desk.days(5)
    acts.release(desk.engine, desk.now, ALL)
    assert [f[3] for f in desk.journal.of("R")] == [23, 24, 24, 24, 24]
    check_every_key(desk)
    check_snapshots(desk)


def test_a_dose_that_a_fault_kept_back_is_missed_and_owed():
    desk = Desk(setup(channel()))
    desk.pass_s(H + 60)
    events.fault(desk.engine, desk.now, 0, 3, 0)
    desk.pass_s(3 * H)
    acts.clear(desk.engine, desk.now, 0)
    assert [(f[3], f[7], f[8]) for f in desk.journal.of("M")] == [(2, 2000, FAULT)]
    desk.pass_s(600)
    assert desk.runs[-1].due_w == START + 4 * H  # the newest still had its grace
    check_books(desk.state)


def test_doses_missed_before_the_first_clock_do_not_exist():
    """A board installed at noon has missed nothing of the morning."""
    desk = Desk(setup(channel()), wall=START + 12 * H + 5, clock=0)
    desk.pass_s(600)
    desk.clock()
    desk.pass_s(DAY)
    assert desk.journal.of("M") == []
    assert desk.runs[0].due_w == START + 13 * H
    assert [f[8] for f in desk.journal.of("M")] != [ABSENT]


def test_after_2034_the_numbers_of_the_epoch_are_still_right():
    """2**30 seconds after 2000 a board's small integers end."""
    desk = Desk(setup(channel()), wall=days_of(2034, 1, 8) * DAY)
    desk.days(5)
    assert len(desk.doses()) == 24 * 5
    check_all(desk)
