"""Reference grids, computed once per session by libraries outside the project."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import phreeqpython
import PyCO2SYS
import pytest

from service.science.constants import CO2_G_MOL
from service.science.numeric.checks import Floats
from service.science.water.hardness import MEQ_L_PER_DEGREE
from tests.science.phreeqc_waters import khco3_co2_mg_l


@dataclass(frozen=True)
class Grid:
    """CO2 of a reference library over pH, KH and temperature."""

    ph: Floats
    kh_dkh: Floats
    temperature_c: Floats
    co2_mg_l: Floats

    @property
    def alkalinity_meq_l(self) -> Floats:
        return self.kh_dkh * MEQ_L_PER_DEGREE

    @property
    def core(self) -> np.ndarray:
        """The waters of most planted tanks: pH 6-7.6, KH 1-10, 20-28 °C."""
        return (
            (self.ph > 5.999)
            & (self.ph < 7.601)
            & (self.kh_dkh >= 1)
            & (self.kh_dkh <= 10)
            & (self.temperature_c >= 20)
            & (self.temperature_c <= 28)
        )


def _axes() -> tuple[Floats, Floats, Floats]:
    ph = np.round(np.arange(5.8, 8.601, 0.1), 3)
    kh_dkh = np.array([0.5, 1, 2, 3, 4, 6, 8, 10, 12.5, 15])
    temperature_c = np.arange(18.0, 30.1, 2.0)
    mesh = np.meshgrid(ph, kh_dkh, temperature_c, indexing="ij")
    return mesh[0], mesh[1], mesh[2]


@pytest.fixture(scope="session")
def phreeqc() -> phreeqpython.PhreeqPython:
    return phreeqpython.PhreeqPython()


@pytest.fixture(scope="session")
def phreeqc_grid(phreeqc: phreeqpython.PhreeqPython) -> Grid:
    """KHCO3 water brought to each pH by CO2: K+ equals the alkalinity."""
    ph, kh_dkh, temperature_c = _axes()
    co2 = np.empty(ph.shape)
    for index in np.ndindex(ph.shape):
        meq = kh_dkh[index] * MEQ_L_PER_DEGREE
        co2[index] = khco3_co2_mg_l(phreeqc, ph[index], meq, temperature_c[index])
    return Grid(ph, kh_dkh, temperature_c, co2)


@pytest.fixture(scope="session")
def pyco2sys_grid() -> Grid:
    """Millero (1979) constants for fresh water, no activity correction."""
    ph, kh_dkh, temperature_c = _axes()
    result = PyCO2SYS.sys(
        par1=kh_dkh * MEQ_L_PER_DEGREE * 1e3,
        par1_type=1,
        par2=ph,
        par2_type=3,
        salinity=0,
        temperature=temperature_c,
        opt_k_carbonic=8,
    )
    return Grid(ph, kh_dkh, temperature_c, result["aqueous_CO2"] * CO2_G_MOL * 1e-3)
