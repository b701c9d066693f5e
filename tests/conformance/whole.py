"""The real board on MicroPython, against the least that answers to `machine`, `esp32` and `rp2`.

It makes a board of a chip, keeps and reads, looks, runs a pump, asks a clock chip and servers that
are not there; what it prints is compared on a desk. It knows no limit of the hardware.
"""

import sys

import motors

STEP = 4
kept = {}
wires = {}
sent = []


class Registers:
    def __getitem__(self, at):
        return kept.get(at, 0)

    def __setitem__(self, at, word):
        kept[at] = word


class RTC:
    def memory(self, *data):
        if data:
            kept[0] = bytes(data[0])
        return kept.get(0, b"")


class Signal:
    def __init__(self, pin, invert=False):
        self.invert = invert

    def value(self, on=None):
        return self.invert


class WDT:
    def __init__(self, timeout):
        self.timeout = timeout

    def feed(self):
        """It is not hungry."""


class SoftI2C:
    def __init__(self, **pins):
        if not wires:
            wires[0x68] = bytearray(b"\x58\x59\x23\x02\x30\x06\x26" + bytes(12))

    def readfrom_mem(self, address, register, size):
        if address not in wires:
            raise OSError(19)
        return bytes(wires[address][register : register + size])

    def writeto_mem(self, address, register, data):
        wires[address][register : register + len(data)] = data


class Net:
    """A station and a socket whose servers answer at once."""

    AF_INET = SOCK_DGRAM = 2

    def isconnected(self):
        return True

    def ifconfig(self):
        return ("192.0.2.7", "", "", "192.0.2.53")

    def socket(self, family, kind):
        return self

    def setblocking(self, on):
        """It never blocks."""

    close = isconnected

    def sendto(self, data, to):
        sent.append(to)
        self.to = to
        if to[1] == 53:
            self.data = data[:2] + b"\x81\x80\x00\x01\x00\x01" + bytes(4) + data[12:]
            self.data += b"\xc0\x0c\x00\x01\x00\x01" + bytes(4) + b"\x00\x04\xc0\x00\x02\x01"
        else:
            # 2026-06-30 12:00:00 in seconds of NTP.
            self.data = b"\x24\x02" + bytes(22) + data[40:] + bytes(8)
            self.data += (3155673600 + 836136000).to_bytes(4, "big") + bytes(4)

    def recvfrom(self, size):
        return self.data, self.to


def fake(port):
    motors.fake()
    machine = sys.modules["machine"]
    pin = machine.Pin
    pin.IN, pin.PULL_UP, pin.PULL_DOWN = 1, 2, 1
    for part in (RTC, Signal, SoftI2C, WDT):
        setattr(machine, part.__name__, part)
    machine.mem32 = Registers()
    machine.PWRON_RESET, machine.HARD_RESET, machine.WDT_RESET = 1, 2, 3
    machine.DEEPSLEEP_RESET, machine.SOFT_RESET = 4, 5
    machine.reset_cause = lambda: 1
    machine.bitstream = lambda *bits: None
    from aliquot.hal import making

    class System:
        platform = port

    making.sys = System


def board_file(chip, outputs=8, light="plain"):
    output = {"direction": 5, "enable": 6, "count": None, "kinds": ["stepper", "timed"]}
    return {
        "name": "vm",
        "chip": chip,
        "outputs": [dict(output, output=i + 1, step=STEP + i) for i in range(outputs)],
        "inputs": [
            {"input": what, "pin": 20, "on": 1, "pull": "up"}
            for what in ("float", "stop", "reset")
        ],
        "light": {"pin": 2, "kind": light},
        "clock": {"sda": 21, "scl": 22, "chip": "any"},
    }


class Quiet:
    def register(self, stream, what):
        """Nothing ever comes."""

    def ipoll(self, timeout):
        return ()


def sleep(ms):
    yield ms


def finish(task):
    """What a coroutine returns; this build cannot run a loop."""
    try:
        while True:
            motors.now[0] += task.send(None)
    except StopIteration as over:
        return over.value


def made(port, chip, **changes):
    fake(port)
    from aliquot.hal import board

    # The port of this build always has something to read, and waits for it.
    board.poll = Quiet
    hw = board.Board(None, lambda: board_file(chip, **changes))
    hw.sleep_ms = sleep
    return hw


def set_up(channels=8):
    pump = {"kind": "stepper", "speed_cps": 500, "microsteps": 16, "reverse": 0}
    found = [{"id": f"c{i}", "pump": dict(pump, output=i + 1)} for i in range(channels)]
    return {"board": "vm", "channel": found}


def run(port, chip):
    """Do everything once, and print what came of it."""
    hw = made(port, chip)
    print(hw.cause, hw.kept(), [(what, look(), looks) for what, look, looks in hw.inputs])
    hw.keep(536870912, 10000000)
    print(hw.kept())
    hw.keep(0, 0)
    print(hw.kept(), hw.read())
    hw.light(True)
    hw.feed()
    hw.write(b"written" * 30 + b"\n")
    print([hw.unfit(set_up()), hw.unfit(dict(set_up(), board="x"))])
    hw.fit(set_up())
    hw.ticks_ms = motors.ticks_ms
    pump = hw.pump(7)
    pump.start(1200, pump.longest_ms(1200))
    for _ in range(2000):
        motors.now[0] += 10
        if not pump.poll():
            break
    print("gave", *pump.stop())
    hw.rest()
    left = [name for name in sys.modules if name.startswith("aliquot.hal.")]
    print(*sorted(left))


def times(port, chip):
    """Ask every source."""
    hw = made(port, chip)
    hw.ticks_ms = motors.ticks_ms
    net = hw.station = Net()
    sys.modules["socket"] = net
    # This build has no random bytes; a real board does.
    sys.modules["os"] = type("Os", (), {"urandom": staticmethod(lambda n: bytes(range(n)))})
    for number, ask in hw.sources:
        print(number, finish(ask()))
    hw.set_chip(900000000)
    print(finish(hw.sources[0][1]()))
    print(*[to[1] for to in sent])
    del sys.modules["os"], sys.modules["socket"]


def idle(port, chip):
    """What a board does while it is idle, with a heap that refuses every byte."""
    import micropython

    hw = made(port, chip)
    hw.light(False)
    hw.feed()
    hw.keep(5, 6)
    ticks = hw.ticks_ms()
    micropython.heap_lock()
    try:
        for _ in range(100):
            hw.read()
            hw.keep(5, 6)
            hw.feed()
            hw.diff(hw.ticks_ms(), ticks)
            for each in hw.inputs:
                each[1]()
            hw.light(False)
    finally:
        micropython.heap_unlock()
    print("idle")
