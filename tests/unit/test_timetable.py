"""The table of a date: one pump at a time, separations, least moves, always the same."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aliquot.core.dates import days_of
from aliquot.core.timetable import Timetable
from drive import AUTUMN, BERLIN, DAY, SPRING, UTC, channel, setup

MONDAY = days_of(2026, 6, 1)
H = 3600


def table(*channels, separate=(), tz=BERLIN, keep=2):
    return Timetable(
        setup(*channels, tz=tz, separate=list(separate)), [c.cal[:2] for c in channels], keep
    )


def same(a, b):
    return (
        a.totals == b.totals
        and [list(t) for t in a.times] == [list(t) for t in b.times]
        and a.run_s == b.run_s
        and a.late == b.late
    )


def doses(found, made):
    """(start, end of the longest run, channel) of every dose, rising."""
    return sorted(
        (t, t + found.run_s[i], i) for i in range(len(made.channels)) for t in found.times[i]
    )


def clear(found, made):
    """Whether no two runs of a table meet or come nearer than their separation."""
    listed = doses(found, made)
    for n, (start, _, i) in enumerate(listed):
        for other, end, j in listed[max(0, n - 60) : n]:
            if start <= end or start - end < made.gap_s(i, j) or start == other:
                return False
    return True


@pytest.mark.parametrize(
    ("separate", "wanted"),
    [
        # A dose of 1000 microlitres, raised by a quarter, is 1601 counts at most: 4 s at 500 a
        # second.
        ([], [0, 5, 10]),
        ([(0, 1, 1200)], [0, 1204, 5]),
        ([(0, 2, 1200)], [0, 5, 1204]),
        ([(1, 2, 1200)], [0, 5, 1209]),
        ([(0, 1, 600), (1, 2, 600)], [0, 604, 1208]),
        ([(0, 1, 600), (0, 2, 600), (1, 2, 600)], [0, 604, 1208]),
    ],
)
def test_channels_in_order_a_dose_too_near_moves_later_by_the_least_amount(separate, wanted):
    channels = [channel(name) for name in ("a", "b", "c")]
    day = table(*channels, separate=separate).day(MONDAY)
    assert [t[3] - 3 * H for t in day.times] == wanted
    assert day.run_s == [4, 4, 4]
    assert day.late == []


def test_a_separation_reaches_back_over_midnight():
    """The last dose of the second channel, 23:50, keeps the first channel from 00:00."""
    first = channel("a", 4000, 4)
    second = channel("b", 1000, 1, at=((23 * H + 3000, 1),))
    day = table(first, second, separate=[(0, 1, 1200)]).day(MONDAY)
    assert list(day.times[0]) == [604, 6 * H, 12 * H, 18 * H]


def test_a_window_past_midnight_meets_the_morning_of_its_own_date():
    night = channel("a", 8000, 8, from_s=20 * H, span_s=8 * H)
    day = table(night, channel("b", 24000, 24), separate=[(0, 1, 600)]).day(MONDAY)
    assert list(day.times[0]) == [0, H, 2 * H, 3 * H, 20 * H, 21 * H, 22 * H, 23 * H]
    assert list(day.times[1])[:5] == [604, H + 604, 2 * H + 604, 3 * H + 604, 4 * H]


@pytest.mark.parametrize(
    ("channels", "separate", "wanted"),
    [
        ([channel("a", doses=48), channel("b", doses=48)], [(0, 1, 1200)], "b"),
        ([channel("a", doses=24), channel("b", doses=24)], [(0, 1, 1200)], ""),
        ([channel("a", doses=24), channel("b", doses=24)], [(0, 1, 3600)], "b"),
        (
            [channel("a", doses=24), channel("b", doses=24), channel("c")],
            [(0, 2, 1800), (1, 2, 1800)],
            "c",
        ),
    ],
)
def test_a_day_that_cannot_be_spaced_says_which_channel_finds_no_room(channels, separate, wanted):
    made = table(*channels, separate=separate)
    day = made.day(MONDAY)
    assert [made.setup.channels[i].id for i in day.late] == ([wanted] if wanted else [])
    assert all(list(t) == sorted(set(t)) for t in day.times)


def test_a_moved_dose_never_comes_to_or_past_the_next_of_its_channel():
    """Ten minutes apart with a separation of twelve: it stays where it was, and says so."""
    made = table(
        channel("a", 2400, 24), channel("b", 28800, 144, least_ul=100), separate=[(0, 1, 720)]
    )
    day = made.day(MONDAY)
    assert list(day.times[1]) == sorted(set(day.times[1]))
    assert 1 in day.late


DRAWN = st.lists(
    st.tuples(
        st.sampled_from((1, 4, 12, 24, 36)),
        st.integers(0, DAY - 1),
        st.sampled_from((DAY, DAY, DAY // 2)),
        st.integers(100, 3000),
    ),
    min_size=1,
    max_size=4,
)


@settings(max_examples=150, deadline=None)
@given(
    DRAWN,
    st.sampled_from((0, 60, 600, 1200)),
    st.sampled_from((MONDAY, SPRING, SPRING + 1, AUTUMN, AUTUMN + 1)),
    st.sampled_from((BERLIN, UTC)),
)
def test_a_table_rises_keeps_pumps_apart_and_is_the_same_in_slices_and_from_the_cache(
    drawn, gap, date, tz
):
    channels = [
        channel("abcd"[i], n * ul, n, from_s=from_s, span_s=span_s)
        for i, (n, from_s, span_s, ul) in enumerate(drawn)
    ]
    separate = [(0, 1, gap)] if gap and len(channels) > 1 else []
    made = table(*channels, separate=separate, tz=tz)
    day = made.day(date)
    for times, (n, *_) in zip(day.times, drawn, strict=True):
        assert len(times) == n
        assert list(times) == sorted(set(times))
    if not day.late:
        assert clear(day, made.setup)
    assert same(day, made.day(date))
    assert same(day, next(d for d in table(*channels, separate=separate, tz=tz).steps(date) if d))
    assert [sum(day.ul(i, k) for k in range(n)) for i, (n, *_) in enumerate(drawn)] == list(
        day.totals
    )


def test_a_table_with_overrides_is_none_of_the_ordinary_ones():
    made = table(channel("a"), channel("b"))
    plain = made.day(MONDAY)
    over = made.day(MONDAY, [[-12000, MONDAY, 1], []])
    assert (plain.totals, over.totals) == ((24000, 24000), (12000, 24000))
    assert same(plain, made.day(MONDAY))


def test_as_many_ordinary_tables_are_kept_as_were_asked_for():
    made = table(channel("a", ramp=(2400, MONDAY, 60)), keep=3)
    for date in range(MONDAY, MONDAY + 40):
        made.day(date)
    assert len(made.cache) == 3


def test_slices_are_one_a_channel_and_date_so_that_no_poll_takes_long():
    made = table(*[channel("abcdefgh"[i]) for i in range(8)])
    slices = list(made.steps(SPRING))
    assert slices[:-1] == [None] * 16  # the evening before, and the date itself
    assert slices[-1].totals == (24000,) * 8
