"""Drifts of pH probes that were found from the tanks' mornings, for whoever asks next."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime

from service.derive.co2.mornings import MOST_DAYS, morning_drift, newest_calibration_us
from service.derive.co2.series import co2_series
from service.derive.gas_exchange import FIT_DAYS
from service.derive.inputs import Inputs
from service.derive.loader import CO2_QUANTITIES, with_days
from service.derive.models.co2 import Co2Series
from service.derive.models.gas_exchange import GasModel
from service.derive.series_reading import Reader, means
from service.science.sensors.electrode_drift import ElectrodeDrift
from service.store.interface import Store
from service.times import to_us


@dataclass(frozen=True, slots=True)
class _Found:
    """A drift, and what it was found from."""

    sensor: str | None
    calibrated_us: int | None
    fitted: datetime
    drift: ElectrodeDrift | None


class MorningDrifts:
    """The drifts that were found last, by tank; found anew with each fit of the gas exchange.

    ``find`` is for one thread, ``known`` for any.
    """

    def __init__(self) -> None:
        """Nothing is known."""
        self._found: dict[str, _Found] = {}

    def find(
        self,
        inputs: Inputs,
        gas: GasModel | None,
        newest: Inputs,
        store: Store,
        reader: Reader,
        co2: Callable[[Inputs], Co2Series] = co2_series,
    ) -> ElectrodeDrift | None:
        """The drift at the fit of the gas exchange, found now where it is not known.

        Args:
            newest: as ``load_newest`` gave it for the inputs.
            reader: reads the series of the last ``FIT_DAYS``, which were read for the fit.
            co2: as ``morning_drift``.

        Raises:
            StoreUnavailableError, StoreRefusedError: as the store finds.
        """
        if gas is None or gas.fit is None:
            return self.known(inputs)
        calibrated_us = newest_calibration_us(inputs)
        found = self._found.get(inputs.tank.id)
        basis = inputs.sensor("ph"), calibrated_us, gas.fitted
        if found is None or (found.sensor, found.calibrated_us, found.fitted) != basis:
            days = float(MOST_DAYS)
            if calibrated_us is not None:
                days = min(days, (to_us(inputs.now) - calibrated_us) / 86_400e6)
            if days > 1:
                reader = reader if days <= FIT_DAYS else means(store)
                inputs = with_days(_co2_alone(newest), days, reader)
            drift = morning_drift(inputs, float(gas.fit.k20_per_h.value), co2)
            self._found[inputs.tank.id] = _Found(*basis, drift)
        return self.known(inputs)

    def known(self, inputs: Inputs) -> ElectrodeDrift | None:
        """The drift that was found last; None once the probe was calibrated or exchanged."""
        found = self._found.get(inputs.tank.id)
        if found is None or found.sensor != inputs.sensor("ph"):
            return None
        return found.drift if found.calibrated_us == newest_calibration_us(inputs) else None

    def forget(self, tank: str) -> None:
        """A tank is no longer evaluated."""
        self._found.pop(tank, None)


def _co2_alone(newest: Inputs) -> Inputs:
    """What CO2 is computed from: the others of many days need not be read."""
    chosen = {name: one for name, one in newest.chosen.items() if name in CO2_QUANTITIES}
    return replace(newest, chosen=chosen)
