"""What every field is for, in words, keyed by the path of the table of fields.

The schema for editors, `aliquot check --explain`, messages about missing fields and the reference
take their words from here. A test keeps it complete both ways. No numbers that the table holds.
"""

from __future__ import annotations

HELP = {
    "": "A set-up of Aliquot: the tank, its channels, and what they must never do.",
    "format": "The name of this file format.",
    "version": "The version of this file format.",
    "timezone": "The name of the time zone the tank lives in, such as Europe/Berlin.",
    "tz": "The POSIX rule of that zone, which is all that the board keeps of it.",
    "board": "The board this set-up is for: one of ours, or of a file of your own beside it.",
    "tank": "The tank, for rehearsals and strengths; dosing itself needs nothing of it.",
    "tank.volume_ml": "The water in the whole system, sump and pipes too, less rock and sand.",
    "tank.water": "The values of the water that a rehearsal follows.",
    "tank.water.name": "What the value is called, such as alkalinity.",
    "tank.water.unit": "The unit of the value, such as dKH or mg/L.",
    "tank.water.start_micro": "The value on the first day.",
    "tank.water.use_micro": "How much of it the animals take out of the water in a day.",
    "channel": "One pump with its tubing, its liquid and its reservoir.",
    "channel.id": "The short name of the channel in commands, journals and messages.",
    "channel.label": "A longer name for people.",
    "channel.liquid": "What the channel gives.",
    "channel.daily_ul": "What the channel gives on an ordinary day.",
    "channel.doses": "How many doses the day is divided into.",
    "channel.from_s": "When the window of the evenly spread doses begins.",
    "channel.span_s": "How long that window is; it may run past midnight.",
    "channel.weekdays": "The days of the week on which the channel gives.",
    "channel.every_days": "Give on every so many-th day, counted from start_date.",
    "channel.start_date": "The first day on which the channel gives.",
    "channel.cap_ul": (
        "The most that may enter the tank through this channel in any 24 hours, whatever happens. "
        "It is never worked out from the plan, so that a slip in the plan cannot move it."
    ),
    "channel.dose_least_ul": "The smallest dose; a day has fewer doses rather than smaller ones.",
    "channel.dose_most_ul": "The largest dose, a raised one or an extra too.",
    "channel.run_most_s": "The longest run of the pump; it is stopped there.",
    "channel.grace_s": "How late a dose may still be given before it counts as missed.",
    "channel.ramp": "Goes from another daily volume to daily_ml over some days.",
    "channel.ramp.from_ul": "The daily volume before and at the start of the ramp.",
    "channel.ramp.start_date": "The day on which the ramp starts.",
    "channel.ramp.days": "After so many days daily_ml is reached.",
    "channel.at": "Times of the day with their doses, instead of doses spread evenly.",
    "channel.at.time_s": "The time by the clock on the wall.",
    "channel.at.ul": "The dose at that time; the doses of the list make the day.",
    "channel.at.share": "The part of daily_ml at that time, in proportion to the other shares.",
    "channel.calibration": "A measurement: so many counts moved so much.",
    "channel.calibration.counts": "Steps, or milliseconds of a timed motor after its dead time.",
    "channel.calibration.ul": "What they moved.",
    "channel.calibration.offset": "The dead time of a timed motor before anything moves, in ms.",
    "channel.pump": "The motor and how it is driven.",
    "channel.pump.output": "The output of the board that the pump hangs on.",
    "channel.pump.kind": "stepper counts steps, timed counts milliseconds of run.",
    "channel.pump.speed_cps": "Counts a second.",
    "channel.pump.microsteps": "Microsteps to a full step, as the driver is set; a power of two.",
    "channel.pump.reverse": "Whether the motor turns the other way round.",
    "channel.reservoir": "The container that the channel draws from.",
    "channel.reservoir.size_ul": "What it holds when full.",
    "channel.reservoir.dead_ul": "What the line cannot draw from its bottom.",
    "channel.reservoir.low_pct": "At this part of its size, in %, it is called low.",
    "channel.reservoir.left_ul": "What is in it when the set-up is first taken over.",
    "channel.catch_up": "How missed doses are given back, as bounded raises of later doses.",
    "channel.catch_up.raise_pct": "The most that a later dose is raised, in %; 0 for no catch-up.",
    "channel.catch_up.max_age_s": "What was missed longer ago than this lapses.",
    "channel.catch_up.max_ul": "More than this is never owed.",
    "channel.remind": "When to be reminded; 0 is never.",
    "channel.remind.calibration_days": "Measure the pump again after so many days.",
    "channel.remind.calibration_ul": "Measure the pump again after so much moved.",
    "channel.remind.tubing_days": "Change the tubing after so many days.",
    "channel.remind.tubing_ul": "Change the tubing after so much moved.",
    "channel.strength": "What the liquid does to the water, for rehearsals.",
    "channel.strength.water": "Which value of the water it raises.",
    "channel.strength.ul": "So much of the liquid ...",
    "channel.strength.tank_ml": "... in so much tank water ...",
    "channel.strength.raises_micro": "... raises the value by this.",
    "separate": "Two channels whose liquids must not meet before they have mixed into the tank.",
    "separate.channels": "The two channels.",
    "separate.seconds": "The least time from the end of one to the start of the other.",
    "group": "Channels that share a cap.",
    "group.channels": "The channels.",
    "group.cap_ul": "The most that may enter through all of them together in any 24 hours.",
    "clock": "What to do without a trusted clock.",
    "clock.carry_on_s": "After so long go on with the estimated time; 0 waits for the clock.",
}

# The defaults that depend on other fields (`*` in the table).
DERIVED = {
    "tz": "the rule that the zone database gives for timezone",
    "channel.run_most_s": "twice the time that dose_most_ml takes, at least 10 s",
    "channel.grace_s": "30 minutes, or less where doses follow each other sooner",
    "channel.pump.output": "the first output that no channel before it uses",
    "channel.pump.speed_cps": "500, or 1000 for a timed motor, whose counts are milliseconds",
    "channel.reservoir.left_ul": "size_ml, a full container",
    "channel.catch_up.max_ul": "half of daily_ml",
}

# Advice where a field without a default is missing: what to write, and why nobody can guess it.
MISSING = {
    "timezone": 'Add timezone = "Europe/Berlin", or whichever zone the tank is in.',
    "channel": "Add a [[channel]] table for each pump.",
    "channel.daily_ul": "Add daily_ml, or a list `at` with a volume for each time.",
    "channel.cap_ul": (
        "Add cap_ml, the most that may enter in any 24 hours. It has no default, "
        "so that a slip in daily_ml cannot move it."
    ),
    "channel.dose_most_ul": "Add dose_most_ml, the largest dose your animals stand at once.",
    "channel.calibration": (
        "Measure the pump, then add calibration = { counts = 12800, ml = 10.02 }, your figures."
    ),
}

# Advice where a value lies outside its range and the help of the field would not help.
MEASURE = "Measure the pump into a cup again: without a true calibration no dose means anything."
RANGE = {
    "channel.calibration.counts": MEASURE,
    "channel.calibration.ul": MEASURE,
    "channel.daily_ul": "Look for a slip: an aquarium takes no more than that in a day.",
    "channel.cap_ul": "The cap is what keeps animals safe: set it a little above the fullest day.",
}


def default_words(path: str) -> str:
    """How the default of a field comes about, where it depends on other fields; else empty."""
    return DERIVED.get(path, "")
