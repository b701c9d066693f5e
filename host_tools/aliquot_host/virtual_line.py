"""The serial port of a virtual board: one TCP port on 127.0.0.1, `socket://127.0.0.1:PORT`.

Like a cable it serves one client at a time: a second one waits until the first has gone, and what
it sends meanwhile is kept for its turn. What the board says while nobody listens is lost, as on a
real port. It carries bytes and understands none of them.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable

HOST = "127.0.0.1"
# More than this waits in neither direction: what a client does not read is lost, and one that
# sends without end is sent away.
KEPT_MOST = 1 << 16


class Line(asyncio.Protocol):
    """One client's end."""

    def __init__(self, port: Port) -> None:
        self.port = port
        self.came = bytearray()
        self.greeted = False
        self.transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """A client came: it is served now, or once those before it have gone."""
        assert isinstance(transport, asyncio.Transport)
        self.transport = transport
        self.port.joined(self)

    def data_received(self, data: bytes) -> None:
        """Keep what came for the board to read."""
        self.came += data
        if len(self.came) > KEPT_MOST and self.transport:
            self.transport.abort()

    def connection_lost(self, exc: Exception | None) -> None:
        """The client has gone; what it sent and nobody read goes with it."""
        self.port.left(self)

    def send(self, data: bytes) -> None:
        """Send as far as the client reads."""
        if self.transport and self.transport.get_write_buffer_size() <= KEPT_MOST:
            self.transport.write(data)


class Port:
    """The board's end. greeting: what a client gets before the first reply, none of it a message.

    woken: called when a client comes, so that the board need not look for one all the time."""

    def __init__(self, greeting: Callable[[], bytes], woken: Callable[[], None]) -> None:
        self.greeting = greeting
        self.woken = woken
        self.lines: list[Line] = []
        self.number = 0
        self._server: asyncio.Server | None = None

    def open(self, loop: asyncio.AbstractEventLoop, number: int) -> None:
        """Listen on a port, 0 for any that is free; OSError where it is taken."""
        self._server = loop.run_until_complete(
            loop.create_server(lambda: Line(self), HOST, number)
        )
        self.number = int(self._server.sockets[0].getsockname()[1])

    def close(self) -> None:
        """Listen no longer, and let all clients go."""
        if self._server:
            self._server.close()
        for line in self.lines:
            if line.transport:
                line.transport.abort()

    @property
    def busy(self) -> bool:
        """Whether a client is there."""
        return bool(self.lines)

    def joined(self, line: Line) -> None:
        """A client came."""
        self.lines.append(line)
        self.woken()

    def left(self, line: Line) -> None:
        """A client went; the next one is served."""
        self.lines.remove(line)

    def read(self) -> bytes:
        """What the client who is served has sent; b"" for nothing."""
        if not self.lines or not self.lines[0].came:
            return b""
        line = self.lines[0]
        if not line.greeted:
            line.greeted = True
            line.send(self.greeting())
        data = bytes(line.came)
        line.came.clear()
        return data

    def write(self, data: bytes) -> None:
        """Send to the client who is served; lost where there is none."""
        if self.lines:
            self.lines[0].send(data)
