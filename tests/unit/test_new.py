"""`aliquot new`: what it proposes, what it asks, and that all it writes passes `check`."""

import datetime
import json
import os

import click.testing
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aliquot_host import advice, cli, errors, meaning, proposals, resources, setup_file
from aliquot_host.commands import new

TODAY = datetime.date(2026, 1, 1)
FOUR = (
    ("alk", "alkalinity", 36500),
    ("cal", "calcium", 36500),
    ("mg", "magnesium", 3000),
    ("no3", "nitrate", 400),
)
SCRIPT = ("--yes", "--zone", "Europe/Berlin", "--litres", "260", "--board", "esp32-dev")
ALK = "alk,liquid=alkalinity,daily_ml=36.5,counts=12800,ml=10.02,reservoir_ml=2000"
CAL = "cal,liquid=calcium,daily_ml=36.5"


def plan(channels):
    made = proposals.Plan("Europe/Berlin", "", 0, [proposals.Channel(*each) for each in channels])
    proposals.propose(made)
    return made


def written(made):
    return setup_file.load(proposals.text(made).encode(), today=TODAY)


@pytest.mark.parametrize(
    ("daily_ul", "doses"),
    [(100, 1), (499, 1), (500, 2), (3000, 12), (6000, 24), (36500, 24), (2000000, 24)],
)
def test_doses_are_a_quarter_millilitre_or_more_and_24_at_most(daily_ul, doses):
    """24 doses a day is a usual most: common practice."""
    assert proposals.doses(daily_ul) == doses


@pytest.mark.parametrize(
    ("daily_ul", "n", "cap_ul", "most_ul"),
    [(36500, 24, 55000, 3100), (500, 2, 1000, 500), (400, 1, 1200, 800), (1, 1, 3, 2)],
)
def test_cap_and_largest_dose_are_a_little_above_the_day(daily_ul, n, cap_ul, most_ul):
    assert proposals.cap_ul(daily_ul, n) == cap_ul
    assert proposals.dose_most_ul(daily_ul, n) == most_ul


def test_liquids_that_react_face_each_other_in_the_hour():
    made = plan(FOUR)
    start = {c.id: c.from_s for c in made.channels}
    assert abs(start["alk"] - start["cal"]) == 1800
    assert {(a, b) for a, b, _ in made.separate} == {("alk", "cal"), ("alk", "mg")}
    assert all(60 <= seconds <= 1200 for _, _, seconds in made.separate)


def test_what_is_proposed_passes_and_is_short():
    made = plan(FOUR)
    loaded = written(made)
    assert [c["id"] for c in loaded.data["channel"]] == ["alk", "cal", "mg", "no3"]
    assert len(proposals.text(made).splitlines()) < 50
    assert "NOT MEASURED" in proposals.text(made)


liquids = st.sampled_from(["alkalinity", "calcium", "magnesium", "nitrate", "", 'food "A"', "é #"])


@given(st.lists(st.tuples(liquids, st.integers(100, 500000)), min_size=1, max_size=8))
@settings(max_examples=60)
def test_whatever_is_answered_the_proposal_passes(answers):
    made = plan([(f"c{i}", liquid, ul) for i, (liquid, ul) in enumerate(answers)])
    loaded = written(made)
    for channel, (liquid, ul) in zip(loaded.data["channel"], answers, strict=True):
        assert (channel["liquid"], channel["daily_ul"]) == (liquid, ul)
        assert channel["cap_ul"] <= 3 * max(ul, 1) + 99999
    assert not [
        problem for problem in advice.warnings(loaded, TODAY) if problem.path == "separate"
    ]


def test_a_script_names_everything_and_is_asked_nothing(tmp_path, capsys):
    file = tmp_path / "reef.toml"
    code = cli.run(["new", str(file), *SCRIPT, "--channel", ALK, "--channel", CAL])
    assert code == 0, capsys.readouterr().err
    data = setup_file.load(file).data
    assert (data["timezone"], data["board"]) == ("Europe/Berlin", "esp32-dev")
    assert data["tank"]["volume_ml"] == 260000
    assert data["channel"][0]["calibration"]["counts"] == 12800
    assert data["channel"][0]["reservoir"]["size_ul"] == 2000000
    assert data["separate"] == [{"channels": ["alk", "cal"], "seconds": 1200}]
    err = capsys.readouterr().err
    assert "not a measurement" in err
    assert "caution: " in err


def test_without_a_file_the_text_goes_to_stdout(capsys):
    assert cli.run(["new", *SCRIPT, "--channel", ALK]) == 0
    out = capsys.readouterr().out
    assert setup_file.load(out.encode()).data["channel"][0]["id"] == "alk"


@pytest.mark.parametrize("name", sorted(resources.examples()))
def test_an_example_is_copied_with_its_comments(tmp_path, name):
    file = tmp_path / "reef.toml"
    assert cli.run(["new", "-o", str(file), "--from", name, "--yes"]) == 0
    assert file.read_text(encoding="utf-8") == resources.examples()[name].read_text("utf-8")


def test_an_example_takes_zone_board_and_litres(tmp_path):
    file = tmp_path / "reef.toml"
    options = ["--zone", "Australia/Lord_Howe", "--board", "pico-w", "--litres", "99.5"]
    assert cli.run(["new", str(file), "--from", "four_channels", "--yes", *options]) == 0
    data = setup_file.load(file).data
    assert data["timezone"] == "Australia/Lord_Howe"
    assert (data["board"], data["tank"]["volume_ml"]) == ("pico-w", 99500)
    assert "half an hour away" in file.read_text(encoding="utf-8")


def test_a_file_is_never_written_over_unasked(tmp_path, capsys):
    file = tmp_path / "reef.toml"
    file.write_text("precious")
    options = [str(file), *SCRIPT, "--channel", ALK]
    assert cli.run(["new", *options]) == 2
    assert file.read_text() == "precious"
    assert "--force" in capsys.readouterr().err
    assert cli.run(["new", *options, "--force"]) == 0
    assert setup_file.load(file).data


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--yes", "--zone", "Europe/Berlin"], "--channel"),
        (["--yes", "--zone", "Europe/Berlim", "--channel", ALK], "Europe/Berlin"),
        (["--yes", "--zone", "Africa/Casablanca", "--channel", ALK], "local time is"),
        ([*SCRIPT, "--channel", "alk"], "daily_ml is missing"),
        ([*SCRIPT, "--channel", "Alk,daily_ml=1"], "small letters"),
        ([*SCRIPT, "--channel", "alk,daily_ml=1.2345"], "at most 3 digits"),
        ([*SCRIPT, "--channel", "alk,daily_ml=9999"], "must be 0 to 2000 mL"),
        ([*SCRIPT, "--channel", "alk,daily_ml=1,daily_ml=2"], "twice"),
        ([*SCRIPT, "--channel", "alk,daily_ml=1,colour=2"], "o key is called colour"),
        ([*SCRIPT, "--channel", "alk,daily_ml=1,counts=2"], "belong together"),
        ([*SCRIPT, "--channel", "alk,daily_ml=1,counts=0,ml=1"], "counts"),
        ([*SCRIPT, "--channel", ALK, "--channel", ALK], "ids that differ"),
        ([*SCRIPT, "--board", "abacus", "--channel", ALK], "esp32-dev"),
        ([*SCRIPT, "--litres", "-5", "--channel", ALK], "without a sign"),
        (["--from", "nothing", "--yes"], "first_pump"),
        (["--from", "first_pump", "--yes", "--channel", ALK], "leave --from or --channel out"),
    ],
)
def test_a_wrong_option_is_bad_input_and_nothing_is_written(tmp_path, capsys, options, says):
    file = tmp_path / "reef.toml"
    assert cli.run(["new", str(file), *options]) == 2
    err = capsys.readouterr().err
    assert says in err
    assert "Traceback" not in err
    assert not file.exists()


def ask(file, *answers, options=()):
    """Run `new` with somebody at the keyboard."""
    runner = click.testing.CliRunner()
    text = "\n".join(answers) + "\n"
    return runner.invoke(new.command, [str(file), *options], input=text)


def test_it_asks_for_the_tank_and_proposes_the_rest(tmp_path):
    file = tmp_path / "reef.toml"
    answers = ["Europe/Berlin", "esp32-s3", "260"]
    answers += ["alk", "alkalinity", "36.5", "12800", "10.02", "2000", "y"]
    answers += ["cal", "calcium", "20", "", "", "", "n", "y"]
    result = ask(file, *answers)
    assert result.exit_code == 0, result.output
    assert "24 doses of 1.521 mL from 00:00 on" in result.output
    assert "alk and cal: 20 min apart" in result.output
    data = setup_file.load(file).data
    assert [c["daily_ul"] for c in data["channel"]] == [36500, 20000]
    assert data["channel"][1]["reservoir"] is None


def test_a_wrong_answer_is_asked_for_again(tmp_path):
    file = tmp_path / "reef.toml"
    answers = ["Mars/Olympus", "Europe/Berlin", "abacus", "", "-3", "260"]
    answers += ["Alk", "alk", "", "a lot", "36.5", "", "", "", "n", "y"]
    result = ask(file, *answers)
    assert result.exit_code == 0, result.output
    assert "no such zone" in result.output
    assert "known boards" in result.output
    assert setup_file.load(file).data["channel"][0]["liquid"] == "alk"


def test_what_is_proposed_can_be_changed(tmp_path):
    file = tmp_path / "reef.toml"
    answers = ["Europe/Berlin", "", "", "alk", "soda", "36.5", "", "", "", "n"]
    answers += ["n", "12", "07:30", "4", "50"]
    result = ask(file, *answers)
    assert result.exit_code == 0, result.output
    (channel,) = setup_file.load(file).data["channel"]
    assert (channel["doses"], channel["from_s"]) == (12, 27000)
    assert (channel["dose_most_ul"], channel["cap_ul"]) == (4000, 50000)


def test_what_check_refuses_is_not_written(tmp_path):
    file = tmp_path / "reef.toml"
    answers = ["Europe/Berlin", "", "", "alk", "soda", "36.5", "", "", "", "n"]
    result = ask(file, *answers, "n", "12", "07:30", "4", "40")
    assert isinstance(result.exception, errors.BadInput)
    assert "cap_ml" in str(result.exception)
    assert not file.exists()


def test_questions_that_end_unanswered_write_nothing(tmp_path):
    file = tmp_path / "reef.toml"
    assert ask(file, "Europe/Berlin", "").exit_code == 1
    assert not file.exists()


def test_another_day_of_an_example_gets_another_cap(tmp_path):
    file = tmp_path / "reef.toml"
    result = ask(file, "", "", "", "80", "", "", options=["--from", "first_pump"])
    assert result.exit_code == 0, result.output
    (channel,) = setup_file.load(file).data["channel"]
    assert channel["daily_ul"] == 80000
    assert channel["cap_ul"] == proposals.cap_ul(80000, 24)
    assert "# after Sunday's test" in file.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("variable", "target", "name"),
    [
        ("America/New_York", None, "America/New_York"),
        (":Europe/Oslo", None, "Europe/Oslo"),
        ("CET-1CEST", "/usr/share/zoneinfo/Asia/Tokyo", "Asia/Tokyo"),
        ("", "../usr/share/zoneinfo/Europe/Berlin", "Europe/Berlin"),
        ("/etc/localtime", "/usr/share/zoneinfo/UTC", "UTC"),
    ],
)
def test_the_zone_of_the_machine_is_the_guess(monkeypatch, variable, target, name):
    def readlink(path):
        if target is None:
            raise OSError(path)
        return target

    monkeypatch.setenv("TZ", variable)
    monkeypatch.setattr(os, "readlink", readlink)
    assert proposals.guess_zone() == name


def test_a_machine_without_a_zone_has_no_guess_and_yes_says_so(monkeypatch, tmp_path, capsys):
    monkeypatch.setattr(proposals, "guess_zone", lambda: "")
    file = tmp_path / "reef.toml"
    assert cli.run(["new", str(file), "--yes", "--channel", ALK]) == 2
    assert "does not say its zone" in capsys.readouterr().err


def test_a_nice_figure_is_rounded_up_and_never_down():
    for ul in (1, 9, 10, 99, 100, 101, 54750, 55000, 999999):
        nice = proposals.nice(ul)
        assert ul <= nice < ul * 1.1 + 1
        assert len(str(nice).rstrip("0")) <= 2


def test_quoted_words_are_read_back(tmp_path):
    words = 'a "b" \\ é'
    made = plan([("alk", words, 1000)])
    assert written(made).data["channel"][0]["liquid"] == words
    assert json.loads(proposals.quoted(words)) == words
    assert meaning.ml(1000) == "1 mL"
