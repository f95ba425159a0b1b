"""Which test or sample would narrow the CO2 estimate most, computed from its errors by source."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from service.derive.co2.kh_kit import measured_by
from service.derive.models.co2 import Co2Check, Co2Now, Narrowing
from service.registry.models.tank import Tank
from service.science.carbonate.co2 import DEFAULT_PH_SD
from service.science.carbonate.kh_methods import KhMethod
from service.science.carbonate.ph_drop import DEFAULT_REFERENCE_LOG_SD, DEFAULT_SLOPE_SD
from service.science.constants import LN10
from service.science.numeric.weighing import OneEstimate, weigh

LEAST_GAIN: Final = 0.1
"""What narrows the interval by less than this share of it is not worth the work. Our choice."""
AS_GOOD: Final = 0.05
"""Intervals that differ by no more than this share are alike. Our choice."""
USUAL_DROP_PH: Final = 1.1
"""From aerated water to the tank with gas, where no sample is at hand. Our choice."""


def narrowing_of(tank: Tank, co2: Co2Now, check: Co2Check | None) -> Narrowing | None:
    """What would narrow the weighed interval most; None where nothing does by enough.

    Args:
        co2: that the check is of; None where there is none.
    """
    if check is None or not check.agree:
        return None
    weighed = weigh(check.estimates)
    found = [
        Narrowing(what, weighed.percent, weigh(then).percent)
        for what, then in _options(tank, co2, list(check.estimates), check.calibrated)
    ]
    least = min((one.percent_then for one in found), default=weighed.percent)
    if least > (1.0 - LEAST_GAIN) * weighed.percent:
        return None
    # the simplest of those that are about as good
    return next(one for one in found if one.percent_then <= (1.0 + AS_GOOD) * least)


def _options(
    tank: Tank, co2: Co2Now, estimates: list[OneEstimate], calibrated: float
) -> Iterator[tuple[str, list[OneEstimate]]]:
    """Deeds, simplest first, and the estimates as they would be after each."""
    assert co2.kh is not None
    of_kh = abs(estimates[0].moved_by["KH"])
    kh_meq_l = float(co2.kh.measured.value_meq_l)
    fresh = measured_by(tank.kh_kit, max(kh_meq_l, 0.05))

    def after_test(share: float) -> list[OneEstimate]:
        sd = math.hypot(fresh.sd_meq_l, share * float(fresh.half_width_meq_l) / 3.0**0.5)
        then = math.log1p((sd / max(float(fresh.value_meq_l), 0.05)) ** 2) ** 0.5
        return _with(estimates, {"KH": min(then / of_kh, 1.0)})

    yield "test KH again", after_test(1.0)
    yield "calibrate the pH probe", _with(estimates, {"calibration": calibrated})
    if tank.kh_kit.method == KhMethod.DROPS:
        yield "test KH with twice the sample", after_test(0.5)
    if not any("CO2 of the sample" in one.moved_by for one in estimates):
        reading = LN10 * DEFAULT_PH_SD
        sample = OneEstimate(
            "pH drop from an aerated sample",
            estimates[0].ln_value,
            {
                "pH reading": -reading,
                "pH of the sample": reading,
                "slope": LN10 * USUAL_DROP_PH * DEFAULT_SLOPE_SD,
                "CO2 of the sample": DEFAULT_REFERENCE_LOG_SD,
            },
        )
        yield "measure an aerated sample", [*estimates, sample]


def _with(estimates: Sequence[OneEstimate], shares: Mapping[str, float]) -> list[OneEstimate]:
    return [one.without(shares) for one in estimates]
