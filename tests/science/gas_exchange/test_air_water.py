"""Air equilibria and first-order exchange against published tables and gsw."""

from __future__ import annotations

import gsw
import numpy as np
import pytest

from service.science.gas_exchange import air_water
from service.science.water.density import water_density_kg_l


@pytest.mark.parametrize(
    ("celsius", "expected"),
    [  # Benson & Krause 1984, table of APHA 4500-O / USGS memo 2011.03, 1 atm
        (0, 14.621),
        (5, 12.771),
        (10, 11.288),
        (15, 10.084),
        (20, 9.092),
        (25, 8.263),
        (30, 7.559),
        (35, 6.949),
    ],
)
def test_oxygen_vs_published_table(celsius: float, expected: float) -> None:
    assert air_water.oxygen_saturation_mg_l(celsius) == pytest.approx(expected, abs=1e-3)


def test_oxygen_vs_gsw() -> None:
    celsius = np.linspace(0, 35, 36)
    micromol_kg = gsw.O2sol_SP_pt(np.zeros(36), celsius)
    theirs = micromol_kg * 31.998e-3 * gsw.rho(0, celsius, 0) / 1000
    np.testing.assert_allclose(air_water.oxygen_saturation_mg_l(celsius), theirs, atol=0.02)


def test_oxygen_at_altitude_vs_published() -> None:
    """20 °C, 0.9 atm: 8.162 mg/L (USGS memo 2011.03)."""
    assert air_water.oxygen_saturation_mg_l(20, pressure_atm=0.9) == pytest.approx(8.162, abs=2e-3)


@pytest.mark.parametrize(("celsius", "expected"), [(20, 0.708), (25, 0.610), (30, 0.529)])
def test_co2_equilibrium_vs_weiss(celsius: float, expected: float) -> None:
    """Handbook values, which do not tell litre from kilogram (0.2-0.4 %)."""
    ours = air_water.co2_air_equilibrium_mg_l(celsius)
    assert ours == pytest.approx(expected, rel=4e-3)


def test_co2_equilibrium_vs_weiss_per_litre() -> None:
    """Weiss 1974, table I, gives coefficients per litre beside those per kilogram that we use; at
    S = 0 ln K0 = -58.0931 + 90.5069 (100/T) + 22.2940 ln(T/100)."""
    celsius = np.linspace(0.0, 40.0, 41)
    hundreds = (celsius + 273.15) / 100
    k0_mol_l_atm = np.exp(-58.0931 + 90.5069 / hundreds + 22.2940 * np.log(hundreds))
    vapour_atm = np.exp(24.4543 - 67.4509 / hundreds - 4.8489 * np.log(hundreds))
    expected = k0_mol_l_atm * 420e-6 * (1 - vapour_atm) * 44.009e3
    assert air_water.co2_air_equilibrium_mg_l(celsius) == pytest.approx(expected, rel=1e-3)


def test_pressure_vs_standard_atmosphere() -> None:
    """ICAO standard atmosphere: 898.76 hPa at 1000 m, 701.21 hPa at 3000 m."""
    ours = air_water.pressure_atm_from_altitude([0, 1000, 3000])
    np.testing.assert_allclose(ours * 1013.25, [1013.25, 898.76, 701.21], rtol=2e-4)


def test_exchange_rate_temperature() -> None:
    assert air_water.exchange_rate_at_temperature(0.2, 20) == pytest.approx(0.2)
    assert air_water.exchange_rate_at_temperature(0.2, 30) == pytest.approx(0.2 * 1.024**10)


def test_impossible_input_is_named() -> None:
    with pytest.raises(ValueError, match=r"pressure_atm is 2; allowed: 0\.3 to 1\.2 atm"):
        air_water.oxygen_saturation_mg_l(20, pressure_atm=2)
    with pytest.raises(ValueError, match="k20_per_h is -1; allowed"):
        air_water.exchange_rate_at_temperature(-1, 20)
    assert np.isnan(air_water.exchange_rate_at_temperature(np.nan, 20))


def test_water_density_is_that_of_the_reference_library() -> None:
    """TEOS-10 at salinity 0 (gsw), 0-40 °C: within 2e-5; the quadratic before was off by 3e-4."""
    celsius = np.linspace(0.0, 40.0, 81)
    assert water_density_kg_l(celsius) == pytest.approx(
        gsw.rho_t_exact(0.0, celsius, 0.0) / 1000, rel=2e-5
    )


def test_pure_co2_against_a_handbook() -> None:
    """1.45 g/L at 25 °C and 1.69 at 20 °C, 1 atm of gas and vapour (CRC Handbook, from memory)."""
    assert float(air_water.co2_most_mg_l(25.0)) == pytest.approx(1450, rel=0.02)
    assert float(air_water.co2_most_mg_l(20.0)) == pytest.approx(1690, rel=0.02)


def test_the_warmer_the_less_water_holds() -> None:
    """CO2 of the warmest water bounds that of all (Weiss 1974)."""
    most = air_water.co2_most_mg_l(np.linspace(0.0, 40.0, 401), pressure_atm=0.9)
    assert np.all(np.diff(most) < 0)
