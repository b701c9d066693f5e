"""The fixed part of the soak: seeds, planted defects, eras of the clock, a return after two years.

The long part is `aliquot soak` itself. What a seed draws, and that the checks look on, is held
here too: a soak in which nothing goes wrong proves nothing.
"""

import copy
import dataclasses
import json
import multiprocessing
import os
import signal

import jsonschema
import pytest

from aliquot.core import validate
from aliquot_host import cli, defects, resources, setup_file, soak, trouble, trouble_case
from aliquot_host.commands import soak as command
from aliquot_host.setup_file import Loaded
from aliquot_host.trouble import Broken, TroubledWorld
from aliquot_host.trouble_case import DAY_S, ERAS, HOUR_S, YEARS_AWAY_S, Case, Trouble

SEEDS = 300
# Of a board that comes back: what a clock, a start and the doses that passed may cost a channel.
RECORDS_MOST, STEPS_MOST = 8, 200
CORES = os.cpu_count() or 1


@pytest.fixture(scope="module")
def fixed():
    return soak.run(1, SEEDS, jobs=CORES)


def four(**own):
    data = copy.deepcopy(setup_file.load(resources.examples()["four_channels"]).data)
    data.update(timezone="UTC", tz="UTC0")
    for channel in data["channel"]:
        channel.update(own)
    return Loaded(data, False, "", {}, ())


def test_in_the_fixed_seeds_every_rule_holds(fixed):
    assert fixed.violation is None
    assert (fixed.runs, fixed.ended) == (SEEDS, "all")
    assert fixed.days > 8 * SEEDS
    assert fixed.looks > 5 * SEEDS


def test_everything_that_can_go_wrong_does_so_in_the_fixed_seeds(fixed):
    assert set(fixed.faults) == set(trouble.FAULTS)
    assert all(fixed.faults[kind] > 0 for kind in trouble.FAULTS)


@pytest.mark.parametrize("flash", ["esp32", "rp2"])
def test_s16_every_rule_holds_on_the_real_littlefs(flash, need):
    need("littlefs")
    total = soak.run(1001, 30, jobs=CORES, flash=flash)
    assert total.violation is None
    assert total.faults["cut in a write"] > 0
    assert total.faults["flash full"] > 0


@pytest.mark.parametrize("seed", range(40))
def test_every_set_up_that_is_drawn_is_valid(seed):
    case = trouble_case.drawn(seed)
    for loaded in case.setups:
        assert validate.problems(loaded.data, case.date) == []


@pytest.mark.parametrize("flash", ["", "rp2"])
def test_the_same_seed_gives_the_same_files_to_the_byte(flash, need):
    need("littlefs")
    first, again, other = (soak.one(seed, flash) for seed in (7, 7, 8))
    assert first == again
    assert first.digest != other.digest


def test_the_number_of_jobs_changes_nothing(capsys):
    told = []
    for jobs in ("1", "2"):
        assert cli.run(["soak", "--runs", "12", "--seed", "50", "--jobs", jobs, "--json"]) == 0
        found = json.loads(capsys.readouterr().out)
        assert found.pop("seconds") >= 0
        told.append(found)
    assert told[0] == told[1]


COUNTS = {"type": "object", "additionalProperties": {"type": "integer", "minimum": 1}}
NUMBER = {"type": "integer", "minimum": 0}
SHAPE = {
    "type": "object",
    "additionalProperties": False,
    "properties": {
        "format": {"const": "aliquot-soak"},
        "version": {"const": 1},
        "runs": NUMBER,
        "first_seed": NUMBER,
        "ended": {"enum": ["all", "time", "violation", "interrupted"]},
        "violations": {
            "type": "array",
            "items": {
                "type": "object",
                "properties": {
                    "seed": NUMBER,
                    "invariant": {"type": "string"},
                    "invariants": {"type": "array", "items": {"type": "string"}},
                    "text": {"type": "string"},
                    "at_s": NUMBER,
                    "replay": {"type": "string"},
                    "shrunk": {"type": "array", "items": {"type": "string"}},
                },
            },
        },
        "simulated_days": NUMBER,
        "doses": NUMBER,
        "records": NUMBER,
        "replays": NUMBER,
        "seconds": {"type": "number"},
        "faults": COUNTS,
        "acts": COUNTS,
    },
}
SHAPE["required"] = list(SHAPE["properties"])
SHAPE["properties"]["violations"]["items"]["required"] = list(
    SHAPE["properties"]["violations"]["items"]["properties"]
)


@pytest.mark.parametrize("inject", ["", "cap-ignored"])
def test_the_json_document_has_its_shape(capsys, inject):
    more = ["--inject", inject] if inject else []
    code = cli.run(["soak", "--runs", "40", "--json", "--jobs", "1", *more])
    told = json.loads(capsys.readouterr().out)
    jsonschema.validate(told, SHAPE)
    assert code == (1 if inject else 0)
    assert len(told["violations"]) == code


# What a defect looks like


@pytest.mark.parametrize("name", defects.DEFECTS)
def test_a_planted_defect_is_found_under_its_number(name, tmp_path, capsys):
    place = str(resources.examples()["four_channels"])
    code = cli.run(["simulate", place, "--days", "3", "--start", "2026-03-10", "--inject", name])
    out = capsys.readouterr().out
    assert code == 1
    assert out.splitlines()[1].startswith(f"{defects.DEFECTS[name].number} does not hold")


@pytest.mark.parametrize("name", ["double-dose", "more-counts"])
def test_what_is_planted_is_taken_back(name):
    before = soak.one(3, "")
    assert soak.one(3, "", name).violation is not None
    assert soak.one(3, "") == before


def test_nearly_all_invariants_have_a_defect():
    """S23 belongs to the app, which is not written yet."""
    numbers = {defect.number for defect in defects.DEFECTS.values()}
    assert {f"S{n}" for n in range(1, 27)} - numbers == {"S23"}


def test_a_planted_defect_as_json(capsys):
    place = str(resources.examples()["four_channels"])
    arguments = ["simulate", place, "--days", "2", "--inject", "double-dose", "--json"]
    assert cli.run([*arguments, "--start", "2026-03-10"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert (told["format"], told["version"]) == ("aliquot-injection", 1)
    assert (told["meant"], told["found"], told["invariants"][0]) == ("S5", True, "S5")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--inject", "list"], "cap-ignored, more-counts"),
        (["--inject", "cap-ignroed"], "Did you mean cap-ignored?"),
        (["--inject", "double-dose", "--outages", "3"], "leave this option out"),
    ],
)
def test_what_cannot_be_injected_is_refused_with_what_can(arguments, words, capsys):
    place = str(resources.examples()["four_channels"])
    assert cli.run(["simulate", place, "--days", "1", *arguments]) == 2
    assert words in " ".join(capsys.readouterr().err.split())


def test_a_defect_that_the_set_up_cannot_show_says_what_it_needs(capsys, tmp_path):
    place = tmp_path / "set_up.toml"
    place.write_text(
        'timezone = "UTC"\n[[channel]]\nid = "alk"\ndaily_ml = 24\ncap_ml = 34\n'
        "dose_most_ml = 4\ncalibration = { counts = 10000, ml = 10 }\n"
    )
    assert cli.run(["simulate", str(place), "--days", "2", "--inject", "apart-ignored"]) == 2
    assert "It needs a [[separate]]" in capsys.readouterr().err


# Making small


def test_a_bad_seed_is_made_small_and_still_breaks_the_same_law():
    total = soak.run(1, 100, inject="hold-ignored")
    found = total.violation
    case = trouble_case.drawn(found.seed)
    tried = []
    small = soak.shrunk(case, found, "hold-ignored", tried.append)
    assert small.violation.number == found.number == "S11"
    assert soak.lived(small.case, "hold-ignored").violation == small.violation
    assert 0 < len(tried) == small.tried <= soak.TRIES_MOST
    assert len(small.case.troubles) < len(case.troubles)
    assert len(small.case.troubles) <= 4
    assert any("hold" in line for line in soak.story(small, "hold-ignored"))


def test_a_bad_seed_says_how_to_run_it_again_and_that_line_finds_it(capsys):
    start = ["soak", "--runs", "100", "--jobs", "2", "--inject", "hold-ignored"]
    assert cli.run(start) == 1
    out = capsys.readouterr().out
    line = next(line for line in out.splitlines() if line.startswith("Run it again: "))
    again = line.removeprefix("Run it again: aliquot ").split()
    assert again[0] == "soak"
    assert cli.run([*again, "--json"]) == 1
    told = json.loads(capsys.readouterr().out)["violations"][0]
    assert told["invariant"] == "S11"
    assert f"Seed {told['seed']} breaks S11: {told['text']}" in out


# The ways in which it ends


@pytest.mark.parametrize("jobs", [1, 2])
def test_ctrl_c_ends_it_with_what_was_done(jobs):
    def interrupt(total):
        if total.runs == 3:
            os.kill(os.getpid(), signal.SIGINT)

    total = soak.run(1, 100_000, jobs=jobs, each=interrupt)
    assert total.ended == "interrupted"
    assert 3 <= total.runs < 100
    assert total.violation is None


def test_an_interrupted_soak_tells_what_was_done_and_exits_130(monkeypatch, capsys):
    done = soak.Total(1, runs=7, days=70.0, ended="interrupted")
    monkeypatch.setattr(soak, "run", lambda *_: done)
    assert cli.run(["soak"]) == 130
    assert "Every rule held before it was interrupted." in capsys.readouterr().out


def test_no_seed_is_begun_when_the_time_is_over():
    assert soak.run(1, None, until=0.0).ended == "time"
    assert soak.run(1, 5, until=0.0).runs == 0


def test_what_a_seed_raises_is_a_violation_with_its_seed(monkeypatch, capsys):
    def crash(self):
        raise ZeroDivisionError("of the product")

    monkeypatch.setattr(TroubledWorld, "step", crash)
    assert cli.run(["soak", "--runs", "3", "--seed", "20", "--jobs", "1", "--json"]) == 1
    told = json.loads(capsys.readouterr().out)["violations"][0]
    assert (told["invariant"], told["seed"]) == ("crash", 20)
    assert "ZeroDivisionError" in told["text"]


@pytest.mark.skipif(
    "fork" not in multiprocessing.get_all_start_methods(), reason="needs fork to plant it"
)
def test_a_seed_that_kills_its_process_is_a_violation_with_its_seed(monkeypatch):
    real = soak.one

    def deadly(seed, *own):
        if seed == 5:
            os._exit(3)
        return real(seed, *own)

    monkeypatch.setattr(soak, "one", deadly)
    found = soak.run(1, 40, jobs=2).violation
    assert (found.seed, found.number) == (5, "crash")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--runs", "0"], "--runs"),
        (["--seed", "-1"], "--seed"),
        (["--jobs", "0"], "--jobs"),
        (["--minutes", "0"], "--minutes"),
        (["--minutes", "nan"], "--minutes"),
        (["--flash", "floppy"], "--flash"),
        (["--inject", "nothing"], "cap-ignored"),
        (["--seed", str(soak.SEED_MOST), "--runs", "2"], "lower --seed"),
    ],
)
def test_options_that_cannot_be_used_exit_2(arguments, words, capsys):
    assert cli.run(["soak", *arguments]) == 2
    assert words in capsys.readouterr().err


# The clock, and a long absence


class Listening(TroubledWorld):
    """Knows when which motor started, in powered seconds, for how many counts."""

    def __init__(self, case):
        super().__init__(case)
        self.started = []
        starts = self.checks.starts

        def told(ch, counts, most_s, powered_s, law="S10"):
            self.started.append((powered_s, ch, counts))
            starts(ch, counts, most_s, powered_s, law)

        self.checks.starts = told


@pytest.mark.parametrize("date", ERAS, ids=["2^30 s since 2000", "NTP", "time_t"])
def test_s20_across_an_era_of_clocks_every_dose_is_that_of_an_ordinary_day(date):
    """The eras end within the second day; an ordinary Monday in 2030 begins where they do."""
    days = 4
    ordinary = trouble_case.days_of(2030, 6, 3)
    lives = [
        Listening(Case(1, (four(),), first, days, ())).live()
        for first in (date - 1, ordinary + (date - 1 - ordinary) % 7)
    ]
    assert lives[0].started == lives[1].started
    assert len(lives[0].started) > 200
    assert lives[0].start_w < date * DAY_S < lives[0].start_w + days * DAY_S


@pytest.mark.parametrize("raise_pct", [0, 100])
def test_s06_a_return_after_two_years_costs_little_and_nothing_bursts(raise_pct):
    catch_up = {"raise_pct": raise_pct, "max_age_s": 7 * DAY_S, "max_ul": 100_000}
    loaded = four(catch_up=catch_up)
    away_s = 36 * HOUR_S + 1234
    case = Case(1, (loaded,), ERAS[0] - 400, 4, (Trouble(away_s, "away", (YEARS_AWAY_S,)),))
    world = Listening(case)
    world.live_until(away_s - 1)
    records, steps, doses = world.checks.records, world.steps, len(world.started)
    world.live_until(away_s + 600)
    assert world.faults["two years without power"] == 1
    n = len(loaded.data["channel"])
    assert world.checks.records - records <= RECORDS_MOST * n
    assert world.steps - steps <= STEPS_MOST
    late = world.started[doses:]
    assert len(late) <= n
    assert len({ch for _, ch, _ in late}) == len(late)
    missed = [c.tot[trouble.MISSED] for c in world.state().channels]
    world.live()
    # Nothing of two years comes back but what catch-up may owe.
    for c, cfg, before in zip(world.state().channels, loaded.data["channel"], missed, strict=True):
        assert before > 700 * cfg["daily_ul"] // 2
        assert c.tot[trouble.RAISED] <= catch_up["max_ul"]


def test_after_all_troubles_a_channel_that_does_not_dose_is_found(monkeypatch):
    """The last day of a life is a check of its own."""
    case = dataclasses.replace(trouble_case.drawn(1, ""), troubles=())
    TroubledWorld(case).live()
    world = TroubledWorld(case)
    answered = trouble.trouble_acts.put_right

    def forgetful(own):
        answered(own)
        trouble.trouble_acts.hold(own, (0, 1, 0, 1, 0, 1))

    monkeypatch.setattr(trouble.trouble_acts, "put_right", forgetful)
    monkeypatch.setattr(trouble.trouble_acts, "answer", lambda *_: None)
    with pytest.raises(Broken) as broken:
        world.live()
    assert broken.value.number == "live"


def test_the_line_that_runs_a_seed_again_has_its_options():
    assert command.again(9, "rp2", "") == "aliquot soak --seed 9 --runs 1 --flash rp2"
