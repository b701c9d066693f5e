"""The pump drivers against the least that answers to `machine`, `esp32` and `rp2`: what they send.

It prints one line a burst. It knows no limit of the hardware: tests/hal has stand-ins that do.
"""

import sys

now = [0]


def ticks_ms():
    return now[0]


class Thing:
    """Takes any call, and may be any instruction of a program."""

    OUT, OUT_LOW, SHIFT_RIGHT, INCREMENT = 3, 2, 1, 1

    def __init__(self, *args, **kwargs):
        self.began = 0

    def init(self, *args, **kwargs):
        """Answers nothing."""

    value = init

    def active(self, *args):
        return False

    def bitstream_rmt(*args):
        return False


class RMT(Thing):
    def write_pulses(self, times, levels=True):
        now[0] += sum(times) // 1000 + 1
        print("rmt", len(times), sum(times), max(times), end=" ")
        print(*(levels if isinstance(levels, list) else ["steps"]))

    def wait_done(self, timeout=0):
        return True

    def deinit(self):
        print("given back")


class PIO(Thing):
    def __init__(self, *args, **kwargs):
        self.queue = []
        self.read = []

    restart = Thing.init

    def put(self, word):
        self.queue.append(word)

    def tx_fifo(self):
        if self.queue:
            print("pio", *self.queue)
        self.queue = []
        return 0

    def exec(self, code):
        self.read.append(0xFFFFFFFF if code == 0xA0C1 else 0)

    def get(self):
        return self.read[-2]


def asm_pio(**kwargs):
    return lambda function: function


def fake():
    class Module:
        pass

    for name in ("machine", "esp32", "rp2"):
        sys.modules[name] = Module()
    machine, esp32, rp2 = (sys.modules[name] for name in ("machine", "esp32", "rp2"))
    machine.Pin = machine.PWM = Thing
    esp32.RMT, esp32.PCNT = RMT, Thing
    rp2.PIO, rp2.StateMachine, rp2.asm_pio = Thing, PIO, asm_pio


def run(chip, kind, speed_cps, microsteps, counts):
    """Make one run, and print what it sent and what it says of it."""
    fake()
    from aliquot import hal

    output = {"output": 1, "step": 4, "direction": 5, "enable": 6, "count": None}
    board = {"chip": chip, "outputs": [output]}
    settings = {"output": 1, "kind": kind, "speed_cps": speed_cps, "microsteps": microsteps}
    settings["reverse"] = 0
    now[0] = 0x3FFFFFFF - 30
    motor = hal.pump(board, settings, ticks_ms)
    try:
        motor.start(counts, 1)
    except ValueError as refused:
        print("refused", refused)
    motor.start(counts, motor.longest_ms(counts))
    for _ in range(2000):
        now[0] = (now[0] + 10) & 0x3FFFFFFF
        if not motor.poll():
            break
    print("gave", *motor.stop(), motor.stop_ms)
