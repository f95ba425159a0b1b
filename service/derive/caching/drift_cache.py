"""Drifts of pH probes that were found from the tanks' mornings, for whoever asks next."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from service.derive.co2.mornings import MOST_DAYS, morning_drift, newest_calibration_us
from service.derive.gas_exchange import FIT_DAYS
from service.derive.inputs import Inputs
from service.derive.loader import CO2_QUANTITIES, load
from service.derive.log_in_force import LogSource
from service.derive.models.gas_exchange import GasModel
from service.derive.series_reading import Reader
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
        registry: LogSource,
        store: Store,
        reader: Reader | None = None,
    ) -> ElectrodeDrift | None:
        """The drift at the fit of the gas exchange, found now where it is not known.

        Args:
            reader: reads the series of the last ``FIT_DAYS``, which were read for the fit.

        Raises:
            StoreUnavailableError, StoreRefusedError, NotFoundError: as ``load``.
        """
        if gas is None or gas.fit is None:
            return self.known(inputs)
        tank, calibrated_us = inputs.tank, newest_calibration_us(inputs)
        found = self._found.get(tank.id)
        basis = inputs.sensor("ph"), calibrated_us, gas.fitted
        if found is None or (found.sensor, found.calibrated_us, found.fitted) != basis:
            days = float(MOST_DAYS)
            if calibrated_us is not None:
                days = min(days, (to_us(inputs.now) - calibrated_us) / 86_400e6)
            drift = morning_drift(
                load(
                    tank,
                    registry,
                    store,
                    inputs.now,
                    days=days,
                    reader=reader if days <= FIT_DAYS else None,
                    quantities=CO2_QUANTITIES,
                )
                if days > 1
                else inputs,
                float(gas.fit.k20_per_h.value),
            )
            self._found[tank.id] = _Found(*basis, drift)
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
