"""What-if and the gas exchange behind it, against the demo's simulator as the outside truth.

The simulator has its own equations and steps; what the model predicts from a tank's readings is
compared with what the simulator does when the setting is really changed.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import time

import numpy as np
import pytest

from demo.model import TankModel
from service.derive.prediction.question import Question
from service.derive.prediction.what_if import Answer, what_if
from service.errors import ConflictError, InvalidInputError
from service.registry.models.plans import GasPlan, LightPlan
from service.registry.models.tank import Stock, Tank
from tests.derive.pieces import KH_4
from tests.derive.simulated import MODEL, TANK, seen, truth


def asked(question: Question, tank: Tank | None = None) -> Answer:
    view, temperature = seen()
    return what_if(view if tank is None else replace(view, tank=tank), temperature, question)


@pytest.mark.parametrize(
    ("question", "model"),
    [
        (Question(), MODEL),
        (Question(gas_start=time(10)), replace(MODEL, gas=replace(MODEL.gas, on=time(10)))),
        (
            Question(injection_factor=1.4),
            replace(MODEL, gas=replace(MODEL.gas, injection_mg_l_h=1.4 * 16)),
        ),
        (
            Question(surface_factor=1.5),
            replace(MODEL, water=replace(MODEL.water, k20_per_h=0.9)),
        ),
        (
            Question(light_start=time(12), photoperiod_h=6.0),
            replace(MODEL, lamp=replace(MODEL.lamp, on=time(12), hours=6.0)),
        ),
    ],
    ids=["as it is", "gas later", "more gas", "more surface", "shorter light"],
)  # fmt: skip
def test_predicted_day_is_the_simulators(question: Question, model: TankModel) -> None:
    """CO2 within 1.5 mg/L of the simulator at every hour, and inside the interval by day."""
    day = asked(question).changed
    real = truth(model)
    at = (np.arange(24) * 12 + 6).astype(int)  # half past every hour
    co2 = np.interp(day.minute[at] * 60, real.time_s % 86_400, real.co2_mg_l, period=86_400)
    assert day.co2.value[at] == pytest.approx(co2, abs=1.5)
    lit = day.lit[at]
    assert (day.co2.low[at][lit] <= co2[lit]).all()
    assert (co2[lit] <= day.co2.high[at][lit]).all()
    ph = np.interp(day.minute[at] * 60, real.time_s % 86_400, real.ph, period=86_400)
    assert day.ph.value[at][lit] == pytest.approx(ph[lit], abs=0.05)


def test_longer_light_warms_about_as_the_simulators_does() -> None:
    answer = asked(Question(photoperiod_h=12.0))
    real = truth(replace(MODEL, lamp=replace(MODEL.lamp, hours=12.0)))
    usual = truth(MODEL)
    rise = float(real.temperature_c.max() - usual.temperature_c.max())
    warmest = answer.changed.temperature_max_c
    base = answer.today.temperature_max_c.value
    assert warmest.low - base <= rise <= warmest.high - base + 0.1
    assert answer.changed.light_h == 12.0
    assert answer.changed.dli_mol_m2_d == pytest.approx(
        (answer.today.dli_mol_m2_d or 0) * 1.5, rel=0.01
    )


def test_hours_within_target_are_counted() -> None:
    answer = asked(Question(gas_start=time(10)))
    assert answer.today.light_h_within.value > 7.5
    late = answer.changed
    assert late.light_h_within.value + late.light_h_below.value == pytest.approx(8.0, abs=0.2)
    assert 1.0 < late.light_h_below.value < 3.0
    assert late.co2_at_lights_on.value < 4.0


def test_kh_moves_ph_and_not_co2() -> None:
    answer = asked(Question(kh_meq_l=2 * KH_4))
    assert answer.changed.co2.value == pytest.approx(answer.today.co2.value)
    noon = 144
    assert answer.changed.ph.value[noon] - answer.today.ph.value[noon] == pytest.approx(
        np.log10(2), abs=0.02
    )


def test_nitrate_follows_the_water_changes_and_the_stock() -> None:
    """Before a change nitrate settles at p N / f (steady state of regular changes)."""
    half = asked(Question(water_change_fraction=0.25)).changed.no3_ratio
    assert (half.value, half.low, half.high) == (2.0, 2.0, 2.0)
    rarer = asked(Question(water_change_every_days=14.0)).changed.no3_ratio
    assert rarer.value == pytest.approx(2.0)
    more = asked(Question(animals=(Stock("Otocinclus vittatus", 10),))).changed.no3_ratio
    assert more.value == pytest.approx(1.5)  # 20 animals and 10 more
    assert more.low < 1.5 < more.high


def test_new_animals_lower_the_ceiling() -> None:
    shrimp = Stock("Caridina multidentata", 10, co2_max_mg_l=20.0)
    answer = asked(Question(animals=(shrimp,)))
    assert answer.today.ceiling_mg_l == 30.0
    assert answer.changed.ceiling_mg_l == 20.0
    assert answer.changed.above_ceiling_min.value > 60 > answer.today.above_ceiling_min.value
    assert any("lower CO2 ceiling at first" in note for note in answer.notes)


def test_what_cannot_be_told_is_refused_with_the_reason() -> None:
    view, temperature = seen()
    with pytest.raises(ConflictError, match="not fitted yet"):
        what_if(replace(view, gas=None), temperature, Question())
    with pytest.raises(ConflictError, match="log a KH test"):
        what_if(replace(view, co2=replace(view.co2, kh=None)), temperature, Question())
    with pytest.raises(InvalidInputError, match="injection_factor is 9"):
        asked(Question(injection_factor=9.0))


def test_one_gas_time_alone_is_refused_where_the_plan_has_none() -> None:
    """Taken in silence it would have counted as gas all day."""
    unswitched = replace(TANK, light=LightPlan(time(10), 8.0), gas=GasPlan())
    with pytest.raises(InvalidInputError, match="gas_end"):
        asked(Question(gas_start=time(9)), unswitched)
    both = asked(Question(gas_start=time(9), gas_end=time(17)), unswitched)
    assert both.changed.gas.sum() == 8 * 12
    assert not any("all day" in note for note in both.notes)
