"""Works out what to buy for a set-up, as ratings without brands, and where each figure comes from.

A set-up says nothing of motors, supply or tubes; those figures are assumptions, which the caller
may replace, and each is marked as common practice. Nothing here recommends a product or a shop.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Any

from aliquot_host import advice, cautions, chips
from aliquot_host.setup_file import Loaded

Data = dict[str, Any]

# Preferred ratings of fuses, amperes (R10 series of ISO 3, as IEC 60127 has them; from memory).
FUSES_MA = (500, 630, 800, 1000, 1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000, 10000)
# What ready-made supplies come in, amperes (common practice).
SUPPLIES_MA = (1000, 1500, 2000, 2500, 3000, 4000, 5000, 6000, 8000, 10000)
# A supply runs cool and starts motors with a third to spare; a fuse carries the running current
# for years with a quarter to spare, and the supply can still blow it (all common practice).
SUPPLY_PCT, FUSE_PCT = 150, 125
# Of the board with its radio, at 5 V through a converter of 80 % (common practice).
BOARD_MA_5V = 500
# A driver that stands still and is not switched off holds its motor with this much of the current
# of a running one (common practice: half).
HOLD_PCT = 50
# A brushed motor draws this many times its running current while it starts (common practice).
START_TIMES = 5
FULL_STEPS = 200
RESERVOIR_DAYS = 30
EXTRA_PCT = 20

SETUP, BOARD, PRACTICE, OPTION = "set-up", "board", "common practice", "option"


@dataclasses.dataclass(frozen=True)
class Assumed:
    """What no set-up says; `given` names those that the user gave."""

    supply_v: int = 12
    stepper_ma: int = 1000
    timed_ma: int = 300
    bore_um: int = 2000
    line_cm: int = 200
    given: frozenset[str] = frozenset()

    def source(self, name: str) -> str:
        """Where a figure comes from."""
        return OPTION if name in self.given else PRACTICE


@dataclasses.dataclass(frozen=True)
class Part:
    """One line of the list. `figures` are the numbers behind `rating`, by names with units."""

    item: str
    count: int
    rating: str
    why: str
    source: str
    figures: dict[str, int | str]

    def as_json(self) -> dict[str, object]:
        """The shape that `--json` gives it."""
        return dataclasses.asdict(self)


def line_ul(bore_um: int, length_cm: int) -> int:
    """What a tube holds, in µL: pi/4 · bore² · length, rounded."""
    return round(math.pi / 4 * bore_um * bore_um * length_cm / 100_000)


def parts(loaded: Loaded, assumed: Assumed, date: int) -> list[Part]:
    """Everything to buy. date: today's local date, from which mean days are taken."""
    data, board = loaded.data, loaded.board
    return [
        *_power(data, board, assumed),
        *_drivers(data, assumed),
        *_resistors(data, board),
        *_sensors(board),
        *_tubes(data, assumed),
        *_containers(data, date),
    ]


def assumptions(assumed: Assumed) -> list[dict[str, object]]:
    """The figures that a set-up has not, with their sources."""
    names = {
        "supply_v": ("voltage of motors and supply", "V"),
        "stepper_ma": ("current of a stepper motor's coil", "mA"),
        "timed_ma": ("running current of a timed (DC) motor", "mA"),
        "bore_um": ("bore of the line", "µm"),
        "line_cm": ("length of a line, container to outlet", "cm"),
    }
    return [
        {
            "name": name,
            "what": what,
            "value": getattr(assumed, name),
            "unit": unit,
            "source": assumed.source(name),
        }
        for name, (what, unit) in names.items()
    ]


def told() -> list[str]:
    """The cautions for whoever buys and builds."""
    return cautions.sentences()


def switches_off(board: Data | None, channel: Data) -> bool:
    """Whether the driver of a channel's pump has an enable line: it draws nothing at rest then."""
    if board is None:
        return False
    return board["outputs"][channel["pump"]["output"] - 1]["enable"] is not None


def running_ma(data: Data, board: Data | None, assumed: Assumed) -> tuple[int, int]:
    """(current with the hungriest pump running, the part of it that drivers at rest draw), in mA.

    One pump runs at a time: the engine starts no second one. A stepper driver takes no more from
    the supply than the current of one coil, because it turns voltage into current; what it truly
    takes is less (common practice)."""
    board_ma = -(-BOARD_MA_5V * 5 * 100 // (assumed.supply_v * 80))
    holds: list[int] = []
    runs: list[int] = []
    for channel in data["channel"]:
        stepper = channel["pump"]["kind"] == "stepper"
        runs.append(assumed.stepper_ma if stepper else assumed.timed_ma)
        standing = stepper and not switches_off(board, channel)
        holds.append(assumed.stepper_ma * HOLD_PCT // 100 if standing else 0)
    most = max(run + sum(holds) - hold for run, hold in zip(runs, holds, strict=True))
    return board_ma + most, sum(holds)


def at_least(series: tuple[int, ...], value: int) -> int:
    """The smallest of a series that is no less; the value itself where it is beyond the series."""
    return next((each for each in series if each >= value), value)


def _amps(ma: int) -> str:
    return f"{ma / 1000:g} A"


def _power(data: Data, board: Data | None, assumed: Assumed) -> list[Part]:
    run_ma, hold_ma = running_ma(data, board, assumed)
    fuse_ma = at_least(FUSES_MA, run_ma * FUSE_PCT // 100)
    supply_ma = at_least(SUPPLIES_MA, max(run_ma * SUPPLY_PCT // 100, fuse_ma * 4 // 3))
    standing = f"; drivers without an enable line draw {_amps(hold_ma)} at rest" if hold_ma else ""
    volts = f"{assumed.supply_v} V DC"
    source = "common practice" if not assumed.given else "option and common practice"
    return [
        Part(
            "supply",
            1,
            f"{volts}, {_amps(supply_ma)} or more; closed, approved, short-circuit proof",
            f"one pump runs at a time: {_amps(run_ma)} with the board{standing}; half as much "
            "to spare",
            source,
            {"voltage_v": assumed.supply_v, "current_ma": supply_ma, "running_ma": run_ma},
        ),
        Part(
            "residual-current device",
            1,
            "30 mA, in front of the outlet",
            "salt water and mains; your local electrical code may ask for more",
            PRACTICE,
            {"residual_ma": 30},
        ),
        Part(
            "fuse and holder",
            1,
            f"{_amps(fuse_ma)}, time-lag, for {assumed.supply_v} V DC or more",
            "in the plus line at the supply; wires behind it of 0.75 mm² or more",
            source,
            {"current_ma": fuse_ma, "wire_mm2": "0.75"},
        ),
        Part(
            "converter",
            1,
            f"{volts} to 5 V, 1 A or more",
            "for the board with its radio; not needed where USB feeds it",
            PRACTICE,
            {"voltage_v": 5, "current_ma": 1000},
        ),
        Part(
            "capacitor",
            len(data["channel"]),
            f"100 µF or more, {2 * assumed.supply_v} V or more, at each driver",
            "takes up what a motor gives back when it stops",
            PRACTICE,
            {"capacity_uf": 100, "voltage_v": 2 * assumed.supply_v},
        ),
    ]


def _drivers(data: Data, assumed: Assumed) -> list[Part]:
    found: list[Part] = []
    steppers = [c for c in data["channel"] if c["pump"]["kind"] == "stepper"]
    timed = [c for c in data["channel"] if c["pump"]["kind"] == "timed"]
    turned = [c["id"] for c in timed if c["pump"]["reverse"]]
    if steppers:
        micro = sorted({c["pump"]["microsteps"] for c in steppers})
        fastest = max(c["pump"]["speed_cps"] for c in steppers)
        said = " or ".join(map(str, micro))
        current_ma = assumed.stepper_ma * 3 // 2
        found.append(
            Part(
                "step and direction driver",
                len(steppers),
                f"{_amps(current_ma)} a coil or more, {assumed.supply_v} V motors, inputs for "
                f"3.3 V, {said} microsteps set by its pins",
                f"steps of the set-up come at up to {fastest} a second; half the current to "
                "spare keeps it cool",
                f"set-up and {assumed.source('stepper_ma')}",
                {"current_ma": current_ma, "microsteps": said, "fastest_cps": fastest},
            )
        )
    start_ma = assumed.timed_ma * START_TIMES
    why = f"a brushed motor draws {START_TIMES} times its running current when it starts"
    figures: dict[str, int | str] = {
        "voltage_v": 2 * assumed.supply_v,
        "current_ma": start_ma,
    }
    source = assumed.source("timed_ma")
    if len(timed) > len(turned):
        rating = (
            f"N channel, {2 * assumed.supply_v} V and {_amps(start_ma)} or more, fully on at "
            f"3.3 V; diode of {2 * assumed.supply_v} V and {_amps(start_ma)}; 100 ohms"
        )
        count = len(timed) - len(turned)
        found.append(Part("MOSFET switch with diode", count, rating, why, source, figures))
    if turned:
        rating = f"{2 * assumed.supply_v} V, {_amps(start_ma)} or more, inputs for 3.3 V"
        why = f"these run in reverse: {', '.join(turned)}; {why}"
        item = "bridge driver in place of the switch"
        found.append(Part(item, len(turned), rating, why, source, figures))
    return found


def _resistors(data: Data, board: Data | None) -> list[Part]:
    """Pulls at the lines in use."""
    pumps = len(data["channel"])
    if board is None:
        return [
            Part(
                "pull-down",
                pumps,
                "10 kilohms, at each step pin",
                "keeps pumps off while the board starts; name a board for the rest",
                PRACTICE,
                {"resistance_ohm": chips.PULL_OHM},
            )
        ]
    chip = chips.CHIPS[board["chip"]]
    used = [board["outputs"][c["pump"]["output"] - 1] for c in data["channel"]]
    enables = {each["enable"]: each["enable_on"] for each in used if each["enable"] is not None}
    low = pumps + sum(enables.values())
    high = sum(1 - on for on in enables.values())
    outside = [each["input"] for each in board["inputs"] if each["pull"] == "outside"]
    high_inputs = sum(1 for word in outside if word != "supply")
    found = [
        Part(
            "pull-down",
            low,
            f"{chips.kilohms(chip.pull_ohm)} or less, at the driver",
            "keeps step and enable lines at rest while the board starts",
            BOARD,
            {"resistance_ohm": chip.pull_ohm},
        ),
        Part(
            "pull-up to 3.3 V",
            high,
            f"{chips.kilohms(chips.PULL_OHM)}, at the driver",
            "keeps lines that are on when low at rest",
            BOARD,
            {"resistance_ohm": chips.PULL_OHM},
        ),
        Part(
            "pull-up to 3.3 V at an input",
            high_inputs,
            f"{chips.kilohms(chips.PULL_OHM)}, where that sensor is fitted",
            "these pins have no pull inside",
            BOARD,
            {"resistance_ohm": chips.PULL_OHM},
        ),
    ]
    return [part for part in found if part.count]


def _sensors(board: Data | None) -> list[Part]:
    """Sensors that the board has a place for; each may be left out."""
    if board is None:
        return []
    words = {
        "float": ("float switch", "contact, for salt water; holds dosing when the water is high"),
        "leak": ("leak sensor", "output of 3.3 V; holds dosing when the floor is wet"),
        "stop": ("stop button", "contact, closed when pressed; stops every pump"),
    }
    found = [
        Part(
            f"{words[each['input']][0]} (may be left out)",
            1,
            words[each["input"]][1],
            f"the board has a place for it on pin {each['pin']}",
            BOARD,
            {"pin": each["pin"]},
        )
        for each in board["inputs"]
        if each["input"] in words
    ]
    for each in board["inputs"]:
        if each["input"] == "supply":
            found.append(
                Part(
                    "divider for the supply sense (may be left out)",
                    1,
                    "100 and 33 kilohms at 12 V, 100 and 13 kilohms at 24 V",
                    f"a dose without motor supply is missed, not done; pin {each['pin']}",
                    BOARD,
                    {"pin": each["pin"]},
                )
            )
    if board["clock"]:
        found.append(
            Part(
                "clock chip with coin cell (may be left out)",
                1,
                "DS3231 or PCF8563 on I2C, at 3.3 V",
                "keeps the time without network over a power cut",
                BOARD,
                {"sda": board["clock"]["sda"], "scl": board["clock"]["scl"]},
            )
        )
    return found


def _tubes(data: Data, assumed: Assumed) -> list[Part]:
    found: list[Part] = []
    volume_ul = line_ul(assumed.bore_um, assumed.line_cm)
    source = "option" if {"bore_um", "line_cm"} & assumed.given else PRACTICE
    count = len(data["channel"])
    found.append(
        Part(
            "line, container to outlet",
            count,
            f"{assumed.bore_um / 1000:g} mm bore, {assumed.line_cm / 100:g} m; holds "
            f"{volume_ul / 1000:.1f} mL",
            "prime so much before the first dose; a material that stands the liquid",
            source,
            {"bore_um": assumed.bore_um, "length_cm": assumed.line_cm, "volume_ul": volume_ul},
        )
    )
    for channel in data["channel"]:
        cal, pump = channel["calibration"], channel["pump"]
        flow_ul = cal["ul"] * pump["speed_cps"] * 60 // cal["counts"]
        figures: dict[str, int | str] = {"flow_ul_min": flow_ul}
        rating = f"gives {flow_ul / 1000:.1f} mL/min at the set-up's speed"
        if pump["kind"] == "stepper":
            turn_ul = cal["ul"] * FULL_STEPS * pump["microsteps"] // cal["counts"]
            figures["turn_ul"] = turn_ul
            rating += f", {turn_ul / 1000:.2f} mL a turn of {FULL_STEPS} full steps"
        days = channel["remind"]["tubing_days"]
        found.append(
            Part(
                f"pump and spare tubing: {channel['id']}",
                1,
                rating,
                f"new tubing every {days} days, as the set-up reminds"
                if days
                else "the set-up reminds of no new tubing",
                SETUP if pump["kind"] == "timed" else f"{SETUP}; {FULL_STEPS} steps: {PRACTICE}",
                figures,
            )
        )
    found.append(
        Part(
            "siphon break",
            count,
            "a hole of 1 mm or an air valve at the highest point, or an outlet in the air",
            "a worn pump lets a tube run by itself",
            PRACTICE,
            {"outlet_above_water_mm": 20},
        )
    )
    return found


def _containers(data: Data, date: int) -> list[Part]:
    found: list[Part] = []
    for channel in data["channel"]:
        daily_ul = advice.mean_daily_ul(channel, date)
        tank = channel["reservoir"]
        dead_ul = tank["dead_ul"] if tank else 0
        need_ul = daily_ul * RESERVOIR_DAYS * (100 + EXTRA_PCT) // 100 + dead_ul
        figures: dict[str, int | str] = {"daily_ul": daily_ul, "need_ul": need_ul}
        why = f"{daily_ul / 1000:g} mL a day on average"
        if tank:
            figures["size_ul"] = tank["size_ul"]
            rating = f"{tank['size_ul'] / 1_000_000:g} L"
            left = (tank["size_ul"] - dead_ul) // daily_ul if daily_ul else None
            why += f"; full it lasts {left} days" if left is not None else ""
            source = SETUP
        else:
            rating = f"{math.ceil(need_ul / 100_000) / 10:g} L or more"
            why += f"; for {RESERVOIR_DAYS} days and {EXTRA_PCT} % to spare"
            source = PRACTICE
        found.append(
            Part(
                f"container: {channel['id']}",
                1,
                f"{rating}, lid with a vent, labelled, of a plastic that stands the liquid",
                why,
                source,
                figures,
            )
        )
    return found
