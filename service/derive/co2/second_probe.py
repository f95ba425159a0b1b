"""A second pH probe in the same tank: where the two differ by more than they may, one is off."""

from __future__ import annotations

from typing import Final

import numpy as np

from service.derive.co2.calibration import ProbeDoubt, ProbeHistory, probe_history
from service.derive.inputs import Inputs
from service.derive.sensors.choice import US_PER_MINUTE, usable
from service.science.carbonate.co2 import DEFAULT_PH_SD

TOGETHER_MIN: Final = 15.0
"""Readings further apart in time are not compared. Our choice."""

PLACES_SD_PH: Final = 0.05
"""CO2 is not the same everywhere in a tank: standard deviation of the pH between two places. Our
choice."""


def contradiction(inputs: Inputs, probe: ProbeHistory) -> ProbeDoubt | None:
    """The other probe that differs most, beyond what both calibrations leave open.

    Half of the difference is added to the standard deviation: nobody knows which one is right.

    Args:
        probe: the history of the probe that counts.
    """
    mine = inputs.latest.get("ph")
    if mine is None:
        return None
    worst: tuple[float, ProbeDoubt] | None = None
    for info in inputs.infos:
        other = info.last
        if info.key.quantity != "ph" or info.key.sensor == mine.sensor or not usable(other):
            continue
        if abs(other.time_us - mine.time_us) > TOGETHER_MIN * US_PER_MINUTE:
            continue
        if any(out.key == info.key and out.holds(other.time_us) for out in inputs.probes_out):
            continue
        history = probe_history(inputs.tank, inputs.log, info.key.sensor)
        sds = (
            probe.sd_ph_at(inputs.now), history.sd_ph_at(inputs.now),
            DEFAULT_PH_SD, DEFAULT_PH_SD, PLACES_SD_PH,
        )  # fmt: skip
        apart = other.value - mine.value
        excess = abs(apart) / (1.96 * float(np.linalg.norm(sds)))
        if excess > 1.0 and (worst is None or excess > worst[0]):
            way = "higher" if apart > 0 else "lower"
            reason = (
                f"pH probe {info.key.sensor} reads {abs(apart):.2f} {way} than {mine.sensor}: "
                "calibrate both"
            )
            worst = excess, ProbeDoubt(reason, abs(apart) / 2.0)
    return None if worst is None else worst[1]
