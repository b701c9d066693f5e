"""The line protocol under cut lines, repeats, garbage and lost replies: nothing is done twice."""

import json
import random
from binascii import crc32
from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aliquot.link import LINE_MOST, Lines, pack, unpack
from aliquot_host.memory_files import MemoryFiles
from app_files import NOON_W, acts_in, load
from app_rig import Board, Life
from set_ups import canonical, channel

RUNS = 10_000
TRIES = 12


def test_the_sum_is_crc_32_as_in_zlib_and_iso_3309():
    # The check value of CRC-32 (ISO-HDLC) is that of the catalogue of parametrised CRC
    # algorithms: cbf43926 for the nine digits.
    assert crc32(b"123456789") == 0xCBF43926
    line = pack({"do": "status", "id": 1})
    assert line[:1] == b"\x1e"  # RFC 7464, section 2.1
    assert line.endswith(b"\t%08x\n" % crc32(line[1:-10]))
    assert unpack(line) == {"do": "status", "id": 1}


@given(st.binary(max_size=200), st.binary(max_size=60))
def test_text_around_a_message_does_not_hide_it(before, after):
    before = before.replace(b"\n", b"")
    lines = Lines().feed(before + pack({"id": 5}) + after)
    assert unpack(lines[0]) == {"id": 5}


@given(st.data())
def test_a_damaged_line_is_none(data):
    line = bytearray(pack({"do": "refill", "channel": "alk", "ul": 250000, "id": 77}))
    at = data.draw(st.integers(1, len(line) - 2))
    line[at] ^= data.draw(st.integers(1, 255))
    found = unpack(bytes(line).rstrip(b"\n"))
    assert found is None or found == {"do": "refill", "channel": "alk", "ul": 250000, "id": 77}


@pytest.mark.parametrize("text", [b"[1]", b"7", b'"a"', b"{", b"", b"null", b'{"a":1}{'])
def test_what_is_no_object_is_no_message(text):
    assert unpack(b"\x1e%s\t%08x" % (text, crc32(text))) is None


def test_a_line_without_end_takes_no_memory_and_the_next_one_is_read():
    lines = Lines()
    for _ in range(100):
        assert not lines.feed(b"x" * 512)
        assert len(lines.kept) <= LINE_MOST
    assert not lines.feed(b"tail of it\n")
    assert [unpack(one) for one in lines.feed(pack({"id": 3}))] == [{"id": 3}]


class Line:
    """A port that cuts, repeats, garbles and loses what goes over it."""

    def __init__(self, life, rng):
        self.life = life
        self.rng = rng

    def spoil(self, data):
        """What arrives of `data`, and what else does."""
        dice = self.rng.random()
        if dice < 0.15:
            return data[: self.rng.randrange(len(data))]
        if dice < 0.25:
            return data * 2
        if dice < 0.35:
            at = self.rng.randrange(len(data))
            return data[:at] + self.rng.randbytes(1) + data[at + 1 :]
        if dice < 0.45:
            return self.rng.randbytes(self.rng.randrange(80)) + b"\n" + data
        if dice < 0.5:
            return b""
        return data

    def ask(self, order):
        """As a client does: the same id again until there is a reply."""
        board = self.life.board
        for _ in range(TRIES):
            board.came += self.spoil(pack(order))
            self.life.run(ms=130)
            went, board.went = b"".join(board.went), []
            for line in Lines(1 << 16).feed(self.spoil(went) + b"\n" if went else b""):
                reply = unpack(line)
                if reply and reply.get("re") == order["id"]:
                    return reply
        return None


def orders(rng):
    """An act that may be refused, for one of two channels."""
    name = rng.choice(("alk", "ca"))
    return rng.choice(
        (
            {"do": "trim", "percent": rng.randrange(1, 101), "doses": rng.randrange(0, 9)},
            {"do": "override", "ul": rng.randrange(-9000, 5000), "days": rng.randrange(0, 4)},
            {"do": "refill", "ul": rng.randrange(0, 500000)},
            {"do": "tubing"},
            {"do": "note", "entry": 0, "text": "a note"},
            {"do": "calibrate", "counts": 12800, "ul": rng.randrange(9900, 10100)},
            {"do": "hold", "until_w": 0},
            {"do": "release", "what": 0},
            {"do": "extra", "ul": rng.randrange(100, 1500), "planned": 1},
        )
    ) | {"channel": name}


def test_acts_are_applied_once_over_ten_thousand_bad_lines(tell):
    rng = random.Random(20261125)
    life = fresh()
    line = Line(life, rng)
    answered = {}
    told = Counter()
    twice = unheard = 0
    for number in range(1, RUNS + 1):
        order = orders(rng) | {"id": number}
        reply = line.ask(order)
        told[order["do"]] += 1
        if reply is None:
            unheard += 1
        else:
            answered[number] = reply["ok"]
        if number % 500 == 0:
            # Before old segments go, and as the board does after a cut.
            found = acts_in(life.board.files)
            twice += sum(n > 1 for n in found.values())
            for one, ok in answered.items():
                # What was promised is there, what was refused is not.
                assert found[one] == (1 if ok else 0), (one, ok)
            answered = {}
            life = line.life = fresh()
    assert twice == 0
    assert unheard < RUNS // 100
    tell(
        f"{RUNS} acts over a bad line: 0 applied twice, {unheard} without a reply in {TRIES} tries"
    )
    assert len(told) == 9


def fresh():
    board = Board(MemoryFiles())
    life = Life(board)
    data = canonical(channel(cap_ul=90000), channel("ca", 2, cap_ul=90000))
    assert load(life, data)["ok"]
    assert life.ask(do="clock", wall_w=NOON_W)["ok"]
    return life


def test_the_count_of_acts_finds_one_that_was_applied_twice():
    life = fresh()
    assert life.ask(do="note", channel="alk", text="once", id=9)["done"] == 1
    life.app.engine.state.requests = []
    assert life.ask(do="note", channel="alk", text="once", id=9)["done"] == 1
    assert acts_in(life.board.files)[9] == 2


ODD = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(allow_nan=False), st.text(max_size=20),
    st.lists(st.integers(), max_size=3), st.just({}),
)  # fmt: skip
WORDS = [
    "channel",
    "what",
    "until_w",
    "percent",
    "doses",
    "ul",
    "days",
    "planned",
    "keep",
    "counts",
    "offset",
    "hex",
    "at",
    "hash",
    "given_ul",
    "name",
    "most",
    "wall_w",
    "unsure",
    "entry",
    "text",
    "into",
    "id",
]
NAMES = [
    "trim",
    "override",
    "extra",
    "cancel",
    "hold",
    "release",
    "refill",
    "calibrate",
    "tubing",
    "see",
    "clear",
    "status",
    "files",
    "read",
    "stop",
    "end",
    "clock",
    "note",
    "turn",
    "right",
    "cup",
    "prime",
    "load",
    "adopt",
    "anew",
    "restart",
    "answer",
    "_act",
]


@given(
    st.lists(
        st.tuples(
            st.sampled_from(NAMES) | ODD,
            st.dictionaries(
                st.sampled_from(WORDS), ODD | st.sampled_from(("alk", "all", "cup", 5, 0))
            ),
        ),
        min_size=1,
        max_size=6,
    )
)
def test_no_order_whatever_stands_in_it_raises_or_goes_unanswered(given_orders):
    life = fresh()
    for do, words in given_orders:
        reply = life.app.answer({"do": do, **words})
        assert reply["ok"] in (0, 1)
        assert reply["ok"] or {"field", "value", "limit", "advice"} <= set(reply)
        json.dumps(reply)
    life.app.restart = False
    life.run(5)
    state = life.app.journal.state
    assert not state.foreign
    assert not life.app.journal.broken
