"""What a change of a tank's plans adjusts, for its log: lever, before, after; and the way back."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import time
from typing import Any, Final

from service.registry.models.log import Lever
from service.registry.models.plans import DosePlan
from service.registry.models.tank import Tank


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


_NUMBER: Final = r"([0-9.e+-]+)"
_GAS_TIMES: Final = re.compile(r"(\d\d:\d\d|always) to (\d\d:\d\d|always)")
_LIGHT_HOURS: Final = re.compile(rf"{_NUMBER} h from (\d\d:\d\d)")
_WATER: Final = re.compile(rf"{_NUMBER} % every {_NUMBER} days")
_DOSE: Final = re.compile(rf"(.+?) {_NUMBER} (mL|g) per 100 L(?:, |$)")


def undone(tank: Tank, data: Mapping[str, Any]) -> Tank | None:
    """The tank before an adjustment, by the data of its log entry.

    Returns:
        None where the entry does not say what the plan said before, as of a valve.
    """
    before = str(data.get("before", ""))
    lever = data.get("lever")
    if lever == Lever.GAS_TIMES and (found := _GAS_TIMES.fullmatch(before)):
        start, end = (_time(one) for one in found.groups())
        return replace(tank, gas=replace(tank.gas, start=start, end=end))
    if lever == Lever.LIGHT_HOURS and (found := _LIGHT_HOURS.fullmatch(before)):
        light = replace(
            tank.light, photoperiod_h=float(found[1]), start=time.fromisoformat(found[2])
        )
        return replace(tank, light=light)
    if lever == Lever.WATER and (found := _WATER.fullmatch(before)):
        fraction, every = float(found[1]) / 100, float(found[2])
        plan = replace(tank.water_change, fraction=fraction, every_days=every)
        return replace(tank, water_change=plan)
    if lever == Lever.HEAT and before in ("heated", "not heated"):
        return replace(tank, heated=before == "heated")
    if lever == Lever.DOSE and (not before or _DOSE.match(before)):
        return replace(tank, doses=tuple(_dose(tank, *one) for one in _DOSE.findall(before)))
    return None


def _dose(tank: Tank, name: str, amount: str, unit: str) -> DosePlan:
    """A dose as it was; what is in it as it is planned now, where it still is."""
    present = next((one for one in tank.doses if one.name == name), DosePlan(name))
    number = float(amount)
    if unit == "mL":
        return replace(present, ml_per_100_l=number, g_per_100_l=None)
    return replace(present, g_per_100_l=number, ml_per_100_l=None)


def _time(words: str) -> time | None:
    return None if words == "always" else time.fromisoformat(words)
