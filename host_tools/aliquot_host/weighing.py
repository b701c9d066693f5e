"""From what a balance shows to a volume: density of water, buoyancy of air, the factor Z.

The formulas of ISO 8655-6, with the water of Tanaka and the air of OIML R 111. For liquids other
than water the density is the user's to state; buoyancy is taken into account for them too.
"""

from __future__ import annotations

from aliquot_host.errors import bad

WEIGHT_KG_M3 = 8000.0
STANDARD_HPA = 1013.25
HUMIDITY_PCT = 50.0
WATER_C = (5.0, 40.0)
PRESSURE_HPA = (600.0, 1100.0)


def water_kg_m3(celsius: float) -> float:
    """Density of air-free water at 1013 hPa (Tanaka et al. 2001, Metrologia 38:301)."""
    t = celsius
    return 999.974950 * (1 - (t - 3.983035) ** 2 * (t + 301.797) / (522528.9 * (t + 69.34881)))


def air_kg_m3(celsius: float, hpa: float = STANDARD_HPA, humidity: float = HUMIDITY_PCT) -> float:
    """Density of moist air, the simplified formula of OIML R 111-1 (annex E)."""
    # The exponential of a number that depends on the temperature alone.
    steam = 2.718281828459045 ** (0.061 * celsius)
    return (0.34848 * hpa - 0.009 * humidity * steam) / (273.15 + celsius)


def z_ml_g(celsius: float, hpa: float = STANDARD_HPA, humidity: float = HUMIDITY_PCT) -> float:
    """mL of water for each gram that a balance shows: Z of ISO 8655-6, in mL/g. BadInput: a
    temperature or a pressure outside of what the formulas hold for."""
    _range("--water", celsius, WATER_C, "°C")
    _range("--pressure", hpa, PRESSURE_HPA, "hPa")
    return ml_per_g(water_kg_m3(celsius), celsius, hpa, humidity)


def ml_per_g(
    kg_m3: float, celsius: float = 20.0, hpa: float = STANDARD_HPA, humidity: float = HUMIDITY_PCT
) -> float:
    """mL for each gram shown, of a liquid of that density: steel weights of 8000 kg/m³."""
    air = air_kg_m3(celsius, hpa, humidity)
    return 1000 * (1 - air / WEIGHT_KG_M3) / (kg_m3 - air)


def factor(
    water_c: float | None,
    density_g_ml: float | None,
    hpa: float = STANDARD_HPA,
    humidity: float = HUMIDITY_PCT,
) -> float | None:
    """mL for each gram shown, of water of a temperature or of a liquid of a density; None where
    neither is said. BadInput: both are."""
    if water_c is None:
        if density_g_ml is None:
            return None
        return ml_per_g(1000 * density_g_ml, hpa=hpa, humidity=humidity)
    if density_g_ml is not None:
        advice = "Leave one out."
        raise bad("--density", density_g_ml, limit="not beside --water", advice=advice)
    return z_ml_g(water_c, hpa, humidity)


def _range(path: str, value: float, limits: tuple[float, float], unit: str) -> None:
    low, high = limits
    if not low <= value <= high:
        limit = f"{low:g} to {high:g} {unit}"
        raise bad(path, value, limit=limit, advice="Weigh in a room that people live in.")
