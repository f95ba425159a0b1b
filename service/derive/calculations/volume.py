"""Water in a tank from its dimensions."""

from __future__ import annotations

from dataclasses import dataclass

from service.science.water import volume


@dataclass(frozen=True, slots=True)
class TankVolume:
    """Volume of the box, water in it, and what displaces the rest; litres."""

    gross_l: float
    net_l: float

    @property
    def displaced_l(self) -> float:
        """Glass, air above the water, substrate and hardscape."""
        return self.gross_l - self.net_l


def tank_volume(length_cm: float, width_cm: float, height_cm: float, **inside: float) -> TankVolume:
    """Water in a tank, from its dimensions in cm and what is in it.

    Args:
        inside: as of ``service.science.water.volume.net_volume_l``.

    Raises:
        OutOfRangeError: a dimension that leaves no room.
    """
    net = volume.net_volume_l(length_cm, width_cm, height_cm, **inside)
    gross = volume.gross_volume_l(length_cm, width_cm, height_cm)
    return TankVolume(float(gross), float(net))
