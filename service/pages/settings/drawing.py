"""A tank drawn from its dimensions: glass, water and substrate, as shapes of an SVG."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from service.registry.models.tank import Dimensions
from service.registry.volume import volume_of
from service.science.water.volume import gross_volume_l

WIDTH: Final = 300.0
HEIGHT: Final = 190.0
_MARGIN: Final = 30.0
_SLANT: Final = 0.45
"""How far the depth of the tank goes to the right and up, of its length on paper."""


@dataclass(frozen=True, slots=True)
class TankDrawing:
    """The shapes as lists of points, and the words that go with them.

    Attributes:
        glass: front, top and side of the box.
        water, surface, substrate: faces of what is in it.
        length_at, width_at, height_at: where the dimensions are written.
        net_l, gross_l: volumes.
    """

    glass: tuple[str, ...]
    water: tuple[str, ...]
    substrate: tuple[str, ...]
    length_at: tuple[float, float]
    width_at: tuple[float, float]
    height_at: tuple[float, float]
    net_l: float
    gross_l: float


def tank_drawing(size: Dimensions) -> TankDrawing:
    """The drawing of a tank.

    Raises:
        OutOfRangeError: the dimensions contradict each other.
    """
    net_l = volume_of(size)
    across = size.length_cm + _SLANT * size.width_cm
    up = size.height_cm + _SLANT * size.width_cm
    scale = min((WIDTH - 2 * _MARGIN) / across, (HEIGHT - 2 * _MARGIN) / up)
    length, height = size.length_cm * scale, size.height_cm * scale
    slant = _SLANT * size.width_cm * scale
    left = (WIDTH - length - slant) / 2
    bottom = HEIGHT - (HEIGHT - height - slant) / 2
    fill = (size.fill_height_cm or size.height_cm) * scale
    bed = size.substrate_depth_cm * scale

    def box(low: float, high: float) -> tuple[str, ...]:
        """Front, side and top between two heights."""
        right, top, base = left + length, bottom - high, bottom - low
        return (
            _points((left, top), (right, top), (right, base), (left, base)),
            _points(
                (right, top), (right + slant, top - slant), (right + slant, base - slant),
                (right, base),
            ),
            _points(
                (left, top), (left + slant, top - slant), (right + slant, top - slant),
                (right, top),
            ),
        )  # fmt: skip

    return TankDrawing(
        glass=box(0, height),
        water=box(bed, fill),
        substrate=box(0, bed) if bed else (),
        length_at=(left + length / 2, bottom + 16),
        width_at=(left + length + slant / 2 + 8, bottom - slant / 2 + 12),
        height_at=(left - 6, bottom - height / 2 + 4),
        net_l=net_l,
        gross_l=float(gross_volume_l(size.length_cm, size.width_cm, size.height_cm)),
    )


def _points(*points: tuple[float, float]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
