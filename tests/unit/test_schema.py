"""`aliquot schema`: the JSON Schema of either spelling, against the metaschema and real files."""

import json
import tomllib

import jsonschema
import pytest

from aliquot_host import cli, json_schema, resources, setup_file
from set_ups import TOML, canonical, channel


def seen_by_an_editor(value):
    """TOML as an editor hands it to a schema: dates and times are texts."""
    if isinstance(value, dict):
        return {key: seen_by_an_editor(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [seen_by_an_editor(inner) for inner in value]
    return value if isinstance(value, (bool, int, float, str)) else value.isoformat()


def errors(text, canonical=False):
    data = json.loads(text) if canonical else seen_by_an_editor(tomllib.loads(text))
    validator = jsonschema.Draft202012Validator(json_schema.make(canonical))
    return [".".join(map(str, error.absolute_path)) for error in validator.iter_errors(data)]


@pytest.mark.parametrize("options", [[], ["--canonical"]])
def test_the_command_prints_a_schema_of_2020_12(capsys, options):
    assert cli.run(["schema", *options]) == 0
    schema = json.loads(capsys.readouterr().out)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    jsonschema.Draft202012Validator.check_schema(schema)
    assert schema == json_schema.make(bool(options))


@pytest.mark.parametrize("name", sorted(resources.examples()))
def test_an_example_fits_the_schema_in_both_spellings(name):
    file = resources.examples()[name]
    assert errors(file.read_text(encoding="utf-8")) == []
    assert errors(setup_file.load(file).canonical.decode(), canonical=True) == []


def test_the_golden_files_fit_the_schema(root):
    golden = root / "tests" / "unit" / "golden"
    assert errors((golden / "aliquot-setup-1.toml").read_text(encoding="utf-8")) == []
    text = (golden / "aliquot-setup-1.json").read_text(encoding="utf-8")
    assert errors(text, canonical=True) == []


@pytest.mark.parametrize(
    ("old", "new", "where"),
    [
        ("doses", "dosis", ""),
        ("doses = 24", "doses = 145", "channel.0.doses"),
        ("doses = 24", "doses = 24.5", "channel.0.doses"),
        ("doses = 24", 'from = "25:00"', "channel.0.from"),
        ("doses = 24", 'weekdays = ["Mon"]', "channel.0.weekdays.0"),
        ("doses = 24", "start_date = 'soon'", "channel.0.start_date"),
        ("doses = 24", "pump = { kind = 'rocket' }", "channel.0.pump.kind"),
        ("cap_ml = 55", "", "channel.0"),
        ("cap_ml = 55", "cap_ml = 4001", "channel.0.cap_ml"),
        ("cap_ml = 55", "cap_ml = '55'", "channel.0.cap_ml"),
        ('id = "alk"', 'id = "Alk"', "channel.0.id"),
    ],
)
def test_an_editor_sees_a_slip(old, new, where):
    text = TOML + "doses = 24\n"
    assert errors(text) == []
    assert (
        where in ".".join(errors(text.replace(old, new, 1)))
        if where
        else errors(text.replace(old, new, 1))
    )


@pytest.mark.parametrize(
    ("changes", "where"),
    [
        ({"doses": 0}, "channel.0.doses"),
        ({"grace_s": 125}, "channel.0.grace_s"),
        ({"start_date": "2026-01-01"}, "channel.0.start_date"),
        ({"more": 1}, "channel.0"),
    ],
)
def test_the_canonical_schema_sees_a_wrong_number(changes, where):
    made = canonical()
    made["channel"][0] = {**channel(), **changes}
    assert errors(json.dumps(canonical()), canonical=True) == []
    assert errors(json.dumps(made), canonical=True) == [where]


def test_every_field_is_described_and_fixed_defaults_are_given():
    properties = json_schema.make()["properties"]["channel"]["items"]["properties"]
    assert all(each.get("description") for each in properties.values())
    assert properties["doses"]["default"] == 24
    assert properties["from"]["default"] == "00:00"
    assert properties["span_h"]["default"] == 24
    assert properties["dose_least_ml"]["default"] == 0.1
    assert properties["weekdays"]["default"][0] == "mon"
    assert "default" not in properties["cap_ml"]
