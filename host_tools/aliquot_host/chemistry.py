"""Units and ratios of the water's values: alkalinity in its three spellings, calcium beside it.

Exact factors from definitions and molar masses; no measured value, no advice. 1 dKH is 10 mg of
CaO a litre (the definition of the German degree); an equivalent is half a mole of CaO or CaCO3.
"""

from __future__ import annotations

from aliquot_host.errors import bad

# Molar masses in g/mol of CaO and CaCO3 and the calcium in them, as `molmass` gives them (CIAAW
# atomic weights); a test compares.
CAO_G_MOL = 56.0774
CACO3_G_MOL = 100.0869
CA_G_MOL = 40.078

MEQ_PER_DKH = 20 / CAO_G_MOL
DKH_PER_MEQ = CAO_G_MOL / 20
CACO3_MG_PER_MEQ = CACO3_G_MOL / 2
# Calcification takes two equivalents of alkalinity with each mole of calcium (stoichiometry of
# CaCO3).
CA_MG_PER_MEQ = CA_G_MOL / 2
CA_MG_PER_DKH = CA_MG_PER_MEQ * MEQ_PER_DKH

ALKALINITY = "alkalinity"
CALCIUM = "calcium"
MAGNESIUM = "magnesium"
NITRATE = "nitrate"
# What people call a value of the water -> what it is; alkalinity is known by its unit too.
_NAMES = {
    ALKALINITY: ("alkalinity", "alk", "kh", "dkh", "carbonate hardness"),
    CALCIUM: ("calcium", "ca"),
    MAGNESIUM: ("magnesium", "mg"),
    NITRATE: ("nitrate", "no3"),
}

# dKH for one of the unit, by the unit in small letters without spaces.
_DKH: dict[str, float] = {
    "dkh": 1.0,
    "meq/l": DKH_PER_MEQ,
    "mg/lcaco3": DKH_PER_MEQ / CACO3_MG_PER_MEQ,
}
ALKALINITY_UNITS = ("dKH", "meq/L", "mg/L CaCO3")


def plain_unit(unit: str) -> str:
    """A unit without what people spell differently: case, spaces, `_` for `/`, "as"."""
    bare = (
        unit.lower().replace("°", "").replace("_per_", "/").replace("_", " ").replace(" as ", " ")
    )
    return "".join(bare.replace("meq l", "meq/l").replace("mg l", "mg/l").split())


def kind(name: str, unit: str = "") -> str:
    """What a value is by its name and unit: one of ours, else its own name."""
    plain = name.strip().lower()
    if unit and is_alkalinity(unit):
        return ALKALINITY
    return next((known for known, names in _NAMES.items() if plain in names), plain)


def is_alkalinity(unit: str) -> bool:
    """Whether a unit is one of alkalinity's."""
    return plain_unit(unit) in _DKH


def to_dkh(value: float, unit: str, path: str = "unit") -> float:
    """An alkalinity in dKH. BadInput: the unit is none of alkalinity's."""
    factor = _DKH.get(plain_unit(unit))
    if factor is None:
        limit = ", ".join(ALKALINITY_UNITS)
        raise bad(path, unit, limit=limit, advice="Name the unit that the test is read in.")
    return value * factor


def converted(value: float, unit: str, wanted: str, path: str = "unit") -> float:
    """A value of `unit` in the unit `wanted`: alkalinity's to each other, others only to
    themselves. BadInput where there is no way."""
    if plain_unit(unit) == plain_unit(wanted):
        return value
    if is_alkalinity(wanted):
        return to_dkh(value, unit, path) / _DKH[plain_unit(wanted)]
    raise bad(path, unit, limit=wanted, advice="Write the value in the unit of the set-up.")
