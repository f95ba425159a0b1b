"""Density of air-free water by temperature."""

from __future__ import annotations

from service.science.numeric.checks import Floats


def water_density_kg_l(temperature_c: Floats) -> Floats:
    """Density of fresh water at 1 atm, kg/L, within 1e-5 at 0-40 °C (beyond: a smooth curve).

    Parameters
    ----------
    temperature_c: checked, any shape.

    References
    ----------
    Tanaka, Girard, Davis, Peuto & Bignell 2001, Metrologia 38:301-309, for water without the
    isotope terms.
    """
    t = temperature_c
    departure = (t - 3.983035) ** 2 * (t + 301.797) / (522528.9 * (t + 69.34881))
    return 0.999974950 * (1.0 - departure)
