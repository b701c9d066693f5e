"""The ESP32's RMT and PCNT with the limits of the real ones, which a driver must not rely on not
meeting. After ports/esp32/esp32_rmt.c and esp32_pcnt.c of MicroPython and the reference manuals.

RMT: the symbols of all senders together; a burst that needs its memory refilled is an error here,
since a flash write can then add pulses; write_pulses waits for the burst under way; the ESP32
cannot break a burst off, and spins with interrupts off until it ends (and panics when that takes
300 ms); after a break the busy flag sticks; deinit lets the pin float; then every call raises.
"""

from chip import FLOATS, Chip

# Symbols in all, and in the smallest block of one sender.
MEMORY = {"esp32": (512, 64), "esp32s2": (256, 64), "esp32s3": (192, 48)}
MEMORY |= {"esp32c3": (96, 48), "esp32c6": (96, 48)}
PANIC_US = 300000


class Burst:
    """What one call sent: times and levels, when it began, and when it was broken off, if so."""

    def __init__(self, at, times, levels):
        self.at = at
        self.times = times
        self.levels = levels
        self.end = at + sum(times)

    def cut(self, at):
        self.end = min(self.end, at)

    def halves(self):
        at = self.at
        for i, time in enumerate(self.times):
            if at >= self.end:
                return
            high = self.levels[i] if self.levels else 1 - i % 2
            yield at, min(at + time, self.end), int(high)
            at += time

    def edges(self):
        for at, _, level in self.halves():
            yield at, level
        # The pin idles low after the burst, and after a break as well.
        yield self.end, 0

    def rises(self, until=None):
        until = self.end if until is None else min(until, self.end)
        if self.levels is None and until >= self.at + sum(self.times[:-1]):
            return (len(self.times) + 1) // 2
        found, level = 0, 0
        for at, _, high in self.halves():
            if at >= until:
                break
            found += high > level
            level = high
        return found


class RMT:
    """esp32.RMT of MicroPython 1.27 and later."""

    PULSE_MAX = 32767
    in_use = 0
    by_hand = False
    # Raised by the next write_pulses or deinit: what goes wrong on a real board.
    fails = None
    deinit_fails = None

    def __init__(self, id=-1, /, *, pin, resolution_hz, idle_level=False, num_symbols=64):
        whole, block = MEMORY[Chip.on.name]
        if num_symbols % 2 or num_symbols < block:
            raise ValueError(f"num_symbols must be even and at least {block}")
        if RMT.in_use + num_symbols > whole:
            raise OSError("no free tx channels")
        assert resolution_hz == 1000000
        assert idle_level is False
        RMT.in_use += num_symbols
        self.chip = Chip.on
        self.pin = pin.number
        self.symbols = num_symbols
        self.enabled = False
        self.stuck = 0
        self.burst = None
        self.chip.taken(self.pin)
        self.sent = self.chip.sent.setdefault(self.pin, [])

    @staticmethod
    def bitstream_rmt(value=None):
        RMT.by_hand = value is False
        return value

    def _alive(self):
        if self.pin is None:
            raise OSError("already deinitialized")

    def _busy(self):
        return self.burst is not None and self.chip.us < self.burst.end

    def write_pulses(self, duration, data=True):
        self._alive()
        if RMT.fails is not None:
            problem, RMT.fails = RMT.fails, None
            raise problem
        if self.enabled and self._busy():
            self.chip.us = self.burst.end
        self.enabled = True
        assert isinstance(duration, (list, tuple))
        levels = None
        if isinstance(data, (list, tuple)):
            levels = data
            assert len(levels) == len(duration)
        else:
            assert data is True
        if not duration:
            raise ValueError("No pulses")
        assert min(duration) > 0, "a duration of nothing ends the burst"
        assert max(duration) <= RMT.PULSE_MAX, "15 bits"
        assert (len(duration) + 1) // 2 <= self.symbols - 1, "the memory would be refilled"
        self.chip.us += self.chip.call_us
        self.burst = Burst(self.chip.us, duration, levels)
        assert self.burst.end - self.burst.at < PANIC_US, "too long to be broken off"
        self.sent.append(self.burst)

    def wait_done(self, *, timeout=0):
        self._alive()
        if not self.enabled:
            return True
        if timeout and self._busy():
            left = self.burst.end - self.chip.us
            self.chip.us += left if timeout < 0 else min(left, timeout * 1000)
        return not self._busy() and not self.stuck

    def active(self, *value):
        self._alive()
        if not value:
            return self.enabled and (self._busy() or self.stuck > 0)
        if value[0]:
            raise ValueError("activate by calling write_pulses()")
        self._deactivate()
        return False

    def _deactivate(self):
        if self.enabled and self._busy():
            if self.chip.name == "esp32":
                self.chip.us = self.burst.end
            else:
                self.burst.cut(self.chip.us)
                self.stuck += 1
        self.enabled = False

    def deinit(self):
        if self.pin is None:
            return
        self._deactivate()
        RMT.in_use -= self.symbols
        self.chip.levels[self.pin] = FLOATS
        self.pin = None
        if RMT.deinit_fails is not None:
            problem, RMT.deinit_fails = RMT.deinit_fails, None
            raise problem


class PCNT:
    """esp32.PCNT: counts the rising edges that reach its pin, 16 bits of them.

    `ear` is what reaches it of the true number: a test's broken wire or noise.
    """

    INCREMENT = 1
    in_use = 0

    @staticmethod
    def ear(count):
        return count

    def __init__(self, id, /, *, pin, rising, filter=0):
        assert Chip.on.name != "esp32c3", "this chip has no pulse counter"
        assert rising == PCNT.INCREMENT
        assert 0 <= filter <= 1023
        # Shorter pulses than the filter are not counted; ours are ten microseconds.
        assert filter < 10 * 80
        PCNT.in_use += 1
        Chip.on.pulled.add(pin.number)
        self.chip = Chip.on
        self.pin = pin.number
        self.from_burst = self.from_edge = 0
        self.runs = False

    def start(self):
        self.runs = True

    def stop(self):
        self.runs = False

    def _now(self):
        bursts = self.chip.bursts(self.pin)
        return sum(burst.rises(self.chip.us) for burst in bursts[self.from_burst :])

    def value(self, to=None):
        assert PCNT.in_use == 1
        now = self._now()
        counted = PCNT.ear(now - self.from_edge) if self.runs else 0
        assert counted < 32767, "the counter would begin anew"
        if to is not None:
            assert to == 0
            bursts = self.chip.bursts(self.pin)
            self.from_burst = max(0, len(bursts) - 1)
            self.from_edge = self._now()
        return counted

    def deinit(self):
        PCNT.in_use -= 1
