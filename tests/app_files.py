"""What a board's folder holds after it took over a set-up, for tests that start there."""

from collections import Counter

from aliquot.core.dates import days_of
from aliquot.core.records import decode
from aliquot.store.config import hash_of
from aliquot_host.memory_files import MemoryFiles
from aliquot_host.setup_file import dump_json
from app_rig import Board, Life
from set_ups import canonical, channel

NOON_W = days_of(2026, 6, 1) * 86400 + 12 * 3600
# Kinds of records by which an act shows, and where its request number stands in them.
KINDS = {"P": 3, "D": 5, "F": 2, "N": 1, "E": 2, "K": 5, "H": 2, "h": 2, "X": 4}
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


def acts_in(files):
    """How often each request number stands in the journal."""
    found = Counter()
    for name, data in files.files.items():
        for line in bytes(data).split(b"\n") if name[0] == "j" else ():
            if line and line[:2] != b"S ":
                _, _, kind, fields, _ = decode(line)
                if kind in KINDS and fields[KINDS[kind]]:
                    found[fields[KINDS[kind]]] += 1
    return found
