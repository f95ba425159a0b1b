"""What an estimate of CO2 in doubt does to other rules."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import numpy as np

from service.advice.engine.recommendation import Severity
from service.registry.models.log import LogKind
from service.science.sensors.electrode_drift import ElectrodeDrift
from tests.advice.cases import DAY, HOUR, found, the, usual_log, view_with
from tests.derive.pieces import KH_4, NOON, entry, gassed

MORNING = NOON - 4 * HOUR


def weak(t: np.ndarray) -> np.ndarray:
    return gassed(t, high=14.0)


def old_kh(now: datetime) -> list:
    log = [one for one in usual_log(now) if one.kind != LogKind.KH_TEST]
    return [*log, entry(LogKind.KH_TEST, now - 60 * DAY, kh_meq_l=KH_4)]


def test_no_valve_is_opened_on_an_estimate_in_doubt() -> None:
    """``co2-doubtful`` says not to open the gas further; ``co2-low`` must not say by how much."""
    view = view_with(now=MORNING, co2=weak, log=old_kh(MORNING))
    doubtful, low = the(view, "co2-doubtful"), the(view, "co2-low")
    assert "don't raise the CO2 flow" in doubtful.action
    assert "Leave the needle valve as it is" in low.action
    assert "Test KH." in low.action
    assert "open the needle valve" not in low.action
    assert not any(one.name == "more CO2 flow" for one in low.amounts)
    assert low.severity is Severity.ADVICE
    sure = the(view_with(now=MORNING, co2=weak), "co2-low")
    assert "open the needle valve by about 20 %" in sure.action


def test_probe_that_drifts_by_the_mornings_is_to_be_calibrated() -> None:
    drift = ElectrodeDrift(0.14, 0.05, 0.23, 0.014, 9, 10.0)
    view = replace(view_with(now=MORNING), ph_drift=drift)
    doubtful = the(view, "co2-doubtful")
    assert "Calibrate the pH probe." in doubtful.action
    assert [(one.name, one.value) for one in doubtful.evidence] == [("ph-drift", 0.14)]
    small = replace(drift, ph=0.08, low=0.02, high=0.12)
    assert not found(replace(view, ph_drift=small), "co2-doubtful")
