"""`aliquot check`: what it prints, what it warns of, and its exit codes."""

import json

import pytest
from freezegun import freeze_time

from aliquot_host import advice, cli, setup_file
from set_ups import TOML, canonical, channel

pytestmark = pytest.mark.usefixtures("january")


@pytest.fixture
def january():
    with freeze_time("2026-01-01"):
        yield


@pytest.fixture
def check(tmp_path, capsys):
    """check(text, options...) gives (exit code, stdout, stderr)."""

    def run(text, *options, name="reef.toml"):
        file = tmp_path / name
        file.write_text(text, encoding="utf-8")
        code = cli.run(["check", str(file), *options])
        return code, *capsys.readouterr()

    return run


def warned(data, day="2026-01-01"):
    """The (path, advice) of every warning about canonical data."""
    loaded = setup_file.load(json.dumps(data).encode())
    import datetime

    found = advice.warnings(loaded, datetime.date.fromisoformat(day))
    assert all(problem.level == "warning" for problem in found)
    return [(problem.path, problem.advice) for problem in found]


def reservoir(size_ul=2000000, **changes):
    return {"size_ul": size_ul, "dead_ul": 0, "low_pct": 10, "left_ul": size_ul, **changes}


QUIET = canonical(channel(reservoir=reservoir()), board="esp32-dev")


def test_eight_lines_pass_and_show_what_they_mean(check):
    code, out, err = check(TOML)
    assert (code, err) == (0, "")
    assert "no errors" in out
    for part in ("alk", "36.5 mL", "24 of 1.521 mL", "00:00 to 23:00, every 60 min", "55 mL"):
        assert part in out


def test_an_error_is_told_with_all_that_belongs_to_it_and_exit_code_2(check):
    code, out, err = check(TOML.replace("cap_ml = 55", "cap_ml = 37.5"))
    assert (code, out) == (2, "")
    assert "channel[alk].cap_ml = 37.5 (kept as 37500 µL)" in err
    assert "at least 39.542 mL" in err
    assert "raise cap_ml, or lower the day" in err
    assert "Traceback" not in err


def test_a_file_that_is_not_there_is_bad_input(tmp_path, capsys):
    assert cli.run(["check", str(tmp_path / "none.toml")]) == 2
    assert "There is no such file" in capsys.readouterr().err


def test_json_of_a_good_file(check):
    code, out, _ = check(TOML, "--json", "--explain")
    said = json.loads(out)
    assert code == 0
    assert (said["format"], said["version"], said["ok"]) == ("aliquot-check", 1, True)
    assert len(said["sha256"]) == 64
    assert {problem["level"] for problem in said["problems"]} == {"warning"}
    assert {"path", "value", "why"} == set(said["defaults"][0])
    assert any("siphon" in caution for caution in said["cautions"])


def test_json_of_a_bad_file_has_its_problems_and_exit_code_2(check):
    code, out, _ = check(TOML.replace("cap_ml = 55", "cap_ml = 37.5"), "--json")
    said = json.loads(out)
    assert (code, said["ok"]) == (2, False)
    (problem,) = said["problems"]
    assert problem["path"] == "channel[alk].cap_ml"
    assert problem["level"] == "error"
    assert problem["stored"] == "37500 µL"


def test_explain_lists_every_default_in_use(check):
    _, out, _ = check(TOML, "--explain", "--json")
    listed = {each["path"]: each for each in json.loads(out)["defaults"]}
    written = {"timezone", "id", "daily_ml", "cap_ml", "dose_most_ml", "counts", "ml"}
    assert not {path.rpartition(".")[2] for path in listed} & written
    assert listed["channel[alk].doses"]["value"] == "24"
    assert listed["channel[alk].grace_min"]["value"] == "30 minutes"
    assert "shortest" not in listed["channel[alk].doses"]["why"]
    assert listed["channel[alk].run_most_s"]["why"].startswith("Twice the time")
    assert listed["tz"]["value"] == "CET-1CEST,M3.5.0,M10.5.0/3"


def test_explain_of_a_canonical_file_lists_what_toml_would_leave_out(check):
    content = setup_file.load(TOML.encode()).canonical.decode()
    of_toml = json.loads(check(TOML, "--explain", "--json")[1])["defaults"]
    of_json = json.loads(check(content, "--explain", "--json", name="reef.json")[1])["defaults"]
    assert of_json == of_toml


def test_explain_says_that_a_list_of_times_made_the_day(check):
    text = TOML.replace("daily_ml = 36.5", 'at = [{ time = "08:00", ml = 3 }]')
    _, out, _ = check(text, "--explain", "--json")
    listed = {each["path"]: each for each in json.loads(out)["defaults"]}
    assert listed["channel[alk].daily_ml"]["why"].startswith("From the listed times.")
    assert listed["channel[alk].doses"]["value"] == "1"


def test_warnings_do_not_change_the_exit_code(check):
    code, out, _ = check(TOML)
    assert code == 0
    assert "warning: channel[alk].reservoir" in out


def test_a_set_up_with_nothing_odd_has_no_warning():
    assert warned(QUIET) == []


@pytest.mark.parametrize(
    ("data", "path", "says"),
    [
        (canonical(channel(reservoir=reservoir())), "board", "Name the board"),
        (canonical(channel(), board="pico-w"), "channel[alk].reservoir", "add reservoir"),
        (
            canonical(channel(reservoir=reservoir(500000)), board="pico-w"),
            "channel[alk].reservoir",
            "before you go away",
        ),
        (
            canonical(channel(reservoir=reservoir(dead_ul=200000)), board="pico-w"),
            "channel[alk].reservoir.low_pct",
            "raise low_pct",
        ),
        (
            canonical(channel(reservoir=reservoir(), cap_ul=109501), board="pico-w"),
            "channel[alk].cap_ul",
            "lower it",
        ),
        (
            canonical(
                channel(reservoir=reservoir(), catch_up={"raise_pct": 0}),
                board="pico-w",
            ),
            "channel[alk].catch_up",
            "never given back",
        ),
        (
            canonical(
                channel(reservoir=reservoir(), calibration={"counts": 12000, "ul": 10000}),
                board="pico-w",
            ),
            "channel[alk].calibration",
            "not a measurement",
        ),
        (
            canonical(
                channel(
                    reservoir=reservoir(),
                    calibration={"counts": 40, "ul": 10000},
                    dose_least_ul=500,
                ),
                board="pico-w",
            ),
            "channel[alk].calibration",
            "slip",
        ),
        (
            canonical(channel(reservoir=reservoir(), daily_ul=0), board="pico-w"),
            "channel[alk]",
            "gives nothing",
        ),
        (
            canonical(
                channel(reservoir=reservoir()),
                channel("calcium", 2, reservoir=reservoir()),
                board="pico-w",
            ),
            "separate",
            "fall out as a solid",
        ),
        (
            canonical(channel(reservoir=reservoir()), board="pico-w", tz="CET-1"),
            "tz",
            "never twice",
        ),
    ],
)
def test_what_may_be_regretted_is_warned_of(data, path, says):
    found = warned(data)
    assert [each[0] for each in found] == [path]
    assert says in found[0][1]


def test_a_reservoir_of_fourteen_days_is_enough():
    enough = canonical(channel(reservoir=reservoir(14 * 36500)), board="pico-w")
    assert warned(enough) == []


def test_a_weekly_channel_empties_its_reservoir_slowly():
    weekly = channel(reservoir=reservoir(80000), weekdays=1)
    assert advice.days_left(weekly, 9497) == 80000 // (36500 * 4 // 28)


@pytest.mark.parametrize(
    ("names", "pairs"),
    [
        (("alk", "cal"), 1),
        (("carbonate", "magnesium"), 1),
        (("kh", "ca", "mg"), 2),
        (("alk", "nitrate"), 0),
        (("calendar", "alkali"), 0),
        (("kalkwasser", "calcium"), 1),
    ],
)
def test_liquids_that_react_are_known_by_their_names(names, pairs):
    data = canonical(*(channel(name, i + 1) for i, name in enumerate(names)))
    assert len(advice.reacting(data)) == pairs


def test_liquids_kept_apart_are_not_warned_of():
    data = canonical(
        channel(reservoir=reservoir()),
        channel("cal", 2, reservoir=reservoir()),
        board="pico-w",
        separate=[{"channels": ["cal", "alk"], "seconds": 1200}],
    )
    assert warned(data) == []


def test_strong_alkali_is_cautioned_about_by_name():
    plain = advice.cautions(canonical())
    strong = advice.cautions(canonical(channel("alk", liquid="sodium hydroxide")))
    assert strong[: len(plain)] == plain
    (caution,) = strong[len(plain) :]
    assert "sodium hydroxide" in caution
    assert "goggles and gloves" in caution


def test_a_file_cannot_write_to_the_terminal(check):
    code, _, err = check(TOML.replace('id = "alk"', 'id = "alk\\u001b[2J"'))
    assert code == 2
    assert "\x1b" not in err
