"""Units, ratios and warnings against molar masses, reference sea water and carbonate chemistry.

Sources beside each check: `molmass` (CIAAW atomic weights), Millero et al. 2008 (Deep-Sea Research
I 55:50), TEOS-10 by `gsw`, and PyCO2SYS (Humphreys et al. 2022), all of them libraries or tables
that know nothing of Aliquot.
"""

import gsw
import molmass
import PyCO2SYS
import pytest

from aliquot_host import chemistry, proposing, stocks


def mass(formula):
    return molmass.Formula(formula).mass


def test_molar_masses_are_those_of_the_library():
    assert mass("CaO") == pytest.approx(chemistry.CAO_G_MOL, rel=1e-5)
    assert mass("CaCO3") == pytest.approx(chemistry.CACO3_G_MOL, rel=1e-5)
    assert mass("Ca") == pytest.approx(chemistry.CA_G_MOL, rel=1e-5)


def test_a_degree_of_hardness_is_ten_milligrams_of_lime_a_litre():
    """The definition of the German degree; a mole of CaO is two equivalents."""
    meq = 10 / mass("CaO") * 2
    assert pytest.approx(meq, rel=1e-5) == chemistry.MEQ_PER_DKH
    assert pytest.approx(0.356650, abs=1e-6) == chemistry.MEQ_PER_DKH
    assert chemistry.to_dkh(1.0, "meq/L") == pytest.approx(2.80387, abs=1e-5)
    assert chemistry.to_dkh(mass("CaCO3") / 2, "mg/L CaCO3") == pytest.approx(2.80387, abs=3e-5)
    assert chemistry.to_dkh(17.848, "mg/L as CaCO3") == pytest.approx(1.0, abs=1e-4)


def test_calcification_takes_two_equivalents_with_a_mole_of_calcium():
    """Ca2+ + 2 HCO3- -> CaCO3 + CO2 + H2O."""
    assert pytest.approx(mass("Ca") / 2, rel=1e-5) == chemistry.CA_MG_PER_MEQ
    assert pytest.approx(20.039, abs=1e-3) == chemistry.CA_MG_PER_MEQ
    assert pytest.approx(7.147, abs=1e-3) == chemistry.CA_MG_PER_DKH


def test_reference_sea_water_has_about_six_and_a_half_degrees():
    """Alkalinity 2.3043 meq/kg at S = 35 (Millero et al. 2008); 1023.343 kg/m³ at 25 °C
    (TEOS-10)."""
    salinity = gsw.SA_from_SP(35.0, 0.0, -30.0, 30.0)
    density = gsw.rho_t_exact(salinity, 25.0, 0.0)
    assert density == pytest.approx(1023.343, abs=0.02)
    dkh = chemistry.to_dkh(2.3043 * density / 1000, "meq/L")
    assert dkh == pytest.approx(6.612, abs=0.005)


@pytest.fixture(scope="module")
def water():
    """Sea water in balance with the air, and the same after 1 dKH as bicarbonate and carbonate."""
    options = {"salinity": 35, "temperature": 25, "opt_k_carbonic": 10}
    first = PyCO2SYS.sys(2300, 420, par1_type=1, par2_type=4, **options)
    salinity = gsw.SA_from_SP(35.0, 0.0, -30.0, 30.0)
    density = float(gsw.rho_t_exact(salinity, 25.0, 0.0))
    micromoles = chemistry.MEQ_PER_DKH * 1e6 / density
    found = {"first": first}
    for name, carbon in (("bicarbonate", micromoles), ("carbonate", micromoles / 2)):
        found[name] = PyCO2SYS.sys(
            2300 + micromoles, first["dic"] + carbon, par1_type=1, par2_type=2, **options
        )
    return found


def test_the_rise_of_ph_by_carbonate_is_that_of_pyco2sys(water):
    before = water["first"]["pH_total"]
    assert before == pytest.approx(8.0259, abs=2e-4)
    rise = water["carbonate"]["pH_total"] - before
    fall = water["bicarbonate"]["pH_total"] - before
    assert rise == pytest.approx(proposing.PH_BY_CARBONATE, abs=1e-3)
    assert fall == pytest.approx(proposing.PH_BY_BICARBONATE, abs=1e-3)


def test_the_saturation_that_propose_speaks_of_is_that_of_pyco2sys(water):
    first, lifted = (water[n]["saturation_aragonite"] for n in ("first", "carbonate"))
    assert f"from {first:.1f} to {lifted:.1f}" in proposing.CLEAR


# Grams of a salt for 100 litres and a rise, worked out by hand from molar masses (IUPAC/CIAAW
# weights) and the definitions of the units.
RISES = [
    ("NaHCO3", 1.0, 2.9961, 84.0067),
    ("Na2CO3", 1.0, 1.8900, 105.9885),
    ("CaCl2.2H2O", 10.0, 3.6682, 147.014),
    ("MgCl2.6H2O", 10.0, 8.3646, 203.303),
    ("MgSO4.7H2O", 10.0, None, 246.475),
    ("CaCl2", 10.0, None, 110.984),
]


@pytest.mark.parametrize(("key", "rise", "grams", "molar"), RISES)
def test_grams_for_100_litres_are_those_worked_out_by_hand(key, rise, grams, molar):
    salt = stocks.SALTS[key]
    assert stocks.mass(salt.formula) == pytest.approx(molar, rel=1e-5)
    # 1 mL of so many g/L puts a thousandth of it into the tank.
    (part,) = stocks.scaled([stocks.Part(salt, 1.0)], rise)
    if grams is None:
        metal = "Ca" if key.startswith("Ca") else "Mg"
        grams = rise * 100 / mass(metal) * molar / 1000
    assert part.g_l / 1000 == pytest.approx(grams, abs=6e-5)
