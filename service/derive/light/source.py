"""The light series that a tank is judged by, and its levels of on and off."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from service.derive.inputs import Inputs
from service.derive.light.stuck import StuckRun, stuck_runs, without
from service.derive.models.co2 import Array
from service.derive.thresholds import DERIVED, derived_limit
from service.registry.models.tank import Tank
from service.science.light.dose import MAX_GAP_S
from service.science.light.levels import Thresholds, thresholds_from_series
from service.science.numeric.intervals import bridged_gap_s, usual_step_s
from service.science.numeric.ranks import quantile
from service.store.model import Samples

LIGHT_QUANTITIES: Final = ("ppfd", "illuminance")
BRIGHT_SHARE = 0.98
"""Single spikes are brighter than any lamp. Our choice."""


@dataclass(frozen=True, slots=True)
class LightSource:
    """The light series a tank is judged by.

    Attributes:
        quantity: ``ppfd`` or ``illuminance``; "" where neither is measured.
        samples: usable samples in the unit of the quantity.
        illuminance: samples of a lux sensor, if there is one, for the lux-hours.
        lux: the samples in lux, as measured or from PPFD; never negative.
        levels: between which the light comes on and goes off.
        step_s: usual one between samples; 0 with fewer than two.
        gap_s: a longer step between samples is not seen.
        bright_lux: what the lamp gives at its brightest, for what was not seen.
        stuck: the stretch of readings at the sensor's upper end that lasts up to the newest;
            such stretches are not in ``samples``.
    """

    quantity: str
    samples: Samples
    illuminance: Samples | None
    lux: Array
    levels: Thresholds
    step_s: float
    gap_s: float
    bright_lux: float
    stuck: StuckRun | None = None

    @property
    def beside(self) -> Samples | None:
        """The samples of a lux sensor beside a PPFD sensor; None where there are none."""
        lux = None if self.quantity == "illuminance" else self.illuminance
        return lux if lux is not None and len(lux) else None

    @property
    def beside_gap_s(self) -> float:
        """A longer step between these is not seen."""
        lux = self.beside
        return MAX_GAP_S if lux is None else bridged_gap_s(usual_step_s(lux.time_s), MAX_GAP_S)


def light_source(
    tank: Tank, quantity: str, samples: Samples, illuminance: Samples | None = None
) -> LightSource:
    """The light series of a tank with its levels; ``quantity`` "" where none is measured."""
    lux = np.maximum(samples.value, 0.0)
    if quantity == "ppfd":
        lux = lux / lux_factor(tank)
    ordered, step_s = np.sort(lux), usual_step_s(samples.time_s)
    return LightSource(
        quantity,
        samples,
        illuminance,
        lux,
        lit_levels(tank, ordered),
        step_s,
        bridged_gap_s(step_s, MAX_GAP_S),
        quantile(ordered, BRIGHT_SHARE) if len(lux) else 0.0,
    )


def light_source_of(inputs: Inputs) -> LightSource:
    """The light series of a tank with its levels: a PPFD sensor before a lux sensor."""
    sound = {one: _sound(inputs, one) for one in LIGHT_QUANTITIES}
    lux, _ = sound["illuminance"]
    for quantity in LIGHT_QUANTITIES:
        samples, stuck = sound[quantity]
        if len(samples) or stuck is not None:
            found = light_source(inputs.tank, quantity, samples, lux if len(lux) else None)
            return replace(found, stuck=stuck)
    return light_source(inputs.tank, "", Samples.empty())


def _sound(inputs: Inputs, quantity: str) -> tuple[Samples, StuckRun | None]:
    """The samples without stretches in which the sensor was stuck, and the one it is in now."""
    samples = inputs.series(quantity)
    runs = stuck_runs(inputs.tank, samples, inputs.now)
    now_stuck = runs[-1] if runs and runs[-1].after == len(samples) else None
    return without(samples, runs), now_stuck


def lux_factor(tank: Tank) -> float:
    """µmol/m²/s per lux of the tank's lamp."""
    return derived_limit(tank, "umol_per_lux")


def lit_levels(tank: Tank, lux: Array) -> Thresholds:
    """The levels between which light comes on and goes off.

    The tank's own ``lit_on_lux`` and ``lit_off_lux`` if set; else found in the readings; else
    the defaults.
    """
    if "lit_on_lux" in tank.thresholds or "lit_off_lux" in tank.thresholds:
        on = derived_limit(tank, "lit_on_lux")
        return Thresholds(on, min(derived_limit(tank, "lit_off_lux"), on))
    found = thresholds_from_series(lux)
    return found or Thresholds(DERIVED["lit_on_lux"].default, DERIVED["lit_off_lux"].default)
