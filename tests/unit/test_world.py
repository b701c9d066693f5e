"""The small world: truth apart from belief, chance from the seed alone, checks that can fail."""

import datetime
import json
import random
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aliquot.core import acts
from aliquot.core.dates import days_of
from aliquot.core.ledger import COMMANDED, UNCERTAIN
from aliquot_host import setup_file, simulation, tank
from aliquot_host.world import DAY_S, INTO, Act, Run, Weather, World

START = days_of(2026, 3, 10)
HOUR_S = 3600
TWO = """
timezone = "Europe/Berlin"
[tank]
volume_l = 200
[[tank.water]]
name = "alkalinity"
unit = "dKH"
start = 8
use_per_day = 0.6
[[channel]]
id = "alk"
daily_ml = 24
cap_ml = 30
dose_most_ml = 4
calibration = { counts = 10000, ml = 10 }
reservoir = { size_ml = 1000 }
strength = { water = "alkalinity", ml = 1, litres = 100, raises = 0.05 }
[[channel]]
id = "cal"
daily_ml = 12
doses = 12
from = "00:30"
cap_ml = 20
dose_most_ml = 4
calibration = { counts = 10000, ml = 10 }
[[separate]]
channels = ["alk", "cal"]
minutes = 20
"""


def loaded(text=TWO):
    return setup_file.load(text.encode(), where="two.toml", today=datetime.date(2026, 3, 10))


def world(text=TWO, days=3, date=START, **given):
    setup = loaded(text)
    return World(setup, start_w=setup.setup.zone.day_start(date), days=days, **given)


def lived(text=TWO, days=3, **given):
    return world(text, days, **given).run()


def at(hours, do, channel="alk"):
    """An act so many hours after the start of the first date."""
    start_w = loaded().setup.zone.day_start(START)
    return Act(start_w + round(hours * HOUR_S), do, channel)


def held_after(result):
    return [one["text"] for one in result.violations]


# The same world again


def test_the_same_seed_gives_the_same_files_and_runs_and_another_seed_does_not():
    weather = Weather.drawn(random.Random(4), 5, 3)
    one, same, other = (lived(days=5, seed=seed, weather=weather) for seed in (7, 7, 8))
    assert one.files.content() == same.files.content()
    assert one.runs == same.runs
    assert [run.true_ul for run in one.runs] != [run.true_ul for run in other.runs]


def test_the_engine_sees_nothing_of_what_pumps_truly_do():
    one, other = (world(days=4, seed=1) for _ in range(2))
    other.pumps[0].ul_per_count *= 1.2
    one.run(), other.run()
    assert one.files.content() == other.files.content()
    assert sum(run.true_ul for run in other.runs) > sum(run.true_ul for run in one.runs)


# Days


def test_the_first_date_is_whole_and_nothing_runs_before_it():
    result = lived(days=2)
    assert result.planned[START, 0] == 24_000
    assert result.planned[START, 1] == 12_000
    assert min(run.start_w for run in result.runs) >= result.start_w
    assert min(run.date for run in result.runs) == START


@pytest.mark.parametrize(("date", "hours"), [((2026, 3, 29), 23), ((2026, 10, 25), 25)])
def test_a_date_on_which_the_clocks_change_is_lived_through_whole(date, hours):
    result = lived(days=1, date=days_of(*date))
    assert result.end_w - result.start_w == hours * HOUR_S
    assert [len([r for r in result.runs if r.channel == c]) for c in (0, 1)] == [24, 12]
    assert result.violations == []


@pytest.mark.parametrize("seed", range(6))
def test_plans_and_commands_by_date_add_up_to_the_totals_of_the_journal(seed):
    days = 12
    weather = Weather.drawn(random.Random(seed), days, 5)
    weather.outages.append((9 * DAY_S + 5, 2 * DAY_S))
    weather.outages.sort()
    setup = loaded()
    outcome = simulation.live(setup, START, days, seed, weather)
    assert outcome.world.violations == []
    totals = outcome.totals()
    for place, name in enumerate(outcome.ids):
        assert sum(d.planned_ul[place] for d in outcome.days) == totals[name]["planned_ul"]
        assert sum(d.commanded_ul[place] for d in outcome.days) == totals[name]["commanded_ul"]
        assert round(sum(d.true_ul[place] for d in outcome.days)) == totals[name]["true_ul"]


# Power


def first_run(channel=0):
    return next(run for run in lived().runs if run.channel == channel and run.counts > 900)


def test_an_outage_in_a_run_ends_it_there_and_counts_it_whole():
    run = first_run()
    result = world()
    cut_w = run.start_w + 1
    result = lived(weather=Weather([(cut_w - result.start_w, 600)]))
    cut = [r for r in result.runs if r.ended == "cut"]
    assert [(r.start_w, r.end_w, r.counts) for r in cut] == [(run.start_w, cut_w, run.counts)]
    assert cut[0].given == 500 < run.counts
    c = result.state().channels[0]
    assert c.tot[UNCERTAIN] == cut[0].ul == run.ul
    assert cut[0].true_ul < cut[0].ul
    assert result.violations == []
    assert "uncertain" in [event.kind for event in result.events]


def test_outages_over_each_other_are_one_and_no_power_comes_between():
    result = lived(weather=Weather([(10 * HOUR_S, 4 * HOUR_S), (11 * HOUR_S, 5 * HOUR_S)]))
    off = [event for event in result.events if event.kind == "outage"]
    assert [(e.at_w - result.start_w, e.seconds) for e in off] == [
        (10 * HOUR_S, 4 * HOUR_S),
        (14 * HOUR_S, 2 * HOUR_S),
    ]
    dark = (result.start_w + 10 * HOUR_S, result.start_w + 16 * HOUR_S)
    assert [r for r in result.runs if dark[0] < r.start_w < dark[1]] == []


def test_an_outage_over_the_end_leaves_a_journal_that_balances():
    result = lived(days=2, weather=Weather([(2 * DAY_S - HOUR_S, 9 * HOUR_S)]))
    assert result.now_w == result.end_w
    assert result.violations == []


def test_a_run_that_goes_over_the_end_is_lived_through_and_counted():
    # 24 mL in doses of 1 mL: the last of the date begins three seconds before it is over.
    text = TWO.replace('id = "alk"\n', 'id = "alk"\nat = [{ time = "23:59:57", ml = 4 }]\n')
    text = text.replace("daily_ml = 24\n", "").replace("cap_ml = 30", "cap_ml = 34")
    result = lived(text, days=2)
    runs = [r for r in result.runs if r.channel == 0]
    assert [r.ended for r in runs] == ["done", "done"]
    assert runs[-1].end_w == result.end_w + 5
    assert result.totals()["alk"]["commanded_ul"] == 8_000
    assert result.violations == []


def test_an_engine_that_never_comes_to_rest_is_found_and_not_waited_for():
    result = world()
    result.boot()

    def restless(now_s):
        result.engine().wake_s = now_s

    result.engine().poll = restless
    with pytest.raises(RuntimeError, match="never comes to rest"):
        result.until(result.end_w)


@given(st.integers(0, 10**6), st.integers(1, 400), st.integers(0, 8))
def test_drawn_outages_lie_within_the_days_and_are_over_before_the_end(seed, days, number):
    drawn = Weather.drawn(random.Random(seed), days, number)
    assert drawn == Weather.drawn(random.Random(seed), days, number)
    assert len(drawn.outages) == number
    assert drawn.outages == sorted(drawn.outages)
    assert all(begin > 0 and n >= 5 and begin + n < days * DAY_S for begin, n in drawn.outages)


# The clock


def test_without_a_time_source_after_an_outage_nothing_is_dosed_until_one_answers():
    dark = (10 * HOUR_S, 600)
    result = lived(weather=Weather([dark], [(10 * HOUR_S, 9 * HOUR_S)]))
    quiet = (result.start_w + 10 * HOUR_S, result.start_w + 19 * HOUR_S)
    assert [r for r in result.runs if quiet[0] < r.start_w < quiet[1]] == []
    assert [r for r in result.runs if quiet[1] < r.start_w < quiet[1] + HOUR_S]
    assert [e.text for e in result.events if e.kind == "clock"] == [
        "No time source answers, so the board does not know the time",
        "The board knows the time again, 8 h 50 min after its start",
    ]
    assert result.violations == []


def test_with_carry_on_the_estimate_doses_before_a_source_answers():
    text = TWO + "[clock]\ncarry_on_h = 2\n"
    result = lived(text, weather=Weather([(10 * HOUR_S, 600)], [(10 * HOUR_S, 9 * HOUR_S)]))
    early = [r for r in result.runs if 13 * HOUR_S < r.start_w - result.start_w < 18 * HOUR_S]
    assert early
    assert any("estimate" in e.text for e in result.events)
    assert result.violations == []


def test_a_silence_while_the_board_runs_changes_nothing():
    calm = lived()
    silent = lived(weather=Weather([], [(10 * HOUR_S, 9 * HOUR_S)]))
    assert [r[:6] for r in silent.runs] == [r[:6] for r in calm.runs]


# Motors and containers


def test_a_motor_that_ends_short_leaves_a_record_and_the_rest_comes_back_as_raises():
    result = lived(acts=[at(30, lambda w: w.stall("alk", 40, 2))])
    short = [r for r in result.runs if r.ended == "partial"]
    assert [(r.given, r.counts) for r in short] == [(r.counts * 2 // 5, r.counts) for r in short]
    assert len(short) == 2
    totals = result.totals()["alk"]
    # 600 are owed after the first; the second, raised by 250, gives 500: 500 more are owed, and
    # the raise that was not given lapses.
    assert [r.ul for r in short] == [400, 500]
    assert (totals["raised_ul"], totals["lapsed_ul"]) == (850, 250)
    assert totals["commanded_ul"] == totals["planned_ul"] - 250
    assert [e.kind for e in result.events].count("partial") == 2
    assert result.violations == []


def test_a_share_of_all_runs_can_end_short():
    result = lived(days=6, weather=Weather(stumbles=0.1))
    short = [r for r in result.runs if r.ended == "partial"]
    assert 0 < len(short) < len(result.runs) // 3
    assert result.violations == []


def test_a_container_that_is_truly_empty_gives_air_and_the_board_does_not_know():
    result = world(days=4)
    result.pumps[0].left_ul = 30_000.0
    result.run()
    true = sum(r.true_ul for r in result.runs if r.channel == 0)
    assert true == pytest.approx(30_000)
    assert result.totals()["alk"]["commanded_ul"] == 4 * 24_000
    assert [e.channel for e in result.events if e.kind == "dry"] == ["alk"]


def test_wear_lowers_what_a_pump_gives_and_new_tubing_ends_it():
    result = world()
    pump = result.pumps[0]
    pump.wear = 0.5
    new = pump.move(10_000)
    for _ in range(50):
        pump.move(10_000)
    worn = pump.move(10_000)
    assert worn < 0.9 * new
    result.boot()
    result.until(result.start_w + HOUR_S)
    assert "new tubing" in result.new_tubing("alk")
    assert pump.move(10_000) > 0.9 * new


# People


def test_a_measured_calibration_brings_belief_near_to_the_truth():
    result = world(days=4, acts=[at(30.2, lambda w: w.measure("alk"))])
    pump = result.pumps[0]
    pump.ul_per_count, pump.wear = 1.06, 0.0
    result.run()
    c = result.state().channels[0]
    believed = Fraction(c.cal_ul, c.cal_counts)
    assert abs(float(believed) / 1.06 - 1) < 0.015
    cup = [r for r in result.runs if r.into == "cup"]
    assert [r.ul for r in cup] == [0]
    assert result.totals()["alk"]["commanded_ul"] == 4 * 24_000
    after = [r for r in result.runs if r.channel == 0 and r.start_w > cup[0].end_w + HOUR_S]
    assert all(abs(r.true_ul / r.ul - 1) < 0.02 for r in after)
    assert not c.cup
    assert result.violations == []


def test_a_cut_in_a_calibration_run_measures_nothing_and_the_channel_goes_on():
    asked = at(30.2, lambda w: w.measure("alk"))
    begin = round(30.2 * HOUR_S)
    result = lived(days=4, acts=[asked], weather=Weather([(begin + 3, 60)]))
    assert [r.ended for r in result.runs if r.into == "cup"] == ["cut"]
    c = result.state().channels[0]
    assert (c.cal_counts, c.cal_ul, c.cup) == (10_000, 10_000, 0)
    assert [r for r in result.runs if r.channel == 0 and r.start_w > result.start_w + 33 * HOUR_S]
    assert any("given up" in e.text for e in result.events)
    assert result.violations == []


def test_what_people_meant_to_do_in_an_outage_they_do_after_it():
    trim = at(10.5, lambda w: acts.trim(w.engine(), w.now_s(), 0, 100, 3) and "trimmed")
    result = lived(acts=[trim], weather=Weather([(10 * HOUR_S, 2 * HOUR_S)]))
    (event,) = [e for e in result.events if e.text == "trimmed"]
    assert event.at_w == result.start_w + 12 * HOUR_S + 300
    assert result.totals()["alk"]["skipped_ul"] == 3000


def test_what_the_board_refuses_is_an_event_with_field_limit_and_advice():
    def much(w):
        acts.extra(w.engine(), w.now_s(), 0, 9_000)
        return "given"

    result = lived(acts=[at(30, much)])
    (event,) = [e for e in result.events if e.kind == "no"]
    assert event.text == (
        "alk: the board refuses this, extra 9.00 mL (limit: 0.10 mL to 4.00 mL): see dose_most_ml"
    )


def test_a_refill_sets_count_and_truth_and_is_remembered():
    result = lived(acts=[at(30.5, lambda w: w.refill("alk", 900_000))])
    counted, true = result.left()["alk"]
    assert counted == 900_000 - 41 * 1000
    assert true == pytest.approx(counted, rel=0.01)
    ((_, name, before, after),) = result.fills
    assert (name, before[0], after[0]) == ("alk", 969_000, 900_000)


def test_another_set_up_moves_channels_and_forgets_no_volume():
    other = TWO.replace('"alk"', '"new"').replace("daily_ml = 12", "daily_ml = 14")
    two = loaded(other)
    swapped = json.loads(two.canonical)
    swapped["channel"].reverse()
    later = setup_file.load(json.dumps(swapped).encode(), today=datetime.date(2026, 3, 10))
    act = at(30, lambda w: w.change_setup(later) or "changed", "")
    result = lived(acts=[act])
    assert result.ids == ["alk", "cal", "new"]
    totals = result.totals()
    assert totals["alk"]["commanded_ul"] == 24_000 + 6 * 1000 + 1000
    for place, name in enumerate(result.ids):
        runs = [r for r in result.runs if r.channel == place]
        assert sum(r.ul for r in runs) == totals[name]["commanded_ul"]
        assert len({r.channel for r in runs}) == 1
    assert result.violations == []


# The checks can fail


def spoil_cap(w):
    w.caps[0] = [(20_000, (0,))]


def spoil_key(w):
    w.keys[0] = (99, 0, 0)


def spoil_apart(w):
    w.apart[0] = [(1, 3000)]


def spoil_set_up(w):
    w.canonical = b"{}"


def spoil_totals(w):
    w.state().channels[0].tot[COMMANDED] += 1


def spoil_sequence(w):
    w.seq += 1


def louder(factor):
    """An engine that asks for more counts than it recorded."""

    def spoil(w):
        poll = w.engine().poll

        def loud(now_s):
            job = poll(now_s)
            return job and (job[0], job[1] * factor, job[2])

        w.engine().poll = loud

    return spoil


def late(w):
    # No dose is early enough for a grace of less than nothing.
    for c in w.setup.channels:
        c.grace_s = -1


SPOILED = [
    (spoil_cap, "S1"),
    (louder(2), "S2"),
    (spoil_key, "S5"),
    (late, "S6"),
    (spoil_totals, "S10"),
    (louder(2), "S14"),
    (spoil_set_up, "S17"),
    (spoil_sequence, "S24"),
    (spoil_totals, "S24"),
    (spoil_apart, "apart"),
]


@pytest.mark.parametrize(("spoil", "number"), SPOILED)
def test_a_rule_that_does_not_hold_is_found_by_its_number(spoil, number):
    # What is only in memory would not outlive the outage; the set-up's file is read in it alone.
    outages = [(40 * HOUR_S, 600)] if spoil is spoil_set_up else []
    result = world(weather=Weather(outages))
    result.boot()
    result.until(result.start_w + 30 * HOUR_S)
    assert result.violations == []
    spoil(result)
    result.until(result.end_w)
    result.finish()
    assert number in {one["invariant"] for one in result.violations}


@pytest.mark.parametrize(
    ("field", "value", "number"), [("quality", 0, "S19"), ("open", (), "S14")]
)
def test_a_motor_that_starts_where_it_may_not_is_found_by_its_number(field, value, number):
    result = world()
    result.boot()
    result.until(result.start_w + HOUR_S)
    state = result.state()
    run = (0, 1000, 1000, 0, 0, 1000, 0)
    state.open = run
    setattr(state, field, value)
    result._before(state, state.open or run, 0, 1000, result.now_s())
    assert [one["invariant"] for one in result.violations] == [number]


def test_more_than_the_reservoir_holds_is_found_by_its_number():
    result = world()
    result.boot()
    result.until(result.start_w + HOUR_S)
    state = result.state()
    state.channels[0].fill_ul = state.channels[0].taken_ul + 500
    state.open = (0, 1000, 1000, 0, 0, 1000, 0)
    result._before(state, state.open, 0, 1000, result.now_s())
    assert [one["invariant"] for one in result.violations] == ["S21"]


# The tank


def run_of(place, start_w, true_ul, into="dose"):
    return Run(start_w, start_w + 2, place, into, 0, 0, true_ul, "done", 0, 0, 0, 0)


def test_a_dose_lifts_the_water_by_its_true_volume_and_use_lowers_it_evenly():
    data = loaded().data
    start_w = 1_000_000
    runs = [run_of(0, start_w + 5 * HOUR_S, 4321.0), run_of(0, start_w + 9 * HOUR_S, 100, "cup")]
    (water,) = tank.waters([(start_w, data)], ["alk", "cal"], runs, start_w, start_w + DAY_S)
    # 1 mL lifts 100 L by 0.05, so 4.321 mL lifts 200 L by half of 4.321 times 0.05.
    lift = Fraction(4321, 1000) * Fraction(5, 100) / 2
    use = Fraction(6, 10) / 24
    wanted = [8 - use * hour + (lift if hour > 5 else 0) for hour in range(25)]
    assert water.hourly == pytest.approx([float(value) for value in wanted], abs=1e-9)
    assert water.dosed
    assert water.span(0, 24) == pytest.approx((min(wanted), sum(wanted) / 25, max(wanted)))


def test_no_value_of_the_water_falls_below_zero():
    data = loaded().data
    (water,) = tank.waters([(0, data)], ["alk", "cal"], [], 0, 20 * DAY_S)
    assert water.hourly[-1] == 0.0
    assert min(water.hourly) == 0.0


def test_without_a_tank_there_is_no_water():
    text = TWO[: TWO.index("[tank]")] + TWO[TWO.index("[[channel]]") :]
    text = text.replace(
        'strength = { water = "alkalinity", ml = 1, litres = 100, raises = 0.05 }', ""
    )
    data = loaded(text).data
    assert tank.waters([(0, data)], ["alk", "cal"], [run_of(0, 5, 10.0)], 0, DAY_S) == []


def test_a_later_set_up_changes_use_from_its_time_on():
    first = loaded().data
    second = loaded(TWO.replace("use_per_day = 0.6", "use_per_day = 0")).data
    setups = [(0, first), (12 * HOUR_S, second)]
    (water,) = tank.waters(setups, ["alk", "cal"], [], 0, DAY_S)
    assert water.hourly[12] == pytest.approx(7.7)
    assert water.hourly[24] == pytest.approx(7.7)


def test_runs_go_where_the_journal_says():
    result = lived(acts=[at(26, lambda w: w.measure("alk")), at(30, extra)])
    assert {run.into for run in result.runs} == set(INTO)
    assert result.totals()["alk"]["extra_ul"] == 500


def extra(w):
    acts.extra(w.engine(), w.now_s(), 0, 500, planned=True)
    return "asked"
