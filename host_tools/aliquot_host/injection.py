"""Shows on somebody's set-up that a deliberate defect is found: for `simulate --inject`.

The board lives in the world of the soak, with no other troubles than those that the defect needs
to come to bear, and `Checks` looks on. Nothing is printed here, and no file is written.
"""

from __future__ import annotations

import copy

from aliquot_host import defects, simulation, soak
from aliquot_host.errors import bad, printable
from aliquot_host.setup_file import Loaded
from aliquot_host.soak import Violation
from aliquot_host.trouble_case import Case


def shown(name: str, loaded: Loaded, date: int, days: int, seed: int) -> Violation:
    """What the checks find; BadInput for a defect that nobody knows, or that does not show."""
    defect = defects.chosen(name)
    case = Case(
        seed, (loaded, _other(loaded)), date, days, tuple(sorted(defect.troubles)), short=True
    )
    found = soak.lived(case, name).violation
    if found is None:
        needs = f"It needs {defect.needs}" if defect.needs else "Let it run for more --days"
        advice = f"The defect did not come to bear with this set-up. {needs}."
        raise bad("--inject", name, advice=advice)
    return found


def _other(loaded: Loaded) -> Loaded:
    """The same set-up with other microsteps: no pump is calibrated for it."""
    data = copy.deepcopy(loaded.data)
    for channel in data["channel"]:
        pump = channel["pump"]
        pump["microsteps"] = 32 if pump["microsteps"] == 16 else 16
    return Loaded(data, False, "", {}, ())


def told(name: str, found: Violation, loaded: Loaded) -> list[str]:
    """What was planted and what was found, as sentences; the law that it was planted for first."""
    first, *rest = _numbers(name, found)
    more = f", nor {' and '.join(rest)}" if rest else ""
    when = simulation.local(loaded.setup.zone, found.at_w)
    return [
        f"Planted: {defects.chosen(name).what}.",
        f"{first} does not hold{more} ({when}): {printable(found.text, most=0)}",
    ]


def _numbers(name: str, found: Violation) -> list[str]:
    meant = defects.chosen(name).number
    rest = [number for number in found.numbers if number != meant]
    return [meant, *rest] if meant in found.numbers else rest


def payload(name: str, found: Violation) -> dict[str, object]:
    """What `--json` prints under its format and version."""
    defect = defects.chosen(name)
    return {
        "inject": name,
        "what": defect.what,
        "meant": defect.number,
        "found": defect.number in found.numbers,
        "invariants": _numbers(name, found),
        "text": found.text,
        "at_s": found.at_s,
    }
