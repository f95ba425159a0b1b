"""The cautions that go with advice, by the hazards that its work meets."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from typing import Final

from service.advice.engine.practice import limit
from service.advice.engine.work import Hazard
from service.registry.models.tank import Tank
from service.registry.species.ranges import resolved

NO_SAFETY_DEVICE: Final = (
    "Littoral advises people. It is no safety device: local codes, licensed practice and your own "
    "eyes come first."
)
"""Stands once on every page and mail."""

GAS: Final = (
    "Pressurised CO2: keep the cylinder upright and secured, open its valve slowly, and air the "
    "room. The gas has no smell and gathers near the floor of closed rooms. If you are dizzy or "
    "short of breath near it, go out into fresh air and call for help. If a cylinder leaks, open "
    "the windows and get everybody out. Leave faults of cylinder or regulator to licensed "
    "practice. Local codes come first."
)
MAINS: Final = (
    "Mains near water: unplug before hands go into the tank, and plug in again afterwards. Leave "
    "wiring faults to a licensed electrician. Local codes come first."
)
STOPPED: Final = (
    "Switch the filter on again as soon as the work is done, and see that it runs. Without flow "
    "the bacteria in it die within hours."
)
HEATER: Final = (
    "The heater must never run dry. Switch it off before the water falls below it, and on again "
    "when water has covered it for a quarter of an hour. In the air it overheats and can crack. If "
    "it stays off, the tank grows cold."
)
CHEMICALS: Final = (
    "Weigh or measure twice, dose once. Keep salts and solutions away from children, eyes and food."
)
ANIMALS: Final = (
    "Watch the animals. If they gasp at the surface or lie on their sides, act now, whatever the "
    "numbers say. Littoral is no safety device."
)
NEW_WATER: Final = (
    "Match the new water's temperature to the tank's. Remove chlorine before it goes in: add water "
    "conditioner for all of the new water, as its label says. Leave that out only if you know that "
    "the tap water has no chlorine."
)
MEDICATION: Final = (
    "Copper kills shrimps and snails, even in traces, and can stay in the substrate for months. "
    "Other medication against parasites or algae can kill them too. Give none on suspicion. Treat "
    "sick animals in a tank of their own, as the label says, and ask a vet where you can."
)
HOT_TAP: Final = (
    "Hot tap water can scald. From a boiler or copper pipes it can carry copper, which kills "
    "shrimps and snails. Let it run first, or warm cold water in a pot."
)


def cautions_for(hazards: Collection[Hazard], tank: Tank) -> tuple[str, ...]:
    """Everything that has to be said with work on a tank that meets these hazards."""
    met = set(hazards)
    if Hazard.HOT_WATER in met:
        met.add(Hazard.NEW_WATER)
    if Hazard.NEW_WATER in met:
        met |= {Hazard.MAINS, Hazard.STOPPED, Hazard.TEMPERATURE}
    return tuple(text for hazard in Hazard if hazard in met for text in _texts(hazard, tank))


def temperature_steps(tank: Tank) -> str:
    """How fast a tank's temperature may be moved."""
    step_c, rate_c_h = (
        limit(tank, name) for name in ("temperature_step_max_c", "temperature_rate_max_c_h")
    )
    return (
        f"Move temperature slowly: by no more than {step_c:g} °C with one water change, and "
        f"{rate_c_h:g} °C per hour in other ways. A fast change can harm animals more than the "
        "wrong temperature."
    )


def animals(tank: Tank) -> str:
    """What to watch the animals for; fishes that take air are told apart from distress."""
    names = [one.species for one in map(resolved, tank.animals) if one.air_breather and one.count]
    if not names:
        return ANIMALS
    those = f"{' and '.join(names)} take{'s' if len(names) == 1 else ''}"
    return f"{ANIMALS} {those} air at the surface now and then: that alone is no alarm."


def _texts(hazard: Hazard, tank: Tank) -> Iterator[str]:
    if hazard is Hazard.STOPPED:
        yield STOPPED
        if tank.heated:
            yield HEATER
    elif hazard is Hazard.ANIMALS:
        yield animals(tank)
    elif hazard is Hazard.TEMPERATURE:
        if any(stock.count for stock in tank.animals):
            yield temperature_steps(tank)
    else:
        yield _TEXTS[hazard]


_TEXTS: Final = {
    Hazard.CO2: GAS,
    Hazard.MAINS: MAINS,
    Hazard.NEW_WATER: NEW_WATER,
    Hazard.HOT_WATER: HOT_TAP,
    Hazard.CHEMICALS: CHEMICALS,
    Hazard.MEDICATION: MEDICATION,
}
