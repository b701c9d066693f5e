"""`aliquot convert`: TOML to canonical JSON and back."""

import json

import pytest

from aliquot_host import cli, setup_file
from set_ups import TOML


@pytest.fixture
def reef(tmp_path):
    file = tmp_path / "reef.toml"
    file.write_text(TOML, encoding="utf-8")
    return file


def test_toml_becomes_the_bytes_that_a_board_keeps(reef, capsysbinary):
    assert cli.run(["convert", str(reef)]) == 0
    assert capsysbinary.readouterr().out == setup_file.load(reef).canonical


def test_there_and_back_again_means_the_same(reef, tmp_path, capsys):
    there, back = tmp_path / "reef.json", tmp_path / "again.toml"
    assert cli.run(["convert", str(reef), "-o", str(there)]) == 0
    assert cli.run(["convert", str(there), "-o", str(back)]) == 0
    assert setup_file.load(back).canonical == there.read_bytes()
    assert len(back.read_text().strip().splitlines()) == 8
    assert "again.toml" in capsys.readouterr().err


@pytest.mark.parametrize("wanted", ["toml", "json"])
def test_the_spelling_can_be_asked_for(reef, capsys, wanted):
    assert cli.run(["convert", str(reef), "--to", wanted]) == 0
    out = capsys.readouterr().out
    assert out.startswith("{" if wanted == "json" else 'timezone = "Europe/Berlin"')


def test_a_file_is_not_written_over_unasked(reef, tmp_path, capsys):
    out = tmp_path / "out.json"
    out.write_text("precious")
    assert cli.run(["convert", str(reef), "-o", str(out)]) == 2
    assert out.read_text() == "precious"
    assert "--force" in capsys.readouterr().err
    assert cli.run(["convert", str(reef), "-o", str(out), "--force"]) == 0
    assert json.loads(out.read_text())["format"] == "aliquot-setup"


def test_a_folder_that_is_not_there_is_bad_input(reef, tmp_path, capsys):
    assert cli.run(["convert", str(reef), "-o", str(tmp_path / "no" / "out.json")]) == 2
    assert "cannot be written" in capsys.readouterr().err


def test_bad_input_is_not_converted(reef, tmp_path, capsys):
    reef.write_text(TOML.replace("55", "5"))
    out = tmp_path / "out.json"
    assert cli.run(["convert", str(reef), "-o", str(out)]) == 2
    assert not out.exists()
    assert "cap_ml" in capsys.readouterr().err
