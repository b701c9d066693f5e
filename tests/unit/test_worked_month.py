"""The end of the demo: what is stated from made-up tests, held against the truth."""

import json

import pytest

from aliquot_host import cli, worked_page
from aliquot_host.commands import demo

SEEDS = (1, 2, 3, 5)


@pytest.fixture(scope="module", params=SEEDS)
def worked(request):
    return demo.desk_side(demo.month(request.param))


def test_alkalinity_ends_where_it_was_said_to_end_and_hardly_moves_within_a_day(worked):
    (stated,) = [v for v in worked.verdicts if v.what == "alkalinity after four weeks"]
    assert stated.holds
    assert 0 < worked.swing["alkalinity"] <= 0.1


def test_the_weeks_after_are_the_same_life_gone_on_with(worked):
    first, later = worked.first, worked.later
    hours = len(first.waters[0].hourly) - 1
    for a, b in zip(first.waters, later.waters, strict=True):
        assert a.hourly[:hours] == b.hourly[:hours]
    assert len(later.days) == len(first.days) + 28
    assert len(later.world.setups) == 2
    assert later.world.violations == []
    changed = [p for p in worked.found if p.new_daily_ul != p.daily_ul]
    assert changed
    # On a quiet day far behind the correction the board gave just what was proposed.
    day = later.days[-2]
    for p in worked.found:
        if p.share == 1:
            place = later.ids.index(p.channel)
            assert abs(day.commanded_ul[place] - p.new_daily_ul) <= p.new_daily_ul / p.new_doses


def test_most_of_what_is_stated_holds_and_what_does_not_is_told():
    held = whole = 0
    for seed in range(40, 60):
        worked = demo.desk_side(demo.month(seed))
        held += sum(v.holds for v in worked.verdicts)
        whole += len(worked.verdicts)
        assert all((v.stated.low <= v.truth <= v.stated.high) == v.holds for v in worked.verdicts)
        count = sum(v.holds for v in worked.verdicts)
        assert f"inside {count} of {len(worked.verdicts)} stated" in worked_page.verdict(worked)
    assert held / whole > 0.9


def test_the_command_ends_with_it(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert cli.run(["demo", "--seed", "2"]) == 0
    out = capsys.readouterr().out
    assert "From tests to the next four weeks" in out
    assert "stated intervals" in out
    page = (tmp_path / "aliquot-demo.html").read_text()
    assert '<section id="desk">' in page
    assert cli.run(["demo", "--seed", "2", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)["desk"]
    assert {v["what"] for v in told["verdicts"]} >= {
        "alkalinity used a day",
        "alkalinity after four weeks",
    }


def test_a_month_that_is_too_short_says_so(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert cli.run(["demo", "--days", "4"]) == 0
    told = capsys.readouterr()
    assert "The desk side needs tests of 10 days or more" in told.err
    assert "stated intervals" not in told.out
