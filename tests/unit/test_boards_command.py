"""`aliquot boards`: the list, one board, its JSON, and what it refuses."""

import json

import pytest

from aliquot_host import board_file, boards, chips, cli, resources


@pytest.fixture
def run(capsys):
    """run(options...) gives (exit code, stdout, stderr)."""

    def run(*options):
        code = cli.run(["boards", *map(str, options)])
        return code, *capsys.readouterr()

    return run


@pytest.fixture
def own(tmp_path):
    """A board file of a builder's own, whose step pin is one that the chip reads at reset."""
    data = json.loads(resources.boards()["esp32-dev"].read_text("utf-8"))
    data.update(name="bench", label="A bench", light=None)
    data["outputs"] = data["outputs"][:1]
    data["outputs"][0].update(step=2, enable=None)
    file = tmp_path / "bench.json"
    file.write_text(json.dumps(data), "utf-8")
    return file


def test_without_a_name_all_boards_are_listed_with_their_fastest_steps(run):
    code, out, err = run()
    assert (code, err) == (0, "")
    for name, board in boards.known().items():
        assert name in out
        assert board["label"] in out
    assert "4337 steps/s" in out


def test_one_board_is_shown_with_pins_levels_and_reasons(run):
    code, out, _ = run("esp32-dev")
    assert code == 0
    for part in (
        *("14, on when low, shared", "14=1", "16=0", "not fitted; holds dosing"),
        *("10 kilohms or less", "511", "4337 at 16", "soc_caps", "WROVER"),
    ):
        assert part in out


def test_json_holds_the_whole_board_its_levels_and_the_limits_of_its_chip(run):
    code, out, _ = run("esp32-s3", "--json")
    said = json.loads(out)
    (board,) = said["boards"]
    assert (code, said["format"], said["version"]) == (0, "aliquot-boards", 1)
    assert {key: board[key] for key in board_file.TABLES[""]} == boards.known()["esp32-s3"]
    assert (board["own"], board["problems"]) == (False, [])
    assert {"pin": 21, "level": 1} in board["at_rest"]
    assert board["limits"]["burst_most_steps"] == 191
    assert board["limits"]["rate_most_cps"]["16"] == 2928
    assert (board["limits"]["untended_ms"], board["limits"]["stop_ms"]["stepper"]) == (250, 5)
    assert board["limits"]["sources"] == dict(chips.ESP32_S3.sources)


def test_json_of_all_boards_has_what_makes_their_pulses(run):
    _, out, _ = run("--json")
    limits = {board["name"]: board["limits"] for board in json.loads(out)["boards"]}
    assert set(limits) == set(boards.known())
    assert {name: limits[name]["pulses"] for name in ("pico-w", "esp32-c3")} == {
        "pico-w": "pio",
        "esp32-c3": "rmt",
    }
    assert limits["pico-w"]["burst_most_steps"] is None
    assert limits["pico-w"]["state_machines"] == 8


def test_a_board_of_ones_own_is_shown_by_its_path_its_folder_or_its_name(run, own):
    for options in ((own,), (own.parent,), ("bench", "--boards", own)):
        code, out, _ = run(*options, "--json")
        (board,) = json.loads(out)["boards"]
        assert (code, board["name"], board["own"]) == (0, "bench", True)
        assert [problem["level"] for problem in board["problems"]] == ["warning"]


def test_a_board_of_ones_own_shows_what_it_is_better_without(run, own):
    code, out, _ = run(own)
    assert code == 0
    assert "warning: outputs[1].step = 2" in out


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("abacus",), "esp32-c3, esp32-dev"),
        (("--wiring", "a.svg"), "Name the board: esp32-c3"),
        (("--files", "out"), "Name the board: esp32-c3"),
        (("pico-w", "--pumps", "0"), "--pumps"),
        (("pico-w", "--wiring", "no/folder/a.svg"), "cannot be written"),
    ],
)
def test_what_cannot_be_shown_or_drawn_is_bad_input(run, options, says):
    code, _, err = run(*options)
    assert code == 2
    assert says in err
    assert "Traceback" not in err


def test_json_names_the_drawing(run, tmp_path):
    file = tmp_path / "a.svg"
    code, out, _ = run("pico-2-w", "--wiring", file, "--json")
    assert (code, json.loads(out)["wiring"]) == (0, str(file))
    assert file.stat().st_size > 10000


# The board's own files.


@pytest.mark.parametrize("name", ["esp32-dev", "esp32-s3", "esp32-c3", "pico-w", "pico-2-w"])
def test_s08_the_files_of_a_board_are_what_the_program_on_it_reads(run, tmp_path, name):
    from aliquot.store import board as on_board

    folder = tmp_path / "new" / name
    code, _, err = run(name, "--files", folder)
    assert code == 0
    assert "copy them to the board's root" in " ".join(err.split())
    known = boards.known()[name]
    data = on_board.load(str(folder / "board.json"))
    assert data == {key: value for key, value in known.items() if key != "notes"}
    pins = (folder / "pins.txt").read_text("utf-8")
    # As boot.py reads it, which takes no more than a kilobyte.
    assert len(pins) <= 1024
    lines = [line.split("#")[0].split() for line in pins.splitlines()]
    rest = [(int(pin), int(level)) for pin, level in filter(None, lines)]
    assert rest == board_file.at_rest(known)


def test_files_of_a_board_are_not_written_over_unasked(run, tmp_path):
    (tmp_path / "pins.txt").write_text("mine", "utf-8")
    code, _, err = run("pico-w", "--files", tmp_path)
    assert code == 2
    assert "--force" in err
    assert not (tmp_path / "board.json").exists()
    assert run("pico-w", "--files", tmp_path, "--force")[0] == 0
    assert "2 0" in (tmp_path / "pins.txt").read_text("utf-8")


def test_a_folder_that_cannot_be_made_is_bad_input(run, tmp_path):
    (tmp_path / "file").write_text("", "utf-8")
    code, _, err = run("pico-w", "--files", tmp_path / "file")
    assert code == 2
    assert "Traceback" not in err


def test_json_names_the_files_of_a_board(run, tmp_path):
    said = json.loads(run("pico-w", "--files", tmp_path, "--json")[1])
    assert said["files"] == [str(tmp_path / "board.json"), str(tmp_path / "pins.txt")]
