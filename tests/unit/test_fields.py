"""The one table of fields: it is whole, both spellings follow from it, help covers it."""

import re

import pytest

from aliquot.core import fields, migrate, validate
from aliquot_host import help_texts, paths, spelling
from aliquot_host.json_schema import make

UNITS = {*spelling.NUMBERS, "int", "time", "date", "weekdays", "yes", "text", "id", "ids", "word"}
# How a stored name ends says its unit; so does the written one, where its value alone does not.
STORED_ENDS = {"ml": "ul", "l": "ml", "min": "s", "h": "s", "time": "s", "micro": "micro"}
WRITTEN_ENDS = {"ml": "ml", "h": "h"}
WRITTEN_ALONE = {"minutes", "litres"}
ROWS = paths.rows()


@pytest.mark.parametrize("path", ROWS)
def test_a_row_of_the_table_is_whole(path):
    _, _, unit, least, most, default = ROWS[path]
    assert unit in UNITS
    if unit == "word":
        assert fields.choices(default)
        return
    assert 0 <= least <= most
    step = fields.STEP_S.get(unit, 1)
    assert least % step == most % step == 0 or unit in ("text", "id", "ids")
    if default not in ("!", "?", "*", "~", '""'):
        assert least <= int(default) <= most
        assert int(default) % step == 0


@pytest.mark.parametrize("path", ROWS)
def test_the_unit_stands_last_in_a_name_of_either_spelling(path):
    key, toml, unit, *_ = ROWS[path]
    if unit in STORED_ENDS:
        end = STORED_ENDS[unit]
        assert key == end or key.endswith("_" + end) or key == "seconds"
    if unit in WRITTEN_ENDS:
        end = WRITTEN_ENDS[unit]
        assert toml == end or toml.endswith("_" + end)
    if unit == "min":
        assert toml.endswith("_min") or toml in WRITTEN_ALONE
    if unit == "l":
        assert toml.endswith("_l") or toml in WRITTEN_ALONE


@pytest.mark.parametrize("spelled", [0, 1])
def test_a_name_means_one_field_of_its_section(spelled):
    for path in paths.sections():
        names = [row[spelled] for row in fields.rows(path)] + fields.children(path)
        assert len(set(names)) == len(names), path
        assert all(re.fullmatch("[a-z_]+", name) for name in names)


def test_the_issue_names_the_toml_keys_of_a_channel():
    written = {row[1] for row in fields.rows("channel")} | set(fields.children("channel"))
    assert written >= {
        *("id", "label", "liquid", "daily_ml", "doses", "from", "span_h", "weekdays"),
        *("every_days", "at", "cap_ml", "dose_least_ml", "dose_most_ml", "run_most_s"),
        *("grace_min", "calibration", "pump", "reservoir", "catch_up"),
    }


def test_cap_and_largest_dose_and_calibration_have_no_default():
    for path in ("channel.cap_ul", "channel.dose_most_ul", "channel.daily_ul", "group.cap_ul"):
        assert ROWS[path][5] == "!"
    assert fields.section("channel.calibration")[0] == "!"


def test_help_covers_every_field_and_section_and_nothing_else():
    assert set(help_texts.HELP) == set(ROWS) | set(paths.sections())
    assert all(text.endswith((".", "...")) for text in help_texts.HELP.values())


def test_every_default_that_depends_on_other_fields_is_told_in_words():
    assert set(help_texts.DERIVED) == {path for path, row in ROWS.items() if row[5] == "*"}


def test_special_advice_is_about_fields_that_there_are():
    there = set(ROWS) | set(paths.sections())
    assert set(help_texts.MISSING) <= there
    assert set(help_texts.RANGE) <= there


@pytest.mark.parametrize("path", ["nothing", "channel.nothing", "annel"])
def test_a_section_that_is_not_there_is_a_value_error(path):
    with pytest.raises(ValueError, match="not found"):
        fields.rows(path)


@pytest.mark.parametrize(
    ("unit", "written", "stored"),
    [
        ("ml", spelling.Number("36.5"), 36500),
        ("ml", spelling.Number("0.001"), 1),
        ("ml", 2000, 2000000),
        ("l", spelling.Number("0.5"), 500),
        ("micro", spelling.Number("0.000001"), 1),
        ("min", spelling.Number("7.5"), 450),
        ("min", 20, 1200),
        ("h", spelling.Number("1.25"), 4500),
        ("h", 24, 86400),
        ("h", "00:20", 1200),
        ("h", "168:00", 604800),
        ("time", "00:10", 600),
        ("time", "23:59:59", 86399),
        ("date", "2026-03-29", 9584),
        ("weekdays", ["mon", "sun"], 65),
        ("yes", True, 1),
        ("int", 24, 24),
    ],
)
def test_a_value_is_stored_exactly_and_comes_back_as_text(unit, written, stored):
    assert spelling.stored(unit, written) == stored
    if unit in spelling.NUMBERS:
        text = spelling.amount(unit, stored)
        again = text if ":" in text else spelling.Number(text)
        assert spelling.stored(unit, again) == stored


@pytest.mark.parametrize(
    ("unit", "written", "limit"),
    [
        ("ml", spelling.Number("36.5001"), "at most 3 digits"),
        ("ml", spelling.Number("1e3"), "a number of mL"),
        ("ml", spelling.Number("-0.5"), "a number of mL"),
        ("ml", spelling.Number("nan"), "a number of mL"),
        ("ml", spelling.Number("inf"), "a number of mL"),
        ("ml", "36.5", "a number of mL"),
        ("ml", True, "a number of mL"),
        ("ml", -3, "a number of mL"),
        pytest.param("ml", 10**5000, "a number of mL", id="huge"),
        ("min", spelling.Number("1.25"), "at most 1 digit "),
        ("h", spelling.Number("0.001"), "whole minutes"),
        ("h", "00:00:30", "as HH:MM"),
        ("h", "1:5", "as HH:MM"),
        ("h", "01:60", "as HH:MM"),
        ("h", "0x:00", "as HH:MM"),
        ("h", "1000:00", "as HH:MM"),
        ("time", "24:00", "00:00 to 23:59:59"),
        ("time", 800, "a time as HH:MM"),
        ("date", "29.03.2026", "a date"),
        ("date", "2026-02-29", "a date"),
        ("weekdays", ["Mon"], "mon, tue"),
        ("weekdays", ["mon", "mon"], "each day once"),
        ("weekdays", [], "mon, tue"),
        ("weekdays", "mon", "mon, tue"),
        ("yes", 1, "true or false"),
        ("int", spelling.Number("24.0"), "a whole number"),
        ("int", True, "a whole number"),
    ],
)
def test_a_value_that_cannot_be_stored_exactly_is_refused_with_its_limit(unit, written, limit):
    with pytest.raises(spelling.Refused, match=re.escape(limit)) as caught:
        spelling.stored(unit, written)
    assert caught.value.advice.endswith((".", "2026-03-29."))


def test_the_schemas_name_the_same_fields_as_the_table():
    def names(schema):
        for name, inner in schema.get("properties", {}).items():
            yield name
            for each in (inner, inner.get("items", {}), *inner.get("anyOf", [])):
                yield from names(each)
                yield from names(each.get("items", {}))

    sections = {name.rpartition(".")[2] for name in paths.sections()} - {""}
    assert set(names(make())) == {row[1] for row in ROWS.values()} | sections
    assert set(names(make(canonical=True))) == {row[0] for row in ROWS.values()} | sections


def test_a_file_of_this_version_climbs_no_step():
    data = {"format": fields.FORMAT, "version": fields.VERSION, "x": 1}
    assert migrate.migrate(data) == (data, [])
    assert set(migrate.STEPS) == set(range(1, fields.VERSION)), "a step for every older version"


def test_a_file_of_an_older_version_climbs_every_step_in_order():
    """A planted ladder: version 2 renames a field, version 3 adds one."""

    def second(data):
        data["tz"] = data.pop("zone")
        return data

    def third(data):
        return {**data, "board": ""}

    old = {"format": fields.FORMAT, "version": 1, "zone": "UTC0"}
    new, problems = migrate.migrate(old, {1: second, 2: third}, 3)
    assert problems == []
    assert new == {"format": fields.FORMAT, "version": 3, "tz": "UTC0", "board": ""}
    assert old == {"format": fields.FORMAT, "version": 1, "zone": "UTC0"}


@pytest.mark.parametrize(
    ("data", "path", "advice"),
    [
        ({}, "format", "not a set-up"),
        ({"format": "other", "version": 1}, "format", "not a set-up"),
        ({"format": fields.FORMAT}, "version", "intact copy"),
        ({"format": fields.FORMAT, "version": True}, "version", "intact copy"),
        ({"format": fields.FORMAT, "version": 0}, "version", "intact copy"),
        ({"format": fields.FORMAT, "version": "1"}, "version", "intact copy"),
        ({"format": fields.FORMAT, "version": 4}, "version", "newer Aliquot"),
        ({"format": fields.FORMAT, "version": 2}, "version", "no longer reads"),
    ],
)
def test_a_file_that_cannot_climb_is_left_alone_and_told_why(data, path, advice):
    steps = {1: lambda data: data}
    kept, problems = migrate.migrate(dict(data), steps, 3)
    assert kept == data
    assert [problem[0] for problem in problems] == [path]
    assert advice in validate.text(problems[0])
