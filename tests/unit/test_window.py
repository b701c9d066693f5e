"""The 24 hours of powered time: what the ring counts is never less than what entered (S1)."""

import copy

from hypothesis import given, settings
from hypothesis import strategies as st

from aliquot.core.window import BUCKET_S, Window

DAY = 86400
# Seconds since the entry before, how long ago it ended (negative: a run cut short, stamped at its
# longest), microlitres.
ENTRIES = st.lists(
    st.tuples(st.integers(0, 9000), st.integers(-900, 60), st.integers(0, 50000)), max_size=150
)


def exact(entries, now_s, span_s=DAY):
    return sum(ul for end_s, ul in entries if now_s - end_s < span_s)


@settings(max_examples=200, deadline=None)
@given(ENTRIES, st.integers(0, 100000))
def test_s01_the_ring_never_counts_less_than_entered_in_24_hours(entries, later):
    ring = Window()
    truth = []
    now = 0
    for step, ago, ul in entries:
        now += step
        ring.add(now, now - ago, ul)
        truth.append((now - ago, ul))
        assert ring.used_ul(now) >= exact(truth, now)
    assert ring.used_ul(now + later) >= exact(truth, now + later)


@settings(max_examples=200, deadline=None)
@given(ENTRIES, st.integers(0, 100000))
def test_an_entry_stays_at_most_one_bucket_too_long(entries, later):
    """Else a cap close to the day's volume would refuse doses of an ordinary day."""
    ring = Window()
    truth = []
    now = 0
    for step, ago, ul in entries:
        now += step
        end = now - abs(ago)
        ring.add(now, end, ul)
        truth.append((end, ul))
        # 60 s more, because entries may come out of order by that much.
        assert ring.used_ul(now) <= exact(truth, now, DAY + BUCKET_S + 60)
    assert ring.used_ul(now + later) <= exact(truth, now + later, DAY + BUCKET_S + 60)


@settings(max_examples=100, deadline=None)
@given(ENTRIES, st.integers(0, 100000))
def test_a_question_changes_nothing(entries, later):
    ring = Window()
    now = 0
    for step, ago, ul in entries:
        now += step
        ring.add(now, now - ago, ul)
    before = copy.deepcopy(vars(ring))
    asked = ring.used_ul(now + later), ring.frees_s(now + later, 7)
    assert asked == (ring.used_ul(now + later), ring.frees_s(now + later, 7))
    assert before == vars(ring)


@settings(max_examples=200, deadline=None)
@given(ENTRIES, st.integers(1, 10**6))
def test_it_says_when_enough_will_have_left_and_not_a_second_early(entries, need):
    ring = Window()
    now = 0
    for step, ago, ul in entries:
        now += step
        ring.add(now, now - ago, ul)
    used = ring.used_ul(now)
    at = ring.frees_s(now, need)
    if need > used:
        assert at == -1
    else:
        assert used - ring.used_ul(at) >= need
        assert used - ring.used_ul(at - 1) < need or at - 1 < now


def test_what_comes_close_together_leaves_together_with_the_later_one():
    ring = Window()
    ring.add(0, 0, 10)
    ring.add(BUCKET_S - 1, BUCKET_S - 1, 20)
    ring.add(BUCKET_S, BUCKET_S, 40)
    assert ring.used_ul(DAY) == 70
    assert ring.used_ul(DAY + BUCKET_S - 1) == 40
    assert ring.used_ul(DAY + BUCKET_S) == 0


def test_a_full_ring_counts_the_next_with_its_newest_and_takes_its_later_age():
    ring = Window()
    for i in range(40):
        ring.add(0, i * BUCKET_S, 1)
    last = 39 * BUCKET_S
    assert ring.used_ul(0) == 40
    assert ring.used_ul(last + DAY - 1) == 10  # the last place holds the last ten
    assert ring.used_ul(last + DAY) == 0


def test_numbers_too_large_for_an_array_count_as_more_than_any_cap():
    """A driver may report any count."""
    ring = Window()
    ring.add(0, 0, 1 << 40)
    ring.add(1, 1, 1 << 40)
    ring.add(4000, 4000, 5)
    assert ring.used_ul(4000) > 10**9
    ring.add(5000 + DAY, 5000 + DAY, 3)
    assert ring.used_ul(5000 + DAY) == 3
