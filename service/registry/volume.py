"""Net volume and depth of the water of a registered tank."""

from __future__ import annotations

from service.registry.models.tank import Dimensions, Tank
from service.science.water import volume


def net_volume_l(tank: Tank) -> float | None:
    """Water in the tank, L: as measured, or else from its dimensions; None when neither is known.

    Raises:
        OutOfRangeError: the dimensions contradict each other (``check_tank`` finds that before).
    """
    if tank.net_volume_l is not None:
        return tank.net_volume_l
    if tank.dimensions is None:
        return None
    return volume_of(tank.dimensions)


def water_column_cm(tank: Tank) -> float | None:
    """Height of the water over the substrate, cm; None where the dimensions are not known."""
    size = tank.dimensions
    if size is None:
        return None
    return (size.fill_height_cm or size.height_cm) - size.substrate_depth_cm


def volume_of(dimensions: Dimensions) -> float:
    """Water between the panes, less what displaces it, L.

    Raises:
        OutOfRangeError: the dimensions contradict each other.
    """
    return float(
        volume.net_volume_l(
            dimensions.length_cm,
            dimensions.width_cm,
            dimensions.height_cm,
            fill_height_cm=dimensions.fill_height_cm,
            substrate_depth_cm=dimensions.substrate_depth_cm,
            substrate_porosity=dimensions.substrate_porosity,
            hardscape_l=dimensions.hardscape_l,
        )
    )
