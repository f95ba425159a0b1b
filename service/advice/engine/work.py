"""What work on a tank meets that can hurt, and who may do it."""

from __future__ import annotations

from enum import StrEnum


class Hazard(StrEnum):
    """What work meets that can hurt people or animals; the order is that of the cautions.

    A rule or a task names its hazards; ``cautions_for`` gives the words for a tank.
    """

    ANIMALS = "animals"  # animals may be suffering
    CO2 = "co2"  # cylinder, regulator, valve
    MAINS = "mains"  # plugs, and hands in the water
    STOPPED = "stopped"  # filter or heater is switched off for the work
    NEW_WATER = "new-water"  # new water goes into the tank
    HOT_WATER = "hot-water"  # some of it may come from the hot tap
    CHEMICALS = "chemicals"  # salts, solutions, reagents
    TEMPERATURE = "temperature"  # temperature is moved on purpose
    MEDICATION = "medication"  # somebody may think of medication


class Who(StrEnum):
    """Who may do it."""

    ANYONE = "anyone"  # also who looks after the tank meanwhile
    KEEPER = "keeper"  # the tank keeper; nobody else unless shown how
