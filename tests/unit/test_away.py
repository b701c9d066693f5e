"""`aliquot away`: its dates against what the board's engine does, its status, its options."""

import copy
import json
from fractions import Fraction

import pytest
from freezegun import freeze_time

from aliquot.core import acts, ledger, status
from aliquot.core.decimals import date_of_text, date_text
from aliquot.core.setup import build
from aliquot_host import absence, cli
from aliquot_host.commands import away, pump_runs
from aliquot_host.memory_files import MemoryFiles
from app_files import load
from app_rig import Board, Life
from set_ups import canonical, channel
from unit.desk_board import DeskBoard, set_up

# Every kind of plan: even and ramped, on some weekdays, listed, each second day.
TANK = """
timezone = "Europe/Berlin"
[[channel]]
id = "alk"
daily_ml = 36.5
cap_ml = 55
dose_most_ml = 4
calibration = { counts = 12800, ml = 10.02 }
reservoir = { size_ml = 500, left_ml = 203, dead_ml = 20, low_pct = 20 }
[channel.ramp]
from_ml = 10
start_date = "2026-03-27"
days = 8
[[channel]]
id = "cal"
daily_ml = 30
weekdays = ["mon", "thu", "sun"]
cap_ml = 55
dose_most_ml = 4
calibration = { counts = 12771, ml = 10.02 }
reservoir = { size_ml = 1000, left_ml = 130, low_pct = 5 }
[[channel]]
id = "mg"
at = [{ time = "02:30", ml = 3 }, { time = "14:00", ml = 7 }]
every_days = 2
start_date = "2026-03-01"
cap_ml = 55
dose_most_ml = 10
calibration = { counts = 12700, ml = 10.02 }
reservoir = { size_ml = 100, left_ml = 42, dead_ml = 2, low_pct = 10 }
"""
FIRST = date_of_text("2026-03-26")
BACK = FIRST + 30
MG = TANK[: TANK.index("[[channel]]")] + TANK[TANK.rindex("[[channel]]") :]


@pytest.fixture
def file(tmp_path):
    path = tmp_path / "tank.toml"
    path.write_text(TANK)
    return str(path)


def found(text=TANK, live=None, until=BACK, first=FIRST):
    loaded = set_up(text)
    return absence.problems(loaded.data, loaded.setup, first, until, live)


def of(problems, *kinds):
    """(channel, kind) -> date of those kinds."""
    return {(p.channel, p.kind): p.date for p in problems if p.kind in kinds}


def records_of(board, setup):
    """The same from a board's journal: the first dose refused for want of liquid, and "low"."""
    dates = {}
    for ch, one in enumerate(setup.channels):
        for kind, at_w in board.said[ch].items():
            dates[one.id, kind] = setup.zone.date_of(at_w)
    return dates


class Watched(DeskBoard):
    """A board that is looked at after every poll: when it first was low, and out of liquid."""

    def watch(self, end_w):
        self.said = [{} for _ in self.loaded.setup.channels]
        while self.wall_w < end_w:
            self.until(min(end_w, self.wall_w + 900))
            for ch, c in enumerate(self.state.channels):
                if c.low:
                    self.said[ch].setdefault("low", self.wall_w)
                lane = self.engine.lanes[ch]
                if lane.why == ledger.EMPTY:
                    self.said[ch].setdefault("empty", lane.due_w)


def test_reservoirs_run_low_and_out_on_the_dates_on_which_the_engine_says_so():
    loaded = set_up(TANK)
    board = Watched(loaded, loaded.setup.zone.day_start(FIRST) - 1)
    board.watch(loaded.setup.zone.day_start(FIRST + 15))
    expected = records_of(board, loaded.setup)
    assert sorted(expected) == [(c, k) for c in ("alk", "cal", "mg") for k in ("empty", "low")]
    assert of(found(until=FIRST + 15), "low", "empty") == expected


def test_with_a_status_in_the_middle_of_a_day_the_dates_are_those_of_the_engine():
    """By then the board holds other volumes than the file says, and half a day is over."""
    loaded = set_up(TANK)
    zone = loaded.setup.zone
    board = Watched(loaded, zone.day_start(FIRST) - 1)
    board.until(zone.day_start(FIRST + 2) + 12 * 3600 + 7)
    for ch, ul in enumerate((88000, 71000, 25000)):
        assert board.act(acts.refill, ch, ul)
    live = status.overview(board.engine, loaded.data, board.now_s)
    live["wall_w"] = board.wall_w
    board.watch(zone.day_start(FIRST + 15))
    expected = records_of(board, loaded.setup)
    assert len(expected) == 6
    assert of(found(live=live, until=FIRST + 15), "low", "empty") == expected
    assert of(found(until=FIRST + 15), "low", "empty") != expected


def test_what_the_plan_needs_is_the_exact_sum_of_its_days():
    """The ramp by hand: on day i of 8 it gives 10 + 26.5 i/8 mL, rounded down to a microlitre."""
    loaded = set_up(TANK)
    alk, cal, mg = absence.lives(loaded.data, loaded.setup, FIRST, FIRST + 9)
    ramp = [10000 + Fraction(26500 * i, 8) // 1 for i in range(8)]
    assert alk.need_ul == 10000 + sum(ramp)
    assert cal.need_ul == 30000 * 4  # Thursday, Sunday, Monday, Thursday
    assert mg.need_ul == 10000 * 4  # odd dates of March, and April 2
    assert (alk.left_ul, cal.left_ul, mg.left_ul) == (183000, 130000, 40000)


def test_a_reservoir_that_holds_exactly_what_is_planned_does_not_run_out():
    for left_ml, empty in (("42", FIRST + 9), ("41.999", FIRST + 7)):
        text = MG.replace("left_ml = 42", f"left_ml = {left_ml}")
        problems = found(text, until=FIRST + 9)
        loaded = set_up(text)
        (life,) = absence.lives(loaded.data, loaded.setup, FIRST, FIRST + 9)
        assert life.empty == empty
        assert [p.kind for p in problems if p.fails] == (["empty"] if empty < FIRST + 9 else [])


def test_a_day_too_small_for_any_dose_draws_nothing():
    text = TANK.replace("daily_ml = 30\n", "daily_ml = 1\ndose_least_ml = 0.9\ndoses = 1\n")
    data = copy.deepcopy(set_up(text).data)
    data["channel"][1]["daily_ul"] = 800
    setup = build(data)
    life = absence.lives(data, setup, FIRST, BACK)[1]
    assert (life.need_ul, life.empty, life.low) == (0, None, None)


def test_the_advice_names_what_is_missing_or_that_no_container_holds_it():
    (mg,) = [p for p in found(MG, until=FIRST + 11) if p.kind == "empty"]
    assert (date_text(mg.date), mg.advice) == ("2026-04-04", "Add at least 10 mL before you go.")
    (mg,) = [p for p in found(MG, until=FIRST + 60) if p.kind == "empty"]
    assert "takes 302 mL and the container holds 100 mL" in mg.advice


def test_calibration_and_tubing_come_due_by_days_or_by_volume_whichever_is_first():
    ask = "remind = { calibration_days = 5, calibration_ml = 95, tubing_days = 9, tubing_ml = 15 }"
    text = MG.replace("[[channel]]", f"[[channel]]\n{ask}", 1)
    assert of(found(text), "calibration", "tubing") == {
        ("mg", "calibration"): FIRST + 5,
        ("mg", "tubing"): FIRST + 3,  # the second day that gives: 10 mL on the 27th and 29th
    }
    assert of(found(text, until=FIRST + 5), "calibration") == {}
    text = text.replace("tubing_ml = 15", "tubing_ml = 20")
    assert of(found(text), "tubing") == {("mg", "tubing"): FIRST + 3}
    never = ask.replace("= 5", "= 0").replace("= 95", "= 0").replace("= 9,", "= 0,")
    text = MG.replace("[[channel]]", f"[[channel]]\n{never.replace('15', '0')}", 1)
    assert of(found(text, until=FIRST + 366), "calibration", "tubing") == {}


@pytest.mark.parametrize("what", ["calibration", "tubing"])
def test_what_comes_due_is_told_with_a_command_that_is_one(what, monkeypatch, capsys):
    monkeypatch.setattr(pump_runs, "person", lambda: False)
    advice = absence._due(FIRST, "alk", what, "due").advice
    words = advice.partition("aliquot ")[2].split()
    # Without a person the one asks for one, and the other for a port: neither for other words.
    assert cli.run([*words, "--port", "socket://127.0.0.1:1"]) == 2
    said = capsys.readouterr().err
    assert ("a person who measures" in said) == (what == "calibration")
    assert ("cannot be opened" in said) == (what == "tubing")


def test_a_round_figure_is_no_calibration_and_fails_on_the_first_date():
    text = MG.replace("counts = 12700, ml = 10.02", "counts = 12000, ml = 10")
    first = found(text)[0]
    assert (first.date, first.channel, first.kind) == (FIRST, "mg", "uncalibrated")
    assert first.fails
    assert of(found(MG), "uncalibrated") == {}


def test_a_channel_without_a_reservoir_is_listed_and_does_not_fail():
    text = MG[: MG.index("reservoir")]
    (one,) = found(text)
    assert (one.kind, one.fails, one.date) == ("uncounted", False, FIRST)


def test_problems_are_sorted_by_date_and_what_fails_stands_first():
    text = TANK.replace("counts = 12700, ml = 10.02", "counts = 12000, ml = 10")
    text = text.replace("left_ml = 130", "left_ml = 20")
    order = [(p.date, not p.fails) for p in found(text)]
    assert order == sorted(order)
    assert len({date for date, _ in order}) > 3
    assert [p.kind for p in found(text) if p.date == FIRST] == ["empty", "uncalibrated", "low"]


def life_of(*channels):
    """A board that runs the whole program, its data, and a status of it."""
    data = canonical(*channels)
    life = Life(Board(MemoryFiles(), inputs=("float", "leak", "supply", "stop", "reset")))
    assert load(life, data)["ok"]
    return life, data


def asked(life, data):
    """What is found with the board's own reply, as it comes over the line."""
    live = json.loads(json.dumps(life.ask(do="status")))
    return absence.problems(data, build(data), FIRST, BACK, live)


def test_a_status_without_a_clock_a_hold_or_a_set_up_fails_at_once():
    empty = Life(Board(MemoryFiles()))
    _, data = life_of(channel())
    first = asked(empty, data)[0]
    assert (first.date, first.kind, first.fails) == (FIRST, "set-up", True)
    assert "no set-up was ever adopted" in first.what
    life, data = life_of(channel(), channel("cal", 2))
    assert [p.kind for p in asked(life, data) if p.fails] == ["clock"]
    now_w = FIRST * 86400 + 12 * 3600
    assert life.ask(do="clock", wall_w=now_w, id=8)["ok"]
    assert [p.kind for p in asked(life, data) if p.fails] == []
    assert life.ask(do="hold", channel="cal", until_w=now_w + 3600, id=9)["ok"]
    (held,) = [p for p in asked(life, data) if p.fails]
    assert (held.kind, held.channel, held.date) == ("held", "cal", FIRST)
    assert "aliquot release cal" in held.advice
    life.run(3700)
    assert [p.kind for p in asked(life, data) if p.fails] == []


def recalled(life, data, until=BACK):
    """The same with what the board's newest segments tell."""

    class Desk:
        def ask(self, do, **words):
            return life.ask(do=do, **words)

        tell = ask

    live = away.recalled(Desk(), life.ask(do="status"))
    setup = build(data)
    problems = absence.problems(data, setup, FIRST, until, live)
    return problems, absence.lives(data, setup, FIRST, until, live)


def test_overrides_are_read_from_the_journal_and_end_on_their_date():
    tank = {"size_ul": 900000, "left_ul": 700000, "dead_ul": 0, "low_pct": 0}
    life, data = life_of(channel(reservoir=tank), channel("cal", 2, reservoir=tank))
    now_w = FIRST * 86400 + 12 * 3600
    assert life.ask(do="clock", wall_w=now_w, id=8)["ok"]
    problems, before = recalled(life, data, FIRST + 10)
    assert problems == []
    order = {"do": "override", "channel": "alk", "keep": 1}
    assert life.ask(**order, ul=6000, days=3, id=9)["ok"]
    problems, after = recalled(life, data, FIRST + 10)
    (one,) = problems
    assert (one.kind, one.date, one.fails) == ("override", FIRST + 3, False)
    assert "+6 mL a day ends" in one.what
    # Two whole dates of 6 mL more, and the rest of the first.
    more = after[0].need_ul - before[0].need_ul
    assert 2 * 6000 < more < 3 * 6000
    assert after[1] == before[1]
    assert life.ask(**order, ul=-6000, days=100, id=10)["ok"]
    (_, one) = sorted(recalled(life, data, FIRST + 10)[0], key=lambda one: one.what)
    assert (one.kind, one.date) == ("override", FIRST)
    assert "lasts until you are back" in one.what


def test_with_overrides_the_dates_are_those_of_the_board():
    tank = {"size_ul": 900000, "left_ul": 150000, "dead_ul": 10000, "low_pct": 0}
    life, data = life_of(channel(reservoir=tank))
    assert life.ask(do="clock", wall_w=FIRST * 86400 + 12 * 3600, id=8)["ok"]
    order = {"do": "override", "channel": "alk", "ul": 12000, "days": 30, "keep": 1}
    assert life.ask(**order, id=9)["ok"]
    (empty,) = of(recalled(life, data)[0], "empty").values()
    zone = build(data).zone
    engine = life.app.engine
    for _ in range(6 * 24):
        if engine.lanes[0].why == ledger.EMPTY:
            break
        life.run(3600, ease=80)
    assert engine.lanes[0].why == ledger.EMPTY
    assert zone.date_of(engine.lanes[0].due_w) == empty


def test_calibration_and_tubing_count_from_what_the_board_recorded():
    remind = {"calibration_days": 2, "tubing_days": 20, "tubing_ul": 80000}
    life, data = life_of(channel(remind=remind))
    now_w = FIRST * 86400 + 12 * 3600
    assert life.ask(do="clock", wall_w=now_w, id=8)["ok"]
    assert life.ask(do="tubing", channel="alk", id=9)["ok"]
    life.run(86400, ease=80)
    order = {"do": "calibrate", "channel": "alk", "counts": 12800, "ul": 10000, "offset": 0}
    assert life.ask(**order, id=10)["ok"]
    moved_ul = life.app.engine.state.channels[0].tube_ul
    assert 30000 < moved_ul < 40000
    problems, _ = recalled(life, data)
    marks = {p.kind: p.date for p in problems if p.kind in ("calibration", "tubing")}
    # 80 mL at 36.5 mL a day, 36 of them already moved: on the second date from now.
    assert marks == {"calibration": FIRST + 3, "tubing": FIRST + 2}
    # The board says the same once it is so.
    life.run(2 * 86400 - 60, ease=80)
    assert "calibration" not in [what for _, what, _ in life.ask(do="status")["reminders"]]
    life.run(60)
    assert "calibration" in [what for _, what, _ in life.ask(do="status")["reminders"]]


def test_what_the_journal_cannot_tell_leaves_the_status_as_it_is():
    life, _ = life_of(channel())
    for name in [name for name in life.board.files.names() if name[0] == "j"]:
        life.board.files.write(name, b"damaged\n")

    class Desk:
        def ask(self, do, **words):
            return life.ask(do=do, **words)

        tell = ask

    live = life.ask(do="status")
    assert away.recalled(Desk(), live) == live


def good(**changes):
    """A status of MG's board in which all is well, with changes to the channel or to all."""
    one = {"id": "mg", "left_ul": 90000, "days_left": 18, "fault": 0, "hold_w": -1, "low": 0}
    one |= {"trim_n": 0, "trim_pct": 0, "owed_ul": 0, "cup": 0, "blocked": 0, "cal": [1, 1, 0]}
    live = {"clock": 2, "wall_w": FIRST * 86400 + 43200, "hold_w": -1, "fault": 0, "lost": 0}
    live |= {"reminders": [], "why": "", "unwritten": 0}
    one |= {key: value for key, value in changes.items() if key in one}
    live |= {key: value for key, value in changes.items() if key not in one}
    return {**live, "channels": [one]}


@pytest.mark.parametrize(
    ("changes", "kind", "words", "fails"),
    [
        ({"fault": 3}, "fault", "other counts", True),
        ({"fault": 99}, "fault", "99", True),
        ({"hold_w": 0}, "held", "until released", True),
        ({"cup": 1}, "cup", "over a cup", True),
        ({"lost": 1}, "lost", "records are lost", True),
        ({"unwritten": 1}, "journal", "cannot be written", True),
        ({"clock": 0}, "clock", "unset", True),
        ({"blocked": ledger.UNCALIBRATED}, "uncalibrated", "gives nothing", True),
        ({"cal": [0, 0, 0]}, "uncalibrated", "gives nothing", True),
        ({"cal": [12000, 10000, 0]}, "uncalibrated", "round figure", True),
        ({"low": 1}, "low", "at most 10 mL", False),
        ({"trim_n": 3, "trim_pct": 20}, "trim", "20 % off the next 3 doses", False),
        ({"left_ul": -1}, "uncounted", "nobody counts", False),
        ({"reminders": [[0, "tubing", "400 days ago"]]}, "tubing", "400 days ago", False),
    ],
)
def test_each_thing_that_a_status_tells_is_found_on_its_own(changes, kind, words, fails):
    assert found(MG, good(), FIRST + 14) == []
    (one,) = found(MG, good(**changes), FIRST + 14)
    assert (one.kind, one.fails, one.date) == (kind, fails, FIRST)
    assert words in one.what
    assert one.advice


def test_what_is_owed_comes_out_of_the_reservoir_too_within_the_raise():
    """41 mL last for 4 days of 10; with 3 mL owed, at 25 % of each dose, they do not."""
    assert of(found(MG, good(left_ul=41000)), "empty") == {("mg", "empty"): FIRST + 9}
    owed = good(left_ul=41000, owed_ul=3000)
    assert of(found(MG, owed), "empty") == {("mg", "empty"): FIRST + 7}
    # Once it is given back, no dose is raised any more: 45 mL hold 43.
    owed = good(left_ul=45000, owed_ul=3000)
    assert of(found(MG, owed), "empty") == {("mg", "empty"): FIRST + 9}


def test_a_dose_that_is_due_and_waits_is_still_to_come():
    """At noon of the 27th the dose of 02:30 is over, unless the board says that it is the next."""
    noon_w = (FIRST + 1) * 86400 + 11 * 3600
    after = good(left_ul=8000, wall_w=noon_w)
    assert of(found(MG, after), "empty") == {("mg", "empty"): FIRST + 3}
    after["channels"][0]["next_w"] = (FIRST + 1) * 86400 + 90 * 60  # 02:30 in Berlin
    assert of(found(MG, after), "empty") == {("mg", "empty"): FIRST + 1}


@pytest.mark.parametrize(("left_ml", "low"), [("32", 3), ("32.001", 5), ("12", 0), ("22", 1)])
def test_a_reservoir_is_low_when_it_holds_the_mark_and_not_a_microlitre_more(left_ml, low):
    """The mark is 12 mL, and the plan draws 10 mL on the 27th, the 29th and so on."""
    text = MG.replace("left_ml = 42", f"left_ml = {left_ml}")
    text = text.replace("low_pct = 10", "low_pct = 12")
    assert of(found(text), "low") == {("mg", "low"): FIRST + low}


def test_what_the_board_says_is_due_is_not_listed_again_later():
    live = good(reminders=[[0, "calibration", "95 days ago"]], left_ul=90000)
    due = [p for p in found(MG, live, FIRST + 366) if p.kind in ("calibration", "tubing")]
    assert [(p.kind, p.date) for p in due] == [
        ("calibration", FIRST),
        ("tubing", FIRST + 365),
    ]
    assert "at the latest" in due[1].what


@pytest.mark.parametrize(("days_left", "date"), [(0, 1), (2, 3), (6, 7), (7, 19), (-1, 19)])
def test_an_override_that_the_board_alone_knows_is_believed_for_a_week(days_left, date):
    live = good(left_ul=90000, days_left=days_left)
    problems = found(MG, live)
    assert of(problems, "empty") == {("mg", "empty"): FIRST + date}
    # 90 mL less the mark of 8 are reached on the ninth day that gives.
    assert of(problems, "low") == {("mg", "low"): FIRST + min(date, 17)}


def test_a_channel_that_the_board_does_not_have_fails():
    live = good()
    live["channels"][0]["id"] = "other"
    assert ("mg", "set-up") in of([p for p in found(MG, live) if p.fails], "set-up")


def test_the_json_has_exactly_the_shape_that_was_promised(file, capsys):
    options = ["--from", "2026-03-26", "--until", "2026-04-10", "--json"]
    assert cli.run(["away", file, *options]) == 1
    told = json.loads(capsys.readouterr().out)
    heads = ["format", "version", "timezone", "from", "until", "problems", "reservoirs"]
    assert list(told) == heads
    assert (told["format"], told["version"]) == ("aliquot-away", 1)
    assert (told["from"], told["until"]) == ("2026-03-26", "2026-04-10")
    assert [p["date"] for p in told["problems"]] == sorted(p["date"] for p in told["problems"])
    for problem in told["problems"]:
        assert list(problem) == ["date", "channel", "kind", "fails", "what", "advice"]
    assert [r["channel"] for r in told["reservoirs"]] == ["alk", "cal", "mg"]
    for one in told["reservoirs"]:
        assert list(one) == ["channel", "left_ul", "need_ul", "low", "empty"]


def test_people_get_a_table_and_a_bar_a_channel_and_the_first_to_fail(file, capsys):
    assert cli.run(["away", file, "--from", "2026-03-26", "--until", "2026-04-10"]) == 1
    out, err = capsys.readouterr()
    assert err == ""
    assert "2026-03-26 to 2026-04-10, 15 days away" in out
    bars = {}
    for line in out.splitlines():
        words = line.split()
        if len(words) > 1 and set(words[1]) <= {"#", "."}:
            bars[words[0]] = words[1].count("#")
    loaded = set_up(TANK)
    expected = {
        life.channel: (life.empty - FIRST) * 30 // 15
        for life in absence.lives(loaded.data, loaded.setup, FIRST, FIRST + 15)
    }
    assert bars == expected
    assert min(expected.values()) < 30
    first = next(p for p in found(until=FIRST + 15) if p.fails)
    assert f"First to fail: {first.channel}, on {date_text(first.date)}." in out


def test_an_absence_in_which_nothing_fails_ends_with_0_and_what_is_left(file, capsys):
    with freeze_time("2026-03-25T23:30:00Z"):  # the 26th, where the tank stands
        assert cli.run(["away", file, "--until", "2026-03-28"]) == 0
    out = capsys.readouterr().out
    assert "2026-03-26 to 2026-03-28, 2 days away" in out
    assert "By the plan nothing fails before then." in out
    assert "163 mL" in out  # alk: 183 less twice 10


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ([], ["--until"]),
        (["--until", "soon"], ["--until", "year-month-day"]),
        (["--until", "2026-02-30"], ["--until", "01 to 28"]),
        (["--until", "2026-03-26"], ["--until", "2026-03-27 to 2027-03-27"]),
        (["--until", "2027-03-28"], ["--until", "2026-03-27 to 2027-03-27"]),
        (["--until", "2399-06-01"], ["--until", "2399"]),
        (["--until", "2026-04-01", "--from", "2026-13-01"], ["--from", "01 to 12"]),
        (["--until", "2026-04-01", "--from", "2026-04-01"], ["--until", "2026-04-02 to"]),
    ],
)
def test_a_bad_date_ends_with_2_and_names_field_value_and_limit(file, capsys, options, words):
    first = [] if "--from" in options else ["--from", "2026-03-26"]
    assert cli.run(["away", file, *options, *first]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert [word for word in words if word not in err] == []
    assert "Traceback" not in err


def test_a_set_up_that_is_not_there_or_not_valid_ends_with_2(tmp_path, capsys):
    assert cli.run(["away", str(tmp_path / "none.toml"), "--until", "2026-04-10"]) == 2
    (tmp_path / "tank.toml").write_text(TANK.replace("cap_ml = 55", "cap_ml = 5", 1))
    assert cli.run(["away", str(tmp_path / "tank.toml"), "--until", "2026-04-10"]) == 2
    assert "channel[alk].cap_ml" in capsys.readouterr().err
