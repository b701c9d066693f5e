"""`aliquot simulate`: what it prints, writes and refuses, and its exit codes."""

import json
from collections import Counter

import pytest
from freezegun import freeze_time

from aliquot_host import cli, simulation, world

SET_UP = """
timezone = "{zone}"
[[channel]]
id = "alk"
daily_ml = 24
cap_ml = 34
dose_most_ml = 4
calibration = {{ counts = 10000, ml = 10 }}
[[channel]]
id = "cal"
daily_ml = 12
doses = 12
from = "00:30"
cap_ml = 20
dose_most_ml = 4
calibration = {{ counts = 10000, ml = 10 }}
"""
TOTALS = [
    "planned_ul",
    "commanded_ul",
    "commanded_counts",
    "true_ul",
    "skipped_ul",
    "missed_ul",
    "raised_ul",
    "lapsed_ul",
    "refused_ul",
    "uncertain_ul",
    "extra_ul",
]
ACTS = """
[[act]]
day = 2
time = "14:30"
do = "trim"
channel = "alk"
percent = 50
doses = 6
"""


@pytest.fixture
def place(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "reef.toml").write_text(SET_UP.format(zone="Europe/Berlin"))
    (tmp_path / "acts.toml").write_text(ACTS)
    return tmp_path


@pytest.fixture
def simulate(place, capsys):
    """Runs the command on reef.toml: (exit code, stdout, stderr)."""

    def run(*arguments, file="reef.toml", start="2026-03-20"):
        since = ["--start", start] if start else []
        code = cli.run(["simulate", file, *since, *arguments])
        told = capsys.readouterr()
        return code, told.out, told.err

    return run


def test_the_json_has_these_keys_and_no_others_in_this_order(simulate):
    code, out, err = simulate("--days", "3", "--outages", "2", "--json")
    document = json.loads(out)
    assert (code, err) == (0, "")
    assert list(document) == [
        "format",
        "version",
        "totals",
        "days",
        "faults",
        "records",
        "violations",
    ]
    assert (document["format"], document["version"]) == ("aliquot-simulation", 1)
    assert list(document["totals"]) == ["alk", "cal"]
    assert all(list(sums) == TOTALS for sums in document["totals"].values())
    assert all(isinstance(n, int) for sums in document["totals"].values() for n in sums.values())
    assert [day["date"] for day in document["days"]] == ["2026-03-20", "2026-03-21", "2026-03-22"]
    assert Counter(fault["kind"] for fault in document["faults"])["outage"] == 2
    assert document["violations"] == []
    assert document["records"] > 100


def test_days_add_up_to_the_totals(simulate):
    _, out, _ = simulate("--days", "5", "--outages", "4", "--json")
    document = json.loads(out)
    for name, sums in document["totals"].items():
        days = [day["channels"][name] for day in document["days"]]
        for key in ("planned_ul", "commanded_ul"):
            assert sum(day[key] for day in days) == sums[key]


def test_without_outages_and_acts_all_that_is_planned_is_commanded(simulate):
    _, out, _ = simulate("--days", "4", "--json")
    totals = json.loads(out)["totals"]
    assert [sums["planned_ul"] for sums in totals.values()] == [96_000, 48_000]
    assert [sums["commanded_ul"] for sums in totals.values()] == [96_000, 48_000]
    assert [sums["commanded_counts"] for sums in totals.values()] == [96_000, 48_000]
    rest = [key for key in TOTALS[4:] if any(sums[key] for sums in totals.values())]
    assert rest == []


def test_the_same_seed_gives_the_same_bytes_and_another_seed_does_not(simulate):
    run = ("--days", "4", "--outages", "3", "--json")
    assert simulate(*run, "--seed", "5") == simulate(*run, "--seed", "5")
    assert simulate(*run, "--seed", "5")[1] != simulate(*run, "--seed", "6")[1]


# 00:30 of the next date in London's summer, 19:30 of this one in New York.
@freeze_time("2026-06-30 23:30")
@pytest.mark.parametrize(
    ("zone", "date"), [("Europe/London", "2026-07-01"), ("America/New_York", "2026-06-30")]
)
def test_by_default_it_begins_today_where_the_tank_stands(simulate, place, zone, date):
    (place / "reef.toml").write_text(SET_UP.format(zone=zone))
    _, out, _ = simulate("--days", "1", "--json", start=None)
    assert [day["date"] for day in json.loads(out)["days"]] == [date]


def test_the_text_has_a_row_a_channel_the_events_and_the_verdict(simulate):
    code, out, err = simulate("--days", "3", "--acts", "acts.toml")
    assert (code, err) == (0, "")
    rows = [line.split() for line in out.splitlines()]
    assert ["alk", "72.00", "69.00"] in [row[:3] for row in rows]
    assert ["cal", "36.00", "36.00"] in [row[:3] for row in rows]
    assert "2026-03-21 14:30  alk: 50 % off the next 6 doses." in out
    assert "Every rule held" in out.splitlines()[-1]
    # Columns in which nothing is are left out.
    assert "skipped mL" in out
    assert "missed mL" not in out


def test_many_events_are_cut_short_and_counted(simulate):
    _, out, _ = simulate("--days", "30", "--outages", "30")
    assert "more events; --report tells more." in out


def test_a_rule_that_does_not_hold_is_told_and_ends_with_one(simulate, monkeypatch):
    finish = world.World.finish

    def spoil(self):
        self.violate("S5", "planted")
        finish(self)

    monkeypatch.setattr(world.World, "finish", spoil)
    code, out, _ = simulate("--days", "1")
    assert code == 1
    assert "A rule was broken once (S5)" in out
    code, out, err = simulate("--days", "1", "--json")
    assert code == 1
    (violation,) = json.loads(out)["violations"]
    assert (violation["invariant"], violation["text"]) == ("S5", "planted")
    assert "S5" in err


def test_a_report_is_written_and_only_a_report_is_written_over(simulate, place):
    assert simulate("--days", "1", "--report", "out.html")[0] == 0
    first = (place / "out.html").read_bytes()
    assert simulate("--days", "1", "--report", "out.html")[0] == 0
    assert (place / "out.html").read_bytes() == first
    (place / "mine.html").write_text("<!doctype html>")
    code, _, err = simulate("--days", "1", "--report", "mine.html")
    assert code == 2
    assert "--force" in err
    assert (place / "mine.html").read_text() == "<!doctype html>"
    assert simulate("--days", "1", "--report", "mine.html", "--force")[0] == 0
    assert (place / "mine.html").read_bytes() == first


def test_the_journal_is_written_so_that_replay_can_read_it(simulate, place, capsys):
    code, out, _ = simulate("--days", "2", "--journal", "board", "--json")
    assert code == 0
    names = sorted(file.name for file in (place / "board").iterdir())
    assert names == ["j00000001.txt", "setup.json"]
    assert cli.run(["replay", "board", "--json"]) == 0
    replayed = json.loads(capsys.readouterr().out)
    assert replayed["last_record"] == json.loads(out)["records"]
    assert replayed["channels"]["alk"]["totals"]["commanded_ul"] == 48_000
    assert cli.run(["why", "board", "alk", "2026-03-20#3"]) == 0


def test_a_journal_is_never_written_among_other_files(simulate, place):
    (place / "board").mkdir()
    (place / "board" / "j00000001.txt").write_text("another journal")
    code, _, err = simulate("--days", "1", "--journal", "board")
    assert code == 2
    assert "empty folder" in err
    assert [file.name for file in (place / "board").iterdir()] == ["j00000001.txt"]


def test_acts_behind_the_end_are_said_not_to_come(simulate):
    code, _, err = simulate("--days", "1", "--acts", "acts.toml")
    assert code == 0
    assert "1 act falls behind the last day" in err


@pytest.mark.parametrize(
    "arguments",
    [
        ["--days", "0"],
        ["--days", "3661"],
        ["--days", "many"],
        ["--outages", "-1"],
        ["--outages", "1001"],
        ["--seed", "-1"],
        ["--start", "2025-12-31"],
        ["--start", "2026-02-30"],
        ["--start", "yesterday"],
        ["--start", "2099-12-30"],
        ["--start", "2398-01-01"],
        ["--acts", "nowhere.toml"],
        ["--acts", "reef.toml"],
        ["--report", "nowhere/out.html"],
        ["--report", "."],
    ],
)
def test_what_cannot_be_used_ends_with_two_and_without_a_traceback(simulate, arguments):
    code, out, err = simulate("--days", "1", *arguments)
    assert (code, out) == (2, "")
    assert err
    assert "Traceback" not in err
    assert "mistake in Aliquot" not in err


def test_a_file_that_is_no_set_up_ends_with_two(simulate, place):
    (place / "bad.toml").write_bytes(b"\xff")
    assert simulate(file="bad.toml")[0] == 2
    assert simulate(file="nowhere.toml")[0] == 2


def test_the_longest_rehearsal_may_begin_as_late_as_a_board_believes_the_time():
    last = simulation.LAST_DATE - simulation.DAYS_MOST
    assert simulation.date_checked(last, simulation.DAYS_MOST) == last


def test_help_lists_the_acts_and_their_fields(simulate, capsys):
    assert cli.run(["simulate", "--help"]) == 0
    told = capsys.readouterr().out
    assert "override: channel, ml_a_day, days, [keep]" in told
