"""What a change of a tank's plans adjusts, for its log: lever, before and after."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import time
from typing import Any

from service.registry.models import Lever, Tank


@dataclass(frozen=True, slots=True)
class Adjustment:
    """One lever and what the plan said of it before and says now, in words for people."""

    lever: Lever
    before: str
    after: str

    @property
    def data(self) -> dict[str, Any]:
        """As the data of a log entry."""
        return {"lever": self.lever.value, "before": self.before, "after": self.after}


def adjustments(before: Tank, after: Tank) -> list[Adjustment]:
    """What was adjusted between two states of a tank, in the order of the levers."""
    was, now = dict(_plans(before)), dict(_plans(after))
    return [
        Adjustment(lever, was.get(lever, ""), now.get(lever, ""))
        for lever in Lever
        if was.get(lever, "") != now.get(lever, "")
    ]


def _plans(tank: Tank) -> Iterator[tuple[Lever, str]]:
    """What the plans of a tank say of each lever."""
    light, gas, water = tank.light, tank.gas, tank.water_change
    if tank.co2_injected:
        yield Lever.GAS_TIMES, f"{_clock(gas.start)} to {_clock(gas.end)}"
    yield Lever.LIGHT_HOURS, f"{light.photoperiod_h:g} h from {_clock(light.start)}"
    yield Lever.WATER, f"{100 * water.fraction:g} % every {water.every_days:g} days"
    yield Lever.HEAT, "heated" if tank.heated else "not heated"
    yield (
        Lever.DOSE,
        ", ".join(
            f"{one.name} "
            + (
                f"{one.ml_per_100_l:g} mL"
                if one.ml_per_100_l is not None
                else f"{one.g_per_100_l:g} g"
            )
            + " per 100 L"
            for one in tank.doses
        ),
    )


def _clock(at: time | None) -> str:
    return "always" if at is None else f"{at:%H:%M}"
