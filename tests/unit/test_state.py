"""The fold: what each record adds, that it decides nothing, and that the books balance (S24)."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aliquot.core.ledger import (
    ABSENT,
    ALL,
    CAP,
    COMMANDED,
    COUNTS,
    CUP,
    EXTRA,
    FAULT,
    LAPSED,
    MISSED,
    OVER,
    PLANNED,
    RAISED,
    REFUSED,
    RESET,
    SHORT,
    SKIPPED,
    TANK,
    TRIMMED,
    UNCERTAIN,
    USER,
)
from aliquot.core.runs import moved
from aliquot.core.snapshot import dump
from aliquot.core.state import State
from drive import DAY, START, check_books

PAD = (0,) * 12
DATE = START // DAY + 1


def add(state, dt_s, kind, *fields, text=""):
    state.apply(dt_s, kind, fields + PAD, text)
    return state


def begun(n=2):
    """A state with channels a, b ... of 1.28 counts a microlitre, the clock set, nothing given."""
    state = State()
    fields = [START, 0, 0]
    for _ in range(n):
        fields += [1, 12800, 10000, 0, 5, 0, 0]
    add(state, 0, "C", *fields, text="hash " + " ".join("abcdefgh"[:n]))
    return add(state, 0, "T", START, 2, 1)


def dose(state, ch=0, ul=1000, counts=1280, dates=0, trim=0, up=0, after=3600, index=0):
    return add(state, 1, "I", ch, after, index, ul, counts, dates, trim, up)


def totals(state, ch=0):
    names = {
        "planned": PLANNED, "commanded": COMMANDED, "counts": COUNTS, "skipped": SKIPPED,
        "missed": MISSED, "raised": RAISED, "lapsed": LAPSED, "refused": REFUSED,
        "uncertain": UNCERTAIN, "extra": EXTRA, "short": SHORT, "over": OVER,
    }  # fmt: skip
    return {
        name: state.channels[ch].tot[at]
        for name, at in names.items()
        if state.channels[ch].tot[at]
    }


def test_a_dose_done_adds_its_volume_and_its_counts():
    state = dose(begun())
    assert state.open == (0, 1000, 1280, 0, 1, 1000, 0)
    assert totals(state) == {"planned": 1000}
    add(state, 3, "O", 0)
    assert state.open == ()
    assert totals(state) == {"planned": 1000, "commanded": 1000, "counts": 1280}
    c = state.channels[0]
    assert (c.rem, c.end_s, c.ring.used_ul(4), c.taken_ul, c.day_ul) == (0, 4, 1000, 1000, 1000)
    assert totals(state, 1) == {}


@pytest.mark.parametrize(
    ("cause", "owed", "wanted"),
    [
        (FAULT, 500, {"short": 500}),
        (FAULT, 200, {"short": 500, "lapsed": 300}),
        (USER, 0, {"short": 500, "lapsed": 500}),
        (RESET, 500, {"short": 500}),
    ],
)
def test_s10_a_partial_dose_leaves_both_numbers_and_what_is_owed_of_the_rest(cause, owed, wanted):
    state = add(dose(begun()), 3, "O", 0, -640, cause, owed)
    assert totals(state) == {"planned": 1000, "commanded": 500, "counts": 640} | wanted
    assert state.channels[0].owed == ([START + 3600, owed] if owed else [])
    check_books(state)


def test_s15_power_that_went_during_a_run_counts_all_of_it_from_its_longest_end():
    state = add(dose(begun()), 0, "U", 0, 60)
    assert totals(state) == {"planned": 1000, "commanded": 1000, "counts": 1280, "uncertain": 1000}
    c = state.channels[0]
    assert (c.end_s, c.owed, state.resets) == (61, [], 1)
    assert c.ring.used_ul(DAY + 60) == 1000
    assert c.ring.used_ul(DAY + 61) == 0


def test_a_raise_settles_what_is_owed_and_falls_back_where_the_run_was_short():
    state = begun()
    add(state, 1, "M", 0, 3600, 0, 1, 1000, 0, 0, 1000, ABSENT)
    assert state.channels[0].owed == [START + 3600, 1000]
    dose(state, ul=1250, counts=1600, up=250, index=1)
    assert state.channels[0].owed == [START + 3600, 750]
    add(state, 4, "O", 0, -128, USER)
    # 1150 of 1250 went in: the dose, and 150 of the raise.
    assert totals(state) == {
        "planned": 2000,
        "commanded": 1150,
        "counts": 1472,
        "missed": 1000,
        "raised": 150,
        "lapsed": 100,
    }
    check_books(state)


def test_s02_an_overrun_is_counted_and_taken_off_the_remainder():
    state = add(dose(begun()), 3, "O", 0, 64)
    assert totals(state) == {"planned": 1000, "commanded": 1050, "counts": 1344, "over": 50}
    c = state.channels[0]
    assert c.rem == -64 * 10000
    assert c.ring.used_ul(4) == 1050
    check_books(state)


@pytest.mark.parametrize("into", [TANK, CUP])
def test_s07_a_run_outside_the_timetable_counts_where_it_went_and_closes_no_key(into):
    state = begun()
    add(state, 1, "X", 0, 1000, 0, into, 77)
    c = state.channels[0]
    before = (c.wm_w, c.date, c.index, c.day_ul, c.trim_n)
    assert c.extra == [1000, 0, into, 1]
    add(state, 1, "J", 0, 1000, 1280, into)
    assert c.extra == []
    add(state, 3, "O", 0)
    assert (c.wm_w, c.date, c.index, c.day_ul, c.trim_n) == before
    assert (c.taken_ul, c.tube_ul, c.cal_done_ul) == (1000, 1000, 1000)
    assert c.ring.used_ul(5) == (1000 if into == TANK else 0)
    assert totals(state) == (
        {"commanded": 1000, "counts": 1280, "extra": 1000} if into == TANK else {}
    )
    assert c.cup == (into == CUP)
    check_books(state)


@pytest.mark.parametrize(
    ("kind", "reason", "owed", "where"),
    [("M", ABSENT, 900, "missed"), ("R", CAP, 0, "refused"), ("S", TRIMMED, 0, "skipped")],
)
def test_s10_doses_that_passed_are_one_record_with_their_number_and_volume(
    kind, reason, owed, where
):
    state = begun()
    add(state, 5, kind, 0, 7200, 1, 2, 2000, DATE, 500, owed, reason, 0, 0)
    wanted = {"planned": 2500, "skipped": 500, where: 2000}
    if kind == "S":
        wanted = {"planned": 2500, "skipped": 2500}
    if kind == "M":
        wanted["lapsed"] = 1100
    assert totals(state) == wanted
    c = state.channels[0]
    assert (c.wm_w, c.date, c.index) == (START + 7200, DATE, 1)
    check_books(state)


def test_every_key_that_passes_uses_a_trim_up_missed_ones_too():
    state = add(begun(), 1, "P", 0, 50, 5, 9)
    add(dose(state, ul=500, counts=640, trim=500), 3, "O", 0)
    assert state.channels[0].trim_n == 4
    add(state, 1, "M", 0, 7200, 2, 2, 1000, 0, 1000, 1000, ABSENT)
    assert state.channels[0].trim_n == 2
    add(state, 1, "R", 0, 3600, 3, 3, 1000, 0, 0, 0, CAP)
    assert state.channels[0].trim_n == 0


def test_an_owed_entry_lapses_oldest_first_and_at_most_four_are_kept():
    state = begun()
    for i in range(5):
        add(state, 1, "M", 0, 3600, i, 1, 100, 0, 0, 100, ABSENT)
    c = state.channels[0]
    assert c.owed[0::2] == [START + 3600 * (i + 1) for i in range(4)]
    assert c.owed[1::2] == [
        100,
        100,
        100,
        200,
    ]  # the newest joins the one before and lapses with it
    add(state, 1, "L", 0, 150)
    assert c.owed[1::2] == [50, 100, 200]
    check_books(state)


@pytest.mark.parametrize(
    ("deltas", "date", "wanted"),
    [
        ([(500, 0, 2)], 1, [500, DATE, 2]),
        ([(500, 0, 2)], 2, []),
        ([(500, 0, 2), (-100, 0, 9)], 2, [-100, DATE, 9]),
        ([(500, 0, 9), (-100, 0, 2), (7, 0, 1)], 2, [500, DATE, 9]),
    ],
)
def test_overrides_go_when_a_later_date_begins(deltas, date, wanted):
    state = dose(begun(), dates=DATE)
    add(state, 1, "O", 0)
    for ul, first, days in deltas:
        add(state, 1, "D", 0, ul, DATE + first, days, START)
    add(dose(state, dates=date), 1, "O", 0)
    assert list(state.channels[0].over) == wanted


def test_overrides_that_are_over_make_room_for_new_ones_even_if_no_dose_came_since():
    state = add(begun(), 1, "D", 0, 500, DATE, 2, START)
    add(state, 1, "D", 0, 600, DATE + 2, 1, START)
    assert list(state.channels[0].over) == [600, DATE + 2, 1]
    add(state, 1, "D", 0, 0, DATE + 2, 0, START)
    assert list(state.channels[0].over) == []


@pytest.mark.parametrize("kind", ["V", "D", "C"])
def test_a_revision_rises_and_closes_all_that_was_due_before_it(kind):
    state = dose(begun())
    add(state, 1, "O", 0)
    c = state.channels[0]
    rev = c.rev
    later = START + 50000
    fields = {"V": (0, later), "D": (0, 5, DATE, 1, later), "C": (later, 0, 0, 1, *[0] * 6, 1)}
    add(state, 1, kind, *fields[kind], text="hash a b" if kind == "C" else "")
    assert (c.rev, c.wm_w, c.index) == (rev + 1, later, -1)


def test_a_revision_never_opens_what_is_closed():
    state = add(dose(begun(), after=90000), 1, "O", 0)
    add(state, 1, "V", 0, START + 10)
    assert state.channels[0].wm_w == START + 90000


@pytest.mark.parametrize(
    ("ahead_s", "lets_go"),
    [(0, False), (DAY - 100, False), (DAY, False), (DAY + 1, True), (900 * DAY, True)],
)
def test_s20_only_keys_of_a_wrong_later_date_let_go_when_the_clock_is_set_back(ahead_s, lets_go):
    state = add(dose(begun(), after=900 * DAY, dates=DATE + 900), 1, "O", 0)
    c = state.channels[0]
    other = state.channels[1].wm_w
    wall = c.wm_w - ahead_s
    add(state, 0, "T", wall - state.now_s, 2, 1, DAY)
    assert (c.wm_w == wall) == (lets_go or not ahead_s)
    assert (c.date == 0) == lets_go
    assert state.channels[1].wm_w == other


def test_the_clock_is_unset_after_every_boot():
    state = add(begun(), 5, "B", 0)
    assert (state.quality, state.offset) == (0, START)


def test_s12_a_new_latched_fault_must_be_seen_anew():
    state = add(begun(), 1, "Z", 0, 7, 1)
    add(state, 1, "z", 0, 1)
    assert state.channels[0].latched == 2
    add(state, 1, "Z", 0, 7, 1)
    assert state.channels[0].latched == 1


def test_a_fault_that_does_not_latch_leaves_the_latched_one_in_place():
    state = add(begun(), 1, "Z", ALL, 7, 1)
    add(state, 1, "Z", ALL, 3, 0)
    assert (state.fault, state.latched) == (7, 1)
    add(state, 1, "z", ALL, 0)
    assert (state.fault, state.latched, state.resets, state.dogs) == (0, 0, 0, [])


def test_an_unknown_kind_is_kept_and_holds_unless_it_says_that_it_may_be_ignored():
    state = add(begun(), 1, "~new", 1, 2, 3)
    assert state.foreign == 0
    add(state, 1, "new", 1, 2, 3)
    assert state.foreign == state.seq
    add(state, 1, "h", ALL, 2)
    assert state.foreign == 0


def test_lost_records_count_what_may_have_entered():
    state = add(begun(), 1, "G", 12, 500, 700)
    assert state.gap == 12
    assert [c.ring.used_ul(1) for c in state.channels] == [500, 700]


@pytest.mark.parametrize(
    ("counts", "ul", "wanted"),
    [
        (12800, 11000, 1100),  # more a count: what went in was more
        (12800, 9000, 1000),  # less: the larger of both counts
        (6400, 10000, 2000),
        (25600, 10000, 1000),
    ],
)
def test_s01_a_new_calibration_counts_the_last_day_with_the_larger_of_both(counts, ul, wanted):
    state = add(dose(begun()), 3, "O", 0)
    state.channels[0].rem = 4000
    add(state, 1, "F", 0, 50000)
    add(dose(state), 1, "O", 0)
    add(state, 1, "K", 0, counts, ul, 0, 5)
    c = state.channels[0]
    assert c.ring.used_ul(5) == 2 * wanted
    assert c.taken_ul == wanted
    assert c.rem == 4000 * ul // 10000
    assert (c.cal_counts, c.cal_ul, c.cal_done_ul) == (counts, ul, 0)


def test_a_calibration_off_by_millions_still_folds():
    state = add(dose(begun()), 3, "O", 0)
    add(state, 1, "K", 0, 1, 10**7, 0, 5)
    assert state.channels[0].ring.used_ul(5) > 10**9


def test_a_new_set_up_keeps_a_channel_by_its_id():
    state = add(dose(begun(3), ch=1), 3, "O", 1)
    kept = state.channels[1]
    fields = [START + 90, 0, 0]
    for given_ul in (700, 0):
        fields += [1, 0, 0, 0, 0, 0, given_ul]
    add(state, 1, "C", *fields, text="other new b")
    assert (state.hash, state.ids) == ("other", ["new", "b"])
    assert state.channels[1] is kept
    assert kept.ring.used_ul(5) == 1000
    assert state.channels[0].ring.used_ul(5) == 700


def test_a_day_already_in_leaves_the_window_hour_by_hour():
    state = State()
    add(state, 0, "C", START, 0, 0, 1, 12800, 10000, 0, 5, 0, 2400, text="hash a")
    used = [state.channels[0].ring.used_ul(3600 * h) for h in range(25)]
    assert used == [2400 - 100 * h for h in range(25)]


def test_sixteen_requests_are_remembered():
    state = begun()
    for i in range(1, 40):
        add(state, 0, "N", 0, i)
    assert state.requests == list(range(24, 40))


def test_channels_share_nothing():
    state = begun(3)
    for kind, fields in (
        ("P", (1, 50, 3, 0)), ("D", (1, 5, DATE, 3, START)), ("X", (1, 5, 6, TANK)), ("H", (1, 0)),
        ("Z", (1, 3, 1)), ("M", (1, 3600, 0, 1, 100, DATE, 0, 100, ABSENT)), ("F", (1, 5)),
        ("N", (1,)),
        ("K", (1, 1, 1, 0, 5)), ("L", (1, 50)),
    ):  # fmt: skip
        add(state, 1, kind, *fields)
    alone = begun(3)
    for i in (0, 2):
        ours, theirs = dump(state)[2 + i].split(";"), dump(alone)[2 + i].split(";")
        assert ours[:-1] == theirs[:-1]  # the last is the ring, told by its age
    assert dump(state)[3].split(";")[:-1] != dump(alone)[3].split(";")[:-1]


RUNS = st.lists(
    st.tuples(
        st.integers(100, 3000),
        st.integers(0, 500),
        st.sampled_from((0, 1, 2, 3, 4)),
        st.integers(-2000, 100),
        st.integers(0, 3000),
    ),
    max_size=60,
)


@settings(max_examples=150, deadline=None)
@given(RUNS)
def test_s24_the_two_identities_hold_whatever_runs_and_misses_come(runs):
    state = begun(1)
    c = state.channels[0]
    for ul, wish, what, extra, owed in runs:
        if what == 4:
            add(state, 9, "M", 0, 3600, 0, 1, ul, 0, wish, min(owed, ul), ABSENT)
        else:
            up = min(wish, sum(c.owed[1::2])) if what else 0
            counts = max(1, (2 * ((ul + up) * 12800 + c.rem) + 10000) // 20000)
            if what == 3:
                add(state, 9, "J", 0, ul, counts, TANK)
            else:
                dose(state, ul=ul + up, counts=counts, up=up, trim=wish)
            if what == 2:
                add(state, 9, "U", 0, 60)
            else:
                got = max(-counts, extra)
                short = max(0, ul - moved(state, counts + got)[0]) if got < 0 and what != 3 else 0
                add(state, 9, "O", 0, got, FAULT, min(owed, short))
        check_books(state)
        assert len(c.owed) <= 8
