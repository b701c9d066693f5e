"""What a user may ask for: each act does what it says once, or is refused with the reason."""

import contextlib

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from aliquot.core import acts, events
from aliquot.core.ledger import ALL, CUP, HOLD, TRIMMED
from aliquot.core.plan import day_ul
from aliquot.core.snapshot import dump
from drive import DAY, SPRING, START, START_DATE, UTC, Desk, channel, check_all, check_books, setup

H = 3600
SLOW = [HealthCheck.too_slow]


def desk_at(seconds, *channels, **own):
    desk = Desk(setup(*(channels or (channel(),)), **own))
    desk.pass_s(seconds)
    return desk


# Trim


@pytest.mark.parametrize(("pct", "wanted"), [(50, 500), (1, 990), (89, 110), (90, 100)])
def test_a_trim_takes_its_share_off_the_next_doses_and_ends(pct, wanted):
    desk = desk_at(100)
    assert acts.trim(desk.engine, desk.now, 0, pct, 3)
    desk.pass_s(6 * H)
    assert [run.ul for run in desk.doses()] == [wanted] * 3 + [1000] * 3
    assert desk.c().tot[3] == 3 * (1000 - wanted)
    check_all(desk)


@pytest.mark.parametrize("pct", [91, 99, 100])
def test_s10_a_dose_trimmed_below_the_least_is_left_out_with_both_numbers(pct):
    desk = desk_at(100)
    acts.trim(desk.engine, desk.now, 0, pct, 2)
    desk.pass_s(4 * H)
    assert [run.ul for run in desk.doses()] == [1000] * 2
    rest = 1000 - -(-1000 * pct // 100)
    skipped = desk.journal.of("S")
    assert [(f[3], f[4], f[6], f[8]) for f in skipped] == [
        (2, 2 * rest, 2 * (1000 - rest), TRIMMED)
    ]
    assert desk.c().tot[3] == 2000
    check_all(desk)


def test_a_trim_counts_the_doses_that_are_missed_and_they_owe_what_was_left():
    desk = desk_at(100)
    acts.trim(desk.engine, desk.now, 0, 50, 4)
    desk.outage(3 * H - 200)
    assert desk.c().trim_n == 4
    desk.pass_s(6 * H)
    assert [(f[3], f[4], f[6], f[7]) for f in desk.journal.of("M")] == [(2, 1000, 1000, 1000)]
    # Two missed, two given at half, and what follows is raised by a quarter of itself.
    assert [(run.base_ul, run.raise_ul) for run in desk.doses()][:4] == [
        (500, 0), (500, 0), (1000, 250), (1000, 250),
    ]  # fmt: skip
    check_all(desk)


def test_a_new_trim_replaces_the_old_and_none_cancels_it():
    desk = desk_at(100)
    acts.trim(desk.engine, desk.now, 0, 50, 9)
    acts.trim(desk.engine, desk.now, 0, 20, 2)
    desk.pass_s(H)
    acts.trim(desk.engine, desk.now, 0, 0, 0)
    desk.pass_s(2 * H)
    assert [run.ul for run in desk.doses()] == [800, 1000, 1000]


def test_a_trim_of_one_channel_is_none_of_another():
    desk = desk_at(100, channel("a"), channel("b"))
    acts.trim(desk.engine, desk.now, 1, 50, 2)
    desk.pass_s(3 * H)
    assert [run.ul for run in desk.doses(0)] == [1000] * 3
    assert [run.ul for run in desk.doses(1)][1:] == [500, 500, 1000]


# Override


@pytest.mark.parametrize("delta", [-12000, -2400, 2400, 4800])
@pytest.mark.parametrize("days", [1, 3])
def test_an_override_changes_every_later_dose_in_proportion_for_its_days_and_then_returns(
    delta, days
):
    """Today is day one, and nothing is made up for the hours before."""
    desk = desk_at(10 * H + 60, channel(cap_ul=60000))
    ran = len(desk.doses())
    acts.override(desk.engine, desk.now, 0, delta, days)
    desk.days(days + 1)
    runs = desk.doses()[ran:]
    for run in runs:
        within = run.key[2] < START_DATE + days
        wanted = (24000 + delta if within else 24000) // 24
        assert run.ul == wanted
    today = sum(run.ul for run in desk.doses() if run.key[2] == START_DATE)
    assert today == 10 * 1000 + 13 * (24000 + delta) // 24
    assert list(desk.c().over) == []
    check_all(desk)


def test_overrides_add_and_go_one_by_one():
    desk = desk_at(60, channel(cap_ul=60000))
    acts.override(desk.engine, desk.now, 0, 2400, 3)
    acts.override(desk.engine, desk.now, 0, -4800, 2)
    desk.days(4)
    by_day = [{run.ul for run in desk.doses() if run.key[2] == START_DATE + i} for i in range(4)]
    assert by_day == [{900}, {900}, {1100}, {1000}]


def test_an_override_is_cancelled_for_the_doses_to_come():
    desk = desk_at(60)
    acts.override(desk.engine, desk.now, 0, -12000, 9)
    desk.pass_s(5 * H)
    acts.override(desk.engine, desk.now, 0, 0, 0)
    desk.pass_s(5 * H)
    assert [run.ul for run in desk.doses()] == [500] * 5 + [1000] * 5


def test_days_without_doses_stay_so_under_an_override_and_use_its_days_up():
    desk = desk_at(60, channel("a", 4000, 4, weekdays=0b101, cap_ul=20000))
    acts.override(desk.engine, desk.now, 0, 400, 4)
    desk.days(8)
    came = {run.key[2] - START_DATE: 0 for run in desk.doses()}
    for run in desk.doses():
        came[run.key[2] - START_DATE] += run.ul
    assert came == {0: 3300, 2: 4400, 7: 4000}


def test_an_override_that_takes_the_whole_day_leaves_no_dose():
    desk = desk_at(60)
    acts.override(desk.engine, desk.now, 0, -30000, 1)
    desk.days(2)
    assert {run.key[2] for run in desk.doses()} == {START_DATE + 1, START_DATE + 2}
    check_all(desk)


def test_an_override_over_a_clock_change_ends_with_its_local_date():
    desk = Desk(setup(channel(cap_ul=60000)), wall=(SPRING - 1) * DAY)
    acts.override(desk.engine, desk.now, 0, 2400, 2)
    desk.days(3)
    for run in desk.doses():
        assert run.ul == (1100 if run.key[2] <= SPRING else 1000)


@settings(max_examples=40, deadline=None, suppress_health_check=SLOW)
@given(
    st.lists(
        st.tuples(st.integers(1, 40000), st.integers(-20000, 20000), st.integers(0, 3)), max_size=6
    )
)
def test_whatever_overrides_come_each_dose_is_its_share_of_its_day(changes):
    """And the overridden day never passes the cap that was looked at when it was entered."""
    desk = Desk(setup(channel(raise_pct=0, cap_ul=40000, most_ul=3000), tz=UTC))
    day_of = {}
    for then, delta, days in [*changes, (2 * DAY, 0, 0)]:
        end = desk.wall + then
        while desk.wall < end:
            over = list(desk.c().over)
            run = desk.step(end)
            if run:
                day_of[run.key] = day_ul(desk.setup.channels[0], run.key[2], over)
        with contextlib.suppress(acts.Refused):
            acts.override(desk.engine, desk.now, 0, delta, days)
    for run in desk.doses():
        day = day_of[run.key]
        n = min(24, day // 100)
        assert abs(run.ul - day / n) < 1 or run.ul < day / n
        assert day <= 40000 - 2 * -(-day // n)
    check_all(desk)


@settings(max_examples=60, deadline=None, suppress_health_check=SLOW)
@given(
    st.lists(
        st.tuples(
            st.integers(1, 30000),
            st.sampled_from(("lower", "cancel", "outage")),
            st.integers(1, 30000),
        ),
        min_size=1,
        max_size=4,
    )
)
def test_a_day_of_changing_overrides_never_passes_its_largest_plan(changes):
    desk = Desk(setup(channel(raise_pct=100, cap_ul=60000), tz=UTC), wall=START_DATE * DAY - 1)
    for then, what, size in changes:
        desk.pass_s(then)
        if what == "outage":
            desk.outage(size)
        else:
            acts.override(
                desk.engine, desk.now, 0, -(size // 2), 1 if what == "lower" else 0, keep=True
            )
    desk.pass_s(2 * DAY)
    for date in {run.key[2] for run in desk.doses()}:
        assert sum(run.base_ul for run in desk.doses() if run.key[2] == date) <= 24000
    check_all(desk)


# Hold


def test_a_hold_keeps_its_channel_until_it_is_released_and_owes_nothing():
    desk = desk_at(100, channel("a"), channel("b"))
    acts.hold(desk.engine, desk.now, 0)
    desk.pass_s(5 * H + 1800)
    assert desk.doses(0) == []
    assert len(desk.doses(1)) == 6
    acts.release(desk.engine, desk.now, 0)
    desk.pass_s(H)
    assert [run.raise_ul for run in desk.doses(0)] == [0]
    assert [(f[3], f[8]) for f in desk.journal.of("R")] == [(5, HOLD)]
    check_all(desk)


def test_a_hold_until_a_time_ends_by_itself():
    desk = desk_at(100)
    acts.hold(desk.engine, desk.now, ALL, START + 5 * H + 600)
    desk.pass_s(DAY)
    assert desk.doses()[0].due_w == START + 5 * H  # still in its grace then
    assert desk.doses()[0].wall == START + 5 * H + 600
    assert sum(f[3] for f in desk.journal.of("R")) == 4
    check_all(desk)


def test_a_hold_that_ended_while_the_power_was_off_keeps_only_what_was_due_in_it():
    desk = desk_at(100)
    acts.hold(desk.engine, desk.now, 0, START + 5 * H)
    desk.outage(10 * H)
    desk.pass_s(H)
    assert sum(f[3] for f in desk.journal.of("R")) == 4
    assert sum(f[3] for f in desk.journal.of("M")) == 5  # the tenth still had its grace
    check_all(desk)


def test_a_hold_of_all_and_one_of_a_channel_are_released_one_by_one():
    desk = desk_at(100, channel("a"), channel("b"))
    acts.hold(desk.engine, desk.now, 0)
    acts.hold(desk.engine, desk.now, ALL)
    acts.release(desk.engine, desk.now, ALL)
    desk.pass_s(2 * H)
    assert {run.channel for run in desk.runs} == {1}
    acts.release(desk.engine, desk.now, 0)
    desk.pass_s(H)
    assert {run.channel for run in desk.runs} == {0, 1}


def test_a_hold_outlives_a_start_of_the_board():
    desk = desk_at(100)
    acts.hold(desk.engine, desk.now, 0)
    desk.outage(500)
    desk.days(1)
    assert desk.runs == []


# What is owed


@pytest.mark.parametrize("keep", [True, False])
@pytest.mark.parametrize(
    "act",
    [
        lambda e, now, keep: acts.trim(e, now, 0, 10, 1, keep=keep),
        lambda e, now, keep: acts.override(e, now, 0, 240, 1, keep=keep),
        lambda e, now, keep: acts.extra(e, now, 0, 300, planned=True, keep=keep),
        lambda e, now, keep: acts.hold(e, now, 0, keep=keep),
        lambda e, now, keep: acts.hold(e, now, ALL, keep=keep),
    ],
)
def test_an_act_cancels_what_is_owed_unless_the_user_keeps_it(act, keep):
    desk = Desk(setup(channel("a", cap_ul=60000), channel("b", cap_ul=60000)))
    desk.pass_s(100)
    desk.outage(8 * H)
    desk.pass_s(100)
    owed = [sum(c.owed[1::2]) for c in desk.state.channels]
    assert owed[0] == acts.owed_ul(desk.engine, 0) > 0
    assert act(desk.engine, desk.now, keep)
    assert acts.owed_ul(desk.engine, 0) == (owed[0] if keep else 0)
    if not keep:
        assert [f[:2] for f in desk.journal.of("L")][:1] == [(0, owed[0])]
    check_books(desk.state)


# Once


ACTS = {
    "trim": lambda e, now, r: acts.trim(e, now, 0, 50, 2, r),
    "override": lambda e, now, r: acts.override(e, now, 0, -240, 2, r),
    "extra": lambda e, now, r: acts.extra(e, now, 0, 300, r),
    "cup": lambda e, now, r: acts.cup_run(e, now, 0, 500, r),
    "hold": lambda e, now, r: acts.hold(e, now, 0, 0, r),
    "release": lambda e, now, r: acts.release(e, now, 0, 0, r),
    "refill": lambda e, now, r: acts.refill(e, now, 0, 5000, r),
    "calibrate": lambda e, now, r: acts.calibrate(e, now, 0, 12000, 10000, 0, r),
    "tubing": lambda e, now, r: acts.tubing(e, now, 0, r),
    "note": lambda e, now, r: acts.note(e, now, 1, 0, "8.1 dKH", r),
}


@pytest.mark.parametrize("name", ACTS)
def test_s24_an_act_is_one_record_and_its_repeat_is_none_not_even_after_a_restart(name):
    desk = desk_at(100, channel(size_ul=10**6, cap_ul=60000))
    before = len(desk.journal.records)
    assert ACTS[name](desk.engine, desk.now, 4711) is True
    assert len(desk.journal.records) == before + 1
    assert ACTS[name](desk.engine, desk.now, 4711) is False
    desk.outage(5)
    records = len(desk.journal.records)
    assert ACTS[name](desk.engine, desk.now, 4711) is False
    assert len(desk.journal.records) == records


# Refused


REFUSED = [
    ("channel", lambda e, n: acts.trim(e, n, 7, 50, 1)),
    ("channel", lambda e, n: acts.trim(e, n, -1, 50, 1)),
    ("percent", lambda e, n: acts.trim(e, n, 0, 0, 1)),
    ("percent", lambda e, n: acts.trim(e, n, 0, 101, 1)),
    ("percent", lambda e, n: acts.trim(e, n, 0, -5, 1)),
    ("doses", lambda e, n: acts.trim(e, n, 0, 50, -1)),
    ("doses", lambda e, n: acts.trim(e, n, 0, 50, 10**6)),
    ("channel", lambda e, n: acts.override(e, n, 9, 100, 1)),
    ("days", lambda e, n: acts.override(e, n, 0, 100, -1)),
    ("days", lambda e, n: acts.override(e, n, 0, 100, 367)),
    ("dose_ul", lambda e, n: acts.override(e, n, 0, 100000, 1)),
    ("daily_ul", lambda e, n: acts.override(e, n, 0, 5000, 1)),
    ("daily_ul", lambda e, n: acts.override(e, n, 0, -23950, 1)),
    ("extra_ul", lambda e, n: acts.extra(e, n, 0, 99)),
    ("extra_ul", lambda e, n: acts.extra(e, n, 0, -5)),
    ("extra_ul", lambda e, n: acts.extra(e, n, 0, 4001)),
    ("channel", lambda e, n: acts.extra(e, n, 2, 500)),
    ("counts", lambda e, n: acts.cup_run(e, n, 0, 0)),
    ("counts", lambda e, n: acts.cup_run(e, n, 0, 30001)),
    ("run_s", lambda e, n: acts.extra(e, n, 0, 50000, into=CUP)),
    ("until", lambda e, n: acts.hold(e, n, 0, START)),
    ("channel", lambda e, n: acts.hold(e, n, 5)),
    ("what", lambda e, n: acts.release(e, n, 0, 3)),
    ("channel", lambda e, n: acts.release(e, n, ALL, 1)),
    ("left_ul", lambda e, n: acts.refill(e, n, 0, -1)),
    ("left_ul", lambda e, n: acts.refill(e, n, 0, 10**6 + 1)),
    ("counts", lambda e, n: acts.calibrate(e, n, 0, 0, 10)),
    ("ul", lambda e, n: acts.calibrate(e, n, 0, 10, 0)),
    ("offset", lambda e, n: acts.calibrate(e, n, 0, 10, 10, 11)),
    ("text", lambda e, n: acts.note(e, n, 0, 0, "")),
    ("text", lambda e, n: acts.note(e, n, 0, 0, "x" * 201)),
    ("text", lambda e, n: acts.note(e, n, 0, 0, "two\nlines")),
    ("text", lambda e, n: acts.note(e, n, 0, 0, "half \udc4d")),
    ("text", lambda e, n: acts.note(e, n, 0, 0, "halves \ud83d\udc4d")),
    ("fault", lambda e, n: acts.see(e, n, 0)),
]


@pytest.mark.parametrize(("field", "act"), REFUSED)
def test_a_refused_act_names_field_value_limit_and_advice_and_leaves_no_trace(field, act):
    desk = desk_at(100, channel(size_ul=10**6, cap_ul=30000))
    before = dump(desk.state), len(desk.journal.records), desk.engine.wake_s
    with pytest.raises(acts.Refused) as refused:
        act(desk.engine, desk.now)
    found, _, limit, advice = refused.value.args
    assert found == field
    assert limit != ""
    assert len(advice) > 5
    assert (dump(desk.state), len(desk.journal.records), desk.engine.wake_s) == before


def test_at_most_four_overrides_are_in_force():
    desk = desk_at(100, channel(cap_ul=60000))
    for days in (1, 2, 3, 4):
        acts.override(desk.engine, desk.now, 0, 100, days)
    with pytest.raises(acts.Refused):
        acts.override(desk.engine, desk.now, 0, 100, 2)
    desk.days(1)
    acts.override(desk.engine, desk.now, 0, 100, 2)
    check_all(desk)


def test_an_override_is_refused_where_a_group_has_no_room_for_it():
    made = setup(channel("a", cap_ul=60000), channel("b", cap_ul=60000), groups=[(52000, (0, 1))])
    desk = Desk(made)
    desk.pass_s(100)
    acts.override(desk.engine, desk.now, 0, 1200, 2)
    with pytest.raises(acts.Refused) as refused:
        acts.override(desk.engine, desk.now, 1, 1200, 2)
    assert "group" in refused.value.args[3]


@pytest.mark.parametrize(
    "act",
    [
        lambda e, n: acts.override(e, n, 0, 100, 1),
        lambda e, n: acts.extra(e, n, 0, 500),
        lambda e, n: acts.cup_run(e, n, 0, 500),
    ],
)
def test_s19_what_needs_a_clock_is_refused_without_one(act):
    desk = desk_at(100)
    desk.outage(60, clock=0)
    with pytest.raises(acts.Refused) as refused:
        act(desk.engine, desk.now)
    assert refused.value.args[0] == "clock"


def test_nothing_is_calibrated_adopted_or_started_while_a_pump_runs():
    desk = desk_at(2 * H - 5)
    while not desk.engine.poll(desk.now):
        desk.sleep(1)
    for act in (ACTS["calibrate"], ACTS["extra"], ACTS["cup"]):
        with pytest.raises(acts.Refused):
            act(desk.engine, desk.now, 0)
    desk.engine.ended(desk.now + 3, 1280)


# Cups, notes, tubing


def test_s07_a_run_into_a_cup_holds_its_channel_and_counts_for_the_reservoir():
    desk = desk_at(100, channel("a", left_ul=50000, size_ul=50000), channel("b"))
    acts.cup_run(desk.engine, desk.now, 0, 12800)
    desk.pass_s(2 * H)
    assert [run.into for run in desk.runs if run.channel == 0] == [CUP]
    assert len(desk.doses(1)) == 3
    c = desk.c()
    assert (c.taken_ul, c.ring.used_ul(desk.now), c.tot[1]) == (10000, 0, 0)
    acts.release(desk.engine, desk.now, 0, 1)
    desk.pass_s(H)
    assert len(desk.doses(0)) == 2  # the newest was still in its grace
    check_all(desk)


def test_the_line_is_not_back_while_the_cup_is_still_filling():
    desk = desk_at(100)
    acts.cup_run(desk.engine, desk.now, 0, 12800)
    while not desk.engine.poll(desk.now):
        desk.sleep(1)
    with pytest.raises(acts.Refused):
        acts.release(desk.engine, desk.now, 0, 1)
    desk.engine.ended(desk.now + 26, 12800)
    assert acts.release(desk.engine, desk.now + 26, 0, 1)


def test_a_pump_without_a_calibration_runs_into_a_cup_and_nowhere_else():
    desk = Desk(setup(channel(cal=(0, 0, 0))))
    desk.pass_s(100)
    acts.cup_run(desk.engine, desk.now, 0, 5000)
    desk.pass_s(60)
    assert [(run.into, run.given) for run in desk.runs] == [(CUP, 5000)]
    acts.calibrate(desk.engine, desk.now, 0, 5000, 4000)
    acts.release(desk.engine, desk.now, 0, 1)
    desk.pass_s(2 * H)
    assert [run.counts for run in desk.doses()] == [1250, 1250]


def test_a_note_stands_in_the_journal_word_for_word():
    desk = desk_at(100)
    for said in ('Sunday: 7.9 "dKH", 24.8 °C', "\ud7ff \ue000 \U0001f44d"):
        acts.note(desk.engine, desk.now, 1, 0, said)
        _, _, kind, fields, text = desk.journal.records[-1]
        assert (kind, fields[:2], text) == ("E", (1, 0), said)


def test_new_tubing_starts_its_count_anew():
    desk = desk_at(5 * H)
    assert desk.c().tube_ul == 5000
    acts.tubing(desk.engine, desk.now, 0)
    assert (desk.c().tube_ul, desk.c().tube_w) == (0, desk.wall)


# Stop


def test_s11_a_stop_keeps_the_count_exactly_and_owes_nothing():
    desk = desk_at(H - 5)
    while not (job := desk.engine.poll(desk.now)):
        desk.sleep(1)
    acts.hold(desk.engine, desk.now, ALL)
    desk.sleep(1)
    desk.engine.ended(desk.now, 333, 11)
    assert job[1] == 1280
    c = desk.c()
    assert (c.tot[1], c.tot[2], c.tot[10], c.owed) == (260, 333, 740, [])
    assert -c.rem == 333 * 10000 - 260 * 12800
    desk.pass_s(DAY)
    assert len(desk.journal.of("I")) == 1
    check_books(desk.state)


def test_faults_act_on_the_run_that_comes_next_not_on_the_record_of_the_one_under_way():
    desk = desk_at(H - 5)
    while not desk.engine.poll(desk.now):
        desk.sleep(1)
    events.fault(desk.engine, desk.now, 0, 3, 1)
    desk.engine.ended(desk.now + 1, 640, 4)
    assert desk.c().owed[1::2] == [500]
    check_books(desk.state)
