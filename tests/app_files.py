"""What a board's folder holds after it took over a set-up, for tests that start there."""

from aliquot.store.config import hash_of
from aliquot_host.memory_files import MemoryFiles
from aliquot_host.setup_file import dump_json
from app_rig import Board, Life
from set_ups import canonical, channel

PIECE = 700
ID = 500_000_000


def load(life, data, given_ul=0):
    """Send a set-up over the line and adopt it; the reply."""
    text = dump_json(data)
    for at in range(0, len(text), PIECE):
        assert life.ask(do="load", at=at, hex=text[at : at + PIECE].hex())["ok"]
    return life.ask(do="adopt", hash=hash_of(text), given_ul=given_ul, id=ID)


def eight(doses=24, speed_cps=500):
    """A set-up of eight channels."""
    pump = {"speed_cps": speed_cps}
    return canonical(*[channel(f"ch-{i}", i, doses=doses, pump=pump) for i in range(1, 9)])


def board_files(data):
    """Name -> content of the folder of a board that adopted `data` just now."""
    board = Board(MemoryFiles())
    assert load(Life(board), data)["ok"]
    return board.files.content()
