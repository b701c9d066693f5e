"""`aliquot liquid`: how strong a stock is, what 1 mL does to a tank, grams for a wanted strength.

It writes a strength into a set-up only where it is told to, and rescales a plan only after asking.
"""

from __future__ import annotations

import dataclasses
import datetime
import math
from collections.abc import Sequence
from decimal import Decimal
from pathlib import Path
from typing import Any

import click

from aliquot_host import chemistry, editing, errors, output, setup_file, stocks
from aliquot_host.board_talk import agreed
from aliquot_host.editing import Edit
from aliquot_host.errors import bad
from aliquot_host.number_option import Finite
from aliquot_host.stocks import Part

LITRES = 100.0
STEP_UL = 10
# A weak liquid is written for more of it, so that the six digits of a set-up say enough.
WRITTEN_ML = (1, 10, 100, 1000)
WRITTEN_LEAST = 0.01
# The ranges of `strength` in a set-up.
RAISES_LEAST, RAISES_MOST = 1e-6, 1e4
G_L_MOST = 2000.0


@dataclasses.dataclass(frozen=True)
class Strength:
    """1 mL raises 100 litres of a value by so much, in its unit."""

    water: str
    unit: str
    raises: float


@click.command("liquid")
@click.argument("salts", metavar="[SALT[:G_L]]...", nargs=-1)
@click.option(
    "--purity",
    type=Finite(1, 100),
    default=100.0,
    show_default=True,
    metavar="PCT",
    help="Of the salts, by their labels.",
)
@click.option(
    "--temperature",
    type=Finite(0, 40),
    default=stocks.ROOM_C,
    show_default=True,
    metavar="C",
    help="The coldest that the bottle gets.",
)
@click.option(
    "--want",
    type=Finite(1e-6, 1e4),
    metavar="Z",
    help="Grams for a liquid of which 1 mL raises 100 litres by Z.",
)
@click.option("--bottle", type=Finite(0.01, 1000), metavar="L", help="Litres to make.")
@click.option("--water", help="Of any other liquid: the value that it raises.")
@click.option("--unit", help="And its unit.")
@click.option("--ml", type=Finite(1e-3, 1e6), metavar="X", help="X mL of it")
@click.option("--litres", type=Finite(1e-3, 1e6), metavar="Y", help="in Y litres")
@click.option("--raises", type=Finite(1e-6, 1e6), metavar="Z", help="raise it by Z.")
@click.option("--tank", type=Finite(1, 1e6), metavar="L", help="Litres of your tank.")
@click.option(
    "--setup",
    type=click.Path(path_type=Path),
    metavar="SETUP.toml",
    help="Take the litres of your tank from there.",
)
@click.option(
    "--write",
    type=click.Path(path_type=Path),
    metavar="SETUP.toml",
    help="Write the strength into a set-up.",
)
@click.option("--channel", metavar="ID", help="Of which channel.")
@click.option("--yes", is_flag=True, help="Rescale the plan without a question.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
def command(
    salts: tuple[str, ...],
    purity: float,
    temperature: float,
    want: float | None,
    bottle: float | None,
    water: str | None,
    unit: str | None,
    ml: float | None,
    litres: float | None,
    raises: float | None,
    tank: float | None,
    setup: Path | None,
    write: Path | None,
    channel: str | None,
    yes: bool,
    as_json: bool,
) -> None:
    """Work out how strong a liquid is: grams of SALT in a litre of finished solution.

    NaHCO3:70 is 70 g/L of sodium bicarbonate; two magnesium salts may stand together. With --want
    the grams are worked out instead. Any other liquid is told by what it does: --water nitrate
    --unit mg/L --ml 1 --litres 100 --raises 0.5. Salts: NaHCO3, Na2CO3, CaCl2, CaCl2.2H2O,
    MgCl2.6H2O, MgSO4.7H2O.
    """
    if salts:
        _alone("--raises", raises, water, unit, ml, litres)
        parts = _parts(salts, purity, want)
        stocks.check(parts)
        name = parts[0].salt.raises
        strength = Strength(
            name, "dKH" if name == chemistry.ALKALINITY else "mg/L", stocks.raised(parts)
        )
        full = stocks.fullness(parts, temperature)
    else:
        parts, full = [], 0.0
        strength = _told(water, unit, ml, litres, raises, want)
    written(strength)  # refused before anything is shown
    read = setup or write
    data = setup_file.load(read).data if read else None
    volume_l = tank or (data["tank"]["volume_ml"] / 1000 if data and data["tank"] else None)
    if write and not channel:
        raise bad("--channel", limit="a channel of the set-up", advice="Say whose liquid it is.")
    if as_json:
        output.print_json("aliquot-liquid", payload(strength, parts, full, volume_l, temperature))
    else:
        show(strength, parts, full, volume_l, bottle, temperature)
    if full > 1:
        # Rounded down: what is told here must dissolve.
        most = "; ".join(
            f"{math.floor(p.g_l / full * 10) / 10:g} g of {p.salt.key}" for p in parts
        )
        raise errors.Finding(
            f"That does not dissolve at {temperature:g} °C: a litre holds {most} at most."
        )
    if write and channel:
        _write(write, channel, strength, yes)


def _alone(name: str, *values: object) -> None:
    if any(value is not None for value in values):
        advice = "Salts say by themselves what they raise: leave it out."
        raise bad(name, limit="not beside a SALT", advice=advice)


def _parts(salts: Sequence[str], purity: float, want: float | None) -> list[Part]:
    """The parts with their grams a litre. BadInput: grams that are no number, or missing."""
    parts: list[Part] = []
    for text in salts:
        name, _, grams = text.partition(":")
        of = stocks.salt(name)
        if not grams and want is None:
            advice = f"Say how much is in a litre, {of.key}:70, or --want a strength."
            raise bad("SALT", text, limit="grams a litre", advice=advice)
        try:
            g_l = float(grams or 1)
        except ValueError:
            g_l = -1.0
        if not 0 < g_l <= G_L_MOST:
            limit = f"more than 0, to {G_L_MOST:g} g/L"
            raise bad("SALT", text, limit=limit, advice=f"Write {of.key}:70.")
        parts.append(Part(of, g_l, purity))
    return parts if want is None else stocks.scaled(parts, want)


def _told(
    water: str | None,
    unit: str | None,
    ml: float | None,
    litres: float | None,
    raises: float | None,
    want: float | None,
) -> Strength:
    """A liquid by what it does. BadInput: something of it was not said."""
    if want is not None:
        raise bad("--want", want, limit="beside a SALT", advice="Name the salt.")
    for name, value in (("--water", water), ("--ml", ml), ("--litres", litres),
                        ("--raises", raises)):  # fmt: skip
        if value is None:
            advice = "Name a SALT:G_L, or say what the liquid does: X mL in Y litres raise by Z."
            raise bad(name, limit="SALT:G_L, or --water --ml --litres --raises", advice=advice)
    assert water
    assert ml
    assert litres
    assert raises
    if not unit and chemistry.kind(water) == chemistry.ALKALINITY:
        unit = "dKH"
    return Strength(water, unit or "mg/L", raises / ml * litres / LITRES)


def show(
    strength: Strength,
    parts: Sequence[Part],
    full: float,
    volume_l: float | None,
    bottle: float | None,
    temperature: float,
) -> None:
    """The liquid for a person."""
    for part in parts:
        line = f"{part.g_l:.4g} g of {part.salt.name} ({part.salt.key}) in a litre of solution"
        if part.purity < 100:
            line += f", {part.purity:g} % pure"
        output.say(line, style="bold")
        if bottle:
            output.say(f"  for {bottle:g} litres: {part.g_l * bottle:.4g} g")
    output.say(
        f"1 mL raises {strength.water} of 100 litres by {strength.raises:.5g} {strength.unit}"
    )
    if volume_l:
        by = strength.raises * LITRES / volume_l
        output.say(f"1 mL raises it in {volume_l:g} litres by {by:.4g} {strength.unit}")
    output.say(f"in a set-up: {line_of(strength)}")
    if parts:
        output.say(
            f"{100 * full:.0f} % of saturation at {temperature:g} °C (CRC Handbook, from memory; "
            "mass percent to g/L by the density at 20 °C"
            f"{'; shares of a mixture added up' if len(parts) > 1 else ''})"
        )
        if len(parts) == 1:
            found = stocks.density(parts[0].salt, parts[0].dry_g_l)
            if found:
                output.say(f"about {found:.3f} g/mL at 20 °C (CRC Handbook, from memory)")
        if stocks.NEAR < full <= 1:
            output.say("! Near to saturation: crystals fall out in a cool room.", style="yellow")
    notes = [note for part in parts for note in part.salt.notes]
    output.say("", "Handling", style="bold")
    output.say(*(f"  {line}" for line in dict.fromkeys([*notes, *stocks.HANDLING])))


def line_of(strength: Strength) -> str:
    """The strength as a set-up writes it."""
    ml, raises = written(strength)
    by = f"ml = {ml}, litres = 100, raises = {raises:f}"
    return f'strength = {{ water = "{strength.water}", {by} }}'


def written(strength: Strength) -> tuple[int, Decimal]:
    """(mL, what they raise 100 litres by), with the six digits that a set-up keeps. BadInput: so
    weak or so strong that a set-up cannot say it."""
    ml = next((n for n in WRITTEN_ML if strength.raises * n >= WRITTEN_LEAST), WRITTEN_ML[-1])
    by = strength.raises * ml
    if not RAISES_LEAST <= by <= RAISES_MOST:
        shown = f"{by:.3g} {strength.unit}"
        limit = f"{RAISES_LEAST:f} to {RAISES_MOST:.0f} {strength.unit}, by {ml} mL in 100 litres"
        raise bad("strength", shown, limit=limit, advice="Look for a slip in volumes and units.")
    return ml, Decimal(f"{by:.6f}").normalize() + 0


def payload(
    strength: Strength,
    parts: Sequence[Part],
    full: float,
    volume_l: float | None,
    temperature: float,
) -> dict[str, object]:
    """What --json prints under its format and version."""
    return {
        "water": strength.water,
        "unit": strength.unit,
        "raises_100_l_by_1_ml": strength.raises,
        "raises_tank_by_1_ml": strength.raises * LITRES / volume_l if volume_l else None,
        "tank_l": volume_l,
        "parts": [
            {
                "salt": part.salt.key,
                "g_l": part.g_l,
                "purity_pct": part.purity,
                "molar_mass_g_mol": stocks.mass(part.salt.formula),
                "density_g_ml": stocks.density(part.salt, part.dry_g_l),
            }
            for part in parts
        ],
        "fullness": full if parts else None,
        "temperature_c": temperature,
        "strength": line_of(strength),
        "handling": [*(n for part in parts for n in part.salt.notes), *stocks.HANDLING],
    }


def _write(file: Path, name: str, strength: Strength, yes: bool) -> None:
    """Put the strength into the set-up; rescale the plan where it had another one, if agreed."""
    data = setup_file.load(file).data
    ids = [c["id"] for c in data["channel"]]
    if name not in ids:
        raise bad("--channel", name, limit=", ".join(ids), advice="Name one of them.")
    units = {w["name"]: w["unit"] for w in data["tank"]["water"]} if data["tank"] else {}
    wanted = chemistry.kind(strength.water, strength.unit)
    name_there = next((w for w, u in units.items() if chemistry.kind(w, u) == wanted), "")
    if not name_there:
        limit = ", ".join(units) or "a [[tank.water]] in the set-up"
        advice = f"Add a [[tank.water]] of that name to {errors.printable(str(file), most=0)}."
        raise bad("--water", strength.water, limit=limit, advice=advice)
    own = chemistry.converted(strength.raises, strength.unit, units[name_there], "--unit")
    strength = Strength(name_there, units[name_there], own)
    by_ml, by = written(strength)
    value = {"water": strength.water, "ml": by_ml, "litres": 100, "raises": by}
    edits = [Edit(f"channel.{name}.strength", value)]
    c = data["channel"][ids.index(name)]
    factor = _factor(c, strength)
    if factor is not None and abs(factor - 1) > 1e-6:
        edits += _rescaled(c, factor)
    edited = editing.preview(file, edits, datetime.date.today())
    if not edited.changes:
        output.note("It is written so already.")
        return
    output.note(*edited.lines())
    question = ""
    if factor is not None and len(edits) > 1:
        question = (
            f"The new batch is {100 / factor:.0f} % as strong as the one before. "
            f"Rescale the plan of {name} as above?"
        )
    elif c["strength"] and factor is None:
        question = (
            f"So far {name} raises {c['strength']['water']}. Is it to raise {strength.water}, "
            "with the plan as it stands?"
        )
    if question and not _sure(question, yes):
        raise errors.Finding("Nothing is written.")
    editing.write(file, edited)
    output.note(f"{errors.printable(str(file), most=0)} is written.")
    output.note(
        f'Tell the board once the bottle is changed: aliquot note {name} "new batch" --liquid'
    )


def _sure(question: str, yes: bool) -> bool:
    """The answer; without a person and without --yes it is no."""
    try:
        return agreed(question, yes)
    except errors.BadInput:
        output.note(question, "Without a person at the keyboard that needs --yes.")
        return False


def _factor(c: dict[str, Any], strength: Strength) -> float | None:
    """How much more of the new liquid does the same; None where the old strength is not known."""
    old = c["strength"]
    if not old or old["water"] != strength.water:
        return None
    before = old["raises_micro"] / 1e6 / (old["ul"] / 1000) * (old["tank_ml"] / 1000) / LITRES
    ml, by = written(strength)
    return before / (float(by) / ml)


def _rescaled(c: dict[str, Any], factor: float) -> list[Edit]:
    """The plan with so much more, or less, of everything; never a cap."""
    at = f"channel.{c['id']}"

    def ml(ul: int) -> Decimal:
        return Decimal(int(ul * factor + 1e-6) // STEP_UL * STEP_UL) / 1000

    edits: list[Edit] = []
    if c["at"] and c["at"][0].get("ul"):
        edits += [Edit(f"{at}.at.{i}.ml", ml(d["ul"])) for i, d in enumerate(c["at"])]
    else:
        edits.append(Edit(f"{at}.daily_ml", ml(c["daily_ul"])))
    if c["ramp"]:
        edits.append(Edit(f"{at}.ramp.from_ml", ml(c["ramp"]["from_ul"])))
    return edits
