"""A board on a desk behind a real TCP socket, for tests of the commands at the tank.

Its time goes on as fast as it can while a client is there. `spoil` may change, lose or double what
comes in or goes out. No test stands here.
"""

import contextlib
import socket
import threading

from aliquot_host.memory_files import MemoryFiles
from app_rig import Board, Life, Restart

SLICE_MS = 60


class SocketBoard:
    """`url` is its port; `life` its program; use as a context."""

    def __init__(self, files=None, spoil=None, pace_s=0.002):
        self.board = Board(files or MemoryFiles(), ("float", "leak", "supply", "stop"))
        self.life = Life(self.board)
        self.spoil = spoil or (lambda data, out: data)
        self.pace_s = pace_s
        self.over = threading.Event()
        self.silent = False
        self.server = socket.create_server(("127.0.0.1", 0))
        self.server.settimeout(0.05)
        self.url = f"socket://127.0.0.1:{self.server.getsockname()[1]}"
        self.problem = None
        self.thread = threading.Thread(target=self._serve, daemon=True)

    def __enter__(self):
        self.thread.start()
        return self

    def __exit__(self, *error):
        self.over.set()
        self.thread.join(10)
        self.server.close()
        if self.problem:
            raise self.problem

    def _serve(self):
        try:
            while not self.over.is_set():
                with contextlib.suppress(TimeoutError):
                    there, _ = self.server.accept()
                    with there:
                        self._client(there)
        except Exception as problem:  # noqa: BLE001 - the test is told in its own thread
            self.problem = problem

    def _client(self, there):
        there.settimeout(self.pace_s)
        # What an interpreter prints on the same port.
        there.sendall(b">>> board: a line that is no message\r\n\x1e{half\r\n")
        while not self.over.is_set():
            try:
                data = there.recv(4096)
                if not data:
                    return
                self.board.came += self.spoil(data, False)
            except TimeoutError:
                pass
            except OSError:
                return
            try:
                self.life.run(ms=SLICE_MS)
            except Restart as restart:
                self.life = Life(self.board, restart.cause)
            went, self.board.went = b"".join(self.board.went), []
            if went and not self.silent:
                with contextlib.suppress(OSError):
                    there.sendall(self.spoil(went, True))
