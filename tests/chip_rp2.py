"""The RP2's PIO: an assembler for what drivers write, and two machines that run it.

`Emulated` runs a program cycle by cycle on the emulator `pioemu`. `Timed` knows what the two
programs of the drivers do and works it out per word, a thousand times as fast; tests hold it
against the emulator cycle by cycle. One cycle is one microsecond.
"""

import types
from collections import deque
from dataclasses import replace

from pioemu import ShiftRegister, State, emulate

from chip import Chip

ALL = 0xFFFFFFFF
DEPTH = 4
REGISTERS = {"x": 1, "y": 2, "null": 3, "isr": 6, "osr": 7}
CONDITIONS = {"x_dec": 2, "y_dec": 4}


class PIO:
    OUT_LOW = 2
    SHIFT_LEFT, SHIFT_RIGHT = 0, 1


class Code:
    """An instruction that is being written: .side(level) and [delay] add to it."""

    def __init__(self, word):
        self.word = word
        self.sided = False

    def side(self, level):
        self.word |= level << 12
        self.sided = True
        return self

    def __getitem__(self, delay):
        assert 0 <= delay <= 15, "four bits of delay beside one of side-set"
        self.word |= delay << 8
        return self


class Program:
    """The instructions of one `asm_pio` function, coded as section 3.4 of the data sheet says."""

    def __init__(self, function):
        self.codes, self.labels, self.target, self.top = [], {}, 0, None
        names = dict(REGISTERS, **CONDITIONS, block="block")
        names |= {"wrap_target": self._target, "wrap": self._wrap, "label": self._label}
        names |= {"pull": self._pull, "out": self._out, "mov": self._mov, "jmp": self._jmp}
        types.FunctionType(function.__code__, names)()
        assert all(code.sided for code in self.codes), "side-set of every instruction"
        self.words = [
            code.word | (self.labels[code.label] if hasattr(code, "label") else 0)
            for code in self.codes
        ]
        assert len(self.words) <= 32
        assert self.target == 0
        assert self.top == len(self.words) - 1

    def _add(self, word):
        self.codes.append(Code(word))
        return self.codes[-1]

    def _target(self):
        self.target = len(self.codes)

    def _wrap(self):
        self.top = len(self.codes) - 1

    def _label(self, name):
        self.labels[name] = len(self.codes)

    def _pull(self, how):
        assert how == "block"
        return self._add(0x80A0)

    def _out(self, to, bits):
        return self._add(0x6000 | to << 5 | bits & 31)

    def _mov(self, to, source):
        return self._add(0xA000 | to << 5 | source)

    def _jmp(self, condition, label):
        code = self._add(condition << 5)
        code.label = label
        return code


def asm_pio(*, sideset_init, out_shiftdir):
    assert sideset_init == PIO.OUT_LOW
    assert out_shiftdir == PIO.SHIFT_RIGHT
    return Program


class Word:
    """A word that has been taken at `at`: the pulses it makes, as Burst of chip_esp32 does."""

    def __init__(self, at, word, steps):
        self.at, self.word, self.steps = at, word, steps
        if steps:
            self.n, self.apart = (word & 0xFFF) + 1, (word >> 12) + 12
            self.end = at + 3 + self.n * self.apart
        else:
            self.on, self.off = (word & 0xFFFF) + 1, word >> 16
            self.end = at + 2 + self.on + 1 + self.off + 1
        self.broken = None

    def cut(self, at):
        self.broken = at

    def first(self):
        return self.at + 3 + self.apart - 10 if self.steps else self.at + 2

    def x_and_osr(self, now):
        """The registers after the cycle before `now`."""
        if now < self.at + 2:
            return ALL, self.word
        if self.steps:
            osr = self.word >> 12 if now < self.at + 3 else 0
            return (self.n - 1 - self.rises(now)) & ALL, osr
        done = max(0, min(self.on, now - self.first()))
        return (self.on - 1 - done) & ALL, self.off if now < self.first() + self.on + 1 else 0

    def rises(self, until=None):
        until = min([t for t in (until, self.broken, self.end) if t is not None])
        if not self.steps:
            return int(until > self.first())
        return max(0, min(self.n, (until - self.first() - 1) // self.apart + 1))

    def edges(self):
        until = self.end if self.broken is None else self.broken
        for k in range(self.rises()):
            if self.steps:
                rise = self.first() + k * self.apart
                fall = rise + 10
            else:
                rise, fall = self.first(), self.first() + self.on
            yield rise, 1
            yield min(fall, until), 0


class Timed:
    """rp2.StateMachine, worked out word by word."""

    # What a call of put takes.
    put_us = 5
    # Raised by the next put: what goes wrong on a real board.
    fails = None

    def __init__(self, id, program, *, freq, sideset_base):
        assert 0 <= id <= 7
        assert freq == 1000000
        self.chip = Chip.on
        self.pin = sideset_base.number
        self.chip.taken(self.pin)
        self.steps = any(word & 0xE0E0 == 0x60C0 for word in program.words)
        self.sent = self.chip.sent.setdefault(self.pin, [])
        self.runs = False
        self.queue, self.read = deque(), []
        self.word, self.free, self.x, self.osr, self.isr = None, 0, 0x1234, 0x5678, 0

    def _advance(self):
        while self.runs and self.queue:
            put, word = self.queue[0]
            at = max(put, self.free)
            if at >= self.chip.us:
                break
            self.queue.popleft()
            self.word = Word(at, word, self.steps)
            self.free = self.word.end
            self.sent.append(self.word)
        if self.word is not None:
            self.x, self.osr = self.word.x_and_osr(self.chip.us)

    def active(self, value=None):
        if value is None:
            return self.runs
        self._advance()
        if self.runs and not value and self.word is not None:
            self.word.cut(self.chip.us)
        if value and not self.runs:
            self.free = self.chip.us
        self.runs = bool(value)
        return self.runs

    def restart(self):
        assert not self.runs
        self.word = None

    def put(self, word):
        if Timed.fails is not None:
            problem, Timed.fails = Timed.fails, None
            raise problem
        assert 0 <= word <= ALL
        self._advance()
        assert len(self.queue) < DEPTH, "the call would wait"
        self.queue.append((self.chip.us, word))
        self.chip.us += Timed.put_us

    def tx_fifo(self):
        self._advance()
        return len(self.queue)

    def exec(self, code):
        """One instruction of a machine that stands still; the four that drivers use."""
        assert self.word is None or not self.sent, "restart first: a delay may be pending"
        if code == 0xA02B:
            self.x = ALL
        elif code == 0xA0C1:
            self.isr = self.x
        elif code == 0xA0C7:
            self.isr = self.osr
        elif code == 0x8000:
            self.read.append(self.isr)
        else:
            raise AssertionError(f"unknown instruction {code:#x}")

    def get(self):
        return self.read.pop(0)


class Emulated:
    """rp2.StateMachine on the emulator, cycle by cycle."""

    def __init__(self, id, program, *, freq, sideset_base):
        self.chip = Chip.on
        self.pin = sideset_base.number
        self.chip.taken(self.pin)
        self.program = program
        self.sent = self.chip.sent.setdefault(self.pin, [])
        self.trace = Trace()
        self.sent.append(self.trace)
        self.runs = False
        self.read = []
        self.state = State(pin_directions=1, x_register=0x1234)

    def _advance(self):
        """Run every cycle before now."""
        if not self.runs:
            return
        ahead = self.chip.us - self.base
        if self.state.program_counter == 0 and not self.state.transmit_fifo:
            self.trace.level(self.base + self.state.clock, 0)
            self.state = replace(self.state, clock=max(self.state.clock, ahead), pin_values=0)
            return
        for before, after in self._cycles(ahead):
            self.trace.level(self.base + before.clock, after.pin_values & 1)
            self.state = after
            if after.program_counter == 0 and not after.transmit_fifo:
                self._advance()
                return

    def _cycles(self, ahead):
        return emulate(
            self.program.words,
            stop_when=lambda _, state: state.clock >= ahead,
            initial_state=self.state,
            side_set_base=0,
            side_set_count=1,
            shift_osr_right=True,
        )

    def active(self, value=None):
        if value is None:
            return self.runs
        self._advance()
        if value and not self.runs:
            self.base = self.chip.us - self.state.clock
        if self.runs and not value:
            self.trace.level(self.chip.us, 0)
        self.runs = bool(value)
        return self.runs

    def restart(self):
        assert not self.runs
        self.state = replace(self.state, program_counter=0, pin_values=0)

    def put(self, word):
        self._advance()
        assert len(self.state.transmit_fifo) < DEPTH, "the call would wait"
        self.state = replace(self.state, transmit_fifo=deque([*self.state.transmit_fifo, word]))
        self.chip.us += 5

    def tx_fifo(self):
        self._advance()
        return len(self.state.transmit_fifo)

    def exec(self, code):
        assert not self.runs
        for _, after in emulate(
            [code],
            stop_when=lambda _, state: state.clock > 0,
            initial_state=replace(self.state, clock=0, program_counter=0),
            side_set_count=1,
        ):
            self.state = replace(after, clock=self.state.clock, program_counter=0)
        if self.state.receive_fifo:
            self.read += self.state.receive_fifo
            self.state = replace(
                self.state, receive_fifo=deque(), input_shift_register=ShiftRegister(0, 0)
            )

    def get(self):
        return self.read.pop(0)


class Trace:
    """The edges that the emulator made."""

    def __init__(self):
        self.changes, self.now = [], 0

    def level(self, at, level):
        if level != self.now:
            self.changes.append((at, level))
            self.now = level

    def edges(self):
        return iter(self.changes)

    def rises(self):
        return sum(level for _, level in self.changes)


kind = Timed


def machine(*args, **settings):
    """What the drivers see as rp2.StateMachine: the machine of this kind."""
    return kind(*args, **settings)
