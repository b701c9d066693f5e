"""Cautions for whoever builds the thing: said by `aliquot parts`, drawn on the wiring. Texts only.

All of them are common practice of electrical safety and of the hobby; none replaces the electrical
code of the place or a licensed electrician.
"""

from __future__ import annotations

# In the order of their numbers on the drawing: (a short name, sentences).
BUILD: tuple[tuple[str, str], ...] = (
    (
        "Mains",
        "Only a closed, approved low-voltage supply, in an outlet behind a residual-current "
        "device (30 mA). For anything at mains voltage follow your local electrical code and ask "
        "a licensed electrician.",
    ),
    (
        "Fuse",
        "In the plus line, close to the supply, before anything branches off: it keeps a short "
        "circuit from setting wires on fire.",
    ),
    (
        "Drip loop",
        "Each cable hangs lower than the socket or box it enters, so that water drips off before "
        "it gets there. Supply, board and drivers sit above the water and out of its spray.",
    ),
    (
        "Siphon",
        "Each outlet ends in the air above the water. Where a container stands higher than its "
        "outlet, or a tube reaches into the water, a worn pump lets it run by itself: give the "
        "tube a siphon break.",
    ),
    (
        "Resistors",
        "A pull-down at each step pin and a pull-up at an enable line that is on when low, at the "
        "driver: they alone keep pumps off while the board starts, is flashed or has failed.",
    ),
    (
        "One 0 V",
        "Supply, drivers and board share their 0 V. Switch the supply off before you plug or "
        "unplug a motor: a driver does not survive it under current.",
    ),
    (
        "Not seen",
        "Nothing here senses flow: a blocked line, air, an empty container or a siphon goes "
        "unseen. A float switch, a leak sensor and the supply sense answer some of that.",
    ),
    (
        "Liquids",
        "Closed, labelled containers out of children's reach. Strong alkalis burn skin and eyes: "
        "goggles and gloves.",
    ),
    ("Use", "For aquariums alone. Not for people, not for medicine."),
)


def sentences() -> list[str]:
    """The cautions as "Name: sentences"."""
    return [f"{name}: {text}" for name, text in BUILD]
