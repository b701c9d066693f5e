"""The one table of faults: cause, scope, whether it latches, what to tell, what to do.

Only texts and flags; raising one is done in `events.fault`. The board imports it to show a fault.
"""

# code: (name, scope, latched, alert, advice)
TABLE = {
    1: (
        "resets",
        "all",
        1,
        "Three runs in a row ended in a reset: dosing is held.",
        "Look at the supply of board and motors, then see and clear the fault.",
    ),
    2: (
        "watchdog",
        "all",
        1,
        "Three watchdog resets in 24 hours: dosing is held.",
        "Pull the journal, look for what hangs, then see and clear the fault.",
    ),
    3: (
        "motor",
        "channel",
        0,
        "A pump gave other counts than it was told.",
        "Look at driver, wiring and supply; the dose was recorded as it ended.",
    ),
    4: (
        "journal",
        "all",
        0,
        "The journal cannot be written: dosing is held until it can.",
        "Pull the journal and free the flash.",
    ),
    5: (
        "level",
        "all",
        0,
        "The float switch says that the water is too high: dosing is held.",
        "Look at the water and the top-up; it goes on a minute after the switch is off.",
    ),
    6: (
        "leak",
        "all",
        0,
        "The leak sensor is wet: dosing is held.",
        "Find the leak; it goes on a minute after the sensor is dry.",
    ),
    7: (
        "supply",
        "all",
        0,
        "The motors have no supply: doses are missed, not given.",
        "Look at the motor supply and its fuse; it goes on a minute after power is back.",
    ),
    8: (
        "program",
        "all",
        0,
        "The program stopped by a mistake of its own and started again.",
        "Pull the journal and read crash.txt; report what it says.",
    ),
}
