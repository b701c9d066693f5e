"""Facts about the chips that boards carry: what each pin can do, and what makes pulses. Data only.

Each fact bears its source. "IDF" is the page "GPIO & RTC GPIO" of ESP-IDF's programming guide
(v5.5), which repeats the pin table of the data sheet; "soc_caps" is `soc_caps.h` of ESP-IDF for
that chip; what could not be looked up again says "from memory". Nothing here knows a board, a
set-up or a motor, and nothing here touches hardware. What the drivers make of it (bursts, speeds,
how soon a motor rests) is in the device's `hal/bounds.py`.

Only chips whose pulses come from hardware that counts are listed: esp32.RMT or the PIO.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping

Pins = frozenset[int]
NONE: Pins = frozenset()

# The resistor at a motor pin. It outweighs the weak pulls inside (about 45 kilohms on ESP32s, 50
# to 80 on RP2; data sheets, "DC characteristics", from memory) by more than four.
PULL_OHM = 10_000


@dataclasses.dataclass(frozen=True)
class Strap:
    """A pin whose level at reset decides how the chip starts.

    pull:  the level to which the chip itself pulls it then; None where it does not.
    boots: the level it must have for the program to start; None where either does.
    what:  what the level decides.
    """

    pull: int | None
    boots: int | None
    what: str


@dataclasses.dataclass(frozen=True)
class Chip:
    """One chip.

    name:       as MicroPython's ports call it.
    pins:       the numbers that exist.
    input_only: cannot drive a line and have no pull inside.
    flash:      wired to the program's memory, in the module or the package.
    psram:      "quad" or "octal" -> pins that this kind of extra memory takes.
    usb:        USB, by which the chip is flashed and spoken to.
    serial:     (transmit, receive) of the first serial port; the transmit pin talks at each reset.
    straps:     pin -> what it decides at reset.
    radio:      taken by a radio chip beside it, where the board has one.
    names:      pins that have a name instead of a number, on the radio chip.
    glitches:   pin -> levels that the chip drives for some 60 µs at power-on.
    rmt:        (channels that transmit, symbols each), or None.
    pio:        state machines, or 0.
    radio_pio:  how many of them the radio uses.
    pcnt:       units that can count pulses back on a pin.
    pull_ohm:   the most that a pull-down at a motor pin may have.
    sources:    fact -> where it is written.
    """

    name: str
    label: str
    pins: Pins
    sources: Mapping[str, str]
    input_only: Pins = NONE
    flash: Pins = NONE
    psram: Mapping[str, Pins] = dataclasses.field(default_factory=dict[str, Pins])
    usb: Pins = NONE
    serial: tuple[int, ...] = ()
    straps: Mapping[int, Strap] = dataclasses.field(default_factory=dict[int, Strap])
    radio: Pins = NONE
    names: frozenset[str] = frozenset()
    glitches: Mapping[int, tuple[int, ...]] = dataclasses.field(
        default_factory=dict[int, tuple[int, ...]]
    )
    rmt: tuple[int, int] | None = None
    pio: int = 0
    radio_pio: int = 0
    pcnt: int = 0
    pull_ohm: int = PULL_OHM


def _range(*spans: tuple[int, int]) -> Pins:
    """The numbers of spans, both ends included."""
    return frozenset(pin for low, high in spans for pin in range(low, high + 1))


ESP32 = Chip(
    name="esp32",
    label="ESP32",
    pins=_range((0, 19), (21, 23), (25, 27), (32, 39)),
    input_only=_range((34, 39)),
    flash=_range((6, 11)),
    psram={"quad": frozenset({16, 17})},
    serial=(1, 3),
    straps={
        0: Strap(1, 1, "low, it waits for a download"),
        2: Strap(0, None, "high, no download is possible"),
        5: Strap(1, None, "it sets the timing of SDIO"),
        12: Strap(0, 0, "high, it gives the flash 1.8 V and does not start"),
        15: Strap(1, None, "low, it silences the start-up log"),
    },
    rmt=(8, 64),
    pcnt=8,
    sources={
        "pins": "ESP32 data sheet, section Pins; IDF",
        "input_only": "ESP32 data sheet, section Pins (GPIO34 to 39 are GPI); IDF",
        "flash": "ESP32 data sheet, section Pins (SPI0/1, GPIO6 to 11); IDF",
        "psram": "ESP32 data sheet, section Pins (GPIO16 and 17 with PSRAM); IDF",
        "serial": "ESP32 data sheet, section Pins (U0TXD, U0RXD); IDF",
        "straps": "ESP32 data sheet, section Boot Configurations; pulls: ESP-IDF, SD Pull-up "
        "Requirements, and from memory",
        "rmt": "ESP-IDF soc_caps: 8 channels of 64 symbols",
        "pcnt": "ESP-IDF soc_caps: 8 units",
    },
)
ESP32_S2 = Chip(
    name="esp32s2",
    label="ESP32-S2",
    pins=_range((0, 21), (26, 46)),
    input_only=frozenset({46}),
    flash=_range((26, 32)),
    usb=frozenset({19, 20}),
    serial=(43, 44),
    straps={
        0: Strap(1, 1, "low, it waits for a download"),
        45: Strap(0, 0, "high, it gives the flash 1.8 V and does not start"),
        46: Strap(0, None, "high, no download is possible"),
    },
    rmt=(4, 64),
    pcnt=4,
    sources={
        "pins": "ESP32-S2 data sheet, section Pins; IDF",
        "input_only": "ESP32-S2 data sheet, section Pins (GPIO46 is GPI); IDF",
        "flash": "ESP32-S2 data sheet, section Pins (SPI0/1, GPIO26 to 32); IDF",
        "usb": "ESP32-S2 data sheet, section Pins (GPIO19, 20), from memory",
        "serial": "ESP32-S2 data sheet, section Pins (U0TXD, U0RXD), from memory",
        "straps": "ESP32-S2 data sheet, section Strapping Pins; IDF; levels from memory",
        "rmt": "ESP-IDF soc_caps: 4 channels of 64 symbols",
        "pcnt": "ESP-IDF soc_caps: 4 units",
    },
)
ESP32_S3 = Chip(
    name="esp32s3",
    label="ESP32-S3",
    pins=_range((0, 21), (26, 48)),
    flash=_range((26, 32)),
    psram={"octal": _range((33, 37))},
    usb=frozenset({19, 20}),
    serial=(43, 44),
    straps={
        0: Strap(1, 1, "low, it waits for a download"),
        3: Strap(None, None, "it chooses where JTAG signals come from"),
        45: Strap(0, 0, "high, it gives the flash 1.8 V and does not start"),
        46: Strap(0, None, "high, no download is possible"),
    },
    glitches={
        **dict.fromkeys(range(1, 18), (0,)),
        18: (0, 1),
        19: (0, 1),
        20: (0, 1),
    },
    rmt=(4, 48),
    pcnt=4,
    sources={
        "pins": "ESP32-S3 data sheet, section Pins; IDF",
        "flash": "ESP32-S3 data sheet, section Pins (SPI0/1, GPIO26 to 32); IDF",
        "psram": "ESP32-S3 data sheet, section Pins (GPIO33 to 37 with octal memory); IDF",
        "usb": "ESP32-S3 data sheet, section Pins (GPIO19, 20); IDF",
        "serial": "ESP32-S3 data sheet, section Pins (U0TXD, U0RXD), from memory",
        "straps": "ESP32-S3 data sheet, section Boot Configurations; IDF; levels from memory",
        "glitches": "ESP32-S3 data sheet, table 2-2, Power-Up Glitches on Pins; GPIO15, 16 and "
        "18 to 20 from memory",
        "rmt": "ESP-IDF soc_caps: 4 channels that transmit, 48 symbols each",
        "pcnt": "ESP-IDF soc_caps: 4 units",
    },
)
ESP32_C3 = Chip(
    name="esp32c3",
    label="ESP32-C3",
    pins=_range((0, 21)),
    flash=_range((11, 17)),
    usb=frozenset({18, 19}),
    serial=(21, 20),
    straps={
        2: Strap(None, 1, "it must be high at reset"),
        8: Strap(None, None, "low, no download is possible"),
        9: Strap(1, 1, "low, it waits for a download"),
    },
    rmt=(2, 48),
    sources={
        "pins": "ESP32-C3 data sheet, section Pins; IDF",
        "flash": "ESP32-C3 data sheet, section Pins (SPI0/1, GPIO12 to 17); IDF; GPIO11 feeds "
        "the flash (VDD_SPI), from memory",
        "usb": "ESP32-C3 data sheet, section Pins (GPIO18, 19); IDF",
        "serial": "ESP32-C3 data sheet, section Pins (U0TXD, U0RXD), from memory",
        "straps": "ESP32-C3 data sheet, section Strapping Pins; IDF; levels: Espressif, "
        "ESP32-C3 Wireless Adventure, table 5.5",
        "rmt": "ESP-IDF soc_caps: 2 channels that transmit, 48 symbols each",
        "pcnt": "ESP-IDF soc_caps: none",
    },
)
ESP32_C6 = Chip(
    name="esp32c6",
    label="ESP32-C6",
    pins=_range((0, 30)),
    flash=_range((24, 30)),
    usb=frozenset({12, 13}),
    serial=(16, 17),
    straps={
        4: Strap(None, None, "it sets the timing of SDIO"),
        5: Strap(None, None, "it sets the timing of SDIO"),
        8: Strap(None, None, "low, no download is possible"),
        9: Strap(1, 1, "low, it waits for a download"),
        15: Strap(None, None, "it chooses where JTAG signals come from"),
    },
    rmt=(2, 48),
    pcnt=4,
    sources={
        "pins": "ESP32-C6 data sheet, section Pins; IDF",
        "flash": "ESP32-C6 data sheet, section Pins (SPI0/1, GPIO24 to 30); IDF",
        "usb": "ESP32-C6 data sheet, section Pins (GPIO12, 13); IDF",
        "serial": "ESP32-C6 data sheet, section Pins (U0TXD, U0RXD), from memory",
        "straps": "ESP32-C6 data sheet, section Boot Configurations; IDF; levels from memory",
        "rmt": "ESP-IDF soc_caps: 2 channels that transmit, 48 symbols each",
        "pcnt": "ESP-IDF soc_caps: 4 units",
    },
)
_RADIO = "Pico SDK, boards/pico_w.h and pico2_w.h: WL_REG_ON 23, data 24, select 25, clock 29"
RP2040 = Chip(
    name="rp2040",
    label="RP2040",
    pins=_range((0, 29)),
    radio=frozenset({23, 24, 25, 29}),
    names=frozenset({"LED", "WL_GPIO0", "WL_GPIO1", "WL_GPIO2"}),
    pio=8,
    radio_pio=1,
    sources={
        "pins": "RP2040 data sheet, section GPIO (GPIO0 to 29; flash and USB have their own pins)",
        "radio": _RADIO,
        "names": "MicroPython, ports/rp2/boards/RPI_PICO_W/pins.csv",
        "pio": "MicroPython documentation, rp2, Programmable IO: 2 blocks of 4 state machines; "
        "one serves the radio, from memory",
    },
)
RP2350 = Chip(
    name="rp2350",
    label="RP2350",
    pins=_range((0, 29)),
    radio=frozenset({23, 24, 25, 29}),
    names=frozenset({"LED", "WL_GPIO0", "WL_GPIO1", "WL_GPIO2"}),
    pio=12,
    radio_pio=1,
    pull_ohm=4_700,
    sources={
        "pins": "RP2350 data sheet, section GPIO (RP2350A: GPIO0 to 29; flash and USB have their "
        "own pins)",
        "radio": _RADIO,
        "names": "MicroPython, ports/rp2/boards/RPI_PICO2_W/pins.csv, from memory",
        "pio": "MicroPython documentation, rp2, Programmable IO: 3 blocks of 4 state machines; "
        "one serves the radio, from memory",
        "pull_ohm": "RP2350 data sheet, erratum E9 (a leaking pin needs 8.2 kilohms or less), "
        "from memory",
    },
)

CHIPS: Mapping[str, Chip] = {
    chip.name: chip for chip in (ESP32, ESP32_S2, ESP32_S3, ESP32_C3, ESP32_C6, RP2040, RP2350)
}
# Chips that somebody may name, and why no motor can be run from them exactly.
WITHOUT: Mapping[str, str] = {
    "esp32c2": "it has no RMT, so nothing in it can give an exact number of steps",
    "esp8266": "it has no RMT and no PIO, so nothing in it can give an exact number of steps",
}


def burst_most_steps(chip: Chip) -> int:
    """The most steps of one burst: one running pump owns all memory of the RMT, and one symbol is
    left for the end marker. 0 for a chip without an RMT."""
    channels, each = chip.rmt or (0, 0)
    return max(0, channels * each - 1)


def number(pins: Pins) -> str:
    """Pins as people write them: "0, 2, 34 to 39"."""
    spans: list[str] = []
    left = sorted(pins)
    while left:
        last = left[0]
        while last + 1 in pins:
            last += 1
        first = left[0]
        left = [pin for pin in left if pin > last]
        if last - first > 1:
            spans.append(f"{first} to {last}")
        else:
            spans += [str(pin) for pin in range(first, last + 1)]
    return ", ".join(spans)


def kilohms(ohm: int) -> str:
    """ "10 kilohms" or "4.7 kilohms"."""
    return f"{ohm / 1000:g} kilohms"
