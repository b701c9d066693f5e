"""The desk's pump driver beside the real ones; the time of its loop; the ends of its port."""

import asyncio
import time

import pytest

from aliquot.hal import OVERTIME, Fault, bounds
from aliquot_host.virtual_line import KEPT_MOST, Line, Port
from aliquot_host.virtual_pump import TICKS, Motor
from aliquot_host.warp import WarpLoop

CHIPS = list(bounds.CHIPS)


class Clock:
    def __init__(self, ms=TICKS - 700):
        self.ms = ms

    def __call__(self):
        return self.ms & TICKS


def board(chip, **output):
    wired = {"output": 1, "step": 4, "direction": 5, "count": 4, "kinds": ["stepper", "timed"]}
    return {"chip": chip, "outputs": [wired | output]}


def settings(kind="stepper", speed=500, microsteps=16, reverse=0):
    named = {"output": 1, "kind": kind, "speed_cps": speed, "microsteps": microsteps}
    return named | {"reverse": reverse}


def motor(chip="", clock=None, live=None, ended=None, output=None, **own):
    wired = board(chip, **(output or {})) if chip else None
    more = [live or (lambda: True), ended or (lambda motor: None)]
    return Motor(wired, settings(**own), clock or Clock(), *more)


def run(one, clock, counts, most_ms=None):
    """A run that is polled in time; the milliseconds that it took."""
    began = clock.ms
    one.start(counts, most_ms or one.longest_ms(counts))
    while one.poll():
        clock.ms += bounds.POLL_MS
    return clock.ms - began


@pytest.mark.parametrize("chip", CHIPS)
@pytest.mark.parametrize(
    ("kind", "speed"), [("stepper", 500), ("stepper", 1900), ("stepper", 12), ("timed", 1000)]
)
def test_a_run_gives_its_counts_and_takes_as_long_as_with_the_real_driver(need, chip, kind, speed):
    need("pioemu")
    import pump_runs

    for counts in (1, 90, 700) if speed > 100 else (1, 40):
        clock = Clock()
        one = motor(chip, clock, kind=kind, speed=speed)
        took_ms = run(one, clock, counts)
        assert one.stop() == (counts, True)
        assert one.true == counts
        assert took_ms <= one.needs_ms(counts)
        at = pump_runs.fresh(chip)
        real = pump_runs.driver(at, kind=kind, speed=speed)
        began_us = at.us
        pump_runs.begin(real, counts)
        assert pump_runs.tend(at, real, lambda: bounds.POLL_MS * 1000)
        real_ms = (at.us - began_us) // 1000
        # A step, or a word of a timed motor, ends a little earlier or later.
        assert abs(took_ms - real_ms) <= 80 + real_ms // 10


@pytest.mark.parametrize("chip", ["", *CHIPS])
@pytest.mark.parametrize("kind", ["stepper", "timed"])
def test_a_motor_that_nobody_polls_rests_after_a_burst(chip, kind):
    clock = Clock()
    one = motor(chip, clock, kind=kind, speed=1000 if kind == "timed" else 500)
    one.start(100_000, one.longest_ms(100_000))
    clock.ms += bounds.WAKE_MS
    assert one.poll()
    clock.ms += bounds.BURST_MS
    sent = one.turned()
    clock.ms += 60_000
    assert one.turned() == sent
    one.cut()
    assert one.true == sent <= bounds.BURST_MS * one.speed_cps // 1000


@pytest.mark.parametrize("chip", ["", *CHIPS])
@pytest.mark.parametrize("kind", ["stepper", "timed"])
def test_a_stop_never_says_less_than_was_given(chip, kind):
    for pause_ms in range(0, 320, 7):
        clock = Clock()
        one = motor(chip, clock, kind=kind, speed=1000 if kind == "timed" else 500)
        one.start(5000, one.longest_ms(5000))
        clock.ms += bounds.WAKE_MS
        one.poll()
        clock.ms += pause_ms
        given, exact = one.stop()
        assert one.true <= given <= one.true + 3
        assert exact == (given == one.true)
        assert one.stop() == (given, exact)
        assert not one.poll()


def test_a_run_that_takes_too_long_is_a_fault_with_the_motor_at_rest():
    clock = Clock()
    one = motor("esp32", clock)
    one.start(2000, one.needs_ms(2000))
    one.poll()
    clock.ms += one.needs_ms(2000) + 1
    with pytest.raises(Fault) as fault:
        one.poll()
    assert fault.value.code == OVERTIME
    assert not one.running


@pytest.mark.parametrize(
    ("own", "counts", "words"),
    [
        ({}, 0, "counts 0"),
        ({}, 450_001, "counts 450001"),
        ({"chip": "esp32", "output": {"direction": None}}, 5, "no direction pin"),
    ],
)
def test_what_no_run_may_be_is_refused_before_anything_moves(own, counts, words):
    one = motor(**own)
    with pytest.raises(ValueError, match=words):
        one.start(counts, 10**9, reverse=words.startswith("no"))
    assert not one.running
    with pytest.raises(ValueError, match="most_ms"):
        one.start(500, 20)


@pytest.mark.parametrize(
    "own",
    [
        {"chip": "esp32", "speed": 40_000},
        {"chip": "esp32", "kind": "timed", "speed": 999},
        {"chip": "rp2040", "reverse": 1, "output": {"direction": None}},
        {"chip": "rp2040", "output": {"kinds": ["timed"]}},
    ],
)
def test_an_output_that_cannot_do_it_is_refused(own):
    with pytest.raises(ValueError, match=r"\d"):
        motor(**own)


def test_without_a_supply_the_motor_is_driven_and_nothing_moves():
    clock = Clock()
    on = [True]
    one = motor("esp32", clock, live=lambda: on[0])
    one.start(500, one.longest_ms(500))
    while one.poll():
        clock.ms += bounds.POLL_MS
        on[0] = one.given < 250
    assert one.given == 500
    assert 250 <= one.true < 500


def test_a_run_tells_of_its_end_once():
    told = []
    clock = Clock()
    one = motor("", clock, ended=lambda motor: told.append(motor.true))
    run(one, clock, 77)
    one.stop()
    one.cut()
    assert told == [77]


def timers(loop, *seconds):
    """When timers of so many virtual seconds came, by the loop's clock."""

    async def main():
        async def one(second):
            await asyncio.sleep(second)
            return loop.now_us()

        return await asyncio.gather(*map(one, seconds))

    return loop.run_until_complete(main())


@pytest.mark.parametrize("speed", [0, 1_000_000])
def test_virtual_time_passes_by_the_timers_to_the_microsecond(speed):
    loop = WarpLoop(speed)
    try:
        assert timers(loop, 86400, 0.01, 3600.25, 0.01) == [
            86400_000_000, 10_000, 3600_250_000, 10_000
        ]  # fmt: skip
    finally:
        loop.close()


def test_virtual_time_does_not_jump_because_the_computer_is_slow():
    loop = WarpLoop(1000)
    try:

        async def slow():
            before = loop.now_us()
            time.sleep(0.05)
            assert loop.now_us() == before
            await asyncio.sleep(1)
            return loop.now_us() - before

        assert loop.run_until_complete(slow()) == 1_000_000
    finally:
        loop.close()


def test_what_comes_in_wakes_the_loop_before_its_timer():
    loop = WarpLoop(0.01)
    try:

        async def woken():
            came = loop.create_future()
            server = await loop.create_server(lambda: Came(came), "127.0.0.1", 0)
            timer = loop.call_later(3600, came.set_result, None)
            _, writer = await asyncio.open_connection(*server.sockets[0].getsockname())
            writer.write(b"x")
            data = await came
            timer.cancel()
            writer.close()
            server.close()
            await asyncio.sleep(0)
            return data

        assert loop.run_until_complete(woken()) == b"x"
        assert loop.now_us() < 3600_000_000
        loop.run_until_complete(asyncio.sleep(0))
    finally:
        loop.close()


class Came(asyncio.Protocol):
    def __init__(self, future):
        self.future = future

    def connection_made(self, transport):
        self.transport = transport

    def data_received(self, data):
        self.future.set_result(data)
        self.transport.close()


class Wire:
    """A client's end that a test holds."""

    def __init__(self, waiting=0):
        self.sent = b""
        self.waiting = waiting
        self.aborted = False

    def get_write_buffer_size(self):
        return self.waiting

    def write(self, data):
        self.sent += data

    def abort(self):
        self.aborted = True


def client(port, wire):
    line = Line(port)
    line.transport = wire
    port.joined(line)
    return line


def test_a_client_that_sends_without_end_is_sent_away_and_one_that_reads_nothing_loses_replies():
    woken = []
    port = Port(lambda: b"talk\n", lambda: woken.append(1))
    flood, deaf = Wire(), Wire(waiting=KEPT_MOST + 1)
    line = client(port, flood)
    for _ in range(3):
        line.data_received(b"x" * (KEPT_MOST // 2))
    assert flood.aborted
    line.connection_lost(None)
    assert not port.busy
    second = client(port, deaf)
    port.write(b"lost")
    assert deaf.sent == b""
    second.data_received(b"order\n")
    assert port.read() == b"order\n"
    assert port.read() == b""
    assert woken == [1, 1]


def test_what_a_client_left_unread_goes_with_it_and_the_next_one_is_served():
    port = Port(lambda: b"talk\n", lambda: None)
    wires = Wire(), Wire()
    first, second = (client(port, wire) for wire in wires)
    first.data_received(b"old\n")
    second.data_received(b"new\n")
    first.connection_lost(None)
    assert port.read() == b"new\n"
    port.write(b"reply\n")
    assert [wire.sent for wire in wires] == [b"", b"talk\nreply\n"]
