"""The boards that come along and a builder's own: where they are found, and what fits on them."""

import json

import pytest

from aliquot.hal import bounds
from aliquot_host import board_file, boards, chips, cli, resources, setup_file
from aliquot_host.errors import BadInput
from set_ups import TOML, canonical, channel

PICO = resources.boards()["pico-w"]


def fits(data):
    """(path, rule) of what does not fit, for a board of ours."""
    board = boards.find(data["board"], None, {})
    return [(problem[0], problem[2]) for problem in boards.problems(data, board)]


@pytest.fixture
def own(tmp_path):
    """own(name, folder, changes) writes a builder's board, a Pico W with changes."""

    def write(name="bench", folder=tmp_path, **changes):
        folder.mkdir(exist_ok=True)
        data = {**json.loads(PICO.read_text("utf-8")), "name": name, **changes}
        file = folder / f"{name}.json"
        file.write_text(json.dumps(data), "utf-8")
        return file

    return write


def test_the_boards_of_the_baseline_are_there():
    assert set(boards.known()) == {"esp32-dev", "esp32-s3", "esp32-c3", "pico-w", "pico-2-w"}


@pytest.mark.parametrize("name", sorted(resources.boards()))
def test_a_board_of_ours_is_whole_and_has_nothing_to_be_warned_of(name):
    board = boards.known()[name]
    assert board["name"] == name
    assert set(board) == set(board_file.TABLES[""])
    assert board_file.warnings(board) == []
    assert any("pull-down" in note for note in board["notes"])
    assert all(each["enable"] is not None for each in board["outputs"])


@pytest.mark.parametrize("name", sorted(resources.boards()))
def test_no_motor_of_a_board_of_ours_hangs_on_a_pin_that_stirs_at_reset(name):
    board = boards.known()[name]
    chip = chips.CHIPS[board["chip"]]
    pins = {line.pin for line in board_file.lines(board) if line.role in board_file.MOTOR}
    taken = chip.flash | chip.radio | chip.usb | chip.input_only | set(chip.serial)
    assert not pins & (taken | set(chip.straps))


@pytest.mark.parametrize("name", sorted(resources.boards()))
def test_a_sensor_holds_nothing_until_a_builder_says_that_it_is_there(name):
    fitted = {each["input"] for each in boards.known()[name]["inputs"] if each["fitted"]}
    assert fitted <= {"reset"}


def test_a_set_up_without_a_board_is_not_held_to_one():
    assert fits(canonical(channel(pump={"output": 16}))) == []


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
    assert fits(canonical(channel(pump=pump), board=board)) == expected


@pytest.mark.parametrize(
    ("board", "microsteps", "most"),
    [
        ("esp32-dev", 16, 4337),
        ("esp32-dev", 1, 320),
        ("esp32-s3", 16, 2928),
        ("esp32-c3", 16, 2346),
        ("pico-w", 16, 4800),
        ("pico-2-w", 8, 2400),
    ],
)
def test_a_step_rate_beyond_the_bursts_is_refused_with_the_chips_figures(board, microsteps, most):
    data, speeds = None, []
    for speed in (most, most + 1):
        pump = {"speed_cps": speed, "microsteps": microsteps}
        data = canonical(channel(pump=pump, run_most_s=60), board=board)
        speeds.append(fits(data))
    assert speeds == [[], [("channel.0.pump.speed_cps", "at most")]]
    (problem,) = boards.problems(data, boards.known()[board])
    assert problem[3] == most == bounds.top_cps(boards.known()[board]["chip"], microsteps)
    assert f"at {microsteps} microsteps" in problem[4]
    assert ("soc_caps" in problem[4]) == board.startswith("esp32")


@pytest.mark.parametrize(
    ("board", "pump"),
    [
        ("esp32-dev", {"speed_cps": 4337}),
        ("esp32-c3", {"speed_cps": 9500, "microsteps": 256}),
        ("pico-w", {"speed_cps": 4800}),
        ("pico-w", {"speed_cps": 3}),
        ("esp32-s3", {"speed_cps": 1000, "kind": "timed"}),
    ],
)
def test_the_longest_run_has_room_for_ramps_and_pauses_between_bursts(board, pump):
    made = channel(pump=pump, dose_most_ul=36000)
    need_s = boards.needs_s(made, boards.known()[board])
    counts = 36000 * 12800 // 10020
    assert need_s >= counts // pump["speed_cps"]
    for run_s, expected in ((need_s, []), (need_s - 1, [("channel.0.run_most_s", "at least")])):
        assert fits(canonical({**made, "run_most_s": run_s}, board=board)) == expected


def test_a_kind_that_an_output_cannot_drive_is_named():
    output = {**boards.known()["pico-w"]["outputs"][0], "kinds": ["timed"]}
    board = {**boards.known()["pico-w"], "outputs": [output]}
    (problem,) = boards.problems(canonical(board="pico-w"), board)
    assert problem[:4] == ("channel.0.pump.kind", "stepper", "must be", "timed")


@pytest.mark.parametrize("folder", [".", "boards"])
def test_a_board_of_ones_own_is_found_beside_the_set_up(own, tmp_path, folder):
    own(folder=tmp_path / folder)
    file = tmp_path / "reef.toml"
    file.write_text('board = "bench"\n' + TOML, "utf-8")
    loaded = setup_file.load(file)
    assert loaded.board == board_file.read(tmp_path / folder / "bench.json")
    assert cli.run(["check", str(file), "--explain"]) == 0


def test_a_board_of_ones_own_elsewhere_is_named_by_file_or_folder(own, tmp_path, capsys):
    file = own(folder=tmp_path / "shelf")
    reef = tmp_path / "reef.toml"
    reef.write_text('board = "bench"\n' + TOML, "utf-8")
    assert cli.run(["check", str(reef)]) == 2
    assert "--boards" in capsys.readouterr().err
    for place in (file, file.parent):
        assert cli.run(["check", str(reef), "--boards", str(place)]) == 0


def test_a_set_up_is_refused_when_its_own_board_is_not_good(own, tmp_path, capsys):
    own(light={"pin": 23, "kind": "plain"})
    reef = tmp_path / "reef.toml"
    reef.write_text('board = "bench"\n' + TOML, "utf-8")
    assert cli.run(["check", str(reef)]) == 2
    err = capsys.readouterr().err
    assert "light.pin = 23" in err
    assert "bench.json" in err


def test_a_set_up_that_bears_the_name_of_its_board_is_no_board(tmp_path):
    data = canonical(channel(), board="bench")
    file = tmp_path / "bench.json"
    file.write_text(json.dumps(data), "utf-8")
    with pytest.raises(BadInput) as wrong:
        setup_file.load(file)
    assert [problem.path for problem in wrong.value.problems] == ["board"]


def test_a_name_cannot_lead_out_of_the_folder(own, tmp_path):
    own(folder=tmp_path / "up")
    assert boards.find("../up/bench", tmp_path / "down", {}) is None


def test_a_board_of_ours_cannot_be_replaced(own, tmp_path):
    file = own("esp32-dev")
    with pytest.raises(BadInput, match="a name of its own"):
        boards.at(file)
    near = boards.find("esp32-dev", tmp_path, {})
    assert near == boards.known()["esp32-dev"]


def test_check_takes_a_board_file_or_a_folder_of_them(own, tmp_path, capsys):
    own("one")
    two = own("two", radio=7)
    assert cli.run(["check", str(tmp_path / "one.json")]) == 0
    assert "one: no errors" in capsys.readouterr().out
    assert cli.run(["check", str(tmp_path)]) == 2
    assert "two.json: radio = 7" in capsys.readouterr().err
    assert cli.run(["check", str(two), "--json"]) == 2
    said = json.loads(capsys.readouterr().out)
    assert (said["format"], said["ok"]) == ("aliquot-check", False)
    assert [problem["path"] for problem in said["problems"]] == ["radio"]
    two.unlink()
    assert cli.run(["check", str(tmp_path), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["boards"] == ["one"]


def test_a_folder_without_boards_is_bad_input(tmp_path, capsys):
    assert cli.run(["check", str(tmp_path)]) == 2
    assert "1 to 64 board files" in capsys.readouterr().err


def test_the_readme_of_the_boards_has_every_field_and_every_board(root):
    text = (root / "boards/README.md").read_text("utf-8")
    for fields in board_file.TABLES.values():
        for field in fields:
            assert f"`{field}`" in text or f'"{field}"' in text
    for name, board in boards.known().items():
        assert f"`{name}`" in text
        assert str(boards.fastest_cps(board, 16)) in text
    for chip in chips.CHIPS:
        assert f"`{chip}`" in text
