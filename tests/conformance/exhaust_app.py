"""A dose of the whole app during which memory runs out, at one allocation after the other (S26).

The method is that of `exhaust.py`: a heap that cannot grow, rationed by the block. Here the app's
tasks give the dose, and what comes up goes through `App.halt`, as on a board. Then the board is
reset, with what it kept in backup memory, and lives on.
"""

from exhaust import Case, free, journal_files

from aliquot.core.records import decode
from aliquot.store.files import Files
from app_rig import Board, Life

BLOCK = 16
LATER_S = 4000
BASE = {}


def prepare(wall_w):
    BASE["wall"] = wall_w
    BASE["files"] = journal_files(Files("/data"))


class AppCase:
    """One board on the brink of a dose."""

    ration = Case.ration

    def __init__(self, number):
        files = Files(f"/case{number}")
        for name, content in BASE["files"]:
            files.write(name, content)
        self.board = Board(files, ("float", "stop"))
        self.life = Life(self.board)
        self.life.ask(do="clock", wall_w=BASE["wall"], id=5)
        self.life.run(20)
        engine = self.life.app.engine
        due = min([lane.due_w for lane in engine.lanes])
        self.life.run(due - BASE["wall"] - 20 - 1, ease=20)
        self.before = engine.state.seq
        self.error = False
        self.blocks = 0

    def give(self):
        try:
            self.life.run(8)
        except MemoryError:
            self.error = True

    def restart(self):
        """A reset, as main.py ends every exception; then it goes on with memory to spare."""
        self.off = self.board.pumping is None
        self.life = Life(self.board, 3)
        wall = BASE["wall"] + self.board.ms // 1000
        self.life.ask(do="clock", wall_w=wall, id=6)
        self.life.run(LATER_S, ease=20)

    def audit(self):
        """What is wrong, as words: from the records, and from what the motor truly did."""
        wrong = []
        told = []
        seq = gave = 0
        for name, content in journal_files(self.board.files):
            for line in content.split(b"\n"):
                if name[0] != "j" or line[:2] == b"S " or not line:
                    continue
                own, _, kind, f, _ = decode(line)
                if own != seq + 1:
                    wrong.append(f"number {own} after {seq}")
                seq = own
                if kind == "I":
                    told.append((f[0], f[4]))
        for ch, counts in self.board.truth:
            gave += counts
            mine = [one for one in told if one[0] == ch and one[1] >= counts]
            if mine:
                told.remove(mine[0])
            else:
                wrong.append(f"channel {ch} gave {counts} without an intent")
        state = self.life.app.engine.state
        if sum([c.tot[2] for c in state.channels]) < gave:
            wrong.append("more was given than is told")
        if state.open or state.gap or state.foreign or state.latched:
            wrong.append("not at rest")
        if not self.off:
            wrong.append("a motor turns")
        if not self.board.runs:
            wrong.append("nothing ran afterwards")
        return wrong

    def report(self):
        print(int(self.error), self.blocks, self.board.runs, self.audit())


def whole():
    """Print how many blocks the dose takes when nothing fails."""
    case = AppCase(99999)
    began = free()
    case.give()
    print((began - free()) // BLOCK, case.error, case.board.runs)
