"""The present of a tank, without the history that rules judge: for lists of many tanks."""

from __future__ import annotations

from service.derive.co2.current import co2_now
from service.derive.co2.series import co2_series
from service.derive.inputs import Inputs
from service.derive.light.now import light_now
from service.derive.light.source import light_source_of
from service.derive.models.tank_view import TankNow
from service.derive.temperature import temperature_now
from service.science.sensors.electrode_drift import ElectrodeDrift


def tank_now(inputs: Inputs, *, drift: ElectrodeDrift | None = None) -> TankNow:
    """What ``tank_view`` says of the present.

    Args:
        inputs: of the last days.
        drift: of the pH probe, as last found from the mornings.
    """
    return TankNow(
        tank=inputs.tank,
        now=inputs.now,
        co2=co2_now(inputs, drift=drift),
        co2_series=co2_series(inputs),
        temperature=temperature_now(inputs, inputs.tolerance),
        sensors=inputs.infos,
        tolerance=inputs.tolerance,
        light=light_now(inputs, light_source_of(inputs)),
    )
