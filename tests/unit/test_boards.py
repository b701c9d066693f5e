"""The boards that come along: their files, and what of a set-up does not fit on them."""

import json

import pytest

from aliquot_host import boards, resources
from set_ups import canonical, channel

# Pins that decide how a chip starts, or that flash, USB or radio take (Espressif and Raspberry
# Pi data sheets, from memory): a motor there could run before any program does.
TAKEN = {
    "esp32": {0, 1, 2, 3, 5, 6, 7, 8, 9, 10, 11, 12, 15, 34, 35, 36, 37, 38, 39},
    "esp32s3": {0, 3, 19, 20, 43, 44, 45, 46, *range(26, 38)},
    "esp32c3": {2, 8, 9, *range(11, 18), 18, 19, 20, 21},
    "rp2040": {0, 1, 23, 24, 25, 29},
    "rp2350": {0, 1, 23, 24, 25, 29},
}


def test_the_boards_of_the_baseline_are_there():
    assert set(boards.known()) == {"esp32-dev", "esp32-s3", "esp32-c3", "pico-w", "pico-2-w"}


@pytest.mark.parametrize("name", sorted(resources.boards()))
def test_a_board_is_whole_and_uses_each_pin_once(name):
    board = boards.known()[name]
    assert board["name"] == name
    assert set(board) == {
        *("format", "version", "name", "label", "chip", "rest", "outputs", "notes"),
    }
    pins = [output["step"] for output in board["outputs"]]
    pins += [each["direction"] for each in board["outputs"] if each["direction"] is not None]
    assert len(set(pins)) == len(pins)
    assert not set(pins) & TAKEN[board["chip"]]
    assert all(set(output["kinds"]) <= {"stepper", "timed"} for output in board["outputs"])
    assert board["rest"] in (0, 1)
    assert any("pull-down" in note for note in board["notes"])


def test_a_set_up_without_a_board_is_not_held_to_one():
    assert boards.problems(canonical(channel(pump={"output": 16}))) == []


@pytest.mark.parametrize(
    ("board", "pump", "expected"),
    [
        ("pico-w", {"output": 8}, []),
        ("pico-w", {"output": 9}, [("channel.0.pump.output", "at most")]),
        ("esp32-dev", {"output": 4, "reverse": 1}, []),
        ("esp32-dev", {"output": 5, "reverse": 1}, [("channel.0.pump.reverse", "must be")]),
        ("abacus", {}, [("board", "must be")]),
    ],
)
def test_what_does_not_fit_on_a_board_is_named(board, pump, expected):
    found = boards.problems(canonical(channel(pump=pump), board=board))
    assert [(problem[0], problem[2]) for problem in found] == expected


def test_a_kind_that_an_output_cannot_drive_is_named(monkeypatch):
    only = {"outputs": [{"output": 1, "step": 2, "direction": None, "kinds": ["timed"]}]}
    monkeypatch.setattr(boards, "known", lambda: {"small": only})
    (problem,) = boards.problems(canonical(board="small"))
    assert problem[:4] == ("channel.0.pump.kind", "stepper", "must be", "timed")


@pytest.mark.parametrize(
    "change", [{"format": "other"}, {"version": 2}, {"outputs": [{"output": 2}]}]
)
def test_a_file_of_another_format_is_no_board(tmp_path, change):
    board = json.loads(resources.boards()["pico-w"].read_text(encoding="utf-8"))
    file = tmp_path / "odd.json"
    file.write_text(json.dumps({**board, **change}), encoding="utf-8")
    with pytest.raises(ValueError, match=r"odd\.json"):
        boards.read(file)
