"""The cautions that go with advice on gas, mains, chemicals and animals."""

from __future__ import annotations

from typing import Final

GAS: Final = (
    "Pressurised CO2: cylinder upright and secured, valve opened slowly, room aired; the gas "
    "cannot be smelled and gathers low in closed rooms. Dizzy or short of breath near it: out into "
    "fresh air, and call for help. Leave faults of cylinder or regulator to "
    "licensed practice; local codes come first."
)
MAINS: Final = (
    "Mains near water: unplug before hands go into the tank. Leave wiring faults to a licensed "
    "electrician; local codes come first."
)
CHEMICALS: Final = (
    "Weigh or measure twice, dose once; keep salts and solutions away from children, eyes and food."
)
ANIMALS: Final = (
    "Watch the animals: gasping at the surface or lying still on the bottom means act now, "
    "whatever the numbers say. Littoral is no safety device."
)
SLOWLY: Final = "Change slowly: a fast change can harm animals more than the wrong value."
NEW_WATER: Final = (
    "Match the new water's temperature, and remove chlorine before it goes in: water conditioner "
    "for all of the new water, as its label says, unless the tap is known to be free of chlorine."
)
HOT_TAP: Final = (
    "Hot tap water can scald, and from a boiler or copper pipes it can carry copper, which kills "
    "shrimps and snails: let it run first, or warm cold water apart."
)
