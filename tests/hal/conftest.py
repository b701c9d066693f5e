"""What tests of the board share: a board on a stand-in of a chip, with the firmware's calls."""

import asyncio
import json
import sys
import time
import types

import pytest

import chip
import chip_board
import pump_runs  # it puts the stand-ins in place
from aliquot.hal import board as board_module
from aliquot.hal.board import Board
from aliquot_host.memory_files import MemoryFiles

TICKS = chip.TICKS


def diff(later, earlier):
    return ((later - earlier + 0x20000000) & TICKS) - 0x20000000


async def sleep_ms(ms):
    chip.Chip.on.us += ms * 1000


@pytest.fixture
def firmware(monkeypatch):
    """What MicroPython has and CPython has not; returns on(chip's name, chip to go on from)."""
    port = chip_board.Port()

    def on(name, backup=None):
        made = pump_runs.fresh(name)
        made.backup = backup or chip_board.Backup(name)
        made.port = port
        monkeypatch.setattr(sys, "platform", chip_board.PLATFORMS[name])
        monkeypatch.setattr(time, "ticks_ms", made.ticks_ms, raising=False)
        return made

    monkeypatch.setattr(time, "ticks_diff", diff, raising=False)
    monkeypatch.setattr(asyncio, "sleep_ms", sleep_ms, raising=False)
    monkeypatch.setattr(board_module, "poll", chip_board.Poll)
    # Not the module itself: the output of pytest goes through that.
    streams = types.SimpleNamespace(stdin=port, stdout=port, modules=sys.modules)
    monkeypatch.setattr(board_module, "sys", streams)
    monkeypatch.setattr(chip_board.Timer, "all", ())
    return on


@pytest.fixture
def make(firmware, root):
    """make(name of one of our boards, changes of its file ...) -> (Board, Chip)."""

    def made(name, backup=None, **changes):
        data = json.loads((root / "boards" / f"{name}.json").read_text("utf-8"))
        data.update(changes)
        at = firmware(data["chip"], backup)
        return Board(MemoryFiles(), lambda: data), at

    return made
