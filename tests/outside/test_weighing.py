"""Volume from mass, and the statistics of repeated deliveries, against their standards."""

import numpy as np
import pytest
from iapws import IAPWS95

from aliquot_host import samples, weighing

# ISO 8655-6:2002, annex A, the factor Z in mL/g at 1013 hPa; the water by Tanaka et al. 2001.
TABLE = [(15.0, 999.1026, 1.0020), (20.0, 998.2068, 1.0029), (25.0, 997.0470, 1.0040)]
# Two-sided critical values of Grubbs' test at 5 % (Grubbs and Beck 1972, Technometrics 14:847;
# from memory).
GRUBBS = {3: 1.155, 4: 1.481, 5: 1.715, 6: 1.887, 8: 2.126, 10: 2.290, 20: 2.709}


@pytest.mark.parametrize(("celsius", "density", "z"), TABLE)
def test_z_and_the_density_of_water_are_those_of_the_tables(celsius, density, z):
    assert weighing.water_kg_m3(celsius) == pytest.approx(density, abs=1e-4)
    assert weighing.z_ml_g(celsius, 1013.0) == pytest.approx(z, abs=1e-4)


@pytest.mark.parametrize("celsius", [5, 10, 15, 20, 25, 30, 35, 40])
def test_the_density_of_water_is_that_of_iapws_95(celsius):
    found = IAPWS95(T=celsius + 273.15, P=0.101325).rho
    assert weighing.water_kg_m3(celsius) == pytest.approx(found, abs=1.2e-3)


def test_the_air_is_that_of_the_simplified_formula_of_r_111():
    """1.2 kg/m³ is the conventional air of OIML R 111, at about 20 °C and 1013 hPa."""
    assert weighing.air_kg_m3(20, 1013.25, 50) == pytest.approx(1.199, abs=1e-3)
    assert weighing.air_kg_m3(20, 700, 50) < 0.84


def test_a_litre_of_water_weighs_a_gram_less_than_its_mass_in_air():
    mass_g = 998.2068 * (1 - 1.199 / 998.2068) / (1 - 1.199 / 8000)
    assert mass_g * weighing.z_ml_g(20.0) == pytest.approx(1000, abs=0.01)


def test_systematic_and_random_error_are_those_of_iso_8655():
    """es = 100 (V - Vs) / Vs, sr with n - 1, CV = 100 sr / V: ten deliveries of a nominal 10 mL,
    invented, worked out with numpy alone."""
    ten = [9.98, 10.02, 10.05, 9.97, 10.01, 10.00, 10.03, 9.99, 10.04, 9.96]
    found = samples.summary(ten)
    mean = float(np.average(ten))
    assert samples.systematic_pct(found.mean, 10) == pytest.approx(100 * (mean - 10) / 10)
    sr = (sum((v - mean) ** 2 for v in ten) / 9) ** 0.5
    assert found.sd == pytest.approx(sr)
    assert found.cv_pct == pytest.approx(100 * sr / mean)


@pytest.mark.parametrize(("n", "critical"), sorted(GRUBBS.items()))
def test_grubbs_critical_values_are_the_published_ones(n, critical):
    assert samples.grubbs_critical(n) == pytest.approx(critical, abs=1.5e-3)
