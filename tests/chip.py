"""A chip that is not there: its clock, its pins and what moved them. The drivers' world on a desk.

`install` puts stand-ins of `machine`, `esp32` and `rp2` where the drivers import them from; all of
them act on the chip that is `on`. Time passes only where a test lets it, and where a real call
takes time or blocks. Times are microseconds.
"""

import sys
import types

TICKS = 0x3FFFFFFF
# ticks_ms wraps two seconds after a chip is switched on, so that most runs cross it.
BORN_US = (TICKS + 1 - 2000) * 1000
FLOATS = None


class Chip:
    """One chip. `levels` says what a plain pin drives, or FLOATS; senders keep their own books."""

    on = None

    def __init__(self, name):
        Chip.on = self
        self.name = name
        self.us = BORN_US
        self.levels = {}
        self.log = []
        # Senders that drive a pin themselves: pin -> (who, list of what it sent).
        self.sent = {}
        self.pwm = {}
        # Pins with a pull-up of the chip's own.
        self.pulled = set()
        # Inputs: the pull that was asked for, and the level that comes from outside.
        self.inputs = {}
        self.outside = {}
        # What a call to the hardware takes.
        self.call_us = 60

    def ticks_ms(self):
        return (self.us // 1000) & TICKS

    def drive(self, pin, level):
        self.levels[pin] = level
        self.log.append((self.us, pin, level))

    def taken(self, pin):
        """A sender drives the pin from now on."""
        self.levels.pop(pin, None)

    def bursts(self, pin):
        return self.sent.get(pin, [])

    def edges(self, pin):
        """(time, level) of every change of a pin that a sender drove, in order, from low on."""
        found = []
        level = 0
        for burst in self.bursts(pin):
            for at, to in burst.edges():
                if to != level:
                    found.append((at, to))
                    level = to
        return found

    def rises(self, pin):
        return [at for at, level in self.edges(pin) if level]

    def high_us(self, pin):
        """How long a pin was high in all."""
        total = began = 0
        for at, level in self.edges(pin):
            if level:
                began = at
            else:
                total += at - began
        return total

    def last_fall(self, pin):
        edges = self.edges(pin)
        assert not edges or not edges[-1][1], "the pin is still high"
        return edges[-1][0] if edges else 0

    def given(self, pin):
        """Rising edges of a pin, without looking at each."""
        return sum(burst.rises() for burst in self.bursts(pin))


class Pin:
    """machine.Pin of both ports, as far as drivers use it."""

    IN, OUT = 1, 3
    PULL_DOWN, PULL_UP = 1, 2

    def __init__(self, number, mode=-1, pull=-1, *, value=None):
        self.number = number
        if mode != -1 or value is not None:
            self.init(mode, pull, value=value)

    def init(self, mode=-1, pull=-1, *, value=None):
        if mode == Pin.IN:
            assert pull in (None, Pin.PULL_UP, Pin.PULL_DOWN), "an input says what pulls it"
            Chip.on.inputs[self.number] = pull
            return
        assert isinstance(pull, int)
        if mode == Pin.OUT:
            assert value is not None, "an output without a level"
            Chip.on.drive(self.number, value)
        if pull == 0:
            Chip.on.pulled.discard(self.number)

    def value(self, level=None):
        if level is None and self.number in Chip.on.inputs:
            pulled = Chip.on.inputs[self.number] == Pin.PULL_UP
            return Chip.on.outside.get(self.number, int(pulled))
        if level is None:
            return Chip.on.levels[self.number]
        assert self.number in Chip.on.levels, "the pin belongs to a sender"
        Chip.on.drive(self.number, level)
        return None


class PWM:
    """machine.PWM: remembered, not sent."""

    def __init__(self, pin, *, freq, duty_u16):
        assert 0 < duty_u16 <= 65535
        self.number = pin.number
        Chip.on.pwm[self.number] = (freq, duty_u16)
        Chip.on.taken(self.number)

    def deinit(self):
        del Chip.on.pwm[self.number]
        Chip.on.levels[self.number] = FLOATS


def install():
    """Put the modules of both ports in place, once."""
    import chip_board
    import chip_esp32
    import chip_rp2

    machine = types.ModuleType("machine")
    machine.Pin, machine.PWM = Pin, PWM
    chip_board.fill(machine)
    esp32 = types.ModuleType("esp32")
    esp32.RMT, esp32.PCNT = chip_esp32.RMT, chip_esp32.PCNT
    rp2 = types.ModuleType("rp2")
    rp2.PIO, rp2.StateMachine, rp2.asm_pio = chip_rp2.PIO, chip_rp2.machine, chip_rp2.asm_pio
    for module in (machine, esp32, rp2):
        sys.modules.setdefault(module.__name__, module)
    assert sys.modules["machine"] is machine or sys.modules["machine"].Pin is Pin
