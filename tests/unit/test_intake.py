"""What a journal says went in, against the simulated truth and the ledger."""

import datetime

import pytest

from aliquot_host import intake, resources, setup_file, simulation
from aliquot_host.archive import from_files, read_archive
from aliquot_host.commands import demo
from aliquot_host.world import Weather


@pytest.fixture(scope="module", params=[1, 4])
def month(request):
    outcome = demo.month(request.param)
    return outcome, intake.read(from_files(outcome.world.files, "made up"))


def test_every_run_is_there_with_its_time_and_its_bounds(month):
    outcome, found = month
    truth = sorted(outcome.world.runs, key=lambda run: run.start_w)
    runs = sorted(found.runs, key=lambda run: run.start_w)
    assert len(runs) == len(truth) > 1000
    for mine, real in zip(runs, truth, strict=True):
        assert mine.channel == outcome.ids[real.channel]
        assert abs(mine.start_w - real.start_w) <= 1
        assert mine.low <= real.given <= mine.high
    assert [r.ending for r in runs].count("uncertain") == 1


def test_the_bounds_add_up_to_the_ledger(month):
    outcome, found = month
    for name, sums in outcome.totals().items():
        runs = list(found.into_tank(name))
        assert sum(run.high_ul for run in runs) == sums["commanded_ul"]
        low = sums["commanded_ul"] - sums["uncertain_ul"]
        assert sum(run.low_ul for run in runs) == low


def test_refills_calibrations_tubing_and_tests_are_there(month):
    outcome, found = month
    assert [f.ul for f in found.fills if f.channel == "alk"] == [800_000, 2_000_000]
    (refill,) = [f for f in found.fills if f.channel == "alk" and f.expected_ul >= 0]
    at_w, name, (counted, _), _ = outcome.world.fills[-1]
    assert (refill.at_w, refill.channel, refill.expected_ul) == (at_w, name, counted)
    measured = [c for c in found.calibrations if c.counts == 11000]
    assert [c.channel for c in measured] == ["alk", "cal"]
    assert [t.channel for t in found.tubings] == ["cal"]
    (entry,) = found.entries
    assert (entry.kind, entry.channel) == (intake.TEST, "alk")
    assert found.lost == []


def test_times_before_the_clock_was_known_are_put_right():
    """The first records are older than the first word of the time; and after an outage without a
    time source the board goes on by its estimate, which lags."""
    outcome = demo.month(1, 12)
    found = intake.read(from_files(outcome.world.files, "made up"))
    assert abs(found.fills[0].at_w - outcome.world.start_w) < 120
    assert abs(found.calibrations[0].at_w - outcome.world.start_w) < 120


def test_an_estimated_clock_that_lags_is_put_right():
    today = datetime.date(2026, 3, 10)
    text = resources.examples()["first_pump"].read_text() + "\n[clock]\ncarry_on_h = 1\n"
    loaded = setup_file.load(text.encode(), today=today)
    off, length, silent = 30 * 3600, 4 * 3600, 12 * 3600
    weather = Weather([(off, length)], [(off, length + silent)])
    outcome = simulation.live(loaded, demo.date_of_text("2026-03-10"), 4, 1, weather)
    found = intake.read(from_files(outcome.world.files, "made up"))
    truth = sorted(run.start_w for run in outcome.world.runs)
    mine = sorted(run.start_w for run in found.runs)
    assert len(mine) == len(truth)
    after = outcome.world.start_w + off + length
    assert [at for at in truth if after < at < after + silent]  # it did run by its estimate
    assert max(abs(a - b) for a, b in zip(mine, truth, strict=True)) < 60


def test_a_journal_with_a_hole_says_where(tmp_path):
    simulation.export(demo.month(2), tmp_path / "journal")
    whole = intake.read(read_archive(tmp_path / "journal"))
    segments = sorted((tmp_path / "journal").glob("j*"))
    segments[1].unlink()
    found = intake.read(read_archive(segments[1].parent))
    assert len(found.lost) == 1
    assert found.lost[0].records > 0
    assert found.lost[0].from_w < found.lost[0].until_w
    assert len(found.runs) < len(whole.runs)
