"""`aliquot demo`: a month that shows what was promised, told and written, the same for a seed."""

import json

import pytest

from aliquot_host import cli, resources, setup_file, story
from aliquot_host.commands import demo

SEEDS = (1, 2, 3, 34)


@pytest.fixture
def run(tmp_path, monkeypatch, capsys):
    """Runs the command in an empty folder: (exit code, stdout, stderr)."""
    monkeypatch.chdir(tmp_path)

    def do(*arguments):
        code = cli.run(["demo", *arguments])
        told = capsys.readouterr()
        return code, told.out, told.err

    return do


@pytest.fixture(scope="module", params=SEEDS)
def month(request):
    return demo.month(request.param)


def test_the_month_has_all_that_was_promised(month):
    kinds = [event.kind for event in month.events]
    texts = " ".join(event.text for event in month.events)
    assert len(month.ids) == 4
    assert kinds.count("outage") == 6
    assert kinds.count("uncertain") == 1
    assert "No time source answers" in texts
    assert "The board knows the time again" in texts
    assert kinds.count("low") == 1
    assert kinds.count("extra") == 1
    assert "mL a day more for 5 days" in texts
    assert texts.count(" % off the next ") + texts.count("doses left out") >= 2
    assert "the cup held" in texts
    assert [day.length_s for day in month.days if day.length_s != 86400] == [23 * 3600]
    assert month.world.violations == []


@pytest.mark.parametrize("seed", [1, 2])
def test_the_dosed_values_of_the_water_stay_near_to_where_they_began(seed):
    month = demo.month(seed)
    for water in month.waters:
        if water.name != "nitrate":  # its plan begins low on purpose
            least, _, most = water.span(0, len(water.hourly) - 1)
            assert 0.93 * water.hourly[0] < least < most < 1.07 * water.hourly[0]


def test_the_same_seed_gives_the_same_bytes_and_another_seed_does_not(run, tmp_path):
    told = {}
    for name, seed in (("a", "1"), ("b", "1"), ("c", "2")):
        code, out, err = run("--seed", seed, "--report", f"{name}.html")
        assert (code, err) == (0, "")
        told[name] = out.replace(f"{name}.html", ""), (tmp_path / f"{name}.html").read_bytes()
    assert told["a"] == told["b"]
    assert told["a"][0] != told["c"][0]
    assert told["a"][1] != told["c"][1]


def test_the_story_is_told_with_a_table_a_verdict_and_the_place_of_the_report(run, tmp_path):
    code, out, _ = run()
    assert code == 0
    assert out.startswith("Tue 10 March")
    assert "The power is off for" in out
    assert "The clocks go forward in the night" in out
    assert "What came of it" in out
    assert "Every rule held" in out
    assert out.splitlines()[-1] == "The report is in aliquot-demo.html: open it in a browser."
    assert [file.name for file in tmp_path.iterdir()] == ["aliquot-demo.html"]


def test_a_report_of_a_demo_is_written_over_and_nothing_else_is(run, tmp_path):
    assert run("--days", "2")[0] == 0
    assert run("--days", "2")[0] == 0
    report = tmp_path / "aliquot-demo.html"
    report.write_text("my notes")
    code, out, err = run("--days", "2")
    assert (code, out) == (2, "")
    assert "--force" in err
    assert report.read_text() == "my notes"
    assert run("--days", "2", "--force")[0] == 0
    assert report.read_text() != "my notes"


def test_the_json_holds_the_story_and_what_simulate_prints(run):
    code, out, _ = run("--json")
    document = json.loads(out)
    assert code == 0
    assert list(document) == [
        "format",
        "version",
        "seed",
        "story",
        "totals",
        "days",
        "faults",
        "records",
        "violations",
        "report",
        "desk",
    ]
    assert document["format"] == "aliquot-demo"
    assert len(document["days"]) == demo.DAYS
    assert document["story"][0]["kind"] == "begin"


@pytest.mark.parametrize("days", [2, 3, 9, 60])
def test_another_number_of_days_works(run, days):
    code, out, _ = run("--days", str(days), "--json")
    assert code == 0
    assert len(json.loads(out)["days"]) == days


@pytest.mark.parametrize(
    "arguments", [["--days", "1"], ["--days", "367"], ["--seed", "-1"], ["--report", "no/x.html"]]
)
def test_what_cannot_be_used_ends_with_two(run, arguments):
    assert run(*arguments)[0] == 2


def test_a_broken_rule_ends_with_one(run, monkeypatch):
    month = demo.month

    def spoilt(seed, days):
        outcome = month(seed, days)
        outcome.world.violate("S1", "planted")
        return outcome

    monkeypatch.setattr(demo, "month", spoilt)
    code, out, _ = run("--days", "2")
    assert code == 1
    assert "A rule was broken once (S1)" in out


def test_the_example_is_one_that_new_offers_and_its_acts_are_not_mistaken_for_a_set_up():
    assert demo.EXAMPLE in resources.examples()
    for file in resources.examples().values():
        assert setup_file.load(file).data["channel"]
    assert list(resources.acts()) == [demo.EXAMPLE]


def test_every_outage_is_in_the_story(month):
    told = [beat for beat in story.tell(month) if beat.kind == "outage"]
    assert len(told) == 6
