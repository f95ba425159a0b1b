"""CO2 and oxygen between water and air: equilibrium levels and first-order exchange.

    dC/dt = injection - k (C - C_eq),    k(t) = k20 * 1.024^(t - 20)

Times are hours here; series elsewhere carry unix seconds UTC, so summer time never enters.

Sources
-------
Weiss 1974, Mar. Chem. 2:203-215, doi:10.1016/0304-4203(74)90015-2 (CO2 solubility, S = 0,
-1 to 40 °C).
Weiss & Price 1980, Mar. Chem. 8:347-359 (vapour pressure of water).
Benson & Krause 1984, Limnol. Oceanogr. 29:620-632, and its pressure correction as in APHA
Standard Methods 4500-O and USGS Office of Water Quality memorandum 2011.03 (oxygen, 0-40 °C).
Elmore & West 1961 (temperature factor 1.024; from memory).
ICAO Doc 7488 standard atmosphere (pressure at an altitude, 0-11 km).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from service.science.constants import CELSIUS_ZERO_K, CO2_G_MOL
from service.science.numeric.checks import Floats, as_floats
from service.science.water.density import water_density_kg_l

CO2_PPM_OUTDOORS: Final = 420.0
"""Mole fraction of CO2 in dry outdoor air, about 2023 (NOAA GML; from memory). Rooms hold more."""

CO2_PPM_ROOM: Final = 600.0
"""A room people live in, aired now and then: 450-900 ppm. Common practice, no source."""

TEMPERATURE_EXCHANGE_FACTOR: Final = 1.024
TEMPERATURE_RANGE_C: Final = (0.0, 40.0)
PRESSURE_RANGE_ATM: Final = (0.3, 1.2)


def co2_air_equilibrium_mg_l(
    temperature_c: ArrayLike,
    *,
    co2_ppm: ArrayLike = CO2_PPM_OUTDOORS,
    pressure_atm: ArrayLike = 1.0,
) -> Floats:
    """CO2 of water in equilibrium with moist air (Weiss 1974, S = 0).

    Shapes broadcast.

    Parameters
    ----------
    temperature_c: 0-40.
    co2_ppm: mole fraction in dry air, 0-100000.
    pressure_atm: total pressure, 0.3-1.2.

    Returns
    -------
    mg/L.

    Raises
    ------
    OutOfRangeError: names the parameter outside its range.
    """
    celsius = _temperature(temperature_c)
    ppm = as_floats("co2_ppm", co2_ppm, low=0.0, high=1e5, unit="ppm")
    pressure = _pressure(pressure_atm)
    hundreds = (celsius + CELSIUS_ZERO_K) / 100.0
    ln_k0 = -60.2409 + 93.4517 / hundreds + 23.3585 * np.log(hundreds)  # mol/kg/atm
    dry = pressure - _vapour_pressure_atm(hundreds)
    mol_kg = np.exp(ln_k0) * ppm * 1e-6 * dry
    return np.asarray(mol_kg * water_density_kg_l(celsius) * CO2_G_MOL * 1000.0)


def co2_most_mg_l(temperature_c: ArrayLike, *, pressure_atm: ArrayLike = 1.0) -> Floats:
    """CO2 of water under pure CO2 (Weiss 1974, S = 0): more than that it does not hold.

    Henry's law, straight from what ``co2_air_equilibrium_mg_l`` gives for a tenth of it. Shapes
    broadcast.

    Parameters
    ----------
    temperature_c: 0-40.
    pressure_atm: of the gas, with its water vapour, 0.3-1.2.

    Returns
    -------
    mg/L.

    Raises
    ------
    OutOfRangeError: names the parameter outside its range.
    """
    tenth = co2_air_equilibrium_mg_l(temperature_c, co2_ppm=1e5, pressure_atm=pressure_atm)
    return np.asarray(10.0 * tenth)


def oxygen_saturation_mg_l(temperature_c: ArrayLike, *, pressure_atm: ArrayLike = 1.0) -> Floats:
    """Oxygen of fresh water in equilibrium with moist air (Benson & Krause 1984).

    Shapes broadcast.

    Parameters
    ----------
    temperature_c: 0-40.
    pressure_atm: total, 0.3-1.2.

    Returns
    -------
    mg/L.

    Raises
    ------
    OutOfRangeError: names the parameter outside its range.
    """
    celsius = _temperature(temperature_c)
    pressure = _pressure(pressure_atm)
    inverse = 1.0 / (celsius + CELSIUS_ZERO_K)
    ln_c = -139.34411 + inverse * (
        1.575701e5 + inverse * (-6.642308e7 + inverse * (1.243800e10 - 8.621949e11 * inverse))
    )
    vapour = np.exp(11.8571 + inverse * (-3840.70 - 216961.0 * inverse))
    theta = 0.000975 + celsius * (-1.426e-5 + 6.436e-8 * celsius)
    correction = (pressure - vapour) * (1.0 - theta * pressure) / ((1.0 - vapour) * (1.0 - theta))
    return np.asarray(np.exp(ln_c) * correction)


def pressure_atm_from_altitude(altitude_m: ArrayLike) -> Floats:
    """Mean air pressure, atm, at an altitude of -400 to 9000 m (standard atmosphere)."""
    metres = as_floats("altitude_m", altitude_m, low=-400.0, high=9000.0, unit="m")
    return np.asarray((1.0 - 2.25577e-5 * metres) ** 5.25588)


def exchange_rate_at_temperature(k20_per_h: ArrayLike, temperature_c: ArrayLike) -> Floats:
    """Exchange coefficient, 1/h, at a temperature from its value at 20 °C.

    Shapes broadcast.

    Parameters
    ----------
    k20_per_h: >= 0.
    temperature_c: 0-40.

    References
    ----------
    Elmore & West 1961.
    """
    k20 = as_floats("k20_per_h", k20_per_h, low=0.0, unit="1/h")
    celsius = _temperature(temperature_c)
    return np.asarray(k20 * TEMPERATURE_EXCHANGE_FACTOR ** (celsius - 20.0))


def _temperature(value: ArrayLike) -> Floats:
    low, high = TEMPERATURE_RANGE_C
    return as_floats("temperature_c", value, low=low, high=high, unit="°C")


def _pressure(value: ArrayLike) -> Floats:
    low, high = PRESSURE_RANGE_ATM
    return as_floats("pressure_atm", value, low=low, high=high, unit="atm")


def _vapour_pressure_atm(hundreds_k: Floats) -> Floats:
    return np.asarray(np.exp(24.4543 - 67.4509 / hundreds_k - 4.8489 * np.log(hundreds_k)))
