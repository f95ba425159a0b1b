"""``/v1/calculate/…``: the science, without any state."""

from service.api.calculate import carbonate, co2_and_volume, dosing, gases, light, probe, water
from service.api.calculate.blueprint import blueprint

__all__ = ["blueprint", "carbonate", "co2_and_volume", "dosing", "gases", "light", "probe", "water"]
