"""`aliquot what-if`: the same plan gives the same weeks; another plan gives its own."""

import datetime
import json

import pytest

from aliquot.core.decimals import date_of_text
from aliquot_host import acts_file, cli, resources, setup_file, simulation, what_if
from aliquot_host.archive import from_files
from aliquot_host.commands import demo

TODAY = datetime.date(2026, 3, 10)
REEF = resources.examples()["demo_reef"]


def loaded(change=None):
    text = REEF.read_text()
    for old, new in change or ():
        assert old in text
        text = text.replace(old, new, 1)
    return setup_file.load(text.encode(), where="new.toml", today=TODAY)


def again(outcome, new=None, days=366):
    archive = from_files(outcome.world.files, "journal")
    return what_if.what_if(archive, new or loaded(), days)


def same(found, dates=None):
    """The channels and dates on which both sides differ, with both volumes."""
    keys = {key for book in (found.was, found.would) for key in book.days}
    odd = {}
    for date, name in keys:
        if found.first <= date <= found.last and (dates is None or date in dates):
            a, b = (book.days.get((date, name)) for book in (found.was, found.would))
            both = [
                (d.given_ul, d.low_ul, d.missed_ul, d.refused_ul, d.raised_ul) if d else None
                for d in (a, b)
            ]
            if both[0] != both[1]:
                odd[date, name] = both
    return odd


@pytest.mark.parametrize("seed", [1, 2, 3, 5, 8, 13, 21])
def test_the_same_plan_gives_the_same_weeks_again(seed):
    """Six outages, one in the middle of a dose, a lost clock, a clock change, all kinds of
    orders: every channel and date comes out to the microlitre."""
    found = again(demo.month(seed))
    assert found.last - found.first == demo.DAYS - 1
    assert same(found) == {}
    assert found.outcome.world.violations == []
    assert found.refused == []


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_part_of_a_journal_settles_within_its_first_days(seed):
    """What stood before it, overrides and contents, is taken over; cap windows begin full."""
    outcome = demo.month(seed)
    found = again(outcome, days=12)
    assert found.last - found.first == 11
    assert same(found) == {}


def test_what_stood_before_the_part_goes_on(tmp_path):
    """An override over the whole time, a trim and a hold begun before the part that is looked
    at."""
    (tmp_path / "acts.toml").write_text(
        '[[act]]\nday = 5\ntime = "10:20"\ndo = "override"\nchannel = "alk"\nml_a_day = -4\n'
        'days = 30\n[[act]]\nday = 6\ntime = "10:21"\ndo = "hold"\nchannel = "food"\nhours = 300\n'
        '[[act]]\nday = 6\ntime = "10:22"\ndo = "trim"\nchannel = "cal"\npercent = 30\n'
        "doses = 400\n"
    )
    file = loaded()
    date = date_of_text("2026-03-10")
    script = acts_file.load(tmp_path / "acts.toml", file, date, 24)
    outcome = simulation.live(file, date, 24, 3, simulation.drawn(3, 24, 2), script)
    found = again(outcome, days=8)
    assert same(found) == {}
    assert found.was.sums(found.first, found.last)["food"].refused_ul > 0


def test_an_order_at_the_very_beginning_is_given_once(tmp_path):
    """Of 24 days the last eight are asked for, and two before them settle: the first record of
    that time is an override at midnight."""
    (tmp_path / "acts.toml").write_text(
        '[[act]]\nday = 15\ntime = "00:00"\ndo = "override"\nchannel = "cal"\nml_a_day = -4\n'
        "days = 30\n"
    )
    file, date = loaded(), date_of_text("2026-03-10")
    script = acts_file.load(tmp_path / "acts.toml", file, date, 24)
    outcome = simulation.live(file, date, 24, 3, simulation.drawn(3, 24, 0), script)
    found = again(outcome, days=8)
    assert found.was.sums(found.first, found.last)["cal"].given_ul == 8 * 33200
    assert same(found) == {}


def test_another_plan_gives_its_own_volumes_through_the_same_cuts():
    outcome = demo.month(1)
    more = loaded([("daily_ml = 38.4", "daily_ml = 42"), ("cap_ml = 52", "cap_ml = 60")])
    found = again(outcome, more)
    was, would = found.was.sums(found.first, found.last), found.would.sums(found.first, found.last)
    assert would["alk"].given_ul > was["alk"].given_ul * 1.05
    assert would["cal"].given_ul == was["cal"].given_ul
    # The same nights without power: about as much of the larger day is missed.
    assert would["alk"].missed_ul == pytest.approx(was["alk"].missed_ul * 42 / 38.4, rel=0.05)


def test_a_channel_that_is_gone_and_orders_that_do_not_fit_are_named():
    outcome = demo.month(1)
    text = REEF.read_text()
    food = text.index("[[channel]]                      # food")
    rest = text.index("[[separate]]")
    small = text[:food] + text[rest:]
    small = small.replace("cap_ml = 50", "cap_ml = 41").replace(
        "dose_most_ml = 4", "dose_most_ml = 1.7"
    )
    found = again(outcome, setup_file.load(small.encode(), where="s.toml", today=TODAY))
    assert found.left_out == ["1 of food"]
    # 11,000 counts in one go, 3 mL more a day under such a cap, an extra beyond the largest dose.
    assert [text.split(":")[0] for text in found.refused] == ["alk", "cal", "alk", "cal"]
    assert "extra 3.20 mL (limit: 0.10 mL to 1.70 mL)" in found.refused[2]
    assert "the cap holds" in found.refused[1]


@pytest.fixture
def run(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    simulation.export(demo.month(2, 12), tmp_path / "journal")
    (tmp_path / "new.toml").write_text(
        REEF.read_text().replace("daily_ml = 37.2", "daily_ml = 30")
    )

    def do(*arguments):
        code = cli.run(["what-if", *arguments])
        told = capsys.readouterr()
        return code, told.out, told.err

    return do


def test_people_see_both_sides_and_programs_too(run, tmp_path):
    code, out, err = run("journal", "new.toml", "--report", "w.html")
    assert code == 0, err
    for said in ("as it was", "would have been", "fullest 24 h", "cut after the last record"):
        assert said in out
    assert "another plan" in (tmp_path / "w.html").read_text()
    told = json.loads(run("journal", "new.toml", "--json", "--days", "5")[1])
    assert told["format"] == "aliquot-what-if"
    assert told["would"]["cal"]["given_ml"] < told["was"]["cal"]["given_ml"]
    assert told["first"] == "2026-03-17"


def test_bad_input(run, tmp_path):
    assert run("nothing", "new.toml")[0] == 2
    assert run("journal", "nothing.toml")[0] == 2
    (tmp_path / "letter.html").write_text("dear diary")
    assert run("journal", "new.toml", "--report", "letter.html")[0] == 2
    (tmp_path / "far.toml").write_text(
        (tmp_path / "new.toml").read_text().replace("Europe/Lisbon", "Pacific/Auckland")
    )
    assert run("journal", "far.toml")[0] == 0
