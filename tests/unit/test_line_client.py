"""The desk's end of the line: it asks until it has the reply, and a board does an order once."""

import random

import pytest

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
            for n in range(30):
                assert client.ask("note", channel="all", text=f"note {n}")["ok"]
        counted = acts_in(board.board.files)
        assert sum(counted.values()) - counted[500_000_000] == 30
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
