"""What the drivers of timed motors share: the soft start and the speed input.

The soft start is a fixed pattern of on and off, the same in every run: what it costs is part of
the dead time that the calibration's offset holds. Nothing here switches a motor.
"""

from machine import PWM, Pin

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

# (on, off) in microseconds: a quarter, a half, three quarters. A longer run begins with them.
SOFT_US = ((1000, 3000), (2000, 2000), (3000, 1000))
SOFT_MS = 12
# Above what people hear.
PWM_HZ = 20000


def check(settings: "dict[str, Any]") -> None:
    """ValueError where the settings are not those of a timed motor."""
    if settings["speed_cps"] != 1000:
        raise ValueError("speed_cps %d: 1000, a count is a ms" % settings["speed_cps"])


class Speed:
    """The speed input of a motor's driver, if it has one: held at a fixed duty during a run."""

    pwm: "PWM | None" = None

    def __init__(self, output: "dict[str, Any]") -> None:
        self.pin: Pin | None = None
        self.duty: int = output.get("duty_pct", 100)
        if not 0 < self.duty <= 100:
            raise ValueError("duty_pct %d: 1 to 100" % self.duty)
        if output.get("pwm") is not None:
            self.pin = Pin(output["pwm"], Pin.OUT, value=0)

    def on(self) -> None:
        """Set the speed, before the switch goes on."""
        if self.pin is not None:
            self.pwm = PWM(self.pin, freq=PWM_HZ, duty_u16=65535 * self.duty // 100)

    def off(self) -> None:
        """Back to rest."""
        pwm, self.pwm = self.pwm, None
        if pwm is not None:
            pwm.deinit()
        if self.pin is not None:
            self.pin.init(Pin.OUT, value=0)
