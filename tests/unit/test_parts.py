"""`aliquot parts`: ratings that follow from the set-up, the board and stated assumptions."""

import datetime
import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aliquot.core.decimals import date_of_text
from aliquot_host import boards, cli, parts, setup_file
from set_ups import TOML, canonical, channel

DATE = date_of_text("2026-01-05")


def listed(data, **assumed):
    """Item -> part, for canonical data."""
    loaded = setup_file.load(json.dumps(data).encode(), today=datetime.date(2026, 1, 5))
    made = parts.Assumed(**assumed, given=frozenset(assumed))
    return {part.item: part for part in parts.parts(loaded, made, DATE)}


def pumps(count, board="pico-w", **pump):
    return canonical(*(channel(f"c{i}", i, pump=pump) for i in range(1, count + 1)), board=board)


TIMED = channel(
    pump={"kind": "timed", "speed_cps": 1000},
    calibration={"counts": 10000, "ul": 10000},
    run_most_s=30,
)


def test_one_pump_runs_at_a_time_so_more_pumps_need_no_larger_supply():
    small, large = listed(pumps(1)), listed(pumps(8))
    assert small["supply"] == large["supply"]
    assert small["fuse and holder"] == large["fuse and holder"]
    # 1 A of a coil, and 0.5 A at 5 V through a converter of 80 % from 12 V.
    assert small["supply"].figures["running_ma"] == 1000 + math.ceil(0.5 * 5 / 12 / 0.8 * 1000)


def test_drivers_without_an_enable_line_draw_current_at_rest():
    bare = pumps(4, board="")
    figures = listed(bare)["supply"].figures
    assert figures["running_ma"] == listed(pumps(4))["supply"].figures["running_ma"] + 3 * 500
    assert "2 A at rest" in listed(bare)["supply"].why


@given(
    st.integers(5, 48), st.integers(50, 3000), st.integers(1, 8), st.sampled_from(["", "pico-w"])
)
def test_the_fuse_carries_the_current_and_the_supply_can_blow_it(volts, coil_ma, count, board):
    data = pumps(count, board)
    assumed = parts.Assumed(supply_v=volts, stepper_ma=coil_ma)
    named = boards.known().get(board)
    run_ma, _ = parts.running_ma(data, named, assumed)
    found = {part.item: part for part in parts._power(data, named, assumed)}
    fuse = found["fuse and holder"].figures["current_ma"]
    supply = found["supply"].figures["current_ma"]
    assert fuse >= run_ma * 5 // 4
    assert supply * 3 >= 4 * fuse - 3
    assert supply >= run_ma * 3 // 2


def test_preferred_ratings_of_fuses_are_those_of_the_r10_series():
    # ISO 3: the tenth root of ten from step to step, rounded; 3.15 stands for 3.16 (from memory).
    for i, rating in enumerate(parts.FUSES_MA):
        assert math.isclose(rating, 500 * 10 ** (i / 10), rel_tol=0.02)


@pytest.mark.parametrize(
    ("bore_um", "length_cm", "ul"),
    [
        # pi/4 · ID² mL a metre, ID in mm: 2.0106 at 1.6 mm (reference values, recomputed).
        (1600, 100, 2011),
        (2000, 200, 6283),
        (3200, 50, 4021),
    ],
)
def test_the_volume_of_a_line_is_that_of_a_cylinder(bore_um, length_cm, ul):
    assert parts.line_ul(bore_um, length_cm) == ul


def test_flow_and_volume_of_a_turn_follow_from_the_calibration():
    figures = listed(pumps(1))["pump and spare tubing: c1"].figures
    # 10.02 mL in 12800 counts, 500 a second, 3200 a turn.
    assert figures == {"flow_ul_min": 23484, "turn_ul": 2505}


def test_a_timed_motor_has_a_flow_and_no_turn():
    found = listed(canonical(TIMED, board="pico-w"))
    assert found["pump and spare tubing: alk"].figures == {"flow_ul_min": 60000}
    switch = found["MOSFET switch with diode"]
    assert (switch.count, switch.figures["current_ma"]) == (1, 1500)
    assert "step and direction driver" not in found


def test_a_timed_motor_that_turns_round_needs_a_bridge():
    turned = {**TIMED, "pump": {**TIMED["pump"], "reverse": 1}}
    found = listed(canonical(turned, board="pico-w"))
    assert "alk" in found["bridge driver in place of the switch"].why
    assert "MOSFET switch with diode" not in found


@pytest.mark.parametrize(
    ("board", "low", "high", "ohm"),
    [("pico-w", 3, 1, 10000), ("pico-2-w", 3, 1, 4700), ("esp32-dev", 3, 1, 10000)],
)
def test_resistors_are_counted_from_the_lines_in_use(board, low, high, ohm):
    found = listed(pumps(3, board))
    assert (found["pull-down"].count, found["pull-down"].figures["resistance_ohm"]) == (low, ohm)
    assert found["pull-up to 3.3 V"].count == high


def test_a_container_lasts_a_month_or_is_that_of_the_set_up():
    wanted = listed(pumps(1))["container: c1"]
    assert wanted.figures["need_ul"] == 36500 * 30 * 12 // 10
    assert wanted.rating.startswith("1.4 L or more")
    tank = {"size_ul": 2000000, "dead_ul": 40000, "low_pct": 10, "left_ul": 2000000}
    given = listed(canonical(channel(reservoir=tank)))["container: alk"]
    assert given.rating.startswith("2 L,")
    assert "lasts 53 days" in given.why
    assert given.source == parts.SETUP


def test_a_channel_that_gives_nothing_needs_no_end_of_its_container():
    tank = {"size_ul": 2000000, "dead_ul": 40000, "low_pct": 10, "left_ul": 2000000}
    idle = listed(canonical(channel(reservoir=tank, daily_ul=0)))["container: alk"]
    assert "lasts" not in idle.why


def test_each_assumption_is_common_practice_until_it_is_given():
    free = parts.assumptions(parts.Assumed())
    assert {each["source"] for each in free} == {parts.PRACTICE}
    given = parts.Assumed(supply_v=24, given=frozenset({"supply_v"}))
    by_name = {each["name"]: each for each in parts.assumptions(given)}
    assert (by_name["supply_v"]["value"], by_name["supply_v"]["source"]) == (24, parts.OPTION)


def test_the_command_lists_ratings_assumptions_and_cautions(tmp_path, capsys):
    file = tmp_path / "reef.toml"
    file.write_text('board = "pico-w"\n' + TOML, "utf-8")
    assert cli.run(["parts", str(file), "--supply-v", "24"]) == 0
    out = capsys.readouterr().out
    for words in (
        *("24 V DC", "time-lag", "assumed: bore of the line 2000 µm, common practice"),
        *("residual-current", "licensed electrician", "siphon break", "Not for people"),
    ):
        assert words in out
    assert "assumed: voltage" not in out


def test_json_has_every_part_with_its_figures_and_source(tmp_path, capsys):
    file = tmp_path / "reef.toml"
    file.write_text(TOML, "utf-8")
    assert cli.run(["parts", str(file), "--json", "--line-cm", "100"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert (said["format"], said["version"], said["board"]) == ("aliquot-parts", 1, None)
    assert all(
        {"item", "count", "rating", "why", "source", "figures"} == set(p) for p in said["parts"]
    )
    line = next(part for part in said["parts"] if part["item"].startswith("line"))
    assert (line["figures"]["volume_ul"], line["source"]) == (3142, "option")
    assert len(said["cautions"]) == 9


def test_a_set_up_that_is_not_good_has_no_parts(tmp_path, capsys):
    file = tmp_path / "reef.toml"
    file.write_text(TOML.replace("cap_ml = 55", "cap_ml = 1"), "utf-8")
    assert cli.run(["parts", str(file)]) == 2
    assert "cap_ml" in capsys.readouterr().err
