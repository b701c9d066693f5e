"""A `World` that `Checks` looks on: files, power, motors and time sources tell it what happens."""

from __future__ import annotations

from aliquot.store import config
from aliquot_host import world
from aliquot_host.checks import Checks
from aliquot_host.memory_files import MemoryFiles
from aliquot_host.world import Board, World


class SeenFiles(MemoryFiles):
    """Files in memory; what reaches them is told."""

    checks: Checks

    def append(self, name, data):
        super().append(name, data)
        self.checks.appended(name, bytes(data))

    def write(self, name, data):
        super().write(name, data)
        self.checks.written(name, bytes(data))


class SeenBoard(Board):
    """A board whose start is told between its reading and its first record."""

    def __init__(self, files, setup, boot_w, cause, notice):
        real = world.open_journal

        def opened(own, lost):
            journal, findings = real(own, lost)
            files.checks.booted_with(journal.state.seq, journal.state.now_s)
            if journal.state.hash:
                files.checks.settled(*config.settle(own, journal.state.hash))
            return journal, findings

        world.open_journal = opened
        try:
            super().__init__(files, setup, boot_w, cause, notice)
        finally:
            world.open_journal = real
        hear = self.judge.hear

        def heard(engine, now_s, wall_s, source):
            files.checks.hear(source, wall_s, now_s)
            return hear(engine, now_s, wall_s, source)

        self.judge.hear = heard


class SeenWorld(World):
    """A world with `checks`; violations of both stand in `violations`."""

    def __init__(self, loaded, **own):
        super().__init__(loaded, files=SeenFiles(), **own)
        self.checks = self.files.checks = Checks(self.violate)
        self.checks.know(loaded.data, loaded.canonical)
        self.before_s = 0

    def powered_s(self):
        return self.before_s + self.now_w - self.board.boot_w

    def boot(self, cause=1):
        world.Board = SeenBoard
        try:
            super().boot(cause)
        finally:
            world.Board = Board

    def cut(self, length_s):
        self.before_s = self.powered_s()
        self.checks.dark()
        super().cut(length_s)

    def change_setup(self, loaded):
        self.checks.know(loaded.data, loaded.canonical)
        super().change_setup(loaded)

    def _turn(self, board, ch, counts):
        most_s = -(-counts // self.setup.channels[ch].speed_cps) + 1
        self.checks.starts(ch, counts, most_s, self.powered_s())
        ended = board.engine.ended

        def told(now_s, given, cause=0):
            self.checks.stops(given, self.powered_s())
            ended(now_s, given, cause)

        board.engine.ended = told
        super()._turn(board, ch, counts)
        del board.engine.ended
        if self.runs[-1].ended == "cut":
            self.checks.stops(self.runs[-1].given, self.powered_s(), known=False)
