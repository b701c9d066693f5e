"""A board file: every pin that cannot do its work is refused, with the reason from the chip."""

import json

import pytest

from aliquot_host import board_file, boards, resources
from aliquot_host.errors import BadInput


def board(which="esp32-dev", /, **changes):
    """The data of a board of ours with changes."""
    return {**json.loads(resources.boards()[which].read_text("utf-8")), **changes}


def one(name="esp32-dev", **changes):
    """A board of one output, which is changed, and of nothing else."""
    output = {"output": 1, "step": 4, "direction": None, "kinds": ["stepper"], **changes}
    return board(name, outputs=[output], inputs=[], light=None, clock=None)


def sensor(name="esp32-dev", **changes):
    """A board of one output and one input, which is changed."""
    each = {"input": "float", "pin": 25, "on": 1, **changes}
    return {**one(name, step=26 if name == "esp32-dev" else 5), "inputs": [each]}


def found(data, level="error"):
    """(path, limit, advice) of the problems of a level."""
    _, problems = board_file.checked(data)
    return [(p.path, p.limit, p.advice) for p in problems if p.level == level]


# what is wrong -> (data, path, words of the limit, words of the reason)
BAD_PINS = {
    "an output on an input-only pin": (
        one(step=34),
        "outputs[1].step",
        "not GPIO34 to 39",
        "can only be an input",
    ),
    "an enable line on an input-only pin": (
        one(enable=39),
        "outputs[1].enable",
        "not GPIO34 to 39",
        "data sheet",
    ),
    "a flash pin": (one(step=6), "outputs[1].step", "not GPIO6 to 11", "flash memory"),
    "an input on a flash pin": (sensor(pin=11), "inputs[1].pin", "not GPIO6 to 11", "flash"),
    "a pin of extra memory": (
        {**one(step=16), "psram": "quad"},
        "outputs[1].step",
        "not GPIO16, 17",
        "quad PSRAM",
    ),
    "a pin of octal memory": (
        {**one("esp32-s3", step=35), "psram": "octal"},
        "outputs[1].step",
        "not GPIO33 to 37",
        "octal PSRAM",
    ),
    "a pin that the chip has not": (
        one(step=24),
        "outputs[1].step",
        "a pin of ESP32",
        "no GPIO24",
    ),
    "the serial port": (one(step=1), "outputs[1].step", "not GPIO1, 3", "start-up log"),
    "USB": (one("esp32-c3", step=18), "outputs[1].step", "not GPIO18, 19", "is USB"),
    "the radio": (one("pico-w", step=23), "outputs[1].step", "not GPIO23 to 25, 29", "radio"),
    "a strapping pin that the chip pulls up": (
        one(step=5),
        "outputs[1].step",
        "does not read at reset",
        "the motor could step or run",
    ),
    "a strapping pin whose resistor would stop the start": (
        one(step=0),
        "outputs[1].step",
        "does not read at reset",
        "at rest this line is low",
    ),
    "an enable line off when high on a strapping pin that must be low": (
        one(enable=12, enable_on=0),
        "outputs[1].enable",
        "does not read at reset",
        "1.8 V",
    ),
    "an enable line off when low on a strapping pin that is pulled up": (
        one(enable=15, enable_on=1),
        "outputs[1].enable",
        "does not read at reset",
        "be switched on",
    ),
    "a float switch on a strapping pin that must be high": (
        sensor(pin=0),
        "inputs[1].pin",
        "does not read at reset",
        "may hold it low",
    ),
    "a button that is low at rest on a strapping pin that must be high": (
        sensor(input="reset", pin=0, on=1),
        "inputs[1].pin",
        "does not read at reset",
        "at rest this line is low",
    ),
    "a clock chip on a strapping pin that must be low": (
        {**one(), "clock": {"sda": 12, "scl": 22}},
        "clock.sda",
        "does not read at reset",
        "high",
    ),
    "a step pin that is driven high at power-on": (
        one("esp32-s3", step=18),
        "outputs[1].step",
        "quiet at power-on",
        "stronger than any resistor",
    ),
    "a pin used twice": (one(direction=4), "outputs[1].direction", "each pin once", "another pin"),
    "a pin of an output used by an input": (
        sensor(pin=26),
        "inputs[1].pin",
        "outputs[1].step has it already",
        "another pin",
    ),
    "a pull where the chip has none": (
        sensor(pin=34, pull="up"),
        "inputs[1].pull",
        "outside",
        "no pull inside",
    ),
    "a motor on a pin with a name": (
        one("pico-w", step="LED"),
        "outputs[1].step",
        "the number of a pin",
        "Only the light",
    ),
    "a light on the radio's pin without a radio": (
        {**one("pico-w"), "light": {"pin": "LED", "kind": "plain"}, "radio": 0},
        "light.pin",
        "the number of a pin",
        "Only the light",
    ),
    "more RMT channels than the chip has": (
        {**one(), "taken": 1},
        "taken",
        "at most 0",
        "8 RMT channels",
    ),
    "more state machines than the chip has": (
        board("pico-w", taken=7),
        "taken",
        "at most 6",
        "one for the running pump and 1 for the radio",
    ),
    "a pin to count on where nothing counts": (
        one("esp32-c3", step=5, count=6),
        "outputs[1].count",
        "null",
        "nothing that counts",
    ),
    "a pin to count on that something else has": (
        {**sensor(pin=25), "outputs": [{**one(step=26)["outputs"][0], "count": 25}]},
        "inputs[1].pin",
        "outputs[1].count has it already",
        "another pin",
    ),
    "a speed input on an input-only pin": (
        one(pwm=36),
        "outputs[1].pwm",
        "not GPIO34 to 39",
        "can only be an input",
    ),
    "two stop buttons": (
        {**one(), "inputs": [{"input": "stop", "pin": pin, "on": 0} for pin in (25, 26)]},
        "inputs[2].input",
        "one stop input",
        "Take one out",
    ),
}


@pytest.mark.parametrize("name", BAD_PINS)
def test_a_pin_that_cannot_do_its_work_is_refused_with_the_reason(name):
    data, path, limit, reason = BAD_PINS[name]
    problems = found(data)
    assert [problem[0] for problem in problems] == [path]
    assert limit in problems[0][1]
    assert reason in problems[0][2]


@pytest.mark.parametrize(
    "data",
    [
        one(step=16),
        one(step=14),
        sensor(pin=39, pull="outside"),
        sensor(input="reset", pin=0, on=0),
        sensor(pin=2),
        {**one("esp32-s3", step=35), "psram": "quad"},
        {**one("pico-w", step=23), "radio": 0},
        {**sensor("esp32-c3", pin=20), "console": "usb"},
        {**sensor("esp32-c3", pin=18), "console": "uart"},
        one("esp32-s3", step=4, enable=18),
        one(count=34),
        one(count=4),
        one(count=None),
        one(pwm=25, duty_pct=40),
        board("pico-w", taken=6),
        {**board("pico-w", taken=7), "radio": 0, "light": None},
    ],
)
def test_a_pin_close_by_that_can_do_its_work_is_not_refused(data):
    assert found(data) == []


def test_the_serial_port_takes_no_motor_whatever_the_console_is():
    assert found({**one("esp32-c3", step=21), "console": "usb"})


@pytest.mark.parametrize("pin", [2, 12])
def test_a_strapping_pin_at_its_level_is_a_warning_with_its_danger(pin):
    assert found(one(step=pin)) == []
    ((path, _, advice),) = found(one(step=pin), "warning")
    assert path == "outputs[1].step"
    assert "read at reset" in advice


def test_outputs_may_share_an_enable_line_of_one_polarity():
    first = {"output": 1, "step": 4, "direction": None, "kinds": ["stepper"], "enable": 14}
    second = {**first, "output": 2, "step": 16}
    assert found({**one(), "outputs": [first, second]}) == []
    ((path, limit, _),) = found({**one(), "outputs": [first, {**second, "enable_on": 1}]})
    assert path == "outputs[2].enable_on"
    assert limit == "0, as at outputs[1].enable_on"


BAD_SHAPES = {
    "another format": ({"format": "other"}, "format", "aliquot-board"),
    "a newer version": ({"version": 2}, "version", "1"),
    "a version as text": ({"version": "1"}, "version", "1"),
    "an unknown field": ({"outputz": 1}, "outputz", "no such field"),
    "a chip without hardware that counts": ({"chip": "esp32c2"}, "chip", "esp32 or"),
    "outputs out of order": (
        {"outputs": [{"output": 2, "step": 4, "direction": None, "kinds": ["timed"]}]},
        "outputs[1].output",
        "1",
    ),
    "steps that rest high, which no driver keeps": ({"rest": 1}, "rest", "0"),
    "no outputs": ({"outputs": []}, "outputs", "1 to 16"),
    "an output that is no object": ({"outputs": [3]}, "outputs[1]", "an object"),
    "a missing field": ({"outputs": [{"output": 1}]}, "outputs[1].step", "must be there"),
    "a step pin of null": (
        {"outputs": [{"output": 1, "step": None, "direction": None, "kinds": ["timed"]}]},
        "outputs[1].step",
        "the number of a pin",
    ),
    "a pin that is true": ({"light": {"pin": True, "kind": "plain"}}, "light.pin", "a pin"),
    "a kind twice": (
        {"outputs": [{"output": 1, "step": 4, "direction": 5, "kinds": ["timed", "timed"]}]},
        "outputs[1].kinds",
        "stepper and timed",
    ),
    "a debounce of no time": (
        {"inputs": [{"input": "leak", "pin": 25, "on": 0, "debounce_ms": 0}]},
        "inputs[1].debounce_ms",
        "10 to 5000",
    ),
    "a word that is a list": ({"console": ["usb"]}, "console", "both or usb"),
    "a name with blanks": ({"name": "my board"}, "name", "small letters"),
    "a note that is a number": ({"notes": [1]}, "notes[1]", "characters"),
}


@pytest.mark.parametrize("name", BAD_SHAPES)
def test_a_file_of_another_shape_names_field_and_limit(name):
    change, path, limit = BAD_SHAPES[name]
    by_path = {each[0]: each for each in found(board(**change))}
    assert path in by_path
    assert limit in by_path[path][1]
    assert by_path[path][2]


def test_a_chip_that_cannot_count_steps_is_refused_with_the_reason():
    ((_, _, advice),) = found(board(chip="esp32c2"))
    assert "no RMT" in advice


def test_a_slip_in_a_name_is_guessed():
    ((_, _, advice),) = found(board(ligth=None))
    assert advice == "Did you mean light?"


def test_what_a_file_leaves_out_stands_in_the_data_with_its_default(root):
    made = board_file.read(root / "tests/unit/golden/aliquot-board-1.json")
    assert set(made) == set(board_file.TABLES[""])
    assert (made["inputs"], made["light"], made["clock"]) == ([], None, None)
    assert (made["psram"], made["console"], made["taken"]) == ("none", "both", 0)
    assert all(each["enable"] is None for each in made["outputs"])
    assert all(each["count"] == each["step"] for each in made["outputs"])
    assert [each["step"] for each in made["outputs"]] == [16, 17, 18, 19, 23, 25, 26, 27]


def test_the_data_of_a_board_passes_its_own_check_again():
    for made in boards.known().values():
        again, problems = board_file.checked(made)
        assert (again, problems) == (made, [])


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("odd.json", "[]", "not a board of Aliquot"),
        ("odd.json", "{", "a whole file of JSON"),
        ("odd.json", '{"chip": "esp32", "chip": "esp32"}', "each field once"),
        ("odd.json", " " * 70000, "too large for a board"),
        ("odd.toml", "a = 1", "a file of JSON"),
    ],
)
def test_a_file_that_is_no_board_at_all_is_bad_input(tmp_path, name, content, says):
    file = tmp_path / name
    file.write_text(content, "utf-8")
    with pytest.raises(BadInput, match=says):
        board_file.read(file)


def test_a_file_is_called_as_its_board(tmp_path):
    file = tmp_path / "other.json"
    file.write_text(json.dumps(board(name="bench")), "utf-8")
    with pytest.raises(BadInput, match="as the file is called"):
        board_file.read(file)


def test_the_levels_at_rest_keep_every_motor_off():
    made = boards.known()["esp32-dev"]
    levels = dict(board_file.at_rest(made))
    assert levels.pop(14) == 1
    assert set(levels.values()) == {0}
    assert len(levels) == 12
