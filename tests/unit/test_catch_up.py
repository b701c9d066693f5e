"""Catch-up: a shortfall comes back as bounded raises, and nothing else does (S6)."""

import pytest
from hypothesis import HealthCheck, given, note, settings

from aliquot.core import acts, events
from aliquot.core.ledger import ABSENT, FAULT, USER
from drive import DAY, START, Desk, channel, check_all, check_books, setup
from scenes import STORIES, play, setups, told

H = 3600


def away(hours, **own):
    """A desk that was without power for so many hours from 05:50 on, under a wide cap."""
    desk = Desk(setup(channel(**({"cap_ul": 80000} | own))))
    desk.until(START + 6 * H - 600)
    desk.outage(round(hours * H))
    desk.ran = len(desk.doses())
    return desk


def raises(desk):
    return [run.raise_ul for run in desk.doses()[desk.ran :]]


@pytest.mark.parametrize(
    ("pct", "wanted"), [(25, [250] * 8), (100, [1000] * 2), (60, [600, 600, 600, 200]), (0, [])]
)
def test_s06_a_later_dose_is_raised_by_at_most_its_share_until_all_is_back(pct, wanted):
    desk = away(2 + 1 / 6 + 0.4, raise_pct=pct)  # 06:00, 07:00 missed, 08:00 too
    desk.until(START + 30 * H - 60)
    missed = sum(f[7] for f in desk.journal.of("M"))
    assert missed == 3000
    wanted = {25: [250] * 12, 100: [1000] * 3, 60: [600] * 5, 0: []}[pct]
    assert [up for up in raises(desk) if up] == wanted
    check_all(desk)


def test_a_shortfall_older_than_its_age_lapses_and_is_recorded():
    desk = away(3.5, age_s=6 * H, raise_pct=10)  # 06:00, 07:00 and 08:00; 09:00 runs late
    desk.until(START + 14 * H - 1)
    assert desk.c().owed == [START + 8 * H, 3000 - 5 * 100]
    desk.until(START + 14 * H)
    assert desk.c().owed == []
    assert [f[:2] for f in desk.journal.of("L")] == [(0, 2500)]
    assert desk.c().tot[6] == 2500
    desk.pass_s(5 * H)
    assert sum(raises(desk)) == 500
    check_all(desk)


def test_doses_older_than_the_age_are_never_owed():
    desk = away(20, age_s=6 * H)
    desk.pass_s(60)
    missed = desk.journal.of("M")
    assert sum(f[3] for f in missed) == 20
    assert sum(f[7] for f in missed) == 6000
    desk = away(20, age_s=0)
    desk.pass_s(60)
    assert desk.c().owed == []


@pytest.mark.parametrize("most", [0, 1, 1500, 12000])
def test_more_than_max_ml_is_never_owed(most):
    desk = away(15, owed_most_ul=most)
    desk.pass_s(60)
    assert sum(desk.c().owed[1::2]) == min(15000, most)
    for _ in range(5):
        desk.outage(4 * H)
        desk.pass_s(1800)
        assert sum(desk.c().owed[1::2]) <= most
    check_all(desk)


def test_at_most_four_entries_and_the_newest_joins_an_older_one():
    desk = away(1.5, raise_pct=0, age_s=3 * DAY)
    for _ in range(6):
        desk.outage(2 * H)
        desk.pass_s(H)
        assert len(desk.c().owed) <= 8
    assert len(desk.c().owed) == 8
    first = desk.c().owed[0]
    # An entry that joined lapses with the one it joined.
    last = desk.c().owed[6]
    assert first < last < desk.wall - 4 * H
    desk.until(last + 3 * DAY + 60)
    assert all(due > last for due in desk.c().owed[0::2])
    check_all(desk)


def test_the_oldest_is_given_back_first():
    desk = away(1.5, age_s=3 * DAY, raise_pct=10)
    desk.pass_s(2 * H)
    desk.outage(3 * H)
    desk.pass_s(60)
    before = list(desk.c().owed)
    assert len(before) == 4
    desk.pass_s(2 * H)
    assert desk.c().owed[-2:] == before[-2:]
    assert sum(desk.c().owed[1::2]) < sum(before[1::2])


@pytest.mark.parametrize(
    "why",
    [
        "hold",
        "trim",
        "lowered",
        "refused by the cap",
        "cut",
        "stopped by the user",
        "no calibration",
        "fresh journal",
    ],
)
def test_nothing_is_owed_that_the_user_chose_or_that_may_be_in(why):
    desk = Desk(
        setup(channel(cap_ul=1500 if why == "refused by the cap" else 80000)),
        given_ul=-1 if why == "fresh journal" else 0,
    )
    desk.pass_s(100)
    if why == "hold":
        acts.hold(desk.engine, desk.now, 0)
    if why == "trim":
        acts.trim(desk.engine, desk.now, 0, 100, 3)
    if why == "lowered":
        acts.override(desk.engine, desk.now, 0, -12000, 1)
    if why == "cut":
        desk.cut_s = 1
    if why == "stopped by the user":
        desk.give = (-600, USER)
    if why == "no calibration":
        desk.setup.channels[0].signature += 1
    if why == "fresh journal":
        desk.outage(3 * H)
    desk.pass_s(4 * H)
    desk.settle()
    assert desk.c().owed == []
    assert not any(run.raise_ul for run in desk.runs)
    assert sum(f[7] for f in desk.journal.of("M")) == 0
    check_books(desk.state)


@pytest.mark.parametrize("why", ["power", "fault", "partial"])
def test_what_was_certainly_not_delivered_through_no_choice_of_the_user_is_owed(why):
    desk = Desk(setup(channel(cap_ul=80000)))
    desk.pass_s(100)
    if why == "power":
        desk.outage(2 * H)
        wanted = 1000
    elif why == "fault":
        events.fault(desk.engine, desk.now, 0, 3, 0)
        desk.pass_s(2 * H)
        acts.clear(desk.engine, desk.now, 0)
        wanted = 1000
    else:
        desk.give = (-640, FAULT)
        desk.pass_s(H)
        wanted = 500
    desk.pass_s(60)
    assert sum(desk.c().owed[1::2]) + sum(run.raise_ul for run in desk.runs) == wanted
    assert {f[8] for f in desk.journal.of("M")} <= {ABSENT, FAULT}
    check_all(desk)


def test_a_trimmed_or_lowered_dose_is_not_raised():
    for lower in (True, False):
        desk = away(3)
        desk.pass_s(60)
        desk.ran = len(desk.doses())
        if lower:
            acts.override(desk.engine, desk.now, 0, -2400, 1, keep=True)
        else:
            acts.trim(desk.engine, desk.now, 0, 10, 4, keep=True)
        desk.pass_s(4 * H)
        assert [run.ul for run in desk.doses()[desk.ran :]] == [900] * 4
        assert desk.c().owed


def test_a_dose_of_a_raised_day_may_be_raised():
    desk = away(3)
    desk.pass_s(60)
    acts.override(desk.engine, desk.now, 0, 2400, 1, keep=True)
    desk.ran = len(desk.doses())
    desk.pass_s(2 * H)
    assert [run.base_ul for run in desk.doses()[desk.ran :]] == [1100] * 2
    assert raises(desk) == [275] * 2


@pytest.mark.parametrize(
    ("own", "wanted"),
    [
        ({"most_ul": 1100}, 100),
        ({"run_most_s": 3}, 0),  # 1280 counts at 500 a second: no second left
        ({"cap_ul": 24000 + 2150}, 150),
    ],
)
def test_a_raise_is_clipped_to_the_largest_dose_the_run_time_and_the_room(own, wanted):
    desk = away(2.5, **own)
    desk.pass_s(H)
    if "cap_ul" in own:
        assert max(raises(desk)) <= 2150
    else:
        assert max(raises(desk)) == wanted
    check_all(desk)


def test_a_raise_leaves_the_dose_of_an_almost_empty_reservoir_alone():
    desk = away(2.5, left_ul=8700, size_ul=10000)
    desk.pass_s(4 * H)
    assert desk.c().fill_ul - desk.c().taken_ul >= 0
    assert all(run.base_ul == 1000 for run in desk.doses())
    check_all(desk)


def test_what_is_missed_while_raising_is_owed_without_the_raise():
    desk = away(2.5, raise_pct=100)
    desk.pass_s(60)
    owed = sum(desk.c().owed[1::2])
    desk.outage(90 * 60)
    desk.pass_s(60)
    assert sum(desk.c().owed[1::2]) + sum(run.raise_ul for run in desk.doses()) <= owed + 2000
    check_all(desk)


def test_the_raise_of_a_dose_that_a_fault_cut_short_lapses():
    """It was given its chance: only the dose itself is owed again."""
    desk = away(2.5)
    desk.until(START + 9 * H - 60)
    owed = sum(desk.c().owed[1::2])
    desk.give = (-1280, FAULT)
    desk.until(START + 9 * H + 60)
    run = desk.doses()[-1]
    assert run.raise_ul == 250
    assert sum(desk.c().owed[1::2]) == owed - 250 + run.base_ul - 250
    check_all(desk)


def test_pending_catch_up_does_not_keep_the_engine_awake():
    desk = away(3, raise_pct=0)
    desk.pass_s(60)
    polls = desk.polls
    desk.pass_s(10 * H)
    assert desk.polls - polls < 80


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(setups(), STORIES)
def test_s06_whatever_happens_catch_up_keeps_all_its_limits(made, story):
    note(told(made))
    desk = Desk(made)
    seen = 0
    for happening, then in [*story, (("pass",), 40000)]:
        if happening[0] != "pass":
            play(desk, happening)
        desk.pass_s(then)
        wall = desk.now + desk.state.offset
        for c, cfg in zip(desk.state.channels, desk.setup.channels, strict=True):
            assert len(c.owed) <= 8
            assert sum(c.owed[1::2]) <= cfg.owed_most_ul
            if desk.state.quality and desk.engine.wake_s > desk.now:
                assert all(due + cfg.age_s > wall for due in c.owed[0::2])
        for run in desk.runs[seen:]:
            cfg = desk.setup.channels[run.channel]
            assert run.raise_ul <= run.base_ul * cfg.raise_pct // 100
            assert run.ul <= cfg.most_ul or not run.key
        seen = len(desk.runs)
    check_all(desk)
