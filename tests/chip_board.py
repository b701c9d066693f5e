"""The rest of a chip that is not there: watchdog, resets, memory, timers, two wires, serial port.

With the limits of the real parts, which the program must not rely on not meeting. All act on the
chip that is `on`; what outlives a reset is in its `Backup`. After the ports of MicroPython 1.29
and the data sheets that are named beside each part.
"""

from chip import Chip, Pin

POWER, WATCHDOG, PROGRAM, SOFT = 1, 2, 3, 4
PLATFORMS = {"esp32": "esp32", "esp32s3": "esp32", "esp32c3": "esp32"}
PLATFORMS |= {"rp2040": "rp2", "rp2350": "rp2"}
# (watchdog, timer) of the RP2s.
BASES = {"rp2040": (0x40058000, 0x40054000), "rp2350": (0x400D8000, 0x400B0000)}
LONGEST_WDT_MS = {"rp2040": 8388, "rp2350": 16777}


class Reset(BaseException):
    """The chip was reset by the program."""


class Backup:
    """What outlives a reset of a chip, and why it was last reset."""

    def __init__(self, name):
        self.name = name
        self.rtc = b""
        self.scratch = [0] * 8
        self.soft = False
        self.hard = POWER
        self.up_us = 1500000  # since the chip itself was reset

    def restart(self, cause, up_us=1500000):
        """The chip starts again; a soft reset leaves the chip itself alone."""
        self.soft = cause == SOFT
        self.up_us = up_us
        if cause != SOFT:
            self.hard = cause
        if cause == POWER:
            self.rtc = b""
            self.scratch = [0] * 8


def backup():
    chip = Chip.on
    if not hasattr(chip, "backup"):
        chip.backup = Backup(chip.name)
    return chip.backup


class RTC:
    """Only ESP32s have memory here: 2048 bytes (ports/esp32/machine_rtc.c)."""

    def memory(self, *data):
        kept = backup()
        assert PLATFORMS[kept.name] == "esp32", "an RP2's RTC has no memory"
        if not data:
            return kept.rtc
        if len(data[0]) > 2048:
            raise ValueError("buffer too long")
        kept.rtc = bytes(data[0])
        return None


class Mem32:
    """Registers of an RP2, whole words of them; reads may come signed."""

    def at(self, address):
        kept = backup()
        watchdog, timer = BASES[kept.name]
        assert address % 4 == 0, "only whole words"
        return kept, address - watchdog, address - timer

    def __getitem__(self, address):
        kept, dog, timer = self.at(address)
        if dog == 0x08:
            word = {POWER: 0, WATCHDOG: 1, PROGRAM: 2}[kept.hard]
        elif timer in (0x24, 0x28):
            word = kept.up_us >> (32 if timer == 0x24 else 0) & 0xFFFFFFFF
        else:
            assert 0x0C <= dog <= 0x28, "no register that is read here"
            word = kept.scratch[(dog - 0x0C) // 4]
        return word - (1 << 32) if word >> 31 else word

    def __setitem__(self, address, word):
        kept, dog, _ = self.at(address)
        assert 0x0C <= dog < 0x1C, "scratch registers 4 to 7 are the firmware's"
        kept.scratch[(dog - 0x0C) // 4] = word & 0xFFFFFFFF


def reset_cause():
    """As the ports have it: the RP2 says watchdog for a program's reset too, and knows no soft."""
    kept = backup()
    if PLATFORMS[kept.name] == "rp2":
        return 1 if kept.hard == POWER else 3
    if kept.soft:
        return 5
    return {POWER: 1, WATCHDOG: 3, PROGRAM: 2}[kept.hard]


def reset():
    raise Reset


class WDT:
    """Starts at once, and nothing stops it; `fed` are the times of its food."""

    def __init__(self, *, timeout):
        chip = Chip.on
        most = LONGEST_WDT_MS.get(chip.name, 1 << 30)
        if not 1000 <= timeout <= most:
            raise ValueError(f"timeout exceeds {most}")
        self.fed = chip.fed = [chip.us]

    def feed(self):
        self.fed.append(Chip.on.us)


class Timer:
    """machine.Timer: 0 to 3 on ESP32s (0 and 1 on a C3), only -1 on RP2s. `all` are those made."""

    PERIODIC = 1
    all = ()

    def __init__(self, number):
        allowed = (0, 1) if PLATFORMS[Chip.on.name] == "esp32" else (-1,)
        if number not in allowed:
            raise ValueError("Timer doesn't exist")
        self.callback = None

    def init(self, *, mode, period, callback):
        assert mode == Timer.PERIODIC
        self.period, self.callback = period, callback
        Timer.all += (self,)


class Signal:
    """machine.Signal: a pin, inverted or not."""

    def __init__(self, pin, *, invert=False):
        self.pin, self.invert = pin, bool(invert)

    def value(self, on=None):
        if on is None:
            return int(self.pin.value()) ^ self.invert
        self.pin.value(int(bool(on)) ^ self.invert)
        return None


class SoftI2C:
    """Two wires with the chips in `Chip.on.wires`: address -> bytearray of registers.

    An address at which nothing hangs raises ENODEV; a line that is stuck ETIMEDOUT, after the time
    that was allowed.
    """

    def __init__(self, *, scl, sda, freq, timeout):
        assert freq <= 400000, "both chips end there"
        assert timeout <= 1000, "a stuck line would hold the loop"
        self.wires = getattr(Chip.on, "wires", {})
        self.stuck = getattr(Chip.on, "stuck", False)

    def _registers(self, address):
        if self.stuck:
            raise OSError(116)
        if address not in self.wires:
            raise OSError(19)
        return self.wires[address]

    def readfrom_mem(self, address, register, size):
        return bytes(self._registers(address)[register : register + size])

    def writeto_mem(self, address, register, data):
        registers = self._registers(address)
        assert register + len(data) <= len(registers)
        registers[register : register + len(data)] = data


def bitstream(pin, encoding, timing, data):
    """Bits by hand: on an ESP32 only after the pulse memory was left out of it."""
    import chip_esp32

    assert encoding == 0
    assert PLATFORMS[Chip.on.name] != "esp32" or chip_esp32.RMT.by_hand
    Chip.on.lamp = [*getattr(Chip.on, "lamp", []), (pin.number, timing, bytes(data))]


def fill(machine):
    """Put all this into the module `machine`."""
    for part in (RTC, WDT, Timer, Signal, SoftI2C, bitstream, reset, reset_cause, Pin):
        setattr(machine, part.__name__, part)
    machine.mem32 = Mem32()
    machine.PWRON_RESET, machine.HARD_RESET, machine.WDT_RESET = 1, 2, 3
    machine.DEEPSLEEP_RESET, machine.SOFT_RESET = 4, 5


class Port:
    """The serial port as the interpreter has it: `came` waits to be read, `went` was sent."""

    def __init__(self):
        self.came = bytearray()
        self.went = bytearray()
        self.piece_us = 0  # what sending takes, a call
        self.buffer = self

    def readinto(self, into):
        assert len(self.came) >= len(into), "this read would wait"
        into[:] = self.came[: len(into)]
        del self.came[: len(into)]
        return len(into)

    def write(self, data):
        Chip.on.us += self.piece_us
        self.went += data.encode() if isinstance(data, str) else data
        return len(data)

    def flush(self):
        """Nothing is held back."""


class Poll:
    """select.poll of MicroPython, which has ipoll."""

    def register(self, stream, events):
        self.stream, self.events = stream, events

    def ipoll(self, timeout):
        assert timeout == 0, "this poll would wait"
        return iter([(self.stream, self.events)] if self.stream.came else [])
