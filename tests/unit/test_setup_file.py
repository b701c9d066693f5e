"""Reading a set-up: exact numbers, defaults, and every kind of bad file as clear problems."""

import datetime
import hashlib
import json

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from aliquot.core import validate
from aliquot_host import errors, paths, raw_file, resources, setup_file, toml_text
from set_ups import TOML, canonical, channel

TODAY = datetime.date(2026, 1, 1)
GOLDEN = "tests/unit/golden"


def load(text, **options):
    content = text if isinstance(text, bytes) else text.encode()
    return setup_file.load(content, today=TODAY, **options)


def problems(text, **options):
    with pytest.raises(errors.BadInput) as caught:
        load(text, **options)
    return caught.value.problems


def told(content):
    """(the set-up, ()) or (None, its problems): nothing else may come out."""
    try:
        return load(content), ()
    except errors.BadInput as wrong:
        return None, wrong.problems


def one(extra="", **changes):
    """The eight lines with some of them changed or, with None, taken out."""
    lines = []
    for line in TOML.strip().splitlines():
        key = line.split(" ")[0]
        if key in changes:
            if changes[key] is not None:
                lines.append(f"{key} = {changes[key]}")
        else:
            lines.append(line)
    return "\n".join([*lines, extra, ""])


def test_eight_lines_of_toml_pass():
    assert len(TOML.strip().splitlines()) <= 8
    loaded = load(TOML)
    assert loaded.toml
    assert loaded.setup.channels[0].daily_ul == 36500
    assert loaded.setup.hash == hashlib.sha256(loaded.canonical).hexdigest()


def test_the_canonical_bytes_are_sorted_whole_and_without_blanks():
    content = load(TOML).canonical
    again = json.loads(content, parse_float=lambda text: pytest.fail(f"a float: {text}"))
    assert content == json.dumps(again, sort_keys=True, separators=(",", ":")).encode()


# Written -> stored. "36.50" and 36.5 are the same amount; nothing passes through a float.
@pytest.mark.parametrize(
    ("written", "stored"),
    [("36.5", 36500), ("36.50", 36500), ("36", 36000), ("6.1", 6100), ("0.001", 1), ("0", 0)],
)
def test_millilitres_are_read_exactly(written, stored):
    text = one(daily_ml=written, dose_most_ml="100", run_most_s="900", cap_ml="200")
    if stored and stored < 100:
        text = one(
            f"dose_least_ml = {written}",
            daily_ml=written,
            calibration="{ counts = 20000, ml = 1.0 }",
        )
    assert load(text).data["channel"][0]["daily_ul"] == stored


def test_a_list_of_times_says_what_the_day_is():
    text = one('at = [{ time = "08:00", ml = 3.5 }, { time = 20:30:00, ml = 1 }]', daily_ml=None)
    (read,) = load(text).data["channel"]
    assert (read["daily_ul"], read["doses"]) == (4500, 2)
    assert read["at"] == [{"time_s": 28800, "ul": 3500}, {"time_s": 73800, "ul": 1000}]


@pytest.mark.parametrize(
    ("extra", "path", "value"),
    [
        ("", "run_most_s", 22),  # twice the 10.2 s that 4 mL take at 500 steps a second
        ("", "grace_s", 1800),
        ("doses = 48", "grace_s", 1620),  # 24 doses in 23 h less a minute, in whole minutes
        ("doses = 144", "grace_s", 480),
        ("", "catch_up.max_ul", 18250),
        ("reservoir = { size_ml = 2000 }", "reservoir.left_ul", 2000000),
        ("pump = { kind = 'timed' }", "pump.speed_cps", 1000),
        ("pump = { speed_cps = 700 }", "run_most_s", 16),
    ],
)
def test_a_default_that_depends_on_other_fields_is_worked_out(extra, path, value):
    held = load(one(extra)).data["channel"][0]
    for part in path.split("."):
        held = held[part]
    assert held == value


def test_outputs_are_given_in_order_around_those_that_are_written():
    text = one("pump = { output = 2 }")
    more = TOML.partition("[[channel]]")[2]
    for name in ("b", "c"):
        text += "[[channel]]" + more.replace('"alk"', f'"{name}"')
    read = load(text).data["channel"]
    assert [each["pump"]["output"] for each in read] == [2, 1, 3]


def test_the_same_file_gives_the_same_bytes_on_any_day():
    text = one('weekdays = ["sun"]\nevery_days = 2\nstart_date = 2026-02-01\ndoses = 100')
    days = (TODAY, datetime.date(2026, 3, 29), datetime.date(2027, 8, 1))
    assert len({setup_file.load(text.encode(), today=day).canonical for day in days}) == 1


@pytest.mark.parametrize("name", sorted(resources.examples()))
def test_an_example_is_valid_and_short(name):
    file = resources.examples()[name]
    assert setup_file.load(file, today=TODAY).data
    assert len(file.read_text().splitlines()) < 150


def test_the_first_example_has_eight_lines():
    assert len(resources.examples()["first_pump"].read_text().splitlines()) == 8


def test_both_spellings_of_version_1_give_the_golden_bytes(root):
    """Golden files of a released version are never edited: this digest must stay."""
    golden = (root / GOLDEN / "aliquot-setup-1.json").read_bytes()
    toml = (root / GOLDEN / "aliquot-setup-1.toml").read_bytes()
    assert hashlib.sha256(golden).hexdigest() == DIGEST
    assert load(golden).canonical == golden
    assert load(toml).canonical == golden
    assert validate.problems(json.loads(golden), 9497) == []


DIGEST = "f6448caa922cdbe26405f07d3ce904cb06096ba4af9311505050db986260b018"


def test_the_golden_file_holds_every_field(root):
    data = json.loads((root / GOLDEN / "aliquot-setup-1.json").read_bytes())

    def walk(value, path):
        if isinstance(value, dict):
            for name, inner in value.items():
                yield from walk(inner, f"{path}.{name}" if path else name)
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            for inner in value:
                yield from walk(inner, path)
        else:
            yield path

    assert set(paths.rows()) <= set(walk(data, ""))


BAD_TOML = {
    "more than three decimals of a millilitre": (
        one(cap_ml="55.0001"),
        "channel[alk].cap_ml",
        "55.0001",
        "at most 3 digits after the point",
    ),
    "a number between quotes": (one(cap_ml='"55"'), "channel[alk].cap_ml", "55", "a number of mL"),
    "a boolean": (one(cap_ml="true"), "channel[alk].cap_ml", True, "a number of mL"),
    "not a number": (one(cap_ml="nan"), "channel[alk].cap_ml", "nan", "a number of mL"),
    "infinity": (one(cap_ml="-inf"), "channel[alk].cap_ml", "-inf", "a number of mL"),
    "a negative volume": (one(daily_ml="-1"), "channel[alk].daily_ml", -1, "a number of mL"),
    "a huge number": (one(cap_ml="9" * 400), "channel[alk].cap_ml", None, "a number of mL"),
    "a float where a count belongs": (
        one("doses = 24.0"),
        "channel[alk].doses",
        "24.0",
        "a whole number",
    ),
    "a count out of range": (one("doses = 145"), "channel[alk].doses", 145, "1 to 144"),
    "a calibration of zero counts": (
        one(calibration="{ counts = 0, ml = 10 }"),
        "channel[alk].calibration.counts",
        0,
        "1 to 10000000",
    ),
    "a calibration of zero millilitres": (
        one(calibration="{ counts = 10, ml = 0 }"),
        "channel[alk].calibration.ml",
        0,
        "0.001 to 10000 mL",
    ),
    "an unknown zone": (one(timezone='"Europe/Berlim"'), "timezone", "Europe/Berlim", "a name of"),
    "a zone whose rule does not hold": (
        one(timezone='"Africa/Casablanca"'),
        "timezone",
        "Africa/Casablanca",
        "holds for 5 years",
    ),
    "a zone that is a path": (one(timezone='"../../etc"'), "timezone", "../../etc", "a name of"),
    "a rule that is none": ('tz = "CET"\n' + TOML, "tz", "CET", "a POSIX rule"),
    "no cap": (one(cap_ml=None), "channel[alk].cap_ml", None, "must be there"),
    "no largest dose": (one(dose_most_ml=None), "channel[alk].dose_most_ml", None, "must be"),
    "no calibration": (one(calibration=None), "channel[alk].calibration", None, "must be there"),
    "no day": (one(daily_ml=None), "channel[alk].daily_ml", None, "must be there"),
    "no zone": (one(timezone=None), "timezone", None, "must be there"),
    "no channel": ('timezone = "Europe/Berlin"', "channel", None, "must be there"),
    "an unknown field": (one("colour = 3"), "channel[alk].colour", 3, "no such field"),
    "a stored name": (one("daily_ul = 3"), "channel[alk].daily_ul", 3, "no such field"),
    "a channel that is no list": (
        TOML.replace("[[channel]]", "[channel]"),
        "channel",
        {},
        "a list of tables",
    ),
    "a table that is none": (one("pump = 3"), "channel[alk].pump", 3, "a table"),
    "an entry that is no table": ("channel = [1]\n", "channel[1]", 1, "a table"),
    "a cap below the day": (one(cap_ml="39.541"), "channel[alk].cap_ml", "39.541", "39.542 mL"),
    "a day as a word": (one('weekdays = ["Monday"]'), "channel[alk].weekdays", None, "mon, tue"),
    "an unknown board": ('board = "abacus"\n' + TOML, "board", "abacus", "esp32-dev"),
    "an output the board has not": (
        'board = "esp32-c3"\n' + one("pump = { output = 5 }"),
        "channel[alk].pump.output",
        5,
        "at most 4",
    ),
    "a direction the board cannot turn": (
        'board = "esp32-dev"\n' + one("pump = { output = 5, reverse = true }"),
        "channel[alk].pump.reverse",
        True,
        "must be",
    ),
    "a newer version": ("version = 2\n" + TOML, "version", 2, "1"),
    "a time of day that is none": (one('from = "24:00"'), "channel[alk].from", "24:00", "23:59"),
}


@pytest.mark.parametrize("name", BAD_TOML)
def test_bad_toml_names_field_value_and_limit(name):
    text, path, value, limit = BAD_TOML[name]
    found = {problem.path: problem for problem in problems(text)}
    assert path in found, list(found)
    problem = found[path]
    assert limit in problem.limit
    assert problem.advice
    if value not in (None, {}):
        assert str(problem.value) == str(value)


def test_a_problem_gives_the_value_as_written_and_as_stored():
    (problem,) = problems(one(cap_ml="37.50"))
    assert str(problem.value) == "37.50"
    assert problem.stored == "37500 µL"
    assert problem.limit == "at least 39.542 mL"
    assert "36.5 mL" in problem.advice


def test_a_default_that_does_not_fit_is_told_as_one():
    found = problems(one(calibration="{ counts = 100, ml = 10 }"))
    (problem,) = [each for each in found if each.path == "channel[alk].dose_least_ml"]
    assert problem.value is None
    assert problem.stored == "100 µL, by default"


@pytest.mark.parametrize(
    ("slip", "meant"),
    [("daily_mls", "daily_ml"), ("daily_ul", "daily_ml, in mL"), ("dose", "doses")],
)
def test_a_slip_of_the_pen_is_told_with_the_field_that_was_meant(slip, meant):
    found = {problem.path: problem.advice for problem in problems(one(f"{slip} = 3"))}
    assert meant in found[f"channel[alk].{slip}"]


def test_all_problems_of_a_file_come_at_once_in_its_order():
    text = one("doses = 0\ncolour = 1", cap_ml="37") + (
        "[[channel]]\nid = 'alk'\ndaily_ml = 1\ncap_ml = 1\ndose_most_ml = 1\n"
        "calibration = { counts = 100, ml = 1 }\n"
        "[[separate]]\nchannels = ['x', 'y']\nminutes = 5\n"
    )
    assert [problem.path for problem in problems("glow = 1\n" + text)] == [
        "glow",
        "channel[1].colour",
        "channel[1].doses",
        "channel[2].cap_ml",
        "channel[2].id",
        "separate[1].channels",
        "separate[1].channels",
    ]


def test_an_impossible_spacing_names_channel_and_date():
    second = TOML.partition("[[channel]]")[2].replace('"alk"', '"cal"')
    text = one("doses = 48") + "[[channel]]" + second.replace("cap_ml", "doses = 48\ncap_ml")
    text += "[[separate]]\nchannels = ['alk', 'cal']\nminutes = 30\n"
    (problem,) = problems(text)
    assert problem.path in ("channel[alk]", "channel[cal]")
    assert "spaced on 2026-01-01" in problem.limit


CANONICAL = json.dumps(canonical()).encode()


@pytest.mark.parametrize(
    ("content", "path", "says"),
    [
        (b"", "the file", "Nothing in it belongs to a set-up"),
        (b"a = 1", "the file", "Nothing in it belongs to a set-up"),
        (b"\x89PNG\r\n\x1a\n\0", "the file", "save the file as UTF-8"),
        (b"\xff\xfet\0i\0m\0e\0", "the file", "save the file as UTF-8"),
        (TOML.encode() + b"\xe9", "the file", "Line 9 has bytes"),
        (TOML.encode()[:-9], "the file", "cannot be read as TOML"),
        (TOML.encode() + b"cap_ml = 56", "the file", "cannot be read as TOML"),
        (b"x = " + b"9" * 5000, "the file", "cannot be read as TOML"),
        (b"x = " + b"[" * 30000, "the file", "not a set-up"),
        (b"channel = " + b"[" * 9 + b"]" * 9, "the file", "not a set-up"),
        (b".".join([b"a"] * 3000) + b" = 1", "the file", "not a set-up"),
        (b"x" * 65537, "the file", "too large"),
        (CANONICAL[:-3], "the file", "cannot be read as JSON"),
        (b"{", "the file", "cannot be read as JSON"),
        (b"{} {}", "the file", "cannot be read as JSON"),
        (b'{"a":' * 12000, "the file", "not a set-up"),
        (b"{}", "format", "not a set-up"),
        (b'{"format":"other","version":1}', "format", "not a set-up"),
        (b'{"format":"aliquot-setup","version":2}', "version", "newer Aliquot"),
        (b'{"format":"aliquot-setup","version":1.0}', "version", "intact copy"),
    ],
)
def test_a_file_that_is_none_is_told_in_one_problem(content, path, says):
    (problem,) = problems(content)
    assert problem.path == path
    assert says in problem.advice


@pytest.mark.parametrize(
    ("old", "new", "path", "limit"),
    [
        (b'"doses": 24', b'"doses": 24.0', "channel[alk].doses", "a whole number"),
        (b'"doses": 24', b'"doses": NaN', "channel[alk].doses", "a whole number"),
        (b'"doses": 24', b'"doses": Infinity', "channel[alk].doses", "a whole number"),
        (b'"doses": 24', b'"doses": 1e2', "channel[alk].doses", "a whole number"),
        (b'"doses": 24', b'"doses": true', "channel[alk].doses", "a whole number"),
        (b'"doses": 24', b'"doses": "24"', "channel[alk].doses", "a whole number"),
        (b'"doses": 24', b'"doses": ' + b"9" * 999, "channel[alk].doses", "1 to 144"),
        (b'"doses": 24', b'"doses": ' + b"9" * 9999, "channel[alk].doses", "a whole number"),
        (b'"doses": 24', b'"doses": -1', "channel[alk].doses", "1 to 144"),
        (b'"doses": 24', b'"doses": 24, "doses": 2', "channel[alk].doses", "each field once"),
        (b'"doses": 24', b'"doses": 24, "daily_ml": 2', "channel[alk].daily_ml", "a field"),
        (b'"label": ""', b'"label": "\\ud800"', "channel[alk].label", "printable text"),
        (b'"label": ""', b'"label": 1.5', "channel[alk].label", "text"),
        (b'"id": "alk"', b'"id": {"a": 1}', "channel[1].id", "text"),
        (b'"clock": {"carry_on_s": 0}', b'"clock": 5', "clock", "an object"),
    ],
)
def test_bad_json_names_field_and_limit(old, new, path, limit):
    content = CANONICAL.replace(old, new, 1)
    assert content != CANONICAL
    found = {problem.path: problem.limit for problem in problems(content)}
    assert limit in found[path]


def test_a_canonical_file_that_lacks_fields_with_defaults_is_filled():
    data = canonical()
    del data["clock"], data["channel"][0]["remind"], data["channel"][0]["grace_s"]
    loaded = load(json.dumps(data))
    assert loaded.data == canonical()
    assert not loaded.toml
    assert "channel.0.grace_s" in loaded.filled


def test_a_set_up_too_large_for_a_board_is_refused():
    listed = [{"time_s": 600 * i + 7, "ul": 250} for i in range(144)]
    made = {"at": listed, "doses": 144, "daily_ul": 36000, "grace_s": 300}
    channels = [channel(f"c{i}", i + 1, **made) for i in range(6)]
    for i, each in enumerate(channels):
        each["at"] = [{**dose, "time_s": dose["time_s"] + 60 * i} for dose in listed]
        each["from_s"] = 0
    (problem,) = problems(json.dumps(canonical(*channels, timezone="UTC", tz="UTC0")))
    assert "at most 16384 bytes" in problem.limit


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda folder: folder / "none.toml", "no such file"),
        (lambda folder: folder, "a folder"),
        (lambda folder: folder / "a\0b", "cannot be read"),
        (lambda folder: folder / ("x" * 300), "cannot be read"),
    ],
)
def test_a_file_that_cannot_be_read_is_bad_input(tmp_path, make, says):
    file = make(tmp_path)
    with pytest.raises(errors.BadInput) as caught:
        setup_file.load(file)
    assert says in caught.value.problems[0].advice


def test_an_endless_file_is_not_read_to_its_end(tmp_path):
    file = tmp_path / "long.toml"
    file.write_bytes(b"#" * (1 << 20))
    assert len(raw_file.read(file)) == raw_file.FILE_MOST_BYTES + 1


def test_a_byte_order_mark_and_windows_line_ends_are_taken():
    content = b"\xef\xbb\xbf" + TOML.replace("\n", "\r\n").encode()
    assert load(content).canonical == load(TOML).canonical


def test_a_name_that_ends_in_json_is_read_as_json():
    (problem,) = problems(TOML, where="reef.json")
    assert "JSON" in problem.advice


def any_toml_value():
    plain = (
        st.booleans()
        | st.integers(-(10**20), 10**20)
        | st.floats(allow_nan=False, width=32).map(lambda f: setup_file.spelling.Number(repr(f)))
        | st.text(max_size=6)
        | st.dates()
        | st.times()
    )
    names = st.sampled_from([row[1] for row in paths.rows().values()] + ["x", "a.b", "0"])
    return st.recursive(
        plain,
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(names, inner, max_size=4),
        max_leaves=8,
    )


tables = st.dictionaries(
    st.sampled_from(
        [
            "timezone",
            "channel",
            "tank",
            "separate",
            "group",
            "clock",
            "board",
            "tz",
            "version",
            "x",
        ]
    ),
    any_toml_value(),
)


@given(tables)
@settings(max_examples=150)
def test_any_tables_of_toml_are_a_set_up_or_bad_input(raw):
    reading = setup_file._Reading(True, "", TODAY)
    with pytest.raises(errors.BadInput) as caught:
        setup_file._read(raw, reading)
    assert all(problem.text() for problem in caught.value.problems)


@given(
    st.integers(0, len(TOML) - 1),
    st.integers(0, 8),
    st.binary(max_size=6)
    | st.sampled_from([b"[", b"{", b'"', b"=", b"\n", b"9" * 50, b"-", b"."]),
)
@settings(max_examples=150)
def test_a_file_with_changed_bytes_is_a_set_up_or_bad_input(at, cut, added):
    content = TOML.encode()
    changed = content[:at] + added + content[at + cut :]
    loaded, found = told(changed)
    assert loaded is not None or found
    assert all(problem.text() for problem in found)


@given(st.binary(max_size=64) | st.text(max_size=64).map(lambda t: t.encode("utf-8", "replace")))
def test_any_bytes_are_bad_input(content):
    with pytest.raises(errors.BadInput):
        load(content)


json_like = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=6),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner),
    max_leaves=6,
)
PLACES = [("clock",), ("separate",), ("tank",), ("channel", 0), ("tz",), ("timezone",)] + [
    ("channel", 0, key) for key in channel()
]


@given(st.sampled_from(PLACES), json_like, st.booleans())
@settings(max_examples=150)
def test_canonical_json_with_anything_in_it_is_a_set_up_or_bad_input(place, value, remove):
    data = canonical()
    owner = data
    for part in place[:-1]:
        owner = owner[part]
    if remove and isinstance(owner, dict):
        del owner[place[-1]]
    else:
        owner[place[-1]] = value
    loaded, found = told(json.dumps(data))
    assert loaded is None or validate.problems(loaded.data, 9497) == []
    assert loaded is not None or all(problem.text() for problem in found)


@st.composite
def set_ups(draw):
    """Valid canonical data of one to four channels, whatever the fields."""
    made = []
    for i in range(draw(st.integers(1, 4))):
        daily_ul = draw(st.integers(0, 60000).filter(lambda ul: ul == 0 or ul > 200))
        doses = draw(st.sampled_from([1, 2, 3, 5, 8, 24]))
        timed = draw(st.booleans())
        each = channel(
            f"c{i}",
            i + 1,
            label=draw(st.text("aé°µ\"'\\ #=[]{}", max_size=8)),
            daily_ul=daily_ul,
            doses=doses,
            from_s=1800 * i + draw(st.integers(0, 600)),
            cap_ul=max(1, 3 * daily_ul + draw(st.integers(0, 999))),
            dose_most_ul=max(200, daily_ul),
            run_most_s=draw(st.sampled_from([300, 900])),
            grace_s=draw(st.sampled_from([900, 1200, 1800])),
            weekdays=draw(st.integers(1, 127)),
            calibration={"counts": draw(st.integers(8000, 20000))},
            remind={"tubing_ul": draw(st.integers(0, 99999))},
        )
        each["pump"]["output"] = draw(st.integers(1, 5)) if i == 0 else i + 5
        each["pump"]["speed_cps"] = 1000 if timed else draw(st.sampled_from([500, 800]))
        each["pump"]["kind"] = "timed" if timed else "stepper"
        each["catch_up"]["max_ul"] = draw(st.sampled_from([daily_ul // 2, 0, 777]))
        if draw(st.booleans()):
            size = draw(st.integers(1000, 99999))
            left = draw(st.sampled_from([size, 1]))
            each["reservoir"] = {"size_ul": size, "dead_ul": 0, "low_pct": 10, "left_ul": left}
        made.append(each)
    data = canonical(*made)
    data["clock"]["carry_on_s"] = 60 * draw(st.integers(0, 10080))
    return data


@given(set_ups())
@settings(max_examples=60)
def test_toml_written_from_canonical_data_reads_back_to_the_same_bytes(data):
    loaded, _ = told(json.dumps(data))
    assume(loaded is not None)
    text = toml_text.dump(loaded.data, TODAY)
    assert load(text).canonical == loaded.canonical


def test_toml_leaves_out_what_a_default_gives():
    text = toml_text.dump(load(TOML).data, TODAY)
    assert len(text.strip().splitlines()) == 8
    assert "doses" not in text


def test_toml_keeps_a_rule_that_its_zone_would_not_give():
    data = load('tz = "CET-1"\n' + TOML).data
    text = toml_text.dump(data, TODAY)
    assert 'tz = "CET-1"' in text
    assert load(text).data == data


@pytest.mark.parametrize(
    ("micro", "text"), [(1, "0.000001"), (1000000, "1"), (9999999999, "9999.999999")]
)
def test_small_and_large_decimals_are_written_without_an_exponent(micro, text):
    water = {"name": "kh", "unit": "dKH", "start_micro": micro, "use_micro": 0}
    data = canonical(tank={"volume_ml": 1000, "water": [water]})
    written = toml_text.dump(load(json.dumps(data)).data, TODAY)
    assert f"start = {text}\n" in written
