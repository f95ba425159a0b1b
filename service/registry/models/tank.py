"""A tank: its water, the animals and plants in it, and its plans as one value."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Literal

from service.registry.models.nothing import NOTHING
from service.registry.models.plans import (
    Cylinder,
    DosePlan,
    GasPlan,
    LightPlan,
    PlantTargets,
    WaterChangePlan,
)
from service.science.carbonate.kh_methods import KhMethod

Position = Literal["front", "middle", "back"]
Side = Literal["left", "centre", "right"]
AtSurface = Literal["trim", "grow-out"]


@dataclass(frozen=True, slots=True)
class Dimensions:
    """Inner dimensions of a tank and what displaces its water.

    Attributes:
        length_cm, width_cm, height_cm: inside the glass.
        fill_height_cm: water level above the inner bottom; None means ``height_cm``.
        substrate_depth_cm: mean depth of the soil or gravel.
        substrate_porosity: share of the substrate's volume that is water, 0 to 1.
        hardscape_l: litres displaced by rock and wood.
    """

    length_cm: float
    width_cm: float
    height_cm: float
    fill_height_cm: float | None = None
    substrate_depth_cm: float = 0.0
    substrate_porosity: float = 0.4
    hardscape_l: float = 0.0


@dataclass(frozen=True, slots=True)
class Stock:
    """A group of animals of one species.

    Attributes:
        species: scientific name; a row of the species table fills what is None below.
        count: how many.
        added: when they came in; None if long ago.
        temperature_low_c, temperature_high_c: tolerated range: outside it they suffer.
        co2_max_mg_l: tolerated dissolved CO2.
        air_breather: takes air at the surface (labyrinth fish and the like).
        comfortable_low_c, comfortable_high_c: range that they are kept at for good.
        co2_comfortable_mg_l: up to which they are kept for good.
    """

    species: str
    count: int = 1
    added: date | None = None
    temperature_low_c: float | None = None
    temperature_high_c: float | None = None
    co2_max_mg_l: float | None = None
    air_breather: bool | None = None
    comfortable_low_c: float | None = None
    comfortable_high_c: float | None = None
    co2_comfortable_mg_l: float | None = None


@dataclass(frozen=True, slots=True)
class KhKit:
    """How a tank's carbonate hardness is tested.

    Attributes:
        method: whether drops are counted, a syringe is read or a strip is compared.
        step_meq_l: worth of one drop, one mark or the distance of two fields in the kit's sample;
            None: as usual for the method.
        sample_ml: sample that is taken; None: the kit's.
        kit_sample_ml: sample that the kit's step is meant for.
    """

    method: KhMethod = KhMethod.DROPS
    step_meq_l: float | None = None
    sample_ml: float | None = None
    kit_sample_ml: float = 5.0


@dataclass(frozen=True, slots=True)
class Plant:
    """Plants of one species in a tank.

    Attributes:
        species: scientific name; a row of the table of plants fills what is None below.
        light: demand: ``low``, ``medium`` or ``high``.
        co2: injected CO2: ``none``, ``helpful`` or ``needed``.
        height_low_cm, height_high_cm: of a well grown plant under water.
        position: in this tank: ``front``, ``middle`` or ``back``.
        side: ``left``, ``centre`` or ``right``; None: all of it.
        wished_height_cm: no taller than this.
        at_surface: what to do with leaves at the surface: ``trim`` or ``grow-out``; None: to be
            chosen.
    """

    species: str
    light: str | None = None
    co2: str | None = None
    height_low_cm: float | None = None
    height_high_cm: float | None = None
    position: Position | None = None
    side: Side | None = None
    wished_height_cm: float | None = None
    at_surface: AtSurface | None = None

    @property
    def has_own_demand(self) -> bool:
        """Whether the tank says something of the species that the table of species would."""
        own = (self.light, self.co2, self.height_low_cm, self.height_high_cm)
        return any(one is not None for one in own)


@dataclass(frozen=True, slots=True)
class Tank:
    """One body of water.

    Attributes:
        id: short name in topics and addresses, ``[a-z0-9-]``.
        time_zone: IANA name; day boundaries and plans are local to it.
        net_volume_l: measured net volume; None means: computed from ``dimensions``.
        kh_meq_l: as last known when the tank was registered; a KH test in the log wins.
        kh_tested: date of that value.
        kh_kit: how it is tested, there and in the log.
        organic_carbon_mg_l: dissolved organic carbon of humic kind; None: not known, taken as none.
        gh_meq_l: general hardness.
        energy: ``high`` or ``low``: light, gas and fertiliser together.
        sensors: quantity -> the sensor to use, where a tank has several.
        cylinder: as last known; a cylinder that was logged later wins.
        equipment: free facts such as the lamp and the filter, by name.
        thresholds: overrides of the thresholds of practice, by name.
        targets: of CO2 and light for the plants; ``plants``: which there are, by species.
        salted, medicated: whether salt or medication is in the water; None: nobody said. What is
            in the log counts besides.
        contact: how the tank keeper can be reached in an emergency, in their own words.
    """

    id: str
    name: str
    time_zone: str = "UTC"
    dimensions: Dimensions | None = None
    net_volume_l: float | None = None
    altitude_m: float = 0.0
    kh_meq_l: float | None = None
    kh_tested: date | None = None
    kh_kit: KhKit = KhKit()
    organic_carbon_mg_l: float | None = None
    gh_meq_l: float | None = None
    energy: str = "high"
    heated: bool = True
    co2_injected: bool = True
    set_up: date | None = None
    animals: tuple[Stock, ...] = ()
    targets: PlantTargets = PlantTargets()
    plants: tuple[Plant, ...] = ()
    light: LightPlan = LightPlan()
    gas: GasPlan = GasPlan()
    cylinder: Cylinder | None = None
    water_change: WaterChangePlan = WaterChangePlan()
    doses: tuple[DosePlan, ...] = ()
    sensors: Mapping[str, str] = field(default_factory=lambda: NOTHING)
    equipment: Mapping[str, Any] = field(default_factory=lambda: NOTHING)
    thresholds: Mapping[str, float] = field(default_factory=lambda: NOTHING)
    notes: str = ""
    contact: str = ""
    salted: bool | None = None
    medicated: bool | None = None
