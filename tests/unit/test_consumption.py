"""`aliquot consumption`: certified lines through the command, journals, and bad files."""

import json
import random

import pytest

from aliquot_host import cli, resources, simulation, water_tests
from aliquot_host.commands import demo
from aliquot_host.worked_month import at_desk

# NIST Statistical Reference Datasets, linear regression, "Norris" (calibration of ozone monitors):
# data and certified values.
NORRIS = """
0.2 0.1 337.4 338.8 118.2 118.1 884.6 888.0 10.1 9.2 226.5 228.1 666.3 668.5 996.3 998.5
448.6 449.1 777.0 778.9 558.2 559.2 0.4 0.3 0.6 0.1 775.5 778.1 666.9 668.8 338.0 339.3
447.5 448.9 11.6 10.8 556.0 557.7 228.1 228.3 995.8 998.0 887.6 888.8 120.2 119.6 0.3 0.3
0.3 0.6 556.8 557.6 339.1 339.3 887.2 888.0 999.0 998.5 779.0 778.9 11.1 10.2 118.3 117.6
229.2 228.9 669.1 668.4 448.9 449.2 0.5 0.2
"""
CERTIFIED = {
    "slope": 1.00211681802045,
    "intercept": -0.262323073774029,
    "slope_error": 0.429796848199937e-03,
    "intercept_error": 0.232818234301152,
    "sigma": 0.884796396144373,
}
# Sen 1968, JASA 63:1379, the example of section 4: slope 4, and 26/7 to 35/8 at 93 %.
SEN = "day,value\n1,9\n2,15\n3,19\n4,20\n10,45\n12,55\n18,78\n"


@pytest.fixture
def run(tmp_path, monkeypatch, capsys):
    """Runs the command in an empty folder: (exit code, stdout, stderr)."""
    monkeypatch.chdir(tmp_path)

    def do(*arguments):
        code = cli.run(["consumption", *(str(one) for one in arguments)])
        told = capsys.readouterr()
        return code, told.out, told.err

    return do


def one_water(run, *arguments):
    code, out, err = run(*arguments, "--json")
    assert code == 0, err
    (found,) = json.loads(out)["waters"]
    return found


def test_the_certified_line_of_norris_comes_out_to_nine_digits(run, tmp_path):
    numbers = NORRIS.split()
    rows = [f"{x},{y}" for x, y in zip(numbers[::2], numbers[1::2], strict=True)]
    assert len(rows) == 36
    (tmp_path / "norris.csv").write_text("\n".join(["day,ozone", *rows]) + "\n")
    found = one_water(run, "norris.csv")
    for name, value in CERTIFIED.items():
        assert found[name] == pytest.approx(value, rel=1e-9), name
    assert found["use"]["value"] == -found["slope"]


def test_the_median_of_pairs_is_sens_own_example(run, tmp_path):
    (tmp_path / "sen.csv").write_text(SEN)
    found = one_water(run, "sen.csv", "--confidence", "93")["theil_sen"]
    assert -found["value"] == pytest.approx(4)
    assert -found["high"] == pytest.approx(26 / 7)
    assert -found["low"] == pytest.approx(35 / 8)


@pytest.fixture(scope="module")
def month(tmp_path_factory):
    """The demo's month as a keeper has it: set-up, journal and a CSV of made-up tests."""
    folder = tmp_path_factory.mktemp("month")
    outcome = demo.month(3)
    simulation.export(outcome, folder / "journal")
    (folder / "reef.toml").write_bytes(resources.examples()[demo.EXAMPLE].read_bytes())
    rng = random.Random(1)
    rows = ["time,alkalinity_meq/L,calcium [mg/L],magnesium (mg/L),nitrate"]
    by_name = {water.name: water.hourly for water in outcome.waters}
    for hour in range(19, len(by_name["calcium"]), 48):
        at = water_tests.date_of(outcome.world.start_w / 86400 + hour / 24, "Europe/Lisbon")
        alk = (by_name["alkalinity"][hour] + rng.gauss(0, 0.05)) * 0.356650
        rest = [by_name[n][hour] + rng.gauss(0, 3) for n in ("calcium", "magnesium")]
        nitrate = by_name["nitrate"][hour] + rng.gauss(0, 0.1)
        rows.append(f"{at.isoformat()},{alk:.4f},{rest[0]:.1f},{rest[1]:.1f},{nitrate:.2f}")
    (folder / "tests.csv").write_text("\n".join(rows) + "\n")
    return folder


def test_tests_and_journal_give_the_use_that_the_tank_was_made_with(run, month):
    code, out, err = run(
        month / "tests.csv", "--journal", month / "journal", "--setup", month / "reef.toml",
        "--confidence", "99.9", "--json",
    )  # fmt: skip
    assert code == 0, err
    told = json.loads(out)
    assert told["format"] == "aliquot-consumption"
    truth = {"alkalinity": 0.62, "calcium": 4.4, "magnesium": 0.9, "nitrate": 0.45}
    for one in told["waters"]:
        assert one["use"]["low"] <= truth[one["water"]] <= one["use"]["high"]
        assert one["unit"] in ("dKH", "mg/L")
    assert told["calcium_beside_alkalinity"]["agrees"]


def test_a_test_that_stands_in_the_journal_counts_too(run, month):
    """The demo's keeper writes down "8.0 dKH, calcium 425 mg/L" about channel alk on day 2."""
    arguments = ("--journal", month / "journal", "--setup", month / "reef.toml", "--json")
    code, out, _ = run(*arguments)
    assert code == 1  # one test tells nothing
    assert "alkalinity: 1 tests" in " ".join(json.loads(out)["without"])
    both = json.loads(run(month / "tests.csv", *arguments)[1])["waters"]
    assert {one["water"]: one["n"] for one in both}["calcium"] == 17
    assert {one["water"]: one["n"] for one in both}["nitrate"] == 16


def test_people_see_a_table_the_reasons_and_a_plot(run, month, tmp_path):
    code, out, err = run(
        month / "tests.csv", "--journal", month / "journal", "--setup", month / "reef.toml",
        "--plot", "uses.png",
    )  # fmt: skip
    assert code == 0, err
    assert "used a day" in out
    assert "error of one test" in out
    assert "A kit whose readings drift looks like use" in out
    assert (tmp_path / "uses.png").read_bytes().startswith(b"\x89PNG")


def test_since_and_until_leave_tests_out(run, month):
    found = json.loads(
        run(
            month / "tests.csv", "--setup", month / "reef.toml", "--since", "2026-03-20",
            "--until", "2026-03-30T23:00", "--json",
        )[1]
    )  # fmt: skip
    assert {one["n"] for one in found["waters"]} == {6}
    warned = " ".join(w["text"] for one in found["waters"] for w in one["warnings"])
    assert "Without --journal" in warned


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "the file is empty"),
        ("time,alkalinity_dKH\n2026-13-40,8\n", "a date or a time"),
        ("time,alkalinity\n2026-03-10,8\n", "dKH, meq/L, mg/L CaCO3"),
        ("time,alkalinity_ppm\n2026-03-10,8\n", "dKH"),
        ("time,calcium_mg/L\n2026-03-10,4o0\n", "line 2, calcium_mg/L"),
        ("time,calcium_mg/L\n2026-03-10,nan\n", "a number"),
        ("alkalinity_dKH\n8\n", "a column time or date or day"),
        ("time,salinity\n2026-03-10,35\n", "a column of tests"),
        ("time,a_x,a_x\n2026-03-10,1,2\n", "named once"),
        ("time,a_x\n2026-03-10,1,2\n", "2 cells"),
        ("time,a_x,change_a_x\n2026-03-10,1,2\n", "how many litres"),
        ("day,a_x\n,1\n", "a number of days"),
    ],
)
def test_a_file_that_cannot_be_used_is_told_with_the_place(run, tmp_path, text, said):
    (tmp_path / "bad.csv").write_text(text)
    code, _, err = run("bad.csv")
    assert code == 2
    assert said.lower() in err.lower()
    assert "Traceback" not in err


def test_options_that_say_nothing_usable_are_refused(run, tmp_path):
    (tmp_path / "sen.csv").write_text(SEN)
    for arguments, said in (
        (("--kit-error", "valu=1"), "value"),
        (("--kit-error", "value=much"), "a number"),
        (("--kit-error", "value=0"), "more than 0"),
        (("--since", "today"), "a number of days"),
        (("--until", "nan"), "a number of days"),
        (("--plot", "x.txt"), ".png"),
        (("--plot", "sen.csv"), ".png"),
    ):
        code, _, err = run("sen.csv", *arguments)
        assert code == 2, arguments
        assert said in err
    assert (tmp_path / "sen.csv").read_text() == SEN
    assert run()[0] == 2
    (tmp_path / "j").mkdir()
    code, _, err = run("sen.csv", "--journal", "j")
    assert code == 2
    assert "--setup" in err


def test_a_plot_never_goes_over_something_else(run, tmp_path):
    (tmp_path / "sen.csv").write_text(SEN)
    (tmp_path / "mine.png").write_text("a letter")
    code, _, err = run("sen.csv", "--plot", "mine.png")
    assert code == 2
    assert "no plot" in err
    assert (tmp_path / "mine.png").read_text() == "a letter"


def test_the_demos_desk_has_tests_of_every_value():
    desk = at_desk(demo.month(1, 12))
    assert {len(found) for found in desk.tests.readings.values()} == {6}
