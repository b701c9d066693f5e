"""The desk's end of the line to a board: orders out, replies back, whatever else is on the port.

`Client.ask` sends an order and sends it again, with the same number, until its reply is there: a
board does an order once however often it hears it. What is no message is skipped. A board that
refuses becomes bad input with the board's own reasons. Nothing is decided here, and no port is
ever guessed where there are two.
"""

from __future__ import annotations

import contextlib
import datetime
import errno
import json
import random
import re
import sys
import time
from binascii import crc32
from collections.abc import Callable
from decimal import Decimal
from typing import TYPE_CHECKING, Any, TypeVar

import click

from aliquot.link import LINE_MOST, Lines, unpack
from aliquot_host import errors

if TYPE_CHECKING:
    from serial import SerialBase

Reply = dict[str, Any]
F = TypeVar("F", bound=Callable[..., Any])

BAUD = 115200
REPLY_MOST = 1 << 16
WAIT_S = 2.0
TRIES = 5
# A board checks a set-up for up to a minute, and doses meanwhile: asking again is free, but what
# comes while it checks must fit into its buffer.
SLOW = {"adopt": 30.0}
# A serial port that is looked at twenty times a second keeps about 260 bytes in between.
PIECE = 128
WAKE_S = 0.06
PAUSE_S = 0.015
ID_MOST = (1 << 29) - 1
EPOCH_S = 946684800  # of Unix, at 2000-01-01
ENVIRONMENT = "ALIQUOT_PORT"
TRY = "To try without a board: `aliquot virtual FILE` prints a port that works here."
CP210X = 0x10C4  # the maker's number of a USB bridge, see _open
# What a board advises, where the commands have a word for it.
SPELLED = {
    "confirm that it may use the room of planned doses": "say --planned, and it may use the room "
    "of planned doses",
    "set the clock first": "set the clock first: aliquot set-clock",
    "set it by hand": "set it by hand: aliquot set-clock TIME",
    "run counts into a cup instead": "calibrate it first: aliquot calibrate CHANNEL --live",
    "release the hold or fault, or calibrate": "`aliquot status` shows what holds it: release the "
    "hold, clear the fault, or calibrate",
    "name an order": "the board's program does not know it: it is of another version",
}


class Silence(errors.BadInput):
    """Nothing answers on the port."""


class Client:
    """One open line. `url`: a device (/dev/ttyUSB0, COM5), socket://host:port, rfc2217://..."""

    def __init__(self, url: str, wait_s: float = WAIT_S, tries: int = TRIES) -> None:
        self.url = url
        self.wait_s = wait_s
        self.tries = tries
        self.port: Any = _open(url)
        self.lines = Lines(REPLY_MOST)
        self.draw = random.SystemRandom()

    def __enter__(self) -> Client:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let the port go."""
        # In this order, as in _open; a port that went has no lines any more.
        with contextlib.suppress(OSError):
            self.port.rts = False
            self.port.dtr = False
        self.port.close()

    def ask(self, do: str, **words: object) -> Reply:
        """The reply to an order. BadInput where the board refuses it, Silence without a reply."""
        reply = self.tell(do, **words)
        if not reply.get("ok"):
            raise refused(reply, words.get("channel"))
        return reply

    def tell(self, do: str, **words: object) -> Reply:
        """The same, but a refusal is a reply too."""
        number = self.draw.randint(1, ID_MOST)
        data = packed({"do": do, "id": number, **words})
        wait_s = max(self.wait_s, SLOW.get(do, 0))
        for attempt in range(self.tries):
            self._send(data)
            reply = self._hear(number, wait_s)
            if reply is not None:
                if attempt and reply.get("done") == 0:
                    # An earlier try came through, and its reply was lost on the way.
                    reply["done"] = 1
                return reply
        raise Silence(
            errors.Problem(
                "--port",
                self.url,
                limit="a board on which Aliquot runs",
                advice="Nothing answers. Look at cable and port; a board that stands at its "
                f"prompt starts again after ten minutes. {TRY}",
            )
        )

    def _send(self, data: bytes) -> None:
        try:
            if len(data) > PIECE:
                self.port.write(b"\n")
                time.sleep(WAKE_S)
            for at in range(0, len(data), PIECE):
                self.port.write(data[at : at + PIECE])
                if at + PIECE < len(data):
                    time.sleep(PAUSE_S)
        except OSError as problem:
            raise self._gone(problem) from None

    def _hear(self, number: int, wait_s: float) -> Reply | None:
        until = time.monotonic() + wait_s
        while time.monotonic() < until:
            try:
                data = self.port.read(1)
                while data and len(data) < REPLY_MOST and self.port.in_waiting:
                    data += self.port.read(self.port.in_waiting)
            except OSError as problem:
                raise self._gone(problem) from None
            for line in self.lines.feed(data) if data else ():
                reply = unpack(line)
                if reply and reply.get("re") == number:
                    return reply
        return None

    def _gone(self, problem: OSError) -> errors.BadInput:
        return errors.bad(
            "--port",
            self.url,
            advice=f"The line broke ({problem}). Connect the board again, and ask again: an order "
            "that came through is not done twice.",
        )


def packed(order: Reply) -> bytes:
    """The line of an order; BadInput where none can be made that a board would hear.

    Unlike `link.pack` it escapes no letters: MicroPython does not join the two escaped halves of a
    character beyond U+FFFF, and the journal would hold what is no UTF-8."""
    try:
        text = json.dumps(order, ensure_ascii=False).encode()
    except UnicodeEncodeError as problem:
        # What the terminal sent and is no UTF-8 comes as halves of characters.
        wrong = problem.object[problem.start : problem.end]
        name = next(key for key, value in order.items() if wrong in str(value))
        raise errors.bad(
            name,
            order[name],
            limit="text in UTF-8",
            advice="Write it anew: it has a byte that belongs to no character.",
        ) from None
    data = b"\x1e%s\t%08x\n" % (text, crc32(text))
    if len(data) > LINE_MOST:
        name = max(order, key=lambda key: len(str(order[key])))
        limit = f"a line of {LINE_MOST} bytes for the whole order"
        raise errors.bad(name, order[name], limit=limit, advice="Write less.")
    return data


def _open(url: str) -> SerialBase:
    """Open a port without a reset of the board behind it.

    The usual circuit beside an ESP32 resets it while RTS is on and DTR is off (Espressif, ESP32
    hardware design guidelines: automatic download); USB of the chip itself sends nothing while
    DTR is off. So both are on while the port is open, as systems switch them when they open one,
    and RTS never is without DTR."""
    import serial

    try:
        port = serial.serial_for_url(url, baudrate=BAUD, timeout=0.05, do_not_open=True)
        if "://" not in url:
            port.write_timeout = 2
            port.exclusive = True
        # This bridge's driver on Windows switches them one after the other.
        apart = sys.platform == "win32" and _maker(url) == CP210X
        if apart:
            port.dtr = port.rts = False
        port.open()
        if apart:
            port.dtr = True
            port.rts = True
    except (OSError, ValueError) as problem:
        raise errors.bad(
            "--port",
            url,
            limit="a serial port, or socket://HOST:PORT",
            advice=f"It cannot be opened: {_reason(problem)}. {TRY}",
        ) from None
    return port


def _reason(problem: Exception) -> str:
    """Why a port does not open, in words that help."""
    if not isinstance(problem, OSError):
        return str(problem)
    if problem.errno == errno.EACCES:
        return "you may not use it (on Linux the group `dialout` may)"
    if problem.errno == errno.ENOENT:
        return "there is none of that name"
    if problem.errno in (errno.EAGAIN, errno.EBUSY):
        return "another program uses it"
    if problem.errno in (errno.EISDIR, errno.ENOTTY) or "ioctl" in str(problem):
        return "it is no serial port"
    return str(problem)


def _maker(device: str) -> int:
    """The USB number of a port's maker, 0 where it is no USB port."""
    from serial.tools import list_ports

    return next((one.vid or 0 for one in list_ports.comports() if one.device == device), 0)


def ports() -> list[tuple[str, str]]:
    """The USB serial ports of this machine, as (device, description)."""
    from serial.tools import list_ports

    return [(one.device, one.description or "") for one in list_ports.comports() if one.vid]


def chosen(port: str | None) -> str:
    """The port that was named, or the only USB serial port that is there."""
    if port:
        return port
    there = ports()
    if len(there) == 1:
        click.echo(f"aliquot: using {there[0][0]} ({there[0][1]})", err=True)
        return there[0][0]
    if there:
        names = ", ".join(f"{device} ({what})" for device, what in there)
        raise errors.bad("--port", limit=names, advice="Several boards may be there: name one.")
    raise errors.bad("--port", limit="a serial port", advice=f"No USB serial port is here. {TRY}")


def port_option(command: F) -> F:
    """The option `--port` of every command that talks to a board."""
    return click.option(
        "--port",
        envvar=ENVIRONMENT,
        metavar="PORT",
        help="Serial port or socket://HOST:PORT; else $ALIQUOT_PORT, else the only one there is.",
    )(command)


def refused(reply: Reply, channel: object = None) -> errors.BadInput:
    """A board's refusal in a person's units. channel: the one that the order named."""
    name, value, limit = str(reply.get("field", "")), reply.get("value"), reply.get("limit", "")
    if name == "ul" or name.endswith("_ul"):
        name = name.removesuffix("ul") + "ml"
        value = Decimal(in_ml(value)) if isinstance(value, int) else value
        limit = f"{in_ml(limit)} mL"
    elif name in ("until", "wall_w") and isinstance(value, int):
        name, value = "time", local_text(value)
    elif name == "channel" and isinstance(value, int):
        value = channel  # the board counts them
    advice = str(reply.get("advice", ""))
    advice = SPELLED.get(advice, advice).replace("CHANNEL", str(channel or "CHANNEL"))
    return errors.bad(name, value, limit=str(limit), advice=f"{advice[:1].upper()}{advice[1:]}.")


def in_ml(value: object) -> str:
    """Microlitres in a number or a sentence, as millilitres."""
    return re.sub(r"-?\d+", lambda found: plain_ml(int(found[0])), str(value))


def plain_ml(ul: int) -> str:
    """Microlitres as exact millilitres, without the unit."""
    return f"{Decimal(ul) / 1000:f}"


def local_text(wall_w: int) -> str:
    """Wall seconds since 2000 as a person here reads them."""
    moment = datetime.datetime.fromtimestamp(wall_w + EPOCH_S, datetime.UTC).astimezone()
    return moment.strftime("%Y-%m-%d %H:%M:%S")


def now_w() -> int:
    """This computer's time in wall seconds since 2000."""
    return int(time.time()) - EPOCH_S
