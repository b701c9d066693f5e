"""Dividing and counting against exact fractions and the published vectors of the project.

The vectors and figures stand in the project's reference values under "Dividing and counting",
where they were recomputed exhaustively; the oracle here is `fractions` and a rule spelled out
anew.
"""

import math
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aliquot.core.amounts import part, share, to_counts

HALF = Fraction(1, 2)


def ideal(total: int, n: int, i: int) -> int:
    """The nearest whole number to i/n of the total, halves up: where the running sum must
    stand."""
    return math.floor(Fraction(i * total, n) + HALF)


@pytest.mark.parametrize(
    ("total", "n", "wanted"),
    [
        (7, 12, [1, 0, 1, 0, 1, 1, 0, 1, 0, 1, 0, 1]),
        (5, 8, [1, 0, 1, 1, 0, 1, 0, 1]),
        (3, 7, [0, 1, 0, 1, 0, 1, 0]),
    ],
)
def test_the_published_vectors(total, n, wanted):
    assert [part(total, n, i) for i in range(n)] == wanted


def test_exhaustively_the_running_error_is_never_above_one_half():
    """All n up to 60, all V below 130."""
    for n in range(1, 61):
        for total in range(130):
            running = 0
            for i in range(n):
                running += part(total, n, i)
                assert running == ideal(total, n, i + 1)
                # |running - (i + 1) V / n| <= 1/2, in whole numbers
                assert abs(2 * (running * n - (i + 1) * total)) <= n
            assert running == total


@settings(max_examples=200, deadline=None)
@given(st.integers(0, 2**40), st.integers(1, 144), st.integers(0, 143))
def test_any_part_is_the_step_of_the_rounded_ideal_line(total, n, i):
    i %= n
    assert part(total, n, i) == ideal(total, n, i + 1) - ideal(total, n, i)


@settings(max_examples=200, deadline=None)
@given(st.integers(0, 2**40), st.lists(st.integers(1, 10**6), min_size=1, max_size=30))
def test_any_share_is_the_step_of_the_rounded_ideal_line(total, weights):
    whole = sum(weights)
    before = 0
    for weight in weights:
        wanted = ideal(total, whole, before + weight) - ideal(total, whole, before)
        assert share(total, before, weight, whole) == wanted
        before += weight


def year_of(ul, counts, cal_ul, doses=24, days=365):
    """(ours, each dose rounded for itself, exact) in counts over a year of equal doses."""
    ours = alone = rem = 0
    for _ in range(doses * days):
        told = to_counts(ul, counts, cal_ul, rem)
        rem += ul * counts - told * cal_ul
        ours += told
        alone += math.floor(Fraction(ul * counts, cal_ul) + HALF)
    return ours, alone, Fraction(ul * counts * doses * days, cal_ul)


@pytest.mark.parametrize(
    ("ul", "lost_ml", "lost_pct"),
    [
        (300, "15.13", "0.58"),  # published: 0.3 mL at 63.7 steps/mL, 24 a day
        (100, None, "5.8"),  # and 0.1 mL
    ],
)
def test_rounding_each_dose_for_itself_loses_what_was_published_and_the_remainder_loses_nothing(
    ul, lost_ml, lost_pct
):
    ours, alone, exact = year_of(ul, 637, 10000)
    assert abs(ours - exact) <= HALF
    lost = abs(exact - alone)
    places = len(lost_pct.split(".")[1])
    assert round(float(100 * lost / exact), places) == float(lost_pct)
    if lost_ml:
        assert round(float(lost * Fraction(10, 637)), 2) == float(lost_ml)


@settings(max_examples=100, deadline=None)
@given(
    st.integers(1, 2 * 10**6),
    st.integers(1, 10**5),
    st.lists(st.integers(0, 10**5), min_size=1, max_size=200),
)
def test_counts_follow_the_exact_line_to_half_a_count(counts, cal_ul, volumes):
    rem = told = 0
    exact = Fraction(0)
    for ul in volumes:
        step = to_counts(ul, counts, cal_ul, rem)
        rem += ul * counts - step * cal_ul
        told += step
        exact += Fraction(ul * counts, cal_ul)
        assert told == math.floor(exact + HALF)
        assert Fraction(rem, cal_ul) == exact - told
