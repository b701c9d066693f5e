"""`aliquot drift` over a simulated season: a line that clogs, looks at each refill."""

import json
import re

import pytest

from aliquot.core.decimals import date_of_text
from aliquot_host import (
    acts_file,
    cli,
    desk,
    intake,
    resources,
    setup_file,
    simulation,
    water_tests,
)
from aliquot_host.archive import read_archive
from aliquot_host.commands import demo
from aliquot_host.world import Weather

CLOG = '[[act]]\nday = {}\ntime = "12:00"\ndo = "clog"\nchannel = "cal"\npercent = 30\n'
REFILL = (
    '[[act]]\nday = {}\ntime = "18:{:02d}"\ndo = "refill"\nchannel = "{}"\n'
    "ml = 2000\nlook = true\n"
)
DAYS = 100


def season(folder, clog, seed=1):
    """A journal of 100 days with a look at two containers every fortnight."""
    text = "".join(
        REFILL.format(day, at, name)
        for day in range(14, DAYS, 14)
        for at, name in ((20, "alk"), (45, "cal"))
    )
    if clog:
        text += CLOG.format(clog)
    file = resources.examples()["demo_reef"]
    (folder / "reef.toml").write_bytes(file.read_bytes())
    (folder / "acts.toml").write_text(text)
    loaded = setup_file.load(file.read_bytes(), today=demo.datetime.date(2026, 3, 10))
    date = date_of_text("2026-03-10")
    script = acts_file.load(folder / "acts.toml", loaded, date, DAYS)
    outcome = simulation.live(loaded, date, DAYS, seed, Weather(), script)
    assert outcome.world.violations == []
    simulation.export(outcome, folder / "journal")
    return outcome


@pytest.fixture
def run(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)

    def do(*arguments):
        code = cli.run(["drift", *arguments])
        told = capsys.readouterr()
        return code, told.out, told.err

    return do


def test_a_line_that_clogs_is_noticed_at_the_next_looks(run, tmp_path):
    season(tmp_path, clog=80)
    code, out, err = run("journal", "--setup", "reef.toml", "--plot", "drift.png")
    assert code == 1
    assert "cal: at the look of 2026-06-15" in err
    assert "less was gone than expected" in err
    assert "LESS" in out
    assert (tmp_path / "drift.png").read_bytes().startswith(b"\x89PNG")
    told = json.loads(run("journal", "--json")[1])
    alk, cal = (one for one in told["channels"] if one["channel"] in ("alk", "cal"))
    assert not any(look["alarm"] for look in alk["looks"])
    # Clogged on day 80; looks on days 84 and 98.
    assert [look["alarm"] for look in cal["looks"]][-1] == "less"
    assert len(told["alarms"]) == 1


def test_a_sound_season_has_no_alarm_and_the_k_factor_is_the_pumps_own(run, tmp_path):
    outcome = season(tmp_path, clog=0, seed=2)
    code, out, err = run("journal", "--setup", "reef.toml", "--json", "--confidence", "99.9")
    assert code == 0, err
    assert json.loads(out)["alarms"] == []
    for place, one in enumerate(json.loads(out)["channels"][:2]):
        pump = outcome.world.pumps[place]
        true = pump.ul_per_count * (1 - pump.wear * pump.moved_ul / 1e6)
        k = one["k_counts_ml"]
        assert k["low"] <= 1000 / true <= k["high"]
        assert len(one["looks"]) == 7
        assert one["moved_l"] == pytest.approx(pump.moved_ul / 1e6, rel=0.05)


def test_people_see_what_is_due(run, tmp_path):
    season(tmp_path, clog=0, seed=3)
    code, out, _ = run("journal", "--setup", "reef.toml", "--channel", "alk")
    assert code == 0
    for said in ("counts/mL now", "trend", "measure it", "new tubing by 2027-03-09",
                 "Between two looks nothing is seen"):  # fmt: skip
        assert said in out
    assert "cal" not in out.split()
    code, out, _ = run("journal", "--channel", "food")
    assert "no looks yet" in out


def test_bad_input(run, tmp_path):
    (tmp_path / "journal").mkdir()
    assert run("journal")[0] == 2
    assert run("nothing")[0] == 2
    code, _, err = run("journal", "--plot", "x.txt")
    assert code == 2
    assert ".png" in err


def test_a_pump_that_its_containers_belie_is_told_beside_the_use(run, tmp_path):
    """Clogged from the first day on: every look says that about 30 % less is given."""
    outcome = season(tmp_path, clog=1)
    loaded = setup_file.load(tmp_path / "reef.toml")
    found = intake.read(read_archive(tmp_path / "journal"))
    calcium = next(water for water in outcome.waters if water.name == "calcium").hourly
    readings = [
        water_tests.Reading(outcome.world.start_w / 86400 + hour / 24, calcium[hour])
        for hour in range(60, len(calcium), 96)
    ]
    tests = water_tests.Tests({"calcium": readings}, {"calcium": "mg/L"})
    told, _ = desk.estimate_all(desk.Desk(loaded, found, tests, "UTC"), desk.Choice())
    (text,) = [w.text for w in told[0].warnings if w.word == "pump"]
    assert re.search(r"cal gives -(29|30|31)\.", text)
