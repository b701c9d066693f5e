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
}
