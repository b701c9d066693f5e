"""Clock chips, network time, name lookup: bytes as their standards and data sheets have them."""

import asyncio
import calendar

import pytest

from aliquot.hal import board as board_module
from aliquot.hal import chips, clock, dns, lookup, sntp

EPOCH = calendar.timegm((2000, 1, 1, 0, 0, 0))


def wall(*when):
    return calendar.timegm(when) - EPOCH


# DS3231: registers 00h to 06h, control 0Eh, status 0Fh (Maxim, figure 1).


def ds3231(*time, control=0x1C, status=0x08):
    registers = bytearray(0x13)
    registers[: len(time)] = bytes(time)
    registers[0x0E], registers[0x0F] = control, status
    return registers


def pcf8563(*time, control=0):
    registers = bytearray(16)
    registers[0] = control
    registers[2 : 2 + len(time)] = bytes(time)
    return registers


@pytest.fixture
def wired(make):
    """wired(registers by address, kind) gives the chip as a source: what it says."""

    def on(wires, kind="any"):
        hw, at = make("esp32-dev", clock={"sda": 21, "scl": 22, "chip": kind})
        at.wires = wires
        number, ask = hw.sources[0]
        assert number == board_module.CHIP
        hw.says = lambda: asyncio.run(ask())
        return hw, at

    return on


DS3231_CASES = [
    # 24 hours: 23:59:58 on Tuesday 30 June 2026.
    ((0x58, 0x59, 0x23, 2, 0x30, 0x06, 0x26), wall(2026, 6, 30, 23, 59, 58)),
    # 12 hours, bit 6: bit 5 is the afternoon. 12 AM is midnight, 12 PM is noon.
    ((0, 0x30, 0x52, 2, 0x30, 0x06, 0x26), wall(2026, 6, 30, 0, 30, 0)),
    ((0, 0x30, 0x72, 2, 0x30, 0x06, 0x26), wall(2026, 6, 30, 12, 30, 0)),
    ((0, 0x30, 0x41, 2, 0x30, 0x06, 0x26), wall(2026, 6, 30, 1, 30, 0)),
    ((0, 0x30, 0x71, 2, 0x30, 0x06, 0x26), wall(2026, 6, 30, 23, 30, 0)),
    # Leap day; the last second of the century; the century bit.
    ((0, 0, 0, 2, 0x29, 0x02, 0x28), wall(2028, 2, 29, 0, 0, 0)),
    ((0x59, 0x59, 0x23, 5, 0x31, 0x12, 0x99), wall(2099, 12, 31, 23, 59, 59)),
    ((0, 0, 0, 6, 0x01, 0x81, 0x00), wall(2100, 1, 1, 0, 0, 0)),
    # No times: a digit above nine, a month 0 or 13, 30 February, hour 24, hour 0 of twelve.
    ((0x5A, 0, 0, 2, 0x30, 0x06, 0x26), 0),
    ((0, 0xA0, 0, 2, 0x30, 0x06, 0x26), 0),
    ((0, 0, 0, 2, 0x30, 0x00, 0x26), 0),
    ((0, 0, 0, 2, 0x30, 0x13, 0x26), 0),
    ((0, 0, 0, 2, 0x30, 0x02, 0x26), 0),
    ((0, 0, 0x24, 2, 0x30, 0x06, 0x26), 0),
    ((0, 0, 0x40, 2, 0x30, 0x06, 0x26), 0),
    ((0, 0, 0x53, 2, 0x30, 0x06, 0x26), 0),
    ((0, 0, 0, 2, 0x00, 0x06, 0x26), 0),
    ((0, 0, 0, 2, 0x30, 0x06, 0xFF), 0),
    ((0xFF,) * 7, 0),
]


@pytest.mark.parametrize(("registers", "says"), DS3231_CASES)
def test_a_ds3231_is_read_by_its_data_sheet(wired, registers, says):
    hw, _ = wired({0x68: ds3231(*registers)})
    assert hw.says() == says


GOOD = (0x58, 0x59, 0x23, 2, 0x30, 0x06, 0x26)


def test_a_ds3231_whose_oscillator_stopped_has_no_answer(wired):
    hw, _ = wired({0x68: ds3231(*GOOD, status=0x88)})
    assert hw.says() == 0


PCF8563_CASES = [
    ((0x58, 0x59, 0x23, 0x30, 2, 0x06, 0x26), wall(2026, 6, 30, 23, 59, 58)),
    # Bits that are not implemented may read as anything.
    ((0x58, 0xD9, 0xE3, 0xF0, 0xFA, 0x66, 0x26), wall(2026, 6, 30, 23, 59, 58)),
    # VL: the integrity of the clock is not guaranteed.
    ((0xD8, 0x59, 0x23, 0x30, 2, 0x06, 0x26), 0),
    ((0x00, 0x00, 0x00, 0x01, 5, 0x81, 0x00), wall(2100, 1, 1, 0, 0, 0)),
    ((0x00, 0x00, 0x00, 0x31, 5, 0x04, 0x27), 0),
    ((0x00, 0x60, 0x00, 0x30, 5, 0x04, 0x27), 0),
    ((0x00, 0x00, 0x00, 0x30, 5, 0x04, 0xA7), 0),
]


@pytest.mark.parametrize(("registers", "says"), PCF8563_CASES)
def test_a_pcf8563_is_read_by_its_data_sheet(wired, registers, says):
    hw, _ = wired({0x51: pcf8563(*registers)})
    assert hw.says() == says


def test_a_pcf8563_that_was_stopped_has_no_answer(wired):
    hw, _ = wired({0x51: pcf8563(0x58, 0x59, 0x23, 0x30, 2, 0x06, 0x26, control=0x20)})
    assert hw.says() == 0


@pytest.mark.parametrize(
    ("kind", "says"), [("any", 1), ("ds3231", 1), ("pcf8563", 0)], ids=lambda x: str(x)
)
def test_only_a_chip_of_the_kind_that_is_fitted_is_asked(wired, kind, says):
    hw, _ = wired({0x68: ds3231(*GOOD)}, kind)
    assert hw.says() == says * wall(2026, 6, 30, 23, 59, 58)


@pytest.mark.parametrize("stuck", [False, True])
def test_no_chip_and_a_stuck_line_are_no_answer_and_no_error(wired, stuck):
    hw, at = wired({})
    at.stuck = stuck
    assert hw.says() == 0
    hw.set_chip(wall(2026, 6, 1, 0, 0, 0))


TIMES = [
    wall(2026, 6, 30, 23, 59, 58),
    wall(2028, 2, 29, 0, 0, 0),
    wall(2034, 1, 10, 13, 37, 4),  # 2^30 seconds from 2000
    wall(2036, 2, 7, 6, 28, 16),
    wall(2068, 1, 20, 3, 14, 8),
    wall(2099, 12, 31, 12, 0, 0),
]


@pytest.mark.parametrize("wall_w", TIMES)
@pytest.mark.parametrize("address", [0x68, 0x51])
def test_a_chip_that_was_set_says_that_time_and_runs(wired, wall_w, address):
    # Both had stopped, and hold nonsense.
    stopped = {0x68: ds3231(*GOOD, control=0x9C, status=0x88), 0x51: pcf8563(0xFF, control=0x20)}
    hw, at = wired({address: stopped[address]})
    assert hw.says() == 0
    hw.set_chip(wall_w)
    assert hw.says() == wall_w
    registers = at.wires[address]
    if address == 0x68:
        assert registers[0x0E] == 0x1C
        assert registers[0x0F] == 0x08
        assert 1 <= registers[3] <= 7
        assert registers[3] == 1 + calendar.weekday(*chips.ymd(wall_w // 86400))
    else:
        assert registers[6] == (calendar.weekday(*chips.ymd(wall_w // 86400)) + 1) % 7
        assert not registers[0] | registers[7] & 0x80


@pytest.mark.parametrize(
    ("off_s", "is_set"), [(0, 0), (2, 0), (-2, 0), (3, 1), (-3, 1), (9999, 1)]
)
def test_a_chip_is_set_only_where_it_is_off_by_more_than_two_seconds(wired, off_s, is_set):
    hw, at = wired({0x68: ds3231(*GOOD)})
    before = bytes(at.wires[0x68])
    hw.set_chip(wall(2026, 6, 30, 23, 59, 58) + off_s)
    assert (bytes(at.wires[0x68]) != before) == bool(is_set)


def test_a_chip_that_is_lost_while_it_is_set_is_said_and_no_error(wired, capsys, monkeypatch):
    hw, _ = wired({0x68: ds3231(*GOOD)})

    def lost(*_):
        raise OSError(19)

    monkeypatch.setattr(chips.Chip, "write", lost)
    assert clock.set_chip(hw.clock, 10**9) is False
    assert "clock chip" in capsys.readouterr().out


# SNTP.

NONCE = bytes(range(1, 9))
# NTP seconds of 2000-01-01 (RFC 5905, figure 4: MJD 51,544, era 0).
TO_2000 = 3155673600


def answer(seconds, **changes):
    """An answer of a good server, sent at NTP second `seconds` (of any era)."""
    data = bytearray(48)
    data[0] = 0x24  # no leap second, version 4, server
    data[1] = 2
    data[4:12] = (0x800).to_bytes(4, "big") + (0x400).to_bytes(4, "big")
    data[24:32] = NONCE
    data[40:44] = (seconds % 2**32).to_bytes(4, "big")
    for at, value in changes.items():
        data[int(at[1:])] = value
    return bytes(data)


def test_a_question_is_that_of_a_client_and_tells_nothing_of_it():
    asked = sntp.ask(NONCE)
    assert len(asked) == 48
    assert asked[0] == 0b00_100_011
    assert asked[1:40] == bytes(39)
    assert asked[40:] == NONCE


@pytest.mark.parametrize(
    ("seconds", "says"),
    [
        (TO_2000 + 1, 1),
        (TO_2000 + wall(2026, 6, 30, 12, 0, 0), wall(2026, 6, 30, 12, 0, 0)),
        # The last second of era 0, and the first ones of era 1 (RFC 5905, figure 4: 2036-02-07).
        (2**32 - 1, wall(2036, 2, 7, 6, 28, 15)),
        (2**32 + 1, wall(2036, 2, 7, 6, 28, 17)),
        (2**32 + 5000, wall(2036, 2, 7, 6, 28, 16) + 5000),
        (TO_2000 + wall(2099, 12, 31, 23, 59, 59), wall(2099, 12, 31, 23, 59, 59)),
    ],
)
def test_the_time_of_an_answer_is_right_in_both_eras(seconds, says):
    assert sntp.understand(answer(seconds), NONCE, 0) == says


NOW = TO_2000 + wall(2026, 6, 30, 12, 0, 0)


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"b0": 0xE4}, "leap 3: the server's clock is not set"),
        ({"b1": 0}, "stratum 0: a kiss of death"),
        ({"b1": 16}, "stratum 16: not synchronized"),
        ({"b0": 0x23}, "mode 3: a client"),
        ({"b0": 0x25}, "mode 5: a broadcast"),
        ({"b0": 0x14}, "version 2"),
        ({"b31": 9}, "another origin"),
        ({"b9": 16}, "16 s of root dispersion"),
        ({"b5": 32}, "32 s of root delay"),
    ],
)
def test_an_answer_that_must_not_be_believed_is_none(changes, why):
    assert sntp.understand(answer(NOW), NONCE, 0), "the one it was made from is good"
    assert sntp.understand(answer(NOW, **changes), NONCE, 0) == 0, why


def test_a_leap_second_that_is_announced_is_no_reason_to_doubt():
    for leap in (1, 2):
        assert sntp.understand(answer(NOW, b0=leap << 6 | 0x24), NONCE, 0)


def test_an_answer_without_a_time_or_too_short_is_none():
    assert sntp.understand(answer(0), NONCE, 0) == 0
    for size in range(48):
        assert sntp.understand(answer(NOW)[:size], NONCE, 0) == 0
    # What follows the header, as a MAC does, changes nothing.
    assert sntp.understand(answer(NOW) + bytes(20), NONCE, 0)


def test_half_the_way_is_added_to_the_time_of_sending():
    wall_w = NOW - TO_2000
    assert sntp.understand(answer(NOW), NONCE, 1998) == wall_w
    assert sntp.understand(answer(NOW), NONCE, 2000) == wall_w + 1
    assert sntp.understand(answer(NOW, b44=128), NONCE, 998) == wall_w
    assert sntp.understand(answer(NOW, b44=128), NONCE, 1000) == wall_w + 1


def test_garbage_is_never_a_time():
    import random

    rng = random.Random(5)
    for _ in range(20000):
        data = rng.randbytes(rng.randrange(80))
        assert sntp.understand(data, NONCE, 0) == 0


# Names.

NAME = "0.pool.ntp.org"
ASKED = dns.ask(NAME, 0x1234)
POINTER = b"\xc0\x0c"


def record(owner, kind, data, group=1):
    return owner + bytes((0, kind, 0, group)) + bytes(4) + len(data).to_bytes(2, "big") + data


def reply(*records, flags=0x8180, head=ASKED, count=None):
    data = head[:2] + flags.to_bytes(2, "big") + b"\x00\x01"
    data += (len(records) if count is None else count).to_bytes(2, "big") + bytes(4)
    return data + head[12:] + b"".join(records)


def test_a_question_is_as_the_rfc_has_it():
    assert ASKED == (
        b"\x12\x34\x01\x00\x00\x01\x00\x00\x00\x00\x00\x00"
        b"\x010\x04pool\x03ntp\x03org\x00\x00\x01\x00\x01"
    )


@pytest.mark.parametrize("name", ["", ".", "a..b", "x" * 64 + ".org"])
def test_a_name_that_is_none_is_not_asked_for(name):
    with pytest.raises(ValueError, match="no name"):
        dns.ask(name, 1)


PLAIN = ASKED[12:-4]
OTHER = b"\x01b\x03org\x00"
GOOD_REPLIES = [
    reply(record(POINTER, 1, b"\xc0\x00\x02\x01")),
    # The name in full, and in other letters.
    reply(record(PLAIN.upper(), 1, b"\xc0\x00\x02\x01")),
    # Two addresses: the first.
    reply(record(POINTER, 1, b"\xc0\x00\x02\x01"), record(POINTER, 1, b"\x01\x02\x03\x04")),
    # Another name for it, whose end is a pointer into the question; then its address.
    reply(
        record(POINTER, 5, b"\x01b\xc0\x0e"),
        record(b"\x01b\xc0\x0e", 1, b"\xc0\x00\x02\x01"),
    ),
    # Two names on the way, and what belongs to none of them.
    reply(
        record(b"\x01x\x00", 1, b"\x09\x09\x09\x09"),
        record(POINTER, 16, b"\x03txt"),
        record(POINTER, 5, OTHER),
        record(OTHER, 5, b"\x01c\x00"),
        record(b"\x01c\x00", 1, b"\xc0\x00\x02\x01"),
    ),
]


@pytest.mark.parametrize("data", GOOD_REPLIES)
def test_the_address_of_a_name_is_found(data):
    assert dns.understand(data, ASKED) == "192.0.2.1"


ADDRESS = record(POINTER, 1, b"\xc0\x00\x02\x01")
TO_ITSELF = reply()
BAD_REPLIES = {
    "the question itself": ASKED,
    "no records": reply(),
    "another id": reply(ADDRESS, head=b"\x12\x35" + ASKED[2:]),
    "another question": reply(ADDRESS, head=dns.ask("1.pool.ntp.org", 0x1234)),
    "cut off (TC)": reply(ADDRESS, flags=0x8380),
    "no such name": reply(ADDRESS, flags=0x8183),
    "another opcode": reply(ADDRESS, flags=0x9180),
    "more records than there are": reply(count=3),
    "a name of somebody else": reply(record(OTHER, 1, b"\x01\x02\x03\x04")),
    "another class": reply(record(POINTER, 1, b"\x01\x02\x03\x04", group=3)),
    "an address of six bytes": reply(record(POINTER, 1, bytes(6))),
    "a record that ends too late": reply(ADDRESS)[:-1],
    "a pointer to itself": reply(record(b"\xc0\x20", 1, b"\x01\x02\x03\x04")),
    "a pointer ahead": reply(record(b"\xc0\xff", 1, b"\x01\x02\x03\x04")),
    "a label of a kind that is none": reply(record(b"\x80a\x00", 1, b"\x01\x02\x03\x04")),
    "a name that goes on for ever": reply(record(b"\x3f" + b"a" * 63, 1, b"") * 6),
    "names in a circle": reply(
        record(POINTER, 5, OTHER), record(OTHER, 5, POINTER), record(OTHER, 1, bytes(4))
    ),
    "too long": reply(*[ADDRESS] * 40),
}


@pytest.mark.parametrize("why", BAD_REPLIES)
def test_an_odd_answer_gives_no_address(why):
    assert dns.understand(BAD_REPLIES[why], ASKED) == ""


def test_an_answer_that_is_cut_anywhere_gives_no_address():
    for data in GOOD_REPLIES[:2] + GOOD_REPLIES[3:]:
        for size in range(len(data)):
            assert dns.understand(data[:size], ASKED) == ""


def test_garbage_after_a_good_question_ends_and_gives_no_error():
    import random

    rng = random.Random(8)
    for _ in range(20000):
        tail = bytes(rng.choice((0, 0xC0, 12, 1, 5, rng.randrange(256))) for _ in range(40))
        found = dns.understand(reply(tail, count=rng.randrange(300)), ASKED)
        assert found == "" or len(found.split(".")) == 4


# Both, over a network that is not there.


class Net:
    """A socket's world: `names` and `times` answer what is sent to ports 53 and 123."""

    AF_INET, SOCK_DGRAM = 2, 2

    def __init__(self):
        self.names = self.times = lambda asked: []
        self.sent, self.open = [], 0
        self.down = False

    def socket(self, family, kind):
        assert (family, kind) == (self.AF_INET, self.SOCK_DGRAM)
        return Door(self)

    def isconnected(self):
        return True

    def ifconfig(self):
        return ("192.0.2.7", "255.255.255.0", "192.0.2.1", "192.0.2.53")


class Door:
    def __init__(self, net):
        self.net, self.waiting, self.blocks = net, [], True
        net.open += 1

    def setblocking(self, on):
        self.blocks = on

    def sendto(self, data, to):
        assert not self.blocks
        if self.net.down:
            raise OSError(118)
        self.net.sent.append((to, data))
        for packet in (self.net.names if to[1] == 53 else self.net.times)(data):
            self.waiting.append(packet if isinstance(packet, tuple) else (packet, to))

    def recvfrom(self, size):
        assert not self.blocks
        if not self.waiting:
            raise OSError(11)
        data, sender = self.waiting.pop(0)
        return data[:size], sender

    def close(self):
        self.net.open -= 1


@pytest.fixture
def net(make, monkeypatch):
    made = Net()
    monkeypatch.setattr(lookup, "socket", made)
    hw, at = make("pico-w")
    hw.station = made
    made.hw, made.at = hw, at
    made.names = lambda asked: [reply(ADDRESS, head=asked)]
    made.times = lambda asked: [answer(NOW)[:24] + asked[40:] + answer(NOW)[32:]]
    return made


def ask(net, source=4):
    before = net.at.us
    found = asyncio.run(dict(net.hw.sources)[source]())
    net.took_ms = (net.at.us - before) // 1000
    assert net.open == 0, "every socket is closed"
    return found


def test_a_server_of_the_network_says_the_time(net):
    assert ask(net) == NOW - TO_2000
    assert [to for to, _ in net.sent] == [("192.0.2.53", 53), ("192.0.2.1", 123)]


def test_three_sources_ask_three_servers(net):
    for source in (4, 5, 6):
        assert ask(net, source)
    names = {data for to, data in net.sent if to[1] == 53}
    assert len({data[12:] for data in names}) == 3


def test_no_two_questions_can_be_answered_by_the_same_guess(net):
    ask(net)
    ask(net)
    ids = [data[:2] for to, data in net.sent if to[1] == 53]
    nonces = [data[40:] for to, data in net.sent if to[1] == 123]
    assert len(set(nonces)) == 2
    assert len(ids) == 2


def test_without_a_network_nobody_is_asked(net):
    net.hw.station = None
    assert ask(net) == 0
    net.hw.station = net
    net.isconnected = lambda: False
    assert ask(net) == 0
    assert net.sent == []


@pytest.mark.parametrize("silent", ["names", "times"])
def test_a_silent_network_is_given_up_within_five_seconds(net, silent):
    setattr(net, silent, lambda asked: [])
    assert ask(net) == 0
    assert 1000 < net.took_ms < 5000
    assert len([to for to, _ in net.sent if to[1] == {"names": 53, "times": 123}[silent]]) == 2


def test_an_answer_to_the_second_question_is_taken(net):
    for what in ("names", "times"):
        good = getattr(net, what)
        first = []

        def second(asked, good=good, first=first):
            first.append(asked)
            return good(asked) if len(first) > 1 else []

        setattr(net, what, second)
    assert ask(net) == NOW - TO_2000
    assert net.took_ms < 5000


def test_an_answer_of_somebody_else_is_not_heard(net):
    good = net.times
    net.times = lambda asked: [(good(asked)[0], ("192.0.2.66", 123))]
    assert ask(net) == 0


def test_a_flood_of_packets_does_not_hold_the_loop(net):
    slept = []
    sleep_ms = net.hw.sleep_ms

    def counted(ms):
        slept.append(ms)
        return sleep_ms(ms)

    net.hw.sleep_ms = counted
    net.times = lambda asked: [b"flood"] * 100000
    assert ask(net) == 0
    assert net.took_ms < 5000
    assert max(slept) <= 100


def test_a_network_that_is_gone_is_said_and_no_error(net, capsys):
    net.down = True
    assert ask(net) == 0
    assert "time:" in capsys.readouterr().out
