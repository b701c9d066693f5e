"""`aliquot diff`: two set-ups compared in what they mean."""

import json

import pytest

from aliquot_host import cli, meaning, set_up_diff, setup_file
from set_ups import TOML, canonical, channel


@pytest.fixture
def files(tmp_path):
    """files(a, b) writes both and gives their names."""

    def write(*texts):
        names = []
        for i, text in enumerate(texts):
            file = tmp_path / f"{'ab'[i]}.toml"
            file.write_text(text, encoding="utf-8")
            names.append(str(file))
        return names

    return write


def changes(a, b):
    return [(c.where, c.what, c.before, c.after) for c in set_up_diff.compare(a, b)]


def test_two_spellings_of_one_plan_do_not_differ(files, tmp_path, capsys):
    first = TOML + "doses = 24\n"
    second = "# the same\n" + TOML.replace("36.5", "36.500").replace("55", "55.0")
    a, b = files(first, second)
    assert cli.run(["diff", a, b]) == 0
    assert "mean the same" in capsys.readouterr().out
    canonical_file = tmp_path / "a.json"
    canonical_file.write_bytes(setup_file.load(first.encode()).canonical)
    assert cli.run(["diff", str(canonical_file), b]) == 0


def test_a_difference_is_shown_in_its_units_and_exits_with_1(files, capsys):
    a, b = files(TOML, TOML.replace("36.5", "40").replace("12800", "13000"))
    assert cli.run(["diff", a, b]) == 1
    out = capsys.readouterr().out
    for part in ("36.5 mL", "40 mL", "24 of 1.521 mL", "24 of 1.667 mL", "1277.45 counts/mL"):
        assert part in out
    assert "cap" not in out


def test_json_lists_the_changes(files, capsys):
    a, b = files(TOML, TOML.replace("cap_ml = 55", "cap_ml = 60"))
    assert cli.run(["diff", a, b, "--json"]) == 1
    said = json.loads(capsys.readouterr().out)
    assert (said["format"], said["version"], said["same"]) == ("aliquot-diff", 1, False)
    assert said["changes"] == [
        {
            "where": "alk",
            "what": "cap",
            "before": "55 mL in any 24 h",
            "after": "60 mL in any 24 h",
        }
    ]


def test_bad_input_on_either_side_is_exit_code_2(files, capsys):
    good, bad = files(TOML, TOML.replace("55", "5"))
    assert cli.run(["diff", good, bad]) == 2
    assert cli.run(["diff", bad, good]) == 2


@pytest.mark.parametrize(
    ("change", "what", "before", "after"),
    [
        ({"from_s": 600}, "times", "00:00 to 23:00, every 60 min", "00:10 to 23:10, every 60 min"),
        ({"weekdays": 9}, "days", "every day", "mon, thu"),
        (
            {"every_days": 3, "start_date": 9584},
            "days",
            "every day",
            "every 3 days from 2026-03-29",
        ),
        ({"grace_s": 900}, "grace", "30 min", "15 min"),
        ({"dose_least_ul": 250}, "smallest dose", "0.1 mL", "0.25 mL"),
        ({"label": "A", "liquid": "b"}, "name", "not said", "A / b"),
        ({"run_most_s": 60}, "longest run", "22 s", "60 s"),
        ({"catch_up": {"raise_pct": 0}}, "catch-up", None, "none"),
        ({"remind": {"tubing_days": 0}}, "reminders", None, "calibration after 90 days"),
        ({"pump": {"reverse": 1}}, "pump", None, None),
        (
            {"reservoir": {"size_ul": 5000, "dead_ul": 7, "low_pct": 10, "left_ul": 5000}},
            "reservoir",
            "none",
            "5 mL of 5 mL, low at 10 %, 0.007 mL out of reach",
        ),
        (
            {"ramp": {"from_ul": 1000, "start_date": 9584, "days": 9}},
            "ramp",
            "none",
            "from 1 mL on 2026-03-29 to 36.5 mL in 9 days",
        ),
    ],
)
def test_each_part_of_a_channel_is_compared(change, what, before, after):
    ((where, said, old, new),) = changes(canonical(), canonical(channel(**change)))
    assert (where, said) == ("alk", what)
    assert old != new
    assert before in (None, old)
    assert after in (None, new)


def test_listed_times_are_compared_dose_by_dose():
    listed = {"at": [{"time_s": 28800, "share": 1}, {"time_s": 72000, "share": 1}], "doses": 2}
    twice = [{"time_s": 28800, "share": 2}, {"time_s": 72000, "share": 2}]
    a = canonical(channel(**listed))
    assert changes(a, canonical(channel(**{**listed, "at": twice}))) == []
    later = [{"time_s": 28860, "share": 1}, {"time_s": 72000, "share": 1}]
    ((_, what, old, new),) = changes(a, canonical(channel(**{**listed, "at": later})))
    assert (what, old) == ("doses", "08:00 18.25 mL, 20:00 18.25 mL")
    assert new == "08:01 18.25 mL, 20:00 18.25 mL"


def test_a_calibration_of_the_same_ratio_is_the_same():
    other = canonical(channel(calibration={"counts": 25600, "ul": 20040}))
    assert changes(canonical(), other) == []


def test_a_calibration_that_rounds_to_the_same_is_still_different():
    other = canonical(channel(calibration={"counts": 128000001, "ul": 100200000}))
    ((_, what, old, new),) = changes(canonical(), other)
    assert what == "calibration"
    assert old != new


def test_what_concerns_the_whole_set_up_is_compared():
    a = canonical(channel(), channel("cal", 2))
    pair = {"channels": ["cal", "alk"], "seconds": 1200}
    water = {"name": "calcium", "unit": "mg/L", "start_micro": 420000000, "use_micro": 5500000}
    b = canonical(
        channel("cal", 2),
        channel(),
        timezone="UTC",
        tz="UTC0",
        board="pico-w",
        tank={"volume_ml": 260500, "water": [water]},
        separate=[pair],
        group=[{"channels": ["alk", "cal"], "cap_ul": 100000}],
        clock={"carry_on_s": 5400},
    )
    assert changes(a, b) == [
        ("", "time zone", "Europe/Berlin (CET-1CEST,M3.5.0,M10.5.0/3)", "UTC (UTC0)"),
        ("", "board", "not said", "pico-w"),
        ("", "tank", "not said", "260.5 litres"),
        ("", "without a clock", "hold until it is set", "go on after 1.5 h"),
        ("", "order of channels", "alk, cal", "cal, alk"),
        ("", "water: calcium", "", "420 mg/L, 5.5 used a day"),
        ("", "alk and cal apart", "", "20 min"),
        ("", "alk + cal together", "", "at most 100 mL in any 24 h"),
    ]


def test_a_channel_that_came_or_went_is_shown_whole():
    a, b = canonical(), canonical(channel(), channel("cal", 2))
    came = [change for change in changes(a, b) if change[0] == "cal"]
    went = [change for change in changes(b, a) if change[0] == "cal"]
    assert len(came) == len(went) == len(meaning.channel(channel()))
    assert all(before == "" for _, _, before, _ in came)
    assert all(after == "" for _, _, _, after in went)


def test_every_field_of_the_table_makes_a_difference(root):
    """Whatever a field changes must show: a difference that diff hides is a trap."""
    golden = json.loads((root / "tests/unit/golden/aliquot-setup-1.json").read_bytes())

    def places(value, path=()):
        if isinstance(value, dict):
            for key in value:
                yield from places(value[key], (*path, key))
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            for i, inner in enumerate(value):
                yield from places(inner, (*path, i))
        else:
            yield path

    for path in places(golden):
        if path[-1] in ("format", "version"):
            continue
        other = json.loads(json.dumps(golden))
        owner = other
        for part in path[:-1]:
            owner = owner[part]
        held = owner[path[-1]]
        if isinstance(held, int):
            owner[path[-1]] = held + (6 if path[-1].endswith("_s") else 1)
            if path[-1] == "reverse":
                owner[path[-1]] = 1 - held
        elif held is None:
            continue
        elif isinstance(held, list):
            owner[path[-1]] = [*held[:-1], "other"]
        else:
            owner[path[-1]] = held + "x"
        if path[-1] in silent(golden, path):
            continue
        assert set_up_diff.compare(golden, other), path


def silent(data, path):
    """Fields that say nothing where others are as they are in the golden file."""
    names = set()
    if path[0] == "channel":
        c = data["channel"][path[1]]
        if c["at"]:
            # Its volumes are shares of daily_ul, which changes with them in a valid file.
            names |= {"doses", "from_s", "span_s"} | ({"ul"} if path[2] == "at" else set())
        if c["pump"]["kind"] == "timed":
            names |= {"microsteps"}
        if not c["catch_up"]["raise_pct"]:
            names |= {"max_age_s", "max_ul"}
    return names
