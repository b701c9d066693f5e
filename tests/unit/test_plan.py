"""What a channel gives on a date: volume, doses, sizes, and times before spacing."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aliquot.core.dates import days_of
from aliquot.core.plan import count, day_ul, dose_ul, volumes
from aliquot.core.timetable import Timetable
from aliquot.core.zone import Zone
from aliquot.core.zone_text import parse
from drive import AUTUMN, BERLIN, DAY, SPRING, channel, setup

MONDAY = days_of(2026, 6, 1)
H = 3600


def times(c, date, tz=BERLIN):
    """The seconds after the start of a date at which a channel alone on its board doses."""
    return list(Timetable(setup(c, tz=tz), [c.cal[:2]]).day(date).times[0])


@pytest.mark.parametrize(
    ("own", "over", "wanted"),
    [
        ({}, [], [10000] * 10),
        ({"weekdays": 1}, [], [10000] + [0] * 6 + [10000, 0, 0]),
        ({"weekdays": 0b1100000}, [], [0] * 5 + [10000] * 2 + [0] * 3),
        # RFC 5545's example of every tenth day counts like this: from the first date, it included.
        ({"every": 3, "start_date": MONDAY + 1}, [], [0, 10000, 0, 0, 10000, 0, 0, 10000, 0, 0]),
        ({"start_date": MONDAY + 8}, [], [0] * 8 + [10000] * 2),
        ({"every": 2, "start_date": MONDAY, "weekdays": 1}, [], [10000] + [0] * 9),
        ({"ramp": (2000, MONDAY + 1, 4)}, [], [2000, 2000, 4000, 6000, 8000] + [10000] * 5),
        ({"ramp": (20000, MONDAY, 3)}, [], [20000, 16666, 13333] + [10000] * 7),
        ({}, [500, MONDAY + 2, 2], [10000] * 2 + [10500] * 2 + [10000] * 6),
        ({}, [500, MONDAY, 2, -700, MONDAY + 1, 2], [10500, 9800, 9300] + [10000] * 7),
        ({}, [-20000, MONDAY + 1, 1], [10000, 0] + [10000] * 8),
        ({"weekdays": 1}, [500, MONDAY, 9], [10500] + [0] * 6 + [10500, 0, 0]),
        ({"ramp": (2000, MONDAY, 2)}, [100, MONDAY + 1, 2], [2000, 6100, 10100] + [10000] * 7),
    ],
)
def test_a_day_has_the_volume_of_its_plan_and_of_the_overrides_in_force(own, over, wanted):
    c = channel(daily_ul=10000, **own)
    assert [day_ul(c, MONDAY + i, over) for i in range(10)] == wanted


@pytest.mark.parametrize(
    ("daily_ul", "doses", "least_ul", "wanted"),
    [
        (24000, 24, 100, 24),
        (2400, 24, 100, 24),
        (2399, 24, 100, 23),
        (100, 24, 100, 1),
        (99, 24, 100, 0),
        (0, 24, 100, 0),
    ],
)
def test_a_day_is_merged_to_as_many_doses_as_are_large_enough(daily_ul, doses, least_ul, wanted):
    c = channel(daily_ul=daily_ul, doses=doses, least_ul=least_ul)
    assert count(c, daily_ul) == wanted
    sizes = [dose_ul(c, daily_ul, wanted, i) for i in range(wanted)]
    assert sum(sizes) == (daily_ul if wanted else 0)
    assert all(size >= least_ul for size in sizes)


@pytest.mark.parametrize(
    ("at", "daily_ul", "wanted"),
    [
        (((H, 1), (2 * H, 1), (3 * H, 2)), 400, [(H, 100), (2 * H, 100), (3 * H, 200)]),
        (((H, 1), (2 * H, 1), (3 * H, 2)), 399, [(H, 100), (2 * H, 100), (3 * H, 199)]),
        # The first is too small and joins the second; the last joins the one before it.
        (((H, 1), (2 * H, 9), (3 * H, 1)), 900, [(2 * H, 900)]),
        (((H, 1), (2 * H, 1), (3 * H, 1)), 200, [(2 * H, 200)]),
        (((H, 5), (2 * H, 1)), 600, [(H, 500), (2 * H, 100)]),
        (((H, 5), (2 * H, 1)), 590, [(H, 590)]),
        (((H, 1), (2 * H, 1)), 99, []),
    ],
)
def test_a_listed_dose_that_is_too_small_joins_the_next(at, daily_ul, wanted):
    c = channel(daily_ul=daily_ul, at=at, least_ul=100)
    assert list(volumes(c, daily_ul)) == wanted
    assert count(c, daily_ul) == len(wanted)


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.integers(1, 10000), min_size=1, max_size=40),
    st.integers(0, 10**6),
    st.integers(1, 5000),
)
def test_listed_doses_sum_exactly_none_is_too_small_and_each_stands_at_a_listed_time(
    weights, daily_ul, least_ul
):
    at = tuple((600 * i, w) for i, w in enumerate(weights))
    c = channel(daily_ul=daily_ul, at=at, least_ul=least_ul)
    found = volumes(c, daily_ul)
    assert sum(ul for _, ul in found) == (daily_ul if daily_ul >= least_ul else 0)
    assert all(ul >= least_ul for _, ul in found)
    assert [s for s, _ in found] == sorted({s for s, _ in found} & {s for s, _ in at})


@pytest.mark.parametrize(
    ("own", "date", "wanted"),
    [
        ({}, MONDAY, [0, 6, 12, 18]),
        ({"from_s": 600}, MONDAY, [1 / 6, 6 + 1 / 6, 12 + 1 / 6, 18 + 1 / 6]),
        ({"from_s": 8 * H, "span_s": 12 * H}, MONDAY, [8, 11, 14, 17]),
        # Past midnight: wraps to the morning of the same date.
        ({"from_s": 20 * H, "span_s": 8 * H}, MONDAY, [0, 2, 20, 22]),
        ({"from_s": 20 * H, "span_s": 7 * H}, MONDAY, [1.25, 20, 21.75, 23.5]),
        ({"from_s": 9 * H}, MONDAY, [3, 9, 15, 21]),
        # A day of 23 hours, one of 25: the same doses over the real time of the window.
        ({}, SPRING, [0, 5.75, 11.5, 17.25]),
        ({}, AUTUMN, [0, 6.25, 12.5, 18.75]),
        ({"from_s": H, "span_s": 4 * H}, SPRING, [1, 1.75, 2.5, 3.25]),
        ({"from_s": H, "span_s": 4 * H}, AUTUMN, [1, 2.25, 3.5, 4.75]),
        ({"from_s": 8 * H, "span_s": 12 * H}, SPRING, [7, 10, 13, 16]),
        # Wrapped over a clock change: hours after the start of the date.
        ({"from_s": 22 * H, "span_s": 8 * H}, SPRING, [1.5, 3.25, 21, 22.75]),
    ],
)
def test_doses_are_spread_evenly_over_the_real_time_of_their_window(own, date, wanted):
    assert times(channel(doses=4, **own), date) == [round(h * H) for h in wanted]


@pytest.mark.parametrize(
    ("at_h", "date", "wanted"),
    [
        ((1, 2.5, 12), MONDAY, [1, 2.5, 12]),
        ((1, 2.5, 12), SPRING, [1, 2, 11]),  # 02:30 does not exist: 03:00
        ((1, 2.5, 12), AUTUMN, [1, 2.5, 13]),  # 02:30 comes twice: the first
        ((2, 2.25, 2.5, 3), SPRING, [2, 2 + 1 / 60, 2 + 2 / 60, 2 + 3 / 60]),  # never two at once
    ],
)
def test_listed_times_go_by_the_clock_on_the_wall(at_h, date, wanted):
    c = channel(daily_ul=10000, at=tuple((round(h * H), 1) for h in at_h), speed_cps=5000)
    assert times(c, date) == [round(h * H) for h in wanted]


@pytest.mark.parametrize("span_s", [60, H])
def test_a_window_that_a_clock_change_swallows_is_refused_and_breaks_nothing(span_s):
    """02:00 to 03:00 does not exist on the last Sunday of March in Berlin."""
    c = channel(doses=24, from_s=2 * H, span_s=span_s)
    table = Timetable(setup(c), [c.cal[:2]])
    day = table.day(SPRING)
    assert len(day.times[0]) == 24
    assert list(day.times[0]) == sorted(set(day.times[0]))
    assert day.late == [0]


ZONES = (
    BERLIN,
    "UTC0",
    "EST5EDT,M3.2.0,M11.1.0",
    "<+1030>-10:30<+11>-11,M10.1.0,M4.1.0",
    "IST-5:30",
)


@settings(max_examples=300, deadline=None)
@given(
    st.integers(1, 144),
    st.integers(0, DAY - 1),
    st.integers(H, DAY),
    st.sampled_from(ZONES),
    st.integers(days_of(2026, 1, 1), days_of(2031, 1, 1)),
    st.sampled_from((None, SPRING, AUTUMN)),
)
def test_the_times_of_a_date_rise_lie_inside_it_and_are_one_step_apart(
    doses, from_s, span_s, tz, date, special
):
    date = special or date
    c = channel(daily_ul=doses * 100, doses=doses, from_s=from_s, span_s=span_s, speed_cps=50000)
    zone = Zone(parse(tz))
    start, length = zone.day_start(date), zone.day_start(date + 1) - zone.day_start(date)
    found = times(c, date, tz)
    assert len(found) == doses
    assert found == sorted(set(found))
    assert found[0] >= 0
    assert found[-1] < length
    # The window in real time: to its end, or to midnight and on from the morning of the same date.
    first = zone.wall(date, from_s) - start
    late = from_s + span_s - DAY
    if late <= 0:
        window = zone.wall(date, from_s + span_s) - start - first
    else:
        window = length - first + zone.wall(date, late) - start
    inside = sorted(t - first if t >= first else t - first + length for t in found)
    assert inside == [i * max(window, doses) // doses for i in range(doses)]
