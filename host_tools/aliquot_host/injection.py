"""A set-up lived through with a defect planted on purpose, for `simulate --inject`.

The world is that of the soak, with every check, and only what the defect needs to show happens in
it. Nothing on disk is changed, and the product is whole again afterwards.
"""

from __future__ import annotations

import json

from aliquot_host import setup_file, soak
from aliquot_host.defects import Defect, chosen
from aliquot_host.setup_file import Data, Loaded
from aliquot_host.soak import Violation
from aliquot_host.trouble_case import Case


def found(loaded: Loaded, date: int, days: int, seed: int, name: str) -> Violation | None:
    """What the checks say of the set-up with the defect `name` in force; None for nothing.

    BadInput where there is no such defect."""
    defect = chosen(name)
    case = Case(
        seed, (loaded, _other(loaded, defect)), date, days, troubles=defect.troubles, short=True
    )
    return soak.lived(case, name).violation


def _other(loaded: Loaded, defect: Defect) -> Loaded:
    """What somebody loads meanwhile: the same but for labels, or for the settings of pumps."""
    data: Data = json.loads(json.dumps(loaded.data))
    for channel in data["channel"]:
        if defect.number == "S8":
            pump = channel["pump"]
            pump["microsteps"] = 8 if pump["microsteps"] != 8 else 16
        else:
            channel["label"] = (channel["label"] + " again").strip()[:20]
    return setup_file.load(json.dumps(data).encode())
