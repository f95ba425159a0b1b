"""What a KH test says of the alkalinity: a middle, a rectangular half-width and a scatter.

A counted drop test turns colour within the last drop: after n drops the alkalinity lies above
n - 1 and up to n drops, so that n drops, taken as they are read, overstate it by half a drop on
average. Its error is uniform over that one drop. A syringe or burette is read to the nearest
mark, a strip to the nearest field; their error is uniform too, about the value read.

    counted        alkalinity = (n - 1/2) step  +- step / 2
    other methods  alkalinity = read            +- step / 2

Sources
-------
A quantity known between two limits alone is rectangular: JCGM 100:2008 (GUM), 4.3.7.
The methods' own errors: ``kh_methods``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from service.science.carbonate.inputs import checked_alkalinity, plain
from service.science.carbonate.kh_methods import KH_METHODS, KhMethod, usual_step_meq_l
from service.science.numeric.checks import Floats, as_floats
from service.science.numeric.coverage import RECTANGULAR_SD, coverage_factor

WHOLE_DROPS_WITHIN: Final = 0.02
"""A value this near to a whole number of drops, in drops, was counted; any other was not (a mean
of two tests, or read off another way) and is taken as it is. Our choice, for rounded units."""


@dataclass(frozen=True)
class MeasuredAlkalinity:
    """An alkalinity as a test leaves it, meq/L, arrays of one shape.

    ``value_meq_l`` its middle; ``half_width_meq_l`` limits about the middle, between which all is
    alike; ``sd_meq_l`` standard deviation of what comes on top (drop size, colour).
    """

    value_meq_l: Floats
    half_width_meq_l: Floats
    sd_meq_l: Floats

    def interval(self) -> tuple[Floats, Floats, Floats]:
        """Middle and the limits of 95 %, meq/L, not below 0."""
        rectangular = np.square(RECTANGULAR_SD * self.half_width_meq_l)
        variance = np.asarray(rectangular + np.square(self.sd_meq_l))
        reach = coverage_factor(np.asarray(rectangular), variance) * np.sqrt(variance)
        low = np.maximum(self.value_meq_l - reach, 0.0)
        return self.value_meq_l, np.asarray(low), np.asarray(self.value_meq_l + reach)


def alkalinity_of_test(
    read_meq_l: ArrayLike,
    method: KhMethod = KhMethod.DROPS,
    step_meq_l: ArrayLike | None = None,
) -> MeasuredAlkalinity:
    """The alkalinity behind the value of a KH test, with its errors.

    Shapes broadcast.

    Parameters
    ----------
    read_meq_l: 0-50, the number of drops times the step, or the value read.
    method: of the test.
    step_meq_l: of one drop, one mark or from field to field, in the volume of sample that was
        taken; by default ``usual_step_meq_l``.

    Returns
    -------
    MeasuredAlkalinity; NaN passes through. 0 drops, which some write where the first one turned
    the colour, stay 0 and leave room for a whole drop.

    Raises
    ------
    OutOfRangeError: names the parameter.
    """
    read = checked_alkalinity(read_meq_l)
    errors = KH_METHODS[method]
    step = (
        np.asarray(usual_step_meq_l(method))
        if step_meq_l is None
        else as_floats("step_meq_l", step_meq_l, above=0.0, unit="meq/L")
    )
    read, step = np.broadcast_arrays(read, step)
    half = 0.5 * step
    middle = read
    if method == KhMethod.DROPS:
        drops = read / step
        counted = (drops > 0.5) & (np.abs(drops - np.round(drops)) <= WHOLE_DROPS_WITHIN)
        middle = np.where(counted, read - half, read)
        half = np.where(read > 0.0, half, step)
    elif method == KhMethod.STRIP:
        # no alkalinity is below 0: the first field reaches from 0 to half way to the next; a
        # syringe that shows 0 (soft water) is 0
        low, high = np.maximum(read - half, 0.0), read + half
        middle, half = 0.5 * (low + high), 0.5 * (high - low)
    sd = np.hypot(errors.relative_sd * middle, errors.judgement_sd_steps * step)
    return MeasuredAlkalinity(plain(middle), plain(half), plain(sd))


def after_mixing(
    before: MeasuredAlkalinity, fraction: float, new: MeasuredAlkalinity, fraction_sd: float = 0.0
) -> MeasuredAlkalinity:
    """The alkalinity after ``fraction`` (0-1) of the water was replaced by new water.

    The limits of the old water shrink with its share; those of the new water, which are not the
    same ones, enter as a standard deviation; ``fraction_sd`` is that of the fraction itself.
    """
    left = 1.0 - fraction
    value = left * before.value_meq_l + fraction * new.value_meq_l
    new_sd = np.hypot(new.sd_meq_l, RECTANGULAR_SD * new.half_width_meq_l)
    sd = np.hypot(
        np.hypot(left * before.sd_meq_l, fraction * new_sd),
        fraction_sd * np.abs(before.value_meq_l - new.value_meq_l),
    )
    half = left * before.half_width_meq_l
    return MeasuredAlkalinity(*(plain(np.asarray(one)) for one in (value, half, sd)))
