"""Edits of a set-up file: comments stay, nothing invalid is ever written."""

import datetime
from decimal import Decimal

import pytest

from aliquot_host import editing, resources, setup_file
from aliquot_host.editing import Edit
from aliquot_host.errors import BadInput

TODAY = datetime.date(2026, 4, 10)


@pytest.fixture
def reef(tmp_path):
    file = tmp_path / "reef.toml"
    file.write_bytes(resources.examples()["demo_reef"].read_bytes())
    return file


def changed_lines(before, after):
    """The lines that only the second text has."""
    old = before.splitlines()
    return [line for line in after.splitlines() if line not in old]


def test_only_the_named_value_changes(reef):
    before = reef.read_text()
    said = editing.change(reef, [Edit("channel.alk.daily_ml", Decimal("38.49"))], TODAY)
    after = reef.read_text()
    assert changed_lines(before, after) == ["daily_ml = 38.49"]
    assert "alk: a day: 38.4 mL -> 38.49 mL" in said


def test_a_table_in_a_line_keeps_its_place_and_comment(reef):
    value = {"counts": 64010, "ml": Decimal("50.123")}
    comment = "until 2026-04-10: { counts = 12800, ml = 10.02 }"
    editing.change(reef, [Edit("channel.alk.calibration", value, comment)], TODAY)
    text = reef.read_text()
    assert f"# {comment}\ncalibration = {{ counts = 64010, ml = 50.123 }}" in text
    assert "# not filled for a while" in text
    data = setup_file.load(reef, today=TODAY).data
    assert data["channel"][0]["calibration"] == {"counts": 64010, "ul": 50123, "offset": 0}


def test_lists_water_and_new_separations_can_be_reached(reef):
    edits = [
        Edit("channel.mg.at.1.time", "06:45"),
        Edit("tank.water.calcium.use_per_day", Decimal("4.41")),
        Edit("channel.food.strength", None),
        Edit("separate", {"channels": ["mg", "food"], "minutes": 2}, "new"),
    ]
    editing.change(reef, edits, TODAY)
    data = setup_file.load(reef, today=TODAY).data
    assert data["channel"][2]["at"][1]["time_s"] == 6 * 3600 + 45 * 60
    assert data["tank"]["water"][1]["use_micro"] == 4_410_000
    assert data["channel"][3]["strength"] is None
    assert data["separate"][-1] == {"channels": ["mg", "food"], "seconds": 120}
    assert "# three mornings a week" in reef.read_text()


def test_a_field_that_was_not_there_is_added_to_its_own_channel(reef):
    editing.change(reef, [Edit("channel.cal.label", "Ca")], TODAY)
    editing.change(reef, [Edit("channel.alk.start_date", datetime.date(2026, 4, 1))], TODAY)
    data = setup_file.load(reef, today=TODAY).data
    assert data["channel"][1]["label"] == "Ca"
    assert data["channel"][0]["start_date"] is not None
    assert data["channel"][1]["start_date"] is None


def test_what_would_not_be_valid_is_not_written(reef):
    before = reef.read_bytes()
    with pytest.raises(BadInput) as caught:
        editing.change(reef, [Edit("channel.alk.daily_ml", Decimal(60))], TODAY)
    assert any("cap_ml" in problem.path for problem in caught.value.problems)
    assert reef.read_bytes() == before
    assert [p.name for p in reef.parent.iterdir()] == ["reef.toml"]


def test_an_edit_that_names_nothing_is_refused(reef):
    before = reef.read_bytes()
    for path in ("channel.alkk.daily_ml", "tank.water.iron.start", "channel.mg.at.9.ml"):
        with pytest.raises(BadInput):
            editing.change(reef, [Edit(path, Decimal(1))], TODAY)
    assert reef.read_bytes() == before


def test_json_is_not_edited(reef, tmp_path):
    file = tmp_path / "reef.json"
    file.write_bytes(setup_file.load(reef, today=TODAY).canonical)
    with pytest.raises(BadInput, match="TOML"):
        editing.change(file, [Edit("channel.alk.daily_ml", Decimal(30))], TODAY)


def test_a_file_that_somebody_changed_meanwhile_is_left_alone(reef):
    edited = editing.preview(reef, [Edit("channel.alk.daily_ml", Decimal(30))], TODAY)
    reef.write_text(reef.read_text().replace("daily_ml = 37.2", "daily_ml = 36.2"))
    after = reef.read_text()
    with pytest.raises(BadInput, match="meanwhile"):
        editing.write(reef, edited)
    assert reef.read_text() == after


@pytest.mark.parametrize("name", sorted(resources.examples()))
def test_an_edit_back_and_forth_gives_the_same_bytes(name, tmp_path):
    file = tmp_path / "one.toml"
    source = resources.examples()[name].read_bytes()
    file.write_bytes(source)
    c = setup_file.load(file, today=TODAY).data["channel"][0]
    cap = Decimal(c["cap_ul"]) / 1000
    editing.change(file, [Edit(f"channel.{c['id']}.cap_ml", cap + 1)], TODAY)
    assert file.read_bytes() != source
    editing.change(file, [Edit(f"channel.{c['id']}.cap_ml", cap)], TODAY)
    assert file.read_bytes() == source
