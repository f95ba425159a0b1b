"""How to close the CO2 of a tank, for hands that never did."""

from __future__ import annotations

from typing import Final

from service.registry.models.tank import Tank

USUAL_WAY: Final = (
    "pull the plug of the solenoid valve, which is the electric valve at the cylinder. If there is "
    "none, turn the cylinder's own valve clockwise by hand until it is shut"
)
"""Common practice, no source."""


def close_co2(tank: Tank, *, now: bool = False) -> str:
    """The deed, then how, without a full stop: ``close the CO2 cylinder now: pull the …``."""
    return f"close the CO2 cylinder{' now' if now else ''}: {way_to_close(tank)}"


def way_to_close(tank: Tank) -> str:
    """How to close it, in the tank keeper's words where there are any."""
    return tank.gas.close.strip().rstrip(".") or USUAL_WAY
