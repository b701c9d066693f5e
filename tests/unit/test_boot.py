"""boot.py: pins at rest whatever the files hold (S8)."""

import sys
import types

import pytest


class Board(types.ModuleType):
    """A stand-in for the module `machine`: it notes what each pin was told."""

    def __init__(self, broken=()):
        super().__init__("machine")
        told = self.told = []

        class Pin:
            OUT = 3

            def __init__(self, name, mode=None, *, value=None):
                if name in broken:
                    raise ValueError("invalid pin")
                told.append((name, mode, value))

        self.Pin = Pin


@pytest.fixture
def boot(monkeypatch, tmp_path, root):
    """boot(content of pins.txt or None, broken pins) runs the real file; what the pins got."""

    def run(content, broken=(), always=""):
        board = Board(broken)
        monkeypatch.setitem(sys.modules, "machine", board)
        monkeypatch.chdir(tmp_path)
        if content is not None:
            (tmp_path / "pins.txt").write_bytes(content)
        text = (root / "device" / "boot.py").read_text("utf-8")
        if always:
            assert "ALWAYS = ()" in text
            text = text.replace("ALWAYS = ()", f"ALWAYS = {always}")
        exec(compile(text, "boot.py", "exec"), {"__name__": "__main__"})
        assert all(mode == board.Pin.OUT for _, mode, _ in board.told)
        return [(name, value) for name, _, value in board.told]

    return run


@pytest.mark.parametrize(
    ("content", "pins"),
    [
        (b"25 0\n26 1\n", [(25, 0), (26, 1)]),
        (b"# motors\n\n25 0 # alk\nGP3 0", [(25, 0), ("GP3", 0)]),
        (b"25 0\r\n26 0\r\n", [(25, 0), (26, 0)]),
        (b"25 2\n25\n25 0 0\n27 0\n", [(27, 0)]),
        (b"", []),
        (b"\xff\xfe\x00", []),
        (None, []),
        (b"25 0\n" + b"#" * 5000, [(25, 0)]),
    ],
)
def test_s8_pins_are_put_to_rest_whatever_pins_txt_holds(boot, content, pins):
    assert boot(content) == pins


def test_s8_a_pin_that_cannot_be_driven_leaves_the_others_at_rest(boot, capsys):
    assert boot(b"25 0\n99 0\n26 0\n", broken=(99,)) == [(25, 0), (26, 0)]
    assert "99" in capsys.readouterr().out


def test_s8_the_constant_pins_rest_even_where_the_list_is_lost(boot):
    assert boot(None, always="((4, 0), (5, 1))") == [(4, 0), (5, 1)]


def test_s8_a_board_without_pins_to_drive_goes_on(boot, monkeypatch, tmp_path, root, capsys):
    monkeypatch.setitem(sys.modules, "machine", None)
    monkeypatch.chdir(tmp_path)
    exec((root / "device" / "boot.py").read_text("utf-8"), {"__name__": "__main__"})
    assert "not all at rest" in capsys.readouterr().out
