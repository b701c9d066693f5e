"""Files of acts: every kind is done in the world, and every mistake is told with its place."""

import datetime
from pathlib import Path

import pytest

from aliquot.core.dates import days_of
from aliquot_host import acts_file, setup_file, simulation
from aliquot_host.errors import BadInput
from aliquot_host.world import Weather

START = days_of(2026, 3, 28)
DAYS = 4
SET_UP = """
timezone = "Europe/Berlin"
[[channel]]
id = "alk"
daily_ml = 24
cap_ml = 34
dose_most_ml = 4
calibration = { counts = 10000, ml = 10 }
reservoir = { size_ml = 1000 }
[[channel]]
id = "cal"
daily_ml = 12
doses = 12
from = "00:30"
cap_ml = 20
dose_most_ml = 4
calibration = { counts = 10000, ml = 10 }
"""


def loaded():
    return setup_file.load(SET_UP.encode(), where="two.toml", today=datetime.date(2026, 3, 28))


def act(do, more="", day=2, time="10:10"):
    return f'[[act]]\nday = {day}\ntime = "{time}"\ndo = "{do}"\n{more}\n'


def parsed(text, folder=Path()):
    return acts_file.parse(text.encode(), loaded(), START, DAYS, "acts.toml", folder)


def lived(text, folder=Path()):
    script = parsed(text, folder)
    return simulation.live(loaded(), START, DAYS, 1, Weather(), script)


DONE = [
    ("trim", 'channel = "alk"\npercent = 50\ndoses = 6', "alk: 50 % off the next 6 doses"),
    ("trim", 'channel = "alk"\npercent = 100\ndoses = 1', "alk: the next dose left out"),
    ("trim", 'channel = "alk"\npercent = 1\ndoses = 0', "alk: the trim is cancelled"),
    (
        "override",
        'channel = "cal"\nml_a_day = 2.5\ndays = 2',
        "cal: 2.50 mL a day more for 2 days",
    ),
    ("override", 'channel = "cal"\nml_a_day = -3\ndays = 1', "cal: 3.00 mL a day less for today"),
    ("override", 'channel = "cal"\nml_a_day = 0\ndays = 0', "cal: back to the plan"),
    (
        "extra",
        'channel = "alk"\nml = 1.5\nplanned = true',
        "alk: 1.50 mL besides the plan is asked for",
    ),
    ("prime", 'channel = "alk"\nml = 3', "alk: the line is filled, 3.00 mL into a cup"),
    (
        "prime",
        'channel = "alk"\nml = 1\ninto = "tank"\nplanned = true',
        "alk: the line is filled, 1.00 mL into the tank",
    ),
    ("hold", "hours = 2", "all channels: dosing is held for 2 h"),
    ("hold", 'channel = "alk"', "alk: dosing is held until released"),
    ("hold", 'channel = "all"\nhours = "01:30"', "all channels: dosing is held for 1 h 30 min"),
    ("release", "", "all channels: there was nothing to release"),
    ("refill", 'channel = "alk"\nml = 900', "alk: the container is filled to 900.0 mL"),
    (
        "calibrate",
        'channel = "alk"\ncounts = 12000\nml = 12.2',
        "alk: calibrated, 12,000 counts moved 12.2 mL",
    ),
    (
        "calibrate",
        'channel = "alk"\nmeasured = true\ncounts = 5000',
        "alk: a calibration run of 5,000 counts into a cup is asked for",
    ),
    ("tubing", 'channel = "alk"', "alk: new tubing is in the pump"),
    ("note", 'text = "Salz ist fast alle"', "note: Salz ist fast alle"),
    (
        "note",
        'text = "8.1 dKH"\nabout = "test"\nchannel = "alk"',
        "alk: water test: 8.1 dKH",
    ),
    (
        "stall",
        'channel = "alk"\npercent = 30\nruns = 2',
        "alk: the motor is stiff, its next 2 runs end at 30 %",
    ),
    (
        "clog",
        'channel = "alk"\npercent = 30',
        "alk: its line takes 30 % of what the pump would give",
    ),
]


@pytest.mark.parametrize(("do", "more", "said"), DONE)
def test_an_act_is_done_at_its_local_time_and_told_in_one_sentence(do, more, said):
    outcome = lived(act(do, more))
    told = [event for event in outcome.events if event.kind == "act"]
    assert told[0].text == said
    assert simulation.local(outcome.zone, told[0].at_w) == "2026-03-29 10:10"
    assert outcome.world.violations == []


def test_every_kind_of_act_is_tried_here():
    tried = {do for do, _, _ in DONE} | {"plan", "power", "silence", "clear"}
    assert tried == set(acts_file.KINDS)


def test_every_kind_with_its_fields_is_in_the_help():
    told = acts_file.told()
    assert "trim: channel, percent, doses, [keep]" in told
    assert [line.split(":")[0] for line in told.splitlines()] == list(acts_file.KINDS)


def test_what_is_held_is_released_and_the_doses_between_are_refused():
    text = act("hold", 'channel = "alk"', time="03:30") + act("release", 'channel = "alk"')
    outcome = lived(text)
    refused = outcome.totals()["alk"]["refused_ul"]
    # 23 hours, 24 doses: 13 are due between 03:30, when three hours have gone, and 10:10.
    assert refused > 0
    assert [e.text for e in outcome.events if e.kind == "act"][-1] == "alk: dosing goes on"
    assert outcome.days[1].runs[0] < 24 == outcome.days[2].runs[0]


def test_a_line_over_a_cup_holds_its_channel_until_it_is_back():
    text = act("prime", 'channel = "alk"\nml = 2') + act(
        "release", 'channel = "alk"', time="13:20"
    )
    outcome = lived(text)
    assert [e.text for e in outcome.events if e.kind == "act"][-1] == (
        "alk: the line is back in place"
    )
    assert outcome.totals()["alk"]["refused_ul"] > 0
    assert outcome.totals()["alk"]["extra_ul"] == 0


def test_another_set_up_is_loaded_from_beside_the_file_and_its_channels_are_known(tmp_path):
    other = SET_UP.replace('id = "cal"', 'id = "mg"')
    (tmp_path / "other.toml").write_text(other)
    text = act("plan", 'file = "other.toml"') + act(
        "trim", 'channel = "mg"\npercent = 100\ndoses = 1', day=3
    )
    outcome = lived(text, tmp_path)
    assert outcome.ids == ["alk", "cal", "mg"]
    assert outcome.totals()["mg"]["skipped_ul"] == 1000
    assert outcome.days[3].runs[1:] == (0, 12)
    assert outcome.world.violations == []


def test_power_and_silence_happen_to_the_board_at_their_time():
    text = act("power", "hours = 1") + act("silence", "hours = 5")
    script = parsed(text)
    at_s = 9 * 3600 + 10 * 60 + 86400  # the date has lost an hour by then
    assert (script.outages, script.silences) == (((at_s, 3600),), ((at_s, 5 * 3600),))
    outcome = lived(text)
    assert [e.kind for e in outcome.events if e.kind in ("outage", "clock")] == [
        "outage",
        "clock",
        "clock",
    ]


def test_three_runs_in_a_row_that_a_cut_ends_latch_and_the_keeper_clears_that():
    cuts = "".join(
        act("power", 'hours = "00:02"', day=1, time=time)
        for time in ("11:00:01", "12:00:01", "12:30:01")
    )
    held = lived(cuts)
    cleared = lived(cuts + act("clear", day=1, time="18:00"))
    assert [e.kind for e in held.events].count("fault") == 1
    assert held.days[1].runs == (0, 0)
    assert cleared.days[1].runs == (24, 12)
    assert [e.text for e in cleared.events if e.kind == "act"] == [
        "all channels: the fault is seen and cleared"
    ]
    assert held.world.violations == cleared.world.violations == []


def test_where_nothing_is_latched_there_is_nothing_to_clear():
    (event,) = lived(act("clear", 'channel = "alk"')).events
    assert (event.kind, event.channel) == ("no", "alk")


def test_a_time_that_does_not_exist_is_the_first_minute_after_the_gap():
    outcome = lived(act("note", 'text = "x"', time="02:30"))
    assert simulation.local(outcome.zone, outcome.events[0].at_w) == "2026-03-29 03:00"


def test_acts_behind_the_last_day_are_counted_and_never_come():
    script = parsed(act("tubing", 'channel = "alk"', day=5) + act("note", 'text = "x"', day=4))
    assert (script.beyond, len(script.acts)) == (1, 1)


WRONG = [
    ("", "act", "at least one [[act]]"),
    ("act = 3", "act", "at least one [[act]]"),
    ("act = [1]", "act[1]", "a table"),
    ('x = 1\n[[act]]\nday = 1\ntime = "10:00"\ndo = "tubing"\nchannel = "alk"', "x", "no such"),
    (act("dance"), "act[1].do", "one of trim, override"),
    ('[[act]]\nday = 1\ntime = "10:00"', "act[1].do", "one of trim"),
    ("[[act]]\ndo = 5", "act[1].do", "one of trim"),
    ('[[act]]\ntime = "10:00"\ndo = "hold"', "act[1].day", "must be there"),
    ('[[act]]\nday = 2\ndo = "hold"', "act[1].time", "must be there"),
    (act("hold", day=0), "act[1].day", "1 to 3660"),
    (act("hold", day=4000), "act[1].day", "1 to 3660"),
    (act("hold", day="1.5"), "act[1].day", "a whole number"),
    (act("hold", day="true"), "act[1].day", "a whole number"),
    (act("hold", time="24:00"), "act[1].time", "00:00 to 23:59:59"),
    (act("hold", time="noon"), "act[1].time", "00:00 to 23:59:59"),
    (act("hold", "hours = 0"), "act[1].hours", "00:01 to 9600 hours"),
    (act("hold", "hours = -1"), "act[1].hours", "a number of hours"),
    (act("hold", 'channel = "no3"'), "act[1].channel", "alk, cal, or all"),
    (act("trim", "percent = 50\ndoses = 6"), "act[1].channel", "alk, cal"),
    (act("trim", 'channel = "all"\npercent = 5\ndoses = 6'), "act[1].channel", "alk, cal"),
    (act("trim", "channel = 1\npercent = 5\ndoses = 6"), "act[1].channel", "alk, cal"),
    (act("trim", 'channel = "alk"\npercent = 101\ndoses = 6'), "act[1].percent", "1 to 100"),
    (act("trim", 'channel = "alk"\npercent = 0\ndoses = 6'), "act[1].percent", "1 to 100"),
    (act("trim", 'channel = "alk"\npercent = 5'), "act[1].doses", "must be there"),
    (act("trim", 'channel = "alk"\npercent = 5\ndoses = 9999'), "act[1].doses", "0 to 5000"),
    (act("trim", 'channel = "alk"\npercent = 5\ndoses = 2\nml = 3'), "act[1].ml", "no such"),
    (
        act("override", 'channel = "alk"\nml_a_day = 1.2345\ndays = 2'),
        "act[1].ml_a_day",
        "3 digits",
    ),
    (
        act("override", 'channel = "alk"\nml_a_day = -9999999\ndays = 2'),
        "act[1].ml_a_day",
        "-2000 to 2000 mL",
    ),
    (
        act("override", 'channel = "alk"\nml_a_day = "5"\ndays = 2'),
        "act[1].ml_a_day",
        "a number of mL",
    ),
    (act("override", 'channel = "alk"\nml_a_day = 1\ndays = 367'), "act[1].days", "0 to 366"),
    (act("extra", 'channel = "alk"\nml = 0'), "act[1].ml", "0.001 to 500 mL"),
    (act("extra", 'channel = "alk"\nml = nan'), "act[1].ml", "a number of mL"),
    (act("extra", 'channel = "alk"\nml = 1\nplanned = 1'), "act[1].planned", "true or false"),
    (act("prime", 'channel = "alk"\nml = 1\ninto = "sink"'), "act[1].into", "cup or tank"),
    (act("refill", 'channel = "alk"'), "act[1].ml", "must be there"),
    (act("calibrate", 'channel = "alk"'), "act[1].counts", "must be there"),
    (act("calibrate", 'channel = "alk"\ncounts = 5'), "act[1].ml", "must be there"),
    (act("calibrate", 'channel = "alk"\nmeasured = true\nml = 5'), "act[1].ml", "not here"),
    (act("calibrate", 'channel = "alk"\ncounts = 0\nml = 5'), "act[1].counts", "1 to"),
    (act("note"), "act[1].text", "must be there"),
    (act("note", 'text = ""'), "act[1].text", "1 to 200 characters"),
    (act("note", 'text = "a\\u0007b"'), "act[1].text", "one line"),
    (act("note", 'text = "a"\nabout = "love"'), "act[1].about", "note or test or liquid"),
    (act("plan"), "act[1].file", "must be there"),
    (act("plan", 'file = "nowhere.toml"'), "act[1].file", "aliquot check"),
    (act("stall", 'channel = "alk"\npercent = 100'), "act[1].percent", "0 to 99"),
    (act("stall", 'channel = "alk"\npercent = 5\nruns = 0'), "act[1].runs", "1 to 5000"),
    (act("power"), "act[1].hours", "must be there"),
    (act("power", "hours = 99999"), "act[1].hours", "9600 hours"),
    (act("silence", 'hours = 1\nchannel = "alk"'), "act[1].channel", "no such"),
    (act("hold") + act("hold", day=0), "act[2].day", "1 to 3660"),
]


@pytest.mark.parametrize(("text", "path", "limit"), WRONG)
def test_each_mistake_names_its_field_and_the_limit(text, path, limit):
    with pytest.raises(BadInput) as wrong:
        parsed(text)
    (problem, *_) = [p for p in wrong.value.problems if p.path == path]
    assert limit in problem.limit
    assert wrong.value.where == "acts.toml"


def test_all_mistakes_are_told_at_once():
    with pytest.raises(BadInput) as wrong:
        parsed(act("hold", day=0, time="nie") + act("trim"))
    assert [problem.path for problem in wrong.value.problems] == [
        "act[1].day",
        "act[1].time",
        "act[2].percent",
        "act[2].doses",
        "act[2].channel",
    ]


@pytest.mark.parametrize(
    "content", [b"\xff\xfe", b"[[act", b"[[act]]\nday = 1\nday = 2", b"[" * 99]
)
def test_what_is_no_toml_is_told_as_such(content):
    with pytest.raises(BadInput):
        acts_file.parse(content, loaded(), START, DAYS, "acts.toml", Path())


def test_a_thousand_acts_are_taken_and_more_are_not():
    most = acts_file.ACTS_MOST
    assert len(parsed(act("hold", "hours = 1") * most).acts) == most
    with pytest.raises(BadInput, match="at most 1000"):
        parsed(act("hold", "hours = 1") * (most + 1))


def test_what_a_wrong_set_up_says_is_told_with_the_act(tmp_path):
    (tmp_path / "bad.toml").write_text(SET_UP.replace("daily_ml = 24", "daily_ml = -1"))
    with pytest.raises(BadInput) as wrong:
        parsed(act("plan", 'file = "bad.toml"'), tmp_path)
    paths = [problem.path for problem in wrong.value.problems]
    assert paths[0] == "act[1].file"
    assert any("daily_ml" in path for path in paths)
