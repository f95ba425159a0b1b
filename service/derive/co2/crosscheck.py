"""A second, independent estimate of CO2: the pH drop against an aerated sample."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

import numpy as np

from service.derive.co2.series import liquid_c
from service.derive.models import Co2Check, Co2Now, EstimatedValue
from service.derive.thresholds import derived_limit
from service.registry.models import LogEntry, LogKind, Tank
from service.science.carbonate.ph_drop import (
    disagreement_reason,
    estimate_co2_from_ph_drop,
    reconcile,
)
from service.science.numeric.estimate import Estimate

AERATED_PH = "aerated_ph"
AERATED_TEMPERATURE = "temperature_c"


def co2_check_of(
    tank: Tank, log: Sequence[LogEntry], co2: Co2Now, now: datetime
) -> Co2Check | None:
    """Compare CO2 by KH with that by the newest aerated sample.

    Somebody leaves a glass of tank water open (better: aerated) overnight, reads its pH with the
    tank's probe, and logs an observation with ``aerated_ph``, and ``temperature_c`` if it
    differs from the tank's.

    Args:
        log: entries, newest first.

    Returns:
        None without a sample in the time that a KH test is valid for, or without CO2.
    """
    if co2.co2 is None or co2.ph is None:
        return None
    oldest = now - timedelta(days=derived_limit(tank, "kh_test_valid_days"))
    sample = next(
        (
            one
            for one in log
            if one.kind == LogKind.OBSERVATION
            and isinstance(one.data.get(AERATED_PH), (int, float))
            and oldest <= one.time <= now
        ),
        None,
    )
    if sample is None:
        return None
    assumed = derived_limit(tank, "assumed_temperature_c")
    celsius = assumed if co2.temperature is None else float(liquid_c(co2.temperature.value))
    by_drop = estimate_co2_from_ph_drop(
        co2.ph.value,
        celsius,
        float(sample.data[AERATED_PH]),
        reference_temperature_c=float(sample.data.get(AERATED_TEMPERATURE, celsius)),
    )
    known = (np.asarray(one) for one in (co2.co2.value, co2.co2.low, co2.co2.high))
    by_kh = Estimate(*known)
    both = reconcile(by_kh, by_drop)
    disagreement = int(both.disagreement)
    reason = disagreement_reason(disagreement, float(both.log_ratio))
    estimate = EstimatedValue(float(by_drop.value), float(by_drop.low), float(by_drop.high))
    return Co2Check(estimate, sample.time, disagreement, reason or "")
