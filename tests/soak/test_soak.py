"""The soak: fixed seeds without a violation, what its command prints, what a defect does to it.

Due times are worked out by `zoneinfo` and volumes by `fractions` inside the checks; the limits of
a return after two years are those of the design, none of them measured.
"""

import datetime
import json
import os
import zoneinfo

import pytest

from aliquot_host import cli, defects, resources, setup_file, soak, trouble_case
from aliquot_host.trouble import TroubledWorld
from aliquot_host.trouble_case import DAY_S, HOUR_S, Case, Trouble

SEEDS = 320
KINDS = {
    "act in a run",
    "brown-out",
    "clock drifts",
    "clock oscillates",
    "clock steps",
    "clock unset",
    "clock years off",
    "cut at rest",
    "cut in a run",
    "cut in a write",
    "flash full",
    "flash refuses",
    "memory ends in a fold",
    "memory ends in a put",
    "motor runs on",
    "motor stalls",
    "one source lies",
    "pressed twice",
    "set-up loaded",
    "set-up loaded in a run",
    "stopped by hand",
    "ticks wrap",
    "two years without power",
    "watchdog, count kept",
    "watchdog, count lost",
    "zone changed",
}
EPOCH = datetime.date(2000, 1, 1)


def example(name):
    return setup_file.load(resources.examples()[name].read_bytes(), where=name)


def run(capsys, *arguments):
    """(exit code, stdout, stderr) of the command."""
    code = cli.run(list(arguments))
    out = capsys.readouterr()
    return code, out.out, out.err


def lived(loaded, date, days, troubles, short=False):
    case = Case(1, (loaded,), (date - EPOCH).days, days, tuple(troubles), short=short)
    return TroubledWorld(case).live()


def records(world):
    """(sequence, engine second, kind) of all records that the board still has."""
    found, now_s = {}, None
    for name in sorted(n for n in world.files.names() if n[:1] == "j"):
        for line in world.files.read(name).decode().splitlines():
            part = line.split(" ")
            if part[0] == "S":
                if part[1] == "aliquot-journal":
                    opening = True
                elif opening:
                    now_s, opening = int(part[2]), False
                continue
            now_s += int(part[1])
            found[int(part[0])] = (now_s, part[2])
    return [(seq, *found[seq]) for seq in sorted(found)]


def test_no_seed_of_the_fixed_part_breaks_a_rule_and_everything_that_can_go_wrong_does(tell):
    total = soak.run(1, SEEDS, os.cpu_count() or 1)
    tell(f"{total.runs} seeds, {total.days:,.0f} days, {total.doses:,} runs, no violation")
    assert total.violation is None
    assert total.ended == "all"
    assert total.runs == SEEDS >= 300
    assert set(total.faults) == KINDS
    assert min(total.faults.values()) > 0
    # Quiet worlds would prove little: each seed lives for days, doses, and is replayed.
    assert total.days > 5 * SEEDS
    assert total.doses > 50 * SEEDS
    assert total.looks > SEEDS


def test_a_seed_gives_the_same_files_again_on_any_number_of_cores():
    alone = [soak.one(seed).digest for seed in range(40, 44)]
    with soak._outcomes(40, 4, 2, None, None, "") as outcomes:
        assert [outcome.digest for outcome in outcomes] == alone
    assert len(set(alone)) == 4


@pytest.mark.parametrize("flash", ["esp32", "rp2"])
def test_seeds_on_littlefs_break_no_rule(flash):
    total = soak.run(500, 6, os.cpu_count() or 1, flash=flash)
    assert total.violation is None
    assert total.runs == 6


@pytest.mark.parametrize("name", defects.DEFECTS)
def test_a_planted_defect_ends_simulate_with_the_number_of_its_invariant(name, capsys):
    reef = str(resources.examples()["demo_reef"])
    days = ["--days", "4", "--start", "2026-03-10"]
    code, out, err = run(capsys, "simulate", reef, *days, "--inject", name)
    assert code == 1
    number = defects.DEFECTS[name].number
    assert f"{number}: " in err or f"{number} and " in err
    assert defects.DEFECTS[name].what in out.replace("\n", " ")


def test_the_defects_are_spread_over_the_invariants_that_a_desk_can_show():
    numbers = {int(defect.number[1:]) for defect in defects.DEFECTS.values()}
    assert numbers == set(range(1, 27)) - {23}  # the watchdog's tasks come with the app


def test_a_planted_defect_is_gone_afterwards():
    loaded = example("demo_reef")
    assert lived(loaded, datetime.date(2026, 3, 10), 3, ()).seen == []


def test_a_defect_that_nobody_knows_is_refused_with_the_list(capsys):
    reef = str(resources.examples()["demo_reef"])
    code, _, err = run(capsys, "simulate", reef, "--inject", "double-dos")
    assert code == 2
    assert "double-dose" in err
    assert "--inject" in err


def test_the_soak_stops_at_a_violation_and_prints_a_line_that_makes_it_again(capsys):
    code, out, _ = run(
        capsys, "soak", "--runs", "40", "--jobs", "1", "--inject", "cut-run-forgotten", "--json"
    )
    told = json.loads(out)
    assert code == 1
    assert (told["format"], told["version"], told["ended"]) == ("aliquot-soak", 1, "violation")
    (violation,) = told["violations"]
    assert "S15" in violation["invariants"]
    assert told["first_seed"] + told["runs"] - 1 == violation["seed"]
    # Made small: fewer things happen than in the case that was found.
    case = trouble_case.drawn(violation["seed"])
    assert 0 < len(violation["shrunk"]) < len(case.troubles)
    program, command, *arguments = violation["replay"].split(" ")
    assert (program, command) == ("aliquot", "soak")
    code, out, _ = run(capsys, command, *arguments)
    assert code == 1
    assert f"Seed {violation['seed']} breaks {' and '.join(violation['invariants'])}" in out


def test_what_the_soak_prints_for_machines_has_its_sums(capsys):
    code, out, _ = run(capsys, "soak", "--runs", "3", "--seed", "7", "--jobs", "1", "--json")
    told = json.loads(out)
    assert code == 0
    assert told["runs"] == 3
    assert told["violations"] == []
    assert told["simulated_days"] > 10
    assert set(told["faults"]) <= KINDS


@pytest.mark.parametrize(
    ("arguments", "field"),
    [
        (["--minutes", "0"], "--minutes"),
        (["--minutes", "nan"], "--minutes"),
        (["--runs", "0"], "--runs"),
        (["--seed", "2147483647", "--runs", "2"], "--runs"),
        (["--inject", "nothing"], "--inject"),
        (["--flash", "tape"], "--flash"),
    ],
)
def test_options_that_cannot_be_are_refused_by_name(arguments, field, capsys):
    code, _, err = run(capsys, "soak", *arguments)
    assert code == 2
    assert field in err


def test_s06_a_return_after_two_years_brings_few_records_few_polls_and_no_burst():
    loaded = example("four_channels")
    channels = len(loaded.data["channel"])
    usual = lived(loaded, datetime.date(2026, 3, 10), 5, (), short=True)
    away = Trouble(2 * DAY_S, "away", (2 * 365 * DAY_S,))
    world = lived(loaded, datetime.date(2026, 3, 10), 5, (away,), short=True)
    assert world.faults["two years without power"] == 1
    # All of it: start, clock, and for each channel what was missed and what lapsed of it.
    assert world.checks.records <= usual.checks.records + 3 + 4 * channels
    # The table of one more date, in its slices, and a poll for each record.
    assert world.steps <= usual.steps + 40 * channels
    told = records(world)
    starts = [i for i, one in enumerate(told) if one[2] == "B"]
    back_s = told[starts[-1]][1]
    runs = [now_s - back_s for _, now_s, kind in told[starts[-1] :] if kind == "I"]
    per_hour = sum(c["doses"] for c in loaded.data["channel"]) / 24
    # One late dose a channel at most, and then those of the timetable.
    assert sum(s <= HOUR_S for s in runs) <= channels + per_hour + 1
    assert sum(s <= 6 * HOUR_S for s in runs) <= channels + 6 * per_hour + 1
    missed = [kind for _, _, kind in told[starts[-1] :] if kind == "M"]
    assert 1 <= len(missed) <= 2 * channels


# The last second that fits, and the bits that end.
@pytest.mark.parametrize(
    "date",
    [
        datetime.date(2034, 1, 8),  # 31-bit small integers, seconds since 2000
        datetime.date(2036, 2, 5),  # RFC 5905: era 1 of NTP
        datetime.date(2038, 1, 17),  # 32-bit time_t
        datetime.date(2068, 1, 17),  # 32 bits with sign, seconds since 2000
    ],
)
def test_s20_an_era_ends_among_cuts_and_clock_steps_without_a_wrong_dose(date):
    loaded = example("four_channels")
    assert loaded.data["timezone"] in zoneinfo.available_timezones()
    troubles = [
        trouble
        for hour in range(7, 96, 13)
        for trouble in (
            Trouble(hour * HOUR_S, "cut", (600,), hour % 2 == 0),
            Trouble((hour + 3) * HOUR_S, "step", (400, 1)),
            Trouble((hour + 5) * HOUR_S, "right"),
        )
    ]
    world = lived(loaded, date, 4, troubles)
    assert world.seen == []
    assert world.doses >= 3 * sum(c["doses"] for c in loaded.data["channel"])
    assert world.faults["clock steps"] >= 5
