"""The clock chips DS3231 and PCF8563 on two wires. A chip whose clock stopped has no answer.

Registers after Maxim's data sheet of the DS3231 (figure 1) and NXP's of the PCF8563 (section 8).
Both count in BCD, hold two digits of the year, and are kept at UTC. Nothing here raises but
`set`, and every call is over within a few milliseconds.
"""

from machine import Pin, SoftI2C

from aliquot.core.dates import days_of, weekday, ymd

TYPE_CHECKING = False
if TYPE_CHECKING:
    from machine import I2C

FREQ_HZ = 100000
# Neither chip holds the clock line down; a line that is stuck is given up so soon.
STUCK_US = 1000
DAY_S = 86400


def find(fitted: "tuple[int, int, str] | None") -> "Chip | None":
    """The chip that answers on (sda, scl), of the kind that is fitted or `any`; or None."""
    if not fitted:
        return None
    sda, scl, kind = fitted
    bus = SoftI2C(scl=Pin(scl), sda=Pin(sda), freq=FREQ_HZ, timeout=STUCK_US)
    for chip in (Ds3231(bus), Pcf8563(bus)):
        if kind in ("any", chip.name) and chip.there():
            return chip
    return None


def digits(value: int) -> int:
    """A number in BCD; -1 where a digit is none."""
    if value & 15 > 9 or value >> 4 > 9:
        return -1
    return (value >> 4) * 10 + (value & 15)


def bcd(number: int) -> int:
    return number // 10 << 4 | number % 10


def wall_of(year: int, month: int, day: int, hour: int, minute: int, second: int) -> int:
    """Wall seconds of a date and time; 0 where it is none."""
    if not (1 <= month <= 12 and 0 <= hour < 24 and 0 <= minute < 60 and 0 <= second < 60):
        return 0
    date = days_of(year, month, day)
    if ymd(date) != (year, month, day):
        return 0
    return date * DAY_S + (hour * 60 + minute) * 60 + second


class Chip:
    """One kind of chip on a bus: `address`, and the first register of its time."""

    name = ""
    address = 0
    first = 0

    def __init__(self, bus: "I2C | SoftI2C") -> None:
        self.bus = bus

    def read(self, register: int, size: int) -> bytes:
        """Registers in one go; none where the chip does not answer."""
        try:
            return self.bus.readfrom_mem(self.address, register, size)
        except OSError:
            return b""

    def write(self, register: int, data: bytes) -> None:
        self.bus.writeto_mem(self.address, register, data)

    def there(self) -> bool:
        return bool(self.read(self.first, 1))

    def wall_w(self) -> int:
        """Wall seconds since 2000; 0 where the chip does not know."""
        raise NotImplementedError

    def set(self, wall_w: int) -> None:
        """Set it to a time of this century and start it; OSError where it does not answer."""
        raise NotImplementedError


def parts(wall_w: int) -> "tuple[int, int, int, int, int, int, int]":
    """(year, month, day, weekday from Monday = 0, hour, minute, second)."""
    date, second = divmod(wall_w, DAY_S)
    year, month, day = ymd(date)
    return year, month, day, weekday(date), second // 3600, second // 60 % 60, second % 60


class Ds3231(Chip):
    """Status register 0Fh, bit 7 (OSF): the clock stopped since that was last cleared."""

    name = "ds3231"
    address = 0x68

    def wall_w(self) -> int:
        status = self.read(0x0F, 1)
        data = self.read(0, 7)
        if not status or status[0] & 0x80 or len(data) != 7:
            return 0
        hour = data[2]
        if hour & 0x40:
            # Twelve hours, 12 before 1, and bit 5 for the afternoon.
            half = digits(hour & 0x9F)
            hour = half % 12 + (12 if hour & 0x20 else 0) if 1 <= half <= 12 else -1
        else:
            hour = digits(hour)
        # The century bit is toggled by the chip when 99 becomes 00.
        year = digits(data[6])
        if year < 0:
            return 0
        year += 2100 if data[5] & 0x80 else 2000
        month, day = digits(data[5] & 0x7F), digits(data[4])
        # Bits that have no use read as 0 in this chip: a digit too large is none.
        return wall_of(year, month, day, hour, digits(data[1]), digits(data[0]))

    def set(self, wall_w: int) -> None:
        year, month, day, of_week, hour, minute, second = parts(wall_w)
        # Bit 7 of the control register would stop the clock while it runs on its battery.
        control = self.read(0x0E, 2)
        if len(control) != 2:
            raise OSError("no answer")
        self.write(0x0E, bytes((control[0] & 0x7F,)))
        now = (second, minute, hour, of_week + 1, day, month, year % 100)
        self.write(0, bytes([bcd(n) for n in now]))
        # Last: until now a time that is half written is no answer.
        self.write(0x0F, bytes((control[1] & 0x7F,)))


class Pcf8563(Chip):
    """Register 02h, bit 7 (VL): the time is no longer guaranteed. 00h, bit 5 (STOP): it stands."""

    name = "pcf8563"
    address = 0x51

    def wall_w(self) -> int:
        data = self.read(0, 9)
        if len(data) != 9 or data[0] & 0x20 or data[2] & 0x80:
            return 0
        # The century bit is toggled by the chip when 99 becomes 00; `set` clears it.
        year = digits(data[8])
        if year < 0:
            return 0
        year += 2100 if data[7] & 0x80 else 2000
        month, day = digits(data[7] & 0x1F), digits(data[5] & 0x3F)
        hour, minute = digits(data[4] & 0x3F), digits(data[3] & 0x7F)
        return wall_of(year, month, day, hour, minute, digits(data[2] & 0x7F))

    def set(self, wall_w: int) -> None:
        year, month, day, of_week, hour, minute, second = parts(wall_w)
        # From Sunday = 0. The seconds clear VL, in one go with all the rest.
        now = (second, minute, hour, day, (of_week + 1) % 7, month, year % 100)
        self.write(0, b"\x00\x00" + bytes([bcd(n) for n in now]))
