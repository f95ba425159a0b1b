"""Un-ionised ammonia against the published table."""

from __future__ import annotations

import numpy as np
import pytest

from service.science.gas_exchange.air_water import oxygen_saturation_mg_l
from service.science.water.ammonia import unionised_ammonia_mg_l, unionised_fraction

# Francis-Floyd et al., Ammonia in Aquatic Systems, UF/IFAS Extension FA16: "calculated from
# data in Emerson et al. (1975)", at 6, 8, ... 30 °C (its column of 32 °C is left out: it does
# not follow from the equation).
TABLE = {
    7.0: [13, 16, 18, 22, 25, 29, 34, 39, 46, 52, 60, 69, 80],
    7.6: [53, 63, 73, 86, 100, 116, 134, 155, 179, 206, 236, 271, 310],
    8.0: [133, 156, 182, 212, 247, 286, 330, 381, 438, 502, 574, 654, 743],
    8.4: [328, 383, 445, 517, 597, 688, 790, 904, 1031, 1171, 1326, 1495, 1678],
}


@pytest.mark.parametrize("ph", TABLE)
def test_fraction_vs_extension_table(ph):
    ours = unionised_fraction(ph, np.arange(6, 31, 2))
    assert ours * 1e4 == pytest.approx(TABLE[ph], abs=1.0)


def test_extension_worked_example():
    # The same publication: total 1.0 mg/L, pH 8.0, 24 °C -> 0.0502 mg/L.
    assert unionised_ammonia_mg_l(1.0, 8.0, 24) == pytest.approx(0.0502, abs=5e-5)


@pytest.mark.parametrize(
    ("ph", "temperature_c", "percent"), [(7.0, 25, 0.564), (8.0, 25, 5.366), (8.0, 20, 3.807)]
)
def test_percent_of_emerson_1975(ph, temperature_c, percent):
    assert unionised_fraction(ph, temperature_c) * 100 == pytest.approx(percent, abs=1e-3)


def test_outside_the_range():
    with pytest.raises(ValueError, match="temperature_c is 77; allowed: 0 to 40 °C"):
        unionised_fraction(7, 77)


def test_five_kelvin_more_by_the_published_tables():
    # Benson & Krause: 8.263 mg/L at 25 °C, 7.559 at 30. FA16: 0.0052 and 0.0080 of the total
    # at 24 and 30 °C, pH 7.
    oxygen = oxygen_saturation_mg_l([30, 25])
    assert oxygen[0] == pytest.approx(7.559, abs=0.01)
    assert oxygen[0] / oxygen[1] == pytest.approx(7.559 / 8.263, abs=1e-3)
    ammonia = unionised_fraction(7.0, [30, 24])
    assert ammonia[0] / ammonia[1] == pytest.approx(80 / 52, abs=0.03)
