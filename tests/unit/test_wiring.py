"""The drawing of the wiring: every pin, part and caution is on it, legibly, and all in black."""

import itertools
import json
import re
from xml.etree import ElementTree as ET

import pytest

from aliquot_host import board_file, boards, chips, cli, drawing, resources, wiring
from aliquot_host.cautions import BUILD

SVG = "{" + drawing.SVG + "}"
NAMES = sorted(resources.boards())


def own(**changes):
    """A board unlike ours: enable lines of both polarities, steps that rest high, no sensors."""
    data = json.loads(resources.boards()["esp32-c3"].read_text("utf-8"))
    enables = [(7, 1), (0, 0), (None, 0), (None, 0)]
    for output, (pin, on) in zip(data["outputs"], enables, strict=True):
        output.update(enable=pin, enable_on=on)
    data.update(name="bench", inputs=[], **changes)
    made, problems = board_file.checked(data)
    assert problems == []
    return made


def counted():
    """An ESP32 whose first pumps have a speed input and a pin of their own that counts."""
    data = json.loads(resources.boards()["esp32-dev"].read_text("utf-8"))
    data.update(name="bench", inputs=[], clock=None)
    data["outputs"] = data["outputs"][:2]
    data["outputs"][0].update(count=34, pwm=25)
    data["outputs"][1].update(count=None, pwm=26, duty_pct=60)
    made, problems = board_file.checked(data)
    assert problems == []
    return made


def page(data, pumps=None):
    return ET.fromstring(wiring.draw(data, pumps))


def words(root):
    return [each.text for each in root.iter(SVG + "text")]


def boxes(root):
    """(left, top, right, bottom, words) of every text, as wide as its letters are on average."""
    for each in root.iter(SVG + "text"):
        size = float(each.get("font-size"))
        width = len(each.text) * size * drawing.LETTER
        x, y = float(each.get("x")), float(each.get("y"))
        x -= {"start": 0, "middle": width / 2, "end": width}[each.get("text-anchor", "start")]
        yield x, y - size * 0.72, x + width, y + size * 0.2, each.text


@pytest.mark.parametrize("board", [*boards.known().values(), own(), counted()])
def test_every_pin_in_use_is_on_the_drawing(board):
    said = words(page(board))
    for line in board_file.lines(board):
        want = line.pin if isinstance(line.pin, str) else f"GPIO {line.pin}"
        assert want in said or (line.role == "count" and f"step, and to {want} (counts)" in said)


@pytest.mark.parametrize("name", NAMES)
def test_supply_fuse_resistors_drivers_and_pumps_are_on_the_drawing(name):
    board = boards.known()[name]
    said = words(page(board))
    pull = wiring.ohms(chips.CHIPS[board["chip"]].pull_ohm)
    count = len(board["outputs"])
    assert said.count(pull) >= count
    for i in range(1, count + 1):
        assert {f"Driver {i}", f"Pump {i}"} <= set(said)
    text = " ".join(said)
    for part in ("Supply", "fuse", "Converter", "residual-current", "drip loop", "siphon break"):
        assert part in text


def test_every_caution_is_on_the_drawing_and_those_of_a_place_are_marked_there():
    said = words(page(boards.known()["pico-w"]))
    text = " ".join(said)
    for i, (name, sentence) in enumerate(BUILD, 1):
        assert name in said
        assert sentence in text
        assert str(i) in said
    # Once in the list, and once or twice beside what they are about.
    assert [i for i in range(1, 10) if said.count(str(i)) >= 2] == [1, 2, 3, 4, 5, 6, 8]


@pytest.mark.parametrize("data", [*boards.known().values(), own(), counted()])
def test_no_words_cover_others_or_leave_the_page(data):
    root = page(data)
    _, _, width, height = map(float, root.get("viewBox").split())
    found = list(boxes(root))
    for left, top, right, bottom, text in found:
        assert 0 <= left < right <= width, text
        assert 0 <= top < bottom <= height, text
    for a, b in itertools.combinations(found, 2):
        apart = a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]
        assert apart, f"{a[4]} and {b[4]}"


@pytest.mark.parametrize("name", NAMES)
def test_no_words_are_cut_where_the_drawing_is_printed_on_sheets(name):
    root = page(boards.known()[name])
    sheet = wiring.WIDTH * drawing.SHEET_MM[1] / drawing.SHEET_MM[0]
    for _, top, _, bottom, text in boxes(root):
        assert top // sheet == bottom // sheet, text
    assert root.get("width") == "210mm"


def test_the_drawing_needs_no_colour():
    text = wiring.draw(boards.known()["esp32-s3"]).decode()
    colours = set(re.findall(r'(?:fill|stroke)="([^"]*)"', text))
    assert colours == {"none", drawing.INK, drawing.PAPER, drawing.SHADE}
    assert drawing.INK == "#" + "0" * 3


def test_what_may_be_left_out_is_dashed():
    made = boards.known()["esp32-dev"]

    def dashes(board):
        return wiring.draw(board).decode().count('stroke-dasharray="5 4"')

    fitted = {**made, "inputs": [{**each, "fitted": 1} for each in made["inputs"]]}
    # Four sensors, each with a line and a box.
    assert dashes(made) - dashes(fitted) == 8


def test_the_first_pumps_alone_can_be_drawn():
    said = words(page(boards.known()["pico-w"], 2))
    assert "Pump 2" in said
    assert "Pump 3" not in said


def test_the_same_board_gives_the_same_bytes():
    made = boards.known()["esp32-c3"]
    assert wiring.draw(made) == wiring.draw(made)


def test_enable_lines_that_are_not_shared_have_their_resistor_in_words():
    said = words(page(own()))
    assert "enable, on when high; 10 k to 0 V" in said
    assert "enable, on when low; 10 k to 3.3 V" in said


@pytest.mark.parametrize("voltage", wiring.DIVIDERS)
def test_the_divider_is_high_at_ten_per_cent_less_and_safe_at_ten_per_cent_more(voltage):
    volts, upper, lower = (float(text.split()[0]) for text in voltage)
    pin = lower / (upper + lower)
    assert 0.9 * volts * pin >= 0.75 * 3.3
    assert 1.1 * volts * pin <= 3.3


def test_the_command_writes_the_drawing_and_never_over_another_unasked(tmp_path, capsys):
    file = tmp_path / "wiring.svg"
    assert cli.run(["boards", "pico-w", "--wiring", str(file)]) == 0
    assert file.read_bytes() == wiring.draw(boards.known()["pico-w"])
    assert cli.run(["boards", "esp32-dev", "--wiring", str(file)]) == 2
    assert "--force" in capsys.readouterr().err
    assert cli.run(["boards", "esp32-dev", "--wiring", str(file), "--force", "--pumps", "1"]) == 0
    assert file.read_bytes() == wiring.draw(boards.known()["esp32-dev"], 1)
