"""One delivery now, outside the timetable: bounded by room, short-lived, once (S7)."""

import pytest
from hypothesis import HealthCheck, given, note, settings
from hypothesis import strategies as st

from aliquot.core import acts, events
from aliquot.core.ledger import CAP, CUP, EMPTY, FAULT, HOLD, LIMIT, QUEUE, RESET, TANK, USER
from drive import DAY, START, Desk, channel, check_all, check_every_key, check_separate, setup
from scenes import STORIES, play, setups, told

H = 3600
SLOW = [HealthCheck.too_slow]


def desk_at(seconds, *channels, separate=()):
    desk = Desk(setup(*(channels or (channel(cap_ul=60000),)), separate=list(separate)))
    desk.pass_s(seconds)
    return desk


def extras(desk):
    return [run for run in desk.runs if not run.key]


def test_an_extra_runs_at_once_and_changes_no_dose():
    desk = desk_at(100)
    assert acts.extra(desk.engine, desk.now, 0, 2500)
    desk.days(1)
    (run,) = extras(desk)
    assert (run.ul, run.into, run.wall) == (2500, TANK, START + 100)
    assert [r.ul for r in desk.doses()] == [1000] * 24
    assert desk.c().tot[9] == 2500
    check_every_key(desk)
    check_all(desk)


def test_the_use_of_planned_room_needs_a_second_word_and_then_costs_planned_doses():
    desk = desk_at(100, channel(cap_ul=26000, raise_pct=0))
    with pytest.raises(acts.Refused) as refused:
        acts.extra(desk.engine, desk.now, 0, 3000)
    assert refused.value.args[:3] == ("extra_ul", 3000, 2000)
    assert acts.extra(desk.engine, desk.now, 0, 2000)
    desk.pass_s(60)
    with pytest.raises(acts.Refused):
        acts.extra(desk.engine, desk.now, 0, 3000)
    assert acts.extra(desk.engine, desk.now, 0, 3000, planned=True)
    desk.days(1)
    desk.settle()
    assert len(extras(desk)) == 2
    assert CAP in {f[8] for f in desk.journal.of("R")}
    check_all(desk)


def test_nothing_passes_the_cap_whatever_is_confirmed():
    desk = desk_at(100, channel(cap_ul=3000, daily_ul=2400, doses=24))
    with pytest.raises(acts.Refused) as refused:
        acts.extra(desk.engine, desk.now, 0, 3001, planned=True)
    assert refused.value.args[:3] == ("extra_ul", 3001, 3000)


@pytest.mark.parametrize(
    ("gap", "waits"), [(300, True), (500, True), (657, True), (658, False), (700, False)]
)
def test_an_extra_waits_for_its_separation_up_to_ten_minutes_and_is_then_refused(gap, waits):
    desk = desk_at(
        H + 60,
        channel("a", cap_ul=60000),
        channel("b", 100, 1, start_date=9999, cap_ul=60000),
        separate=[(0, 1, gap)],
    )
    asked = desk.now
    assert acts.extra(desk.engine, desk.now, 1, 500, request=9)
    desk.pass_s(1700)
    check_separate(desk)
    if waits:
        (run,) = extras(desk)
        assert run.start == desk.runs[0].end + gap
    else:
        assert extras(desk) == []
        assert [f[:3] for f in desk.journal.of("Y")] == [(1, QUEUE, 500)]
        at = next(now for _, now, kind, _, _ in desk.journal.records if kind == "Y")
        assert 600 <= at - asked <= 610
    assert desk.c(1).extra == []
    check_all(desk)


def test_an_extra_keeps_clear_of_the_doses_that_come():
    """A run now would keep the other channel's dose from its whole grace: the extra gives way."""
    a = channel("a", 24000, 24, grace_s=600, cap_ul=60000)
    desk = desk_at(H - 100, a, channel("b", cap_ul=60000, from_s=1800), separate=[(0, 1, 1500)])
    acts.extra(desk.engine, desk.now, 1, 500)
    desk.pass_s(2 * H)
    assert [f for f in desk.journal.of("M") if f[0] == 0] == []
    check_separate(desk)
    check_all(desk)


def test_a_held_channel_does_not_keep_extras_of_others_waiting():
    desk = desk_at(
        100, channel("a"), channel("b", cap_ul=60000, from_s=1800), separate=[(0, 1, 1200)]
    )
    acts.hold(desk.engine, desk.now, 0)
    desk.until(START + H + 60)
    acts.extra(desk.engine, desk.now, 1, 500)
    desk.pass_s(5)
    assert len(extras(desk)) == 1


@pytest.mark.parametrize("off", [1, 300, 5000])
def test_s07_an_extra_never_resumes_after_a_restart(off):
    desk = desk_at(
        H + 60, channel("a", cap_ul=60000), channel("b", cap_ul=60000), separate=[(0, 1, 500)]
    )
    acts.extra(desk.engine, desk.now, 1, 500, request=9)
    desk.pass_s(5)
    desk.outage(off)
    assert [f[:3] for f in desk.journal.of("Y")] == [(1, RESET, 500)]
    assert acts.extra(desk.engine, desk.now, 1, 500, request=9) is False
    desk.pass_s(H)
    assert extras(desk) == []
    check_all(desk)


def test_s15_an_extra_cut_by_the_power_is_in_and_never_given_again():
    desk = desk_at(100)
    acts.extra(desk.engine, desk.now, 0, 3000)
    desk.cut_s = 2
    desk.pass_s(H)
    assert len(extras(desk)) == 1
    assert desk.c().tot[9] == desk.c().tot[8] == 3000
    assert desk.c().owed == []
    check_all(desk)


@pytest.mark.parametrize("cause", [FAULT, USER])
def test_an_extra_cut_short_owes_nothing(cause):
    desk = desk_at(100)
    acts.extra(desk.engine, desk.now, 0, 3000)
    desk.give = (-1280, cause)
    desk.pass_s(600)
    assert desk.c().tot[9] == 2000
    assert desk.c().owed == []
    check_all(desk)


@pytest.mark.parametrize("why", [HOLD, FAULT, CAP, EMPTY, LIMIT])
def test_what_comes_between_accepting_and_running_ends_an_extra_with_its_reason(why):
    """It waits for a separation when that happens."""
    b = channel("b", cap_ul=60000, from_s=1800, left_ul=90000, size_ul=10**6)
    desk = desk_at(H + 60, channel("a"), b, separate=[(0, 1, 400)])
    acts.extra(desk.engine, desk.now, 1, 500)
    desk.pass_s(10)
    if why == HOLD:
        acts.hold(desk.engine, desk.now, 1)
    if why == FAULT:
        events.fault(desk.engine, desk.now, 1, 3, 0)
    if why == CAP:
        desk.setup.channels[1].cap_ul = 1100
    if why == EMPTY:
        acts.refill(desk.engine, desk.now, 1, 400)
    if why == LIMIT:
        acts.calibrate(desk.engine, desk.now, 1, 12800, 100)
    desk.pass_s(500)
    assert extras(desk) == []
    assert [f[:3] for f in desk.journal.of("Y")] == [(1, why, 500)]


def test_an_extra_that_waits_can_be_taken_back_and_then_another_accepted():
    desk = desk_at(
        H + 60, channel("a"), channel("b", cap_ul=60000, from_s=1800), separate=[(0, 1, 400)]
    )
    assert acts.cancel_extra(desk.engine, desk.now, 1) is False
    acts.extra(desk.engine, desk.now, 1, 500)
    with pytest.raises(acts.Refused):
        acts.extra(desk.engine, desk.now, 1, 600)
    assert acts.cancel_extra(desk.engine, desk.now, 1) is True
    acts.extra(desk.engine, desk.now, 1, 700)
    desk.pass_s(600)
    assert [run.ul for run in extras(desk)] == [700]


def test_an_extra_counts_the_remainder_like_a_dose():
    desk = desk_at(100, channel(cal=(637, 10000, 0), cap_ul=60000))
    for _ in range(6):
        acts.extra(desk.engine, desk.now, 0, 333)
        desk.pass_s(60)
    # 333 microlitres are 21.2121 counts.
    assert [run.counts for run in extras(desk)] == [21, 21, 22, 21, 21, 21]


def test_a_prime_into_a_cup_waits_for_no_separation_and_counts_for_no_cap():
    b = channel("b", cap_ul=60000, from_s=1800)
    desk = desk_at(H + 60, channel("a"), b, separate=[(0, 1, 1200)])
    used = desk.c(1).ring.used_ul(desk.now)
    acts.extra(desk.engine, desk.now, 1, 20000, into=CUP)
    desk.pass_s(120)
    (run,) = extras(desk)
    assert (run.into, run.wall) == (CUP, START + H + 60)
    assert desk.c(1).ring.used_ul(desk.now) == used
    check_all(desk)


@settings(max_examples=60, deadline=None, suppress_health_check=SLOW)
@given(
    setups(),
    STORIES,
    st.lists(
        st.tuples(st.integers(0, 3), st.integers(20, 150), st.booleans()), min_size=20, max_size=20
    ),
)
def test_s07_whatever_happens_an_extra_runs_once_within_ten_minutes_or_is_refused_on_record(
    made, story, asked
):
    note(told(made))
    desk = Desk(made)
    accepted = []
    for (happening, then), (ch, pct, planned) in zip(story, asked, strict=False):
        desk.journal.fail = 0
        ch %= len(made.channels)
        c = desk.setup.channels[ch]
        request = 1000 + len(accepted)
        try:
            ul = c.daily_ul // c.doses * pct // 100
            while ul in [other for _, _, other in accepted]:
                ul += 1  # each is known by its volume
            acts.extra(desk.engine, desk.now, ch, ul, request, planned)
            accepted.append((desk.powered, ch, ul))
        except acts.Refused:
            assert request not in desk.state.requests
        if happening[0] != "extra":
            play(desk, happening)
        desk.pass_s(then)
    desk.journal.fail = 0
    desk.pass_s(700)
    assert all(c.extra == [] for c in desk.state.channels)
    ended = len([run for run in extras(desk) if run.into == TANK]) + len(desk.journal.of("Y"))
    assert ended >= len(accepted) == len([f for f in desk.journal.of("X") if f[4] >= 1000])
    for at, ch, ul in accepted:
        ran = [r for r in extras(desk) if (r.channel, r.ul) == (ch, ul)]
        assert len(ran) <= 1
        assert all(at <= run.start <= at + 600 for run in ran)
    check_all(desk)


def test_an_extra_in_the_last_second_of_its_wait_is_not_started_later():
    desk = desk_at(
        H + 60,
        channel("a", cap_ul=60000),
        channel("b", cap_ul=60000, from_s=1800),
        separate=[(0, 1, 1200)],
    )
    acts.extra(desk.engine, desk.now, 1, 500)
    desk.pass_s(DAY)
    assert extras(desk) == []
    assert [f[1] for f in desk.journal.of("Y")] == [QUEUE]
