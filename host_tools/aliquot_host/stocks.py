"""Stock solutions: how strong so many grams a litre are, whether they dissolve, their handling.

Chemistry of six salts that reef keepers use (common practice); molar masses come from `molmass`.
It says what a liquid does to a tank, never whether a tank needs it.
"""

from __future__ import annotations

import dataclasses
import functools
import itertools
from collections.abc import Sequence

from aliquot_host import chemistry
from aliquot_host.chemistry import ALKALINITY, CALCIUM, MAGNESIUM
from aliquot_host.errors import bad

# Of saturation: beyond it nothing dissolves, near it crystals fall out in a cool room.
NEAR = 0.9
ROOM_C = 20.0
SOLUBLE_C = (0.0, 10.0, 20.0, 25.0)


@dataclasses.dataclass(frozen=True)
class Salt:
    """A salt. formula: as sold; dry: without its water. raises: the water's name; per_mole:
    equivalents of alkalinity, or atoms of the metal.

    soluble_pct: mass percent of the dry salt at each of SOLUBLE_C (CRC Handbook of Chemistry and
    Physics, "Aqueous solubility of inorganic compounds", from memory). density: (mass percent,
    g/mL) at 20 °C (the same, "Concentrative properties of aqueous solutions", from memory).
    ions: what it brings that may fall out with another."""

    key: str
    name: str
    formula: str
    dry: str
    raises: str
    per_mole: int
    soluble_pct: tuple[float, float, float, float]
    density: tuple[tuple[float, float], ...]
    ions: frozenset[str]
    notes: tuple[str, ...]


_WATER = (0.0, 0.9982)
_BICARBONATE = ((1.0, 1.0054), (2.0, 1.0125), (6.0, 1.0408))
_CARBONATE = ((5.0, 1.0502), (10.0, 1.1029), (14.0, 1.1463))
_CALCIUM = ((5.0, 1.0401), (10.0, 1.0835), (20.0, 1.1775), (30.0, 1.2816), (40.0, 1.3957))
_MAGNESIUM = ((5.0, 1.0402), (10.0, 1.0826), (20.0, 1.1742), (30.0, 1.2754))
_SULPHATE = ((5.0, 1.0497), (10.0, 1.1034), (20.0, 1.2198), (26.0, 1.2961))
SALTS = {
    salt.key: salt
    for salt in (
        Salt(
            "NaHCO3", "sodium bicarbonate", "NaHCO3", "NaHCO3", ALKALINITY, 1,
            (6.48, 7.59, 8.73, 9.32), _BICARBONATE, frozenset({"carbonate"}),
            (
                "It dissolves slowly and cools the water. Do not heat it: hot, it gives off "
                "carbon dioxide and turns into carbonate.",
            ),
        ),
        Salt(
            "Na2CO3", "sodium carbonate", "Na2CO3", "Na2CO3", ALKALINITY, 2,
            (6.44, 10.8, 17.9, 23.5), _CARBONATE, frozenset({"carbonate"}),
            (
                "It warms the water. The solution is strongly alkaline: goggles and gloves; in "
                "the eyes, rinse with water for minutes and see a doctor.",
                "It lifts the pH of the tank: small doses, in moving water.",
            ),
        ),
        Salt(
            "CaCl2", "calcium chloride, anhydrous", "CaCl2", "CaCl2", CALCIUM, 1,
            (36.7, 39.2, 42.1, 44.8), _CALCIUM, frozenset({"calcium"}),
            (
                "It gets hot enough to scald and to crack glass: little by little into cold "
                "water, never water onto the salt. Goggles and gloves.",
                "It draws water from the air: keep it closed, or it weighs more than it gives.",
            ),
        ),
        Salt(
            "CaCl2.2H2O", "calcium chloride dihydrate", "CaCl2.2H2O", "CaCl2", CALCIUM, 1,
            (36.7, 39.2, 42.1, 44.8), _CALCIUM, frozenset({"calcium"}),
            (
                "It warms the water: little by little into cold water. Goggles and gloves.",
                "It draws water from the air: keep it closed.",
            ),
        ),
        Salt(
            "MgCl2.6H2O", "magnesium chloride hexahydrate", "MgCl2.6H2O", "MgCl2", MAGNESIUM, 1,
            (33.9, 34.8, 35.6, 35.9), _MAGNESIUM, frozenset({"magnesium"}),
            ("It draws water from the air: keep it closed.",),
        ),
        Salt(
            "MgSO4.7H2O", "magnesium sulphate heptahydrate", "MgSO4.7H2O", "MgSO4", MAGNESIUM, 1,
            (18.2, 21.7, 25.1, 26.3), _SULPHATE, frozenset({"magnesium", "sulphate"}),
            ("It cools the water a little. In the long run it shifts chloride to sulphate.",),
        ),
    )
}  # fmt: skip
# Ions that fall out where strong stocks of them meet.
CLASHES = (
    ("carbonate", "calcium", "chalk"),
    ("carbonate", "magnesium", "magnesium carbonate"),
    ("calcium", "sulphate", "gypsum"),
)
HANDLING = (
    "Wear gloves and goggles. Weigh the salt, dissolve it in less water than the bottle holds, "
    "let it come to room temperature, then fill up.",
    "Never pour two strong stocks together, and give each its own container, pump and line.",
    "Label each bottle with name, strength and date. Keep all of it from children and animals.",
    "Use salts of food or pharmaceutical grade: others may bring metals. For aquariums alone, not "
    "for people, not for medicine. Local rules on chemicals and waste come first.",
)


@dataclasses.dataclass(frozen=True)
class Part:
    """So many grams of a salt in a litre of finished solution; purity in percent."""

    salt: Salt
    g_l: float
    purity: float = 100.0

    @property
    def pure_g_l(self) -> float:
        """Grams a litre of the salt itself."""
        return self.g_l * self.purity / 100

    @property
    def dry_g_l(self) -> float:
        """Grams a litre without the salt's own water."""
        return self.pure_g_l * mass(self.salt.dry) / mass(self.salt.formula)

    def raised(self, litres: float = 100.0) -> float:
        """By how much 1 mL raises so many litres: dKH, or mg/L."""
        moles_ml = self.pure_g_l / mass(self.salt.formula) / 1000
        if self.salt.raises == ALKALINITY:
            return moles_ml * self.salt.per_mole * 1000 / litres * chemistry.DKH_PER_MEQ
        metal = "Ca" if self.salt.raises == CALCIUM else "Mg"
        return moles_ml * self.salt.per_mole * mass(metal) * 1000 / litres


@functools.cache
def mass(formula: str) -> float:
    """Molar mass in g/mol, hydrates with a dot (`CaCl2.2H2O`); from `molmass`."""
    from molmass import Formula

    return float(Formula(formula).mass)


def salt(text: str, path: str = "SALT") -> Salt:
    """A salt by its formula, however the dot of its water is written. BadInput: none of ours."""
    plain = text.strip().replace("·", ".").replace("*", ".").lower()
    for known in SALTS.values():
        if plain in (known.key.lower(), known.name.lower()):
            return known
    limit = ", ".join(SALTS)
    advice = "Any other liquid is told by what it does: --ml 1 --litres 100 --raises 0.5"
    raise bad(path, text, limit=limit, advice=advice)


def check(parts: Sequence[Part]) -> None:
    """BadInput where parts would fall out together, or raise different values."""
    for a, b in itertools.combinations(parts, 2):
        for one, other, solid in CLASHES:
            both = a.salt.ions | b.salt.ions
            if one in both and other in both:
                advice = f"Together they fall out as {solid}: make two liquids of them."
                raise bad("SALT", f"{a.salt.key} and {b.salt.key}", limit="one liquid",
                          advice=advice)  # fmt: skip
        if a.salt.raises != b.salt.raises:
            advice = f"One raises {a.salt.raises}, the other {b.salt.raises}: make two liquids."
            raise bad("SALT", f"{a.salt.key} and {b.salt.key}", limit="one liquid", advice=advice)


def raised(parts: Sequence[Part], litres: float = 100.0) -> float:
    """By how much 1 mL of all parts together raises so many litres."""
    return sum(part.raised(litres) for part in parts)


def scaled(parts: Sequence[Part], wanted: float, litres: float = 100.0) -> list[Part]:
    """The parts in the same proportion, so that 1 mL raises so many litres by `wanted`."""
    factor = wanted / raised(parts, litres)
    return [dataclasses.replace(part, g_l=part.g_l * factor) for part in parts]


def density(of: Salt, dry_g_l: float) -> float | None:
    """g/mL of a solution at 20 °C; None beyond the published table."""
    points = (_WATER, *of.density)
    for (w0, r0), (w1, r1) in itertools.pairwise(points):
        low, high = 10 * w0 * r0, 10 * w1 * r1  # grams of dry salt in a litre
        if low <= dry_g_l <= high:
            return r0 + (r1 - r0) * (dry_g_l - low) / (high - low)
    return None


def full_pct(of: Salt, celsius: float) -> float:
    """Mass percent of dry salt that water holds, in a line between the table's temperatures; of
    warmer water no more than at 25 °C, which is careful."""
    points = list(zip(SOLUBLE_C, of.soluble_pct, strict=True))
    for (t0, p0), (t1, p1) in itertools.pairwise(points):
        if celsius <= t1:
            return p0 + (p1 - p0) * (max(celsius, t0) - t0) / (t1 - t0)
    return of.soluble_pct[-1]


def full_g_l(of: Salt, celsius: float) -> float:
    """Grams of dry salt in a litre of saturated solution: mass percent times the density at 20 °C,
    beyond whose table it is taken to go on in a line."""
    pct = full_pct(of, celsius)
    points = list(itertools.pairwise((_WATER, *of.density)))
    (w0, r0), (w1, r1) = next((two for two in points if pct <= two[1][0]), points[-1])
    return 10 * pct * (r0 + (r1 - r0) * (pct - w0) / (w1 - w0))


def fullness(parts: Sequence[Part], celsius: float = ROOM_C) -> float:
    """How near to saturation, 1.0 is full. Of a mixture the shares add up, which is careful rather
    than exact: salts with a common ion push each other out."""
    return sum(part.dry_g_l / full_g_l(part.salt, celsius) for part in parts)
