"""The desk's end of the line: it asks until it has the reply, and a board does an order once."""

import errno
import os
import random

import pytest

from aliquot import link
from aliquot.link import LINE_MOST, pack, unpack
from aliquot_host import errors, line
from aliquot_host.line import Client
from app_files import NOON_W, acts_in, load
from app_rig import Life
from set_ups import canonical, channel
from socket_board import SocketBoard


def ready(board):
    assert load(board.life, canonical(channel(), channel("ca", 2)))["ok"]
    assert board.life.ask(do="clock", wall_w=NOON_W)["ok"]
    return board


@pytest.fixture
def board():
    with ready(SocketBoard()) as found:
        yield found


def test_a_reply_is_found_among_other_text(board):
    with Client(board.url) as client:
        assert client.ask("status")["channels"][0]["id"] == "alk"


def test_an_order_through_a_line_that_cuts_loses_and_doubles_is_done_once():
    rng = random.Random(5)

    def spoil(data, out):
        dice = rng.random()
        if dice < 0.25:
            return data[: rng.randrange(len(data))]
        if dice < 0.4:
            return data + data
        if dice < 0.5:
            return b"\x00\xff\x1e" + data
        return b"" if dice < 0.6 else data

    with ready(SocketBoard(spoil=spoil)) as board:
        with Client(board.url, wait_s=0.15, tries=60) as client:
            for n in range(20):
                assert client.ask("note", channel="all", text=f"note {n}")["ok"]
        counted = acts_in(board.board.files)
        assert sum(counted.values()) - counted[500_000_000] == 20
        assert max(counted.values()) == 1


def test_a_lost_reply_is_asked_for_again_with_the_same_number(board):
    board.silent = True
    silence = pytest.raises(line.Silence, match="Nothing answers")
    with Client(board.url, wait_s=0.3, tries=2) as client, silence:
        client.ask("refill", channel="alk", ul=1000)
    assert len([n for n in acts_in(board.board.files) if n != 500_000_000]) == 1


def test_a_refusal_is_told_in_a_persons_units(board):
    with Client(board.url) as client, pytest.raises(errors.BadInput) as wrong:
        client.ask("extra", channel="alk", ul=9_000_000, planned=1)
    (problem,) = wrong.value.problems
    assert problem.path == "extra_ml"
    assert (str(problem.value), problem.limit) == ("9000", "0.1 to 4 mL")
    assert problem.advice == "See dose_most_ml."


def test_an_order_whose_reply_was_lost_counts_as_done():
    lost = []

    def spoil(data, out):
        if out and len(lost) < 1:
            lost.append(data)
            return b""
        return data

    with ready(SocketBoard()) as board, Client(board.url, wait_s=0.3) as client:
        board.spoil = spoil
        assert client.ask("refill", channel="alk", ul=1000)["done"] == 1
        assert lost
        assert client.ask("cancel", channel="alk")["done"] == 0
    assert list(acts_in(board.board.files).values()) == [1]


def test_a_reply_to_another_order_is_not_taken():
    with ready(SocketBoard()) as board:
        board.spoil = lambda data, out: pack({"re": 7, "ok": 1, "why": "other"}) + data
        with Client(board.url) as client:
            assert client.ask("status")["why"] == ""


def test_an_order_that_takes_long_is_waited_for_and_asked_for_again(monkeypatch):
    waits = []
    with ready(SocketBoard()) as board, Client(board.url) as client:
        monkeypatch.setattr(client, "_hear", lambda number, wait_s: waits.append(wait_s))
        for do in ("status", "adopt"):
            with pytest.raises(line.Silence):
                client.ask(do)
    assert waits == [2.0] * 5 + [30.0] * 5


def test_a_refusal_names_channels_times_and_commands():
    def told(field, value, limit, advice):
        reply = {"field": field, "value": value, "limit": limit, "advice": advice}
        (problem,) = line.refused(reply, "alk").problems
        return problem.path, problem.value, problem.limit, problem.advice

    assert told("channel", 0, "free to run", "wait") == ("channel", "alk", "free to run", "Wait.")
    found = told("wall_w", 0, "outside 2026 to 2099", "set it by hand")
    assert found[0] == "time"
    assert str(found[1])[:4] in ("1999", "2000")
    assert found[3] == "Set it by hand: aliquot set-clock TIME."
    found = told("channel", "alk", "calibrated", "run counts into a cup instead")
    assert found[3] == "Calibrate it first: aliquot calibrate alk --live."
    assert told("counts", 5, "1 to 9", "see run_most_s")[:3] == ("counts", 5, "1 to 9")
    found = told("daily_ul", 36500, 17000, "the cap holds; give less")
    assert (found[0], str(found[1]), found[2]) == ("daily_ml", "36.5", "17 mL")
    assert found[3] == "The cap holds; give less."


class Lines:
    """A device's two lines, and every state that they went through while it was open."""

    def __init__(self):
        self.is_open = False
        self.states = []
        self._dtr = self._rts = True

    def _set(self):
        if self.is_open:
            self.states.append((self._dtr, self._rts))

    dtr = property(
        lambda self: self._dtr, lambda self, on: (setattr(self, "_dtr", on), self._set())
    )
    rts = property(
        lambda self: self._rts, lambda self, on: (setattr(self, "_rts", on), self._set())
    )

    def open(self):
        self.is_open = True
        self._set()

    def close(self):
        self.is_open = False


@pytest.mark.parametrize(
    ("platform", "maker"), [("linux", 0x10C4), ("win32", 0x10C4), ("win32", 1)]
)
def test_a_port_never_has_rts_on_while_dtr_is_off(monkeypatch, platform, maker):
    # Espressif, ESP32 hardware design guidelines: that is how the usual circuit resets the chip.
    import serial

    port = Lines()
    monkeypatch.setattr(serial, "serial_for_url", lambda *_, **__: port)
    monkeypatch.setattr(line.sys, "platform", platform)
    monkeypatch.setattr(line, "_maker", lambda device: maker)
    with Client("COM5"):
        assert port.states[-1] == (True, True)  # USB of a chip itself sends nothing else
    assert (False, True) not in port.states
    assert port.states[-1] == (False, False)


@pytest.mark.skipif(os.name == "nt", reason="no pseudo-terminals")
def test_a_serial_device_is_used_by_one_program_at_a_time():
    import pty
    import tty

    board, device = pty.openpty()
    tty.setraw(board)
    try:
        with Client(os.ttyname(device), wait_s=0.05, tries=2) as client:
            with pytest.raises(errors.BadInput, match="another program uses it"):
                Client(os.ttyname(device))
            with pytest.raises(line.Silence):
                client.ask("status")
            orders = [unpack(one) for one in os.read(board, 4096).split(b"\n")]
        assert orders[0] == orders[1]
        assert orders[0]["do"] == "status"
    finally:
        os.close(board)
        os.close(device)


def test_why_a_port_does_not_open_is_said_in_words():
    assert "dialout" in line._reason(OSError(errno.EACCES, "x"))
    assert "another program" in line._reason(OSError(errno.EBUSY, "x"))
    assert "of that name" in line._reason(OSError(errno.ENOENT, "x"))
    assert line._reason(ValueError("odd url")) == "odd url"


# pyserial leaves the socket of a connection that failed to the collector.
@pytest.mark.filterwarnings("ignore::ResourceWarning")
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_port_that_is_not_there_is_bad_input():
    with pytest.raises(errors.BadInput, match="cannot be opened"):
        Client("/dev/not-there")
    with pytest.raises(errors.BadInput, match="cannot be opened"):
        Client("socket://127.0.0.1:1")


@pytest.mark.parametrize(
    ("there", "said"),
    [
        ([], "No USB serial port is here"),
        ([("/dev/a", "one"), ("/dev/b", "two")], "Several boards"),
    ],
)
def test_no_port_is_guessed_where_there_is_none_or_two(monkeypatch, there, said):
    monkeypatch.setattr(line, "ports", lambda: there)
    with pytest.raises(errors.BadInput, match=said):
        line.chosen(None)


def test_the_only_port_is_taken_and_named(monkeypatch, capsys):
    monkeypatch.setattr(line, "ports", lambda: [("/dev/a", "one")])
    assert line.chosen(None) == "/dev/a"
    assert "using /dev/a (one)" in capsys.readouterr().err


def test_microlitres_in_a_sentence_become_millilitres():
    assert line.in_ml("100 to 4000") == "0.1 to 4"
    assert line.in_ml(-2500) == "-2.5"


# Nor does it close a socket whose other end has gone.
@pytest.mark.filterwarnings("ignore::ResourceWarning")
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_line_that_breaks_says_that_nothing_is_done_twice(board):
    with Client(board.url) as client:
        client.ask("status")
        board.over.set()
        board.thread.join(5)
        client.wait_s, client.tries = 0.2, 2
        with pytest.raises(errors.BadInput, match="Connect the board again"):
            client.ask("status")
    assert isinstance(board.life, Life)


@pytest.mark.parametrize(
    "text", ["plain", "8.1 °dKH", "\U0001f44d", 'tab\tline\nquote"\x7f\u2028']
)
def test_the_line_of_an_order_holds_its_letters_as_utf_8_and_is_heard(text):
    order = {"do": "note", "id": 7, "text": text}
    data = line.packed(order)
    _, heard = link.Lines().feed(b"rest of a line\n" + data)
    assert unpack(heard) == order
    assert b"\\u" not in data


def longest(extra):
    """An order whose line is as long as a board hears, and `extra` bytes more."""
    order = {"do": "note", "id": 1 << 28, "text": ""}
    order["text"] = "x" * (LINE_MOST - len(line.packed(order)) + extra)
    return order


def test_an_order_that_is_too_long_for_a_board_is_refused_before_it_is_sent():
    assert link.Lines().feed(line.packed(longest(0)))
    with pytest.raises(errors.BadInput) as wrong:
        line.packed(longest(1))
    (problem,) = wrong.value.problems
    assert (problem.path, problem.advice) == ("text", "Write less.")
    assert str(LINE_MOST) in problem.limit


def test_half_a_character_is_refused_before_it_is_sent():
    with pytest.raises(errors.BadInput) as wrong:
        line.packed({"do": "hold", "id": 7, "until_w": 0, "channel": "al\udcff"})
    (problem,) = wrong.value.problems
    assert (problem.path, problem.limit) == ("channel", "text in UTF-8")
    assert problem.text().isprintable() or "\\udcff" in problem.text()
