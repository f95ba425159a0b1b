"""The mix of a water change against PHREEQC's mixtures, with and without GH."""

from __future__ import annotations

import numpy as np
import phreeqpython
import pytest

from service.derive.calculations.measuring import Measuring
from service.derive.calculations.water_change import MixedWater, Water, mixed_water
from service.registry.models.tank import KhKit
from service.science.water.hardness import MEQ_L_PER_DEGREE
from tests.science.mixed_waters import Change, random_changes
from tests.science.simulated_kits import kit_shows_dkh, probe_error_ph

EXACT = Measuring(ph_error=0.0, kh_error_meq_l=0.0, temperature_error_c=0.0)


@pytest.fixture(scope="module")
def changes() -> list[Change]:
    return random_changes(phreeqpython.PhreeqPython(), 40, seed=3)


def mixed(one: Change, measuring: Measuring, *, gh: bool, rng: np.random.Generator | None = None):
    """The mix as computed from the change, measured with a counted kit where ``rng`` is given."""
    off = 0.0 if rng is None else float(probe_error_ph("limits of 0.1", 1, rng)[0])
    kh = [one.tank_kh_meq_l, one.new_kh_meq_l]
    if rng is not None:
        true = np.array(kh) / MEQ_L_PER_DEGREE
        shown = kit_shows_dkh("drops of 1 dKH", true, rng) * MEQ_L_PER_DEGREE
        kh = [float(meq_l) for meq_l in shown]
    tank_gh, new_gh = (one.tank_gh_meq_l, one.new_gh_meq_l) if gh else (None, None)
    return mixed_water(
        Water(one.tank_ph + off, kh[0], one.temperature_c, tank_gh),
        Water(one.new_ph + off, kh[1], one.temperature_c, new_gh),
        one.fraction,
        measuring,
    )


@pytest.mark.parametrize(("gh", "most"), [(True, 0.03), (False, 0.05)])
def test_mix_vs_phreeqc(changes: list[Change], gh: bool, most: float) -> None:
    """Without GH and with none assumed CO2 was up to 12 % off in these waters."""
    for one in changes:
        found: MixedWater = mixed(one, EXACT, gh=gh)
        assert found.co2_mg_l is not None and found.ph is not None
        assert found.co2_mg_l.value == pytest.approx(one.co2_mg_l, rel=most)
        assert found.ph.value == pytest.approx(one.ph, abs=0.01)
        assert (found.assumptions == ()) is gh


@pytest.mark.parametrize("gh", [True, False])
def test_the_interval_of_a_mix_holds_what_phreeqc_makes_of_it(
    changes: list[Change], gh: bool
) -> None:
    """Of 40 about 38; the thousand of tests/bench/co2_coverage.py say how many exactly."""
    rng = np.random.default_rng(9)
    measuring = Measuring(kh_kit=KhKit())
    found = [mixed(one, measuring, gh=gh, rng=rng).co2_mg_l for one in changes]
    held = [
        one is not None and one.low <= change.co2_mg_l <= one.high
        for one, change in zip(found, changes, strict=True)
    ]
    assert sum(held) >= 35
