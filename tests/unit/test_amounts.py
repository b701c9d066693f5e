"""Dividing and counting: nothing is lost, nothing is rounded twice, nothing adds up."""

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aliquot.core.amounts import part, run_s, scaled, share, to_counts, to_ul

CALIBRATION = st.tuples(st.integers(1, 2_000_000), st.integers(1, 100_000))
HALF = Fraction(1, 2)


@settings(max_examples=300, deadline=None)
@given(st.integers(0, 10**8), st.integers(1, 144))
def test_the_parts_of_a_volume_sum_exactly_differ_by_one_and_never_run_half_a_part_off(total, n):
    parts = [part(total, n, i) for i in range(n)]
    assert sum(parts) == total
    assert max(parts) - min(parts) <= 1
    for i in range(1, n + 1):
        assert abs(sum(parts[:i]) - Fraction(i * total, n)) <= HALF


@settings(max_examples=300, deadline=None)
@given(st.integers(0, 10**8), st.lists(st.integers(1, 10000), min_size=1, max_size=144))
def test_shares_by_weight_sum_exactly_and_never_run_half_a_microlitre_off(total, weights):
    given_ul = before = 0
    for weight in weights:
        given_ul += share(total, before, weight, sum(weights))
        before += weight
        assert abs(given_ul - Fraction(total * before, sum(weights))) <= HALF
    assert given_ul == total


@settings(max_examples=300, deadline=None)
@given(st.integers(0, 10**6), st.integers(1, 144))
def test_equal_weights_divide_as_equal_parts_do(total, n):
    for i in range(n):
        assert share(total, i, 1, n) == part(total, n, i)


@settings(max_examples=200, deadline=None)
@given(CALIBRATION, st.lists(st.integers(0, 100_000), max_size=300))
def test_s02_the_remainder_stays_within_half_a_count_for_ever(cal, volumes):
    counts, ul = cal
    rem = given_counts = 0
    for i, volume in enumerate(volumes):
        told = to_counts(volume, counts, ul, rem)
        rem += volume * counts - told * ul
        given_counts += told
        assert abs(rem) * 2 <= ul
        assert abs(given_counts - Fraction(sum(volumes[: i + 1]) * counts, ul)) <= HALF


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(CALIBRATION, st.lists(st.integers(50, 9000), max_size=40)), max_size=12))
def test_new_calibrations_take_the_remainder_over_and_the_running_error_stays_below_a_count(lives):
    """The exact counts are summed dose by dose, each by the calibration of its day."""
    rem, old_ul = 0, 0
    exact = Fraction(0)
    given_counts = 0
    for (counts, ul), volumes in lives:
        if old_ul:
            rem = scaled(rem, ul, old_ul)
        old_ul = ul
        for volume in volumes:
            told = to_counts(volume, counts, ul, rem)
            rem += volume * counts - told * ul
            given_counts += told
            exact += Fraction(volume * counts, ul)
            # Half a count carried, and a change of calibration rounds the carried part to its
            # unit.
            assert abs(given_counts - exact) <= HALF + len(lives) * Fraction(
                1, 2 * min(own[1] for own, _ in lives)
            )


@settings(max_examples=300, deadline=None)
@given(CALIBRATION, st.integers(0, 100_000), st.integers(-(10**4), 10**4))
def test_counts_turn_back_into_the_volume_they_stand_for_to_half_a_microlitre_and_half_a_count(
    cal, volume, tenth
):
    counts, ul = cal
    rem = ul * tenth // 20000  # anything within half a count
    told = to_counts(volume, counts, ul, rem)
    back = to_ul(told, counts, ul, rem)
    assert abs(back - volume) <= HALF + Fraction(ul, 2 * counts)


def test_a_volume_is_never_negative_however_large_the_remainder():
    assert to_ul(1, 637, 10000, 10**9) == 0


@pytest.mark.parametrize(
    ("rem", "new_ul", "old_ul", "wanted"),
    [
        (0, 5, 7, 0),
        (7, 14, 7, 14),
        (-7, 14, 7, -14),
        (1, 1, 2, 1),
        (-1, 1, 2, 0),
        (3, 10, 9, 3),
        (-5, 3, 2, -7),
    ],
)
def test_a_remainder_is_scaled_to_the_nearest(rem, new_ul, old_ul, wanted):
    assert scaled(rem, new_ul, old_ul) == wanted
    assert abs(wanted - Fraction(rem * new_ul, old_ul)) <= HALF


@pytest.mark.parametrize(
    ("counts", "speed", "wanted"),
    [(0, 500, 0), (1, 500, 1), (500, 500, 1), (501, 500, 2), (7, 1, 7)],
)
def test_a_run_takes_whole_seconds_rounded_up(counts, speed, wanted):
    assert run_s(counts, speed) == wanted
