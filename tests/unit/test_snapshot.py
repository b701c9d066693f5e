"""A snapshot holds everything that a later record or question can see, in little room."""

import pytest
from hypothesis import HealthCheck, given, note, settings
from hypothesis import strategies as st

from aliquot.core.ledger import ChannelState
from aliquot.core.snapshot import dump, load
from aliquot.core.state import State
from drive import DAY, START, Desk, channel, check_snapshots, setup
from scenes import STORIES, play, setups, told


def attributes(thing):
    """The names of all data attributes, of the class and of the object."""
    names = {*vars(type(thing)), *vars(thing)}
    return sorted(n for n in names if not n.startswith("_") and not callable(getattr(thing, n)))


def other(value):
    """A value of the same type that differs."""
    if isinstance(value, str):
        return "deadbeef"
    if isinstance(value, int):
        return value + 12345
    if isinstance(value, tuple):
        return (0, 1000, 1280, 1, 44, 900, 100)
    return [7, 8, 9, *value[3:]]


def small():
    state = State()
    fields = (START, 0, 0, 1, 12800, 10000, 0, 5, 0, 2400, 1, 637, 10000, 0, 5, 900001, 0)
    state.apply(7, "C", fields + (0,) * 12, "ab12 alk cal")
    return state


@pytest.mark.parametrize("name", [n for n in attributes(State()) if n not in ("channels", "ids")])
def test_every_attribute_of_the_state_is_in_the_snapshot(name):
    state = small()
    setattr(state, name, other(getattr(state, name)))
    again = load(dump(state))
    for each in attributes(state):
        if each != "channels":
            assert getattr(again, each) == getattr(state, each), each


@pytest.mark.parametrize("name", [n for n in attributes(ChannelState()) if n != "ring"])
def test_every_attribute_of_a_channel_is_in_the_snapshot(name):
    state = small()
    setattr(state.channels[1], name, other(getattr(state.channels[1], name)))
    again = load(dump(state))
    for ours, theirs in zip(state.channels, again.channels, strict=True):
        for each in attributes(ours):
            if each != "ring":
                assert getattr(theirs, each) == getattr(ours, each), each


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 9000), st.integers(-900, 90000), st.integers(0, 50000)),
        max_size=80,
    ),
    st.lists(
        st.tuples(st.integers(0, 9000), st.integers(-900, 60), st.integers(0, 50000)), max_size=40
    ),
)
def test_the_window_goes_on_after_a_snapshot_as_without_one(before, after):
    state = small()
    ring = state.channels[0].ring
    for step, ago, ul in before:
        state.now_s += step
        ring.add(state.now_s, state.now_s - ago, ul)
    copy = load(dump(state)).channels[0].ring
    now = state.now_s
    for step, ago, ul in after:
        now += step
        for each in (ring, copy):
            each.add(now, now - ago, ul)
        for ask in (now, now + 40000, now + DAY):
            assert ring.used_ul(ask) == copy.used_ul(ask)
            assert ring.frees_s(ask, 5000) == copy.frees_s(ask, 5000)


def lines():
    return dump(small())


@pytest.mark.parametrize(
    "damaged",
    [
        lines()[:1],
        lines()[:3],
        [*lines(), lines()[2]],
        [lines()[0].replace(";", "", 1), *lines()[1:]],
        ["x" + lines()[0], *lines()[1:]],
        [lines()[0].split(" ", 1)[1], *lines()[1:]],
        [*lines()[:2], lines()[2].split(" ", 1)[1], lines()[3]],
        [*lines()[:2], lines()[2].replace(";0 0 0 0", ";0 0 0", 1), lines()[3]],
        [*lines()[:2], lines()[2] + ";", lines()[3]],
        [*lines()[:2], lines()[2].rsplit(";", 1)[0] + ";1.5", lines()[3]],
    ],
)
def test_what_is_no_snapshot_is_a_value_error(damaged):
    with pytest.raises(ValueError):  # noqa: PT011, its caller knows it by its type
        load(damaged)


def test_an_empty_state_survives():
    assert dump(load(dump(State()))) == dump(State())


def test_eight_channels_after_a_troubled_month_take_at_most_4_kilobytes():
    names = ["alk", "cal", "mag", "nit", "pho", "tra", "iod", "iro"]
    desk = Desk(
        setup(
            *[channel(name, 36500 + 777 * i, 24, from_s=600 * i) for i, name in enumerate(names)],
            separate=[(0, 1, 1200)],
        ),
        checked=False,
    )
    most = 0
    for day in range(30):
        desk.days(1)
        if day % 4 == 0:
            desk.cut_s = 1
        if day % 5 == 0:
            desk.outage(11111 * (day + 1))
        most = max(most, sum(len(line) + 1 for line in dump(desk.state)))
    assert len(desk.runs) > 2000
    assert most <= 4096


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(setups(), STORIES)
def test_s24_a_snapshot_at_any_record_and_the_rest_give_the_state_of_all_records(made, story):
    note(told(made))
    desk = Desk(made)
    for happening, then in story:
        play(desk, happening)
        desk.pass_s(then)
    check_snapshots(desk)
