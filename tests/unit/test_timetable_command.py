"""`aliquot timetable`: its rows against the board's engine, fractions and zoneinfo; its inputs."""

import dataclasses
import datetime
import json
from fractions import Fraction
from zoneinfo import ZoneInfo

import pytest
from freezegun import freeze_time
from hypothesis import given, settings
from hypothesis import strategies as st

from aliquot.core.dates import days_of
from aliquot.core.decimals import date_of_text
from aliquot.core.setup import build
from aliquot_host import cli, setup_file, timetables
from unit.desk_board import DeskBoard, set_up

TANK = """
timezone = "Europe/Berlin"
[[channel]]
id = "alk"
daily_ml = 36.5
from = "00:10"
cap_ml = 55
dose_most_ml = 4
calibration = { counts = 12800, ml = 10.02 }
[[channel]]
id = "cal"
daily_ml = 30
from = "00:10"
cap_ml = 55
dose_most_ml = 4
calibration = { counts = 12771, ml = 10.02 }
pump = { speed_cps = 300 }
[[channel]]
id = "mg"
at = [{ time = "02:30", ml = 3 }, { time = "14:00", ml = 7 }]
weekdays = ["sun", "tue"]
cap_ml = 55
dose_most_ml = 10
calibration = { counts = 2800, ml = 10.02, offset = 40 }
pump = { kind = "timed" }
[[separate]]
channels = ["alk", "cal"]
minutes = 20
"""
SPRING, AUTUMN = "2026-03-29", "2026-10-25"
BERLIN = ZoneInfo("Europe/Berlin")


@pytest.fixture
def file(tmp_path):
    path = tmp_path / "tank.toml"
    path.write_text(TANK)
    return str(path)


@pytest.fixture
def document(file, capsys):
    """document(options...) runs the command with --json and returns what it printed."""

    def get(*options):
        assert cli.run(["timetable", file, "--json", *options]) == 0
        return json.loads(capsys.readouterr().out)

    return get


def test_the_json_has_exactly_the_shape_that_was_promised(document):
    found = document("--date", SPRING, "--days", "2")
    assert list(found) == ["format", "version", "timezone", "days"]
    assert (found["format"], found["version"]) == ("aliquot-timetable", 1)
    assert found["timezone"] == "Europe/Berlin"
    assert [day["date"] for day in found["days"]] == [SPRING, "2026-03-30"]
    for day in found["days"]:
        assert list(day) == ["date", "length_s", "doses"]
        for dose in day["doses"]:
            assert list(dose) == [
                *("channel", "revision", "index", "local", "utc"),
                *("volume_ul", "counts", "run_ms"),
            ]
            assert dose["revision"] == 1
            numbers = (dose["index"], dose["volume_ul"], dose["counts"], dose["run_ms"])
            assert {type(number) for number in numbers} == {int}


@pytest.mark.parametrize(
    ("date", "hours", "mg"), [(SPRING, 23, 2), (AUTUMN, 25, 2), ("2026-06-03", 24, 0)]
)
def test_a_date_keeps_its_doses_and_volume_whatever_its_length(document, date, hours, mg):
    """The lengths of the local days: shared reference, Berlin 2026 (zoneinfo agrees below)."""
    (day,) = document("--date", date)["days"]
    assert day["length_s"] == hours * 3600
    by_channel = {}
    for dose in day["doses"]:
        by_channel.setdefault(dose["channel"], []).append(dose)
    assert {name: len(doses) for name, doses in by_channel.items()} == {
        "alk": 24,
        "cal": 24,
        **({"mg": mg} if mg else {}),
    }
    totals = {name: sum(d["volume_ul"] for d in doses) for name, doses in by_channel.items()}
    assert totals == {"alk": 36500, "cal": 30000, **({"mg": 10000} if mg else {})}
    for doses in by_channel.values():
        assert [dose["index"] for dose in doses] == list(range(len(doses)))


@pytest.mark.parametrize("date", [SPRING, AUTUMN, "2026-07-01"])
def test_local_and_utc_are_the_same_instant_and_agree_with_zoneinfo(document, date):
    (day,) = document("--date", date)["days"]
    instants = []
    for dose in day["doses"]:
        utc = datetime.datetime.fromisoformat(dose["utc"])
        local = datetime.datetime.fromisoformat(dose["local"])
        assert local == utc
        assert local.isoformat() == utc.astimezone(BERLIN).isoformat()
        assert local.date().isoformat() == date
        instants.append(utc)
    assert instants == sorted(instants)
    midnight = datetime.datetime.fromisoformat(date).replace(tzinfo=BERLIN)
    after = (midnight + datetime.timedelta(days=1)).replace(tzinfo=BERLIN)
    length = after.astimezone(datetime.UTC) - midnight.astimezone(datetime.UTC)
    assert length.total_seconds() == day["length_s"]


def test_counts_follow_the_exact_volume_with_the_remainder_carried_from_nothing(document):
    """Against exact fractions: the counts so far are the exact ones so far, to the nearest."""
    ratios = {"alk": (12800, 10020, 0), "cal": (12771, 10020, 0), "mg": (2800, 10020, 40)}
    speeds = {"alk": 500, "cal": 300, "mg": 1000}
    exact = dict.fromkeys(ratios, Fraction(0))
    given_counts = dict.fromkeys(ratios, 0)
    for day in document("--date", "2026-03-28", "--days", "9")["days"]:
        for dose in day["doses"]:
            name = dose["channel"]
            counts, ul, dead = ratios[name]
            exact[name] += Fraction(dose["volume_ul"] * counts, ul)
            given_counts[name] += dose["counts"] - dead
            assert abs(given_counts[name] - exact[name]) <= Fraction(1, 2)
            run = Fraction(dose["counts"] * 1000, speeds[name])
            assert dose["run_ms"] - 1 < run <= dose["run_ms"]
    assert all(exact.values())


def test_a_board_with_a_new_journal_gives_exactly_these_doses():
    """Instants, volumes and counts of the engine, across the spring clock change."""
    loaded = set_up(TANK)
    first = date_of_text("2026-03-28")
    start_w = loaded.setup.zone.day_start(first)
    board = DeskBoard(loaded, start_w - 1)
    board.until(loaded.setup.zone.day_start(first + 3))
    cals = timetables.calibrations(loaded.data)
    planned = [
        (dose.wall_s, loaded.setup.channels[i].id, dose.counts)
        for date in timetables.dates(loaded.setup, cals, range(first, first + 3))
        for dose in date.doses
        for i in range(3)
        if loaded.setup.channels[i].id == dose.channel
    ]
    ran = [(w, loaded.setup.channels[ch].id, counts) for w, ch, counts, _ in board.runs]
    assert ran == planned
    assert len(ran) == 3 * 48 + 2
    assert board.state.channels[0].tot[1] == 3 * 36500


@pytest.mark.parametrize(
    ("moment", "zone", "date"),
    [
        ("2026-03-28T23:30:00Z", "Europe/Berlin", "2026-03-29"),
        ("2026-03-28T22:30:00Z", "Europe/Berlin", "2026-03-28"),
        ("2026-03-29T09:30:00Z", "Pacific/Honolulu", "2026-03-28"),
        ("2026-03-29T13:30:00Z", "Pacific/Auckland", "2026-03-30"),
    ],
)
def test_without_a_date_it_shows_today_where_the_tank_stands(tmp_path, capsys, moment, zone, date):
    file = tmp_path / "tank.toml"
    file.write_text(TANK.replace("Europe/Berlin", zone))
    with freeze_time(moment):
        assert cli.run(["timetable", str(file), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert [day["date"] for day in found["days"]] == [date]
    assert found["timezone"] == zone


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--date", "2026-02-30"], ["--date", "2026-02-30", "01 to 28"]),
        (["--date", "29.3.2026"], ["--date", "year-month-day"]),
        (["--date", "1999-12-31"], ["--date", "2000 to"]),
        (["--date", ""], ["--date"]),
        (["--date", "2399-12-31"], ["--date", "2399"]),
        (["--date", "2399-01-01", "--days", "366"], ["--date", "2399"]),
        (["--days", "0"], ["--days", "1<=x<=366"]),
        (["--days", "367"], ["--days", "1<=x<=366"]),
        (["--days", "-1"], ["--days"]),
        (["--days", "two"], ["--days", "two"]),
    ],
)
def test_a_bad_option_ends_with_2_and_names_field_value_and_limit(file, capsys, options, words):
    assert cli.run(["timetable", file, *options]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert [word for word in words if word not in err] == []
    assert "Traceback" not in err


def test_a_set_up_that_is_not_there_or_not_valid_ends_with_2(tmp_path, capsys):
    assert cli.run(["timetable", str(tmp_path / "none.toml")]) == 2
    (tmp_path / "tank.toml").write_text(TANK.replace("cap_ml = 55", "cap_ml = 5", 1))
    assert cli.run(["timetable", str(tmp_path / "tank.toml")]) == 2
    assert "channel[alk].cap_ml" in capsys.readouterr().err


def test_people_get_a_table_a_date_with_totals_beneath(file, capsys):
    assert cli.run(["timetable", file, "--date", SPRING, "--days", "2"]) == 0
    out = capsys.readouterr().out
    lines = [line.split() for line in out.splitlines()]
    assert lines[0] == [*f"{SPRING} Sunday, a day of 23 h: the clocks change".split()]
    heads = [line for line in lines if line[:2] == ["local", "time"]]
    assert heads == [["local", "time", "channel", "dose", "mL", "counts", "run", "s"]] * 2
    assert ["00:30:05", "cal", "#0", "1.250", "1593", "5.310"] in lines
    assert ["03:00:00", "mg", "#0", "3.000", "878", "0.878"] in lines
    assert "  mg: 2 doses, 10 mL, 2874 counts" in out
    assert out.count("  alk: 24 doses, 36.5 mL, ") == 2
    assert f"{'2026-03-30'} Monday\n" in out


def test_a_date_without_doses_says_so(tmp_path, capsys):
    file = tmp_path / "tank.toml"
    text = TANK[: TANK.index("[[separate]]")]
    head, *channels = text.split("[[channel]]")
    file.write_text(head + "[[channel]]" + channels[2])
    assert cli.run(["timetable", str(file), "--date", "2026-03-30"]) == 0
    assert capsys.readouterr().out.split() == ["2026-03-30", "Monday", "No", "doses."]


def test_a_dose_that_finds_no_room_is_a_finding(monkeypatch, file, capsys):
    """`check` refuses such a set-up; this one has slipped through."""
    good = setup_file.load(file)
    data = json.loads(json.dumps(good.data))
    data["separate"][0]["seconds"] = 35 * 60
    tight = dataclasses.replace(good, data=data)
    monkeypatch.setattr(setup_file, "load", lambda _: tight)
    assert cli.run(["timetable", file, "--date", "2026-07-01", "--json"]) == 1
    out, err = capsys.readouterr()
    assert len(json.loads(out)["days"][0]["doses"]) == 48
    assert err == "No room between the doses of other channels: cal on 2026-07-01.\n"


GOOD = set_up(TANK)


@settings(deadline=None, max_examples=60)
@given(
    daily_ul=st.integers(100, 60000),
    doses=st.integers(1, 144),
    counts=st.integers(1, 100000),
    ul=st.integers(1, 20000),
    from_s=st.integers(0, 86399),
    day=st.integers(days_of(2026, 1, 1), days_of(2027, 1, 1)),
)
def test_volumes_are_exact_and_counts_never_more_than_half_a_count_off(
    daily_ul, doses, counts, ul, from_s, day
):
    """For any plan, calibration and window, over three dates."""
    data = json.loads(json.dumps(GOOD.data))
    one = data["channel"][0]
    one |= {"daily_ul": daily_ul, "doses": doses, "from_s": from_s}
    data["channel"], data["separate"] = [one], []
    setup = build(data)
    exact = so_far = Fraction(0)
    for date in timetables.dates(setup, [(counts, ul, 0)], range(day, day + 3)):
        assert sum(dose.volume_ul for dose in date.doses) == daily_ul
        assert max(d.volume_ul for d in date.doses) - min(d.volume_ul for d in date.doses) <= 1
        walls = [dose.wall_s for dose in date.doses]
        assert sorted(set(walls)) == walls
        assert {setup.zone.date_of(wall) for wall in walls} == {date.date}
        for dose in date.doses:
            exact += Fraction(dose.volume_ul * counts, ul)
            so_far += dose.counts
            assert abs(so_far - exact) <= Fraction(1, 2)
