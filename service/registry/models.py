"""The registry's values: a tank, what lives in it, its plans, and what people did to it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time
from enum import StrEnum
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Literal

from service.science.carbonate.kh_test import KhMethod

if TYPE_CHECKING:
    from service.config import RouteConfig

Position = Literal["front", "middle", "back"]
Side = Literal["left", "centre", "right"]
AtSurface = Literal["trim", "grow-out"]

NOTHING: Mapping[str, Any] = MappingProxyType({})


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
class PlantTargets:
    """What is aimed at for the plants, as numbers; defaults are common practice, no source.

    Attributes:
        co2_low_mg_l, co2_high_mg_l: target range while lit.
        dli_low_mol_m2_d, dli_high_mol_m2_d: daily light integral at the sensor.
    """

    co2_low_mg_l: float = 20.0
    co2_high_mg_l: float = 30.0
    dli_low_mol_m2_d: float = 1.5
    dli_high_mol_m2_d: float = 4.0


@dataclass(frozen=True, slots=True)
class LightPlan:
    """When the lamp should be on, in the tank's own time zone.

    Attributes:
        start: local time of lights-on.
        photoperiod_h: length of the photoperiod, h.
    """

    start: time = time(10, 0)
    photoperiod_h: float = 8.0


@dataclass(frozen=True, slots=True)
class GasPlan:
    """When the CO2 should flow, in the tank's own time zone, and how it is closed.

    Attributes:
        start, end: local times of the CO2 valve; None where it is not switched.
        close: how anyone closes the CO2 of this tank, in the tank keeper's words.
    """

    start: time | None = None
    end: time | None = None
    close: str = ""


@dataclass(frozen=True, slots=True)
class Cylinder:
    """The CO2 cylinder in use: what was in it when it was full, and since when it is."""

    content_g: float
    put_on: date


@dataclass(frozen=True, slots=True)
class WaterChangePlan:
    """The routine water change.

    Attributes:
        every_days: interval, d.
        fraction: share of the net volume, 0 to 1.
        tap_kh_meq_l, tap_temperature_c: the new water, where known.
        tap_gh_meq_l, tap_ph: more of it; pH after an hour in the open.
        hot_temperature_c: of the hot tap, where hot and cold are mixed.
        target_kh_meq_l, target_gh_meq_l: of the new water, where tap water is let down
            with reverse-osmosis water.
        tap_no3_mg_l, tap_po4_mg_l, tap_k_mg_l, tap_fe_mg_l: nutrients in the tap water; None
            where nobody knows.
    """

    every_days: float = 7.0
    fraction: float = 0.5
    tap_kh_meq_l: float | None = None
    tap_temperature_c: float | None = None
    tap_gh_meq_l: float | None = None
    tap_ph: float | None = None
    hot_temperature_c: float | None = None
    target_kh_meq_l: float | None = None
    target_gh_meq_l: float | None = None
    tap_no3_mg_l: float | None = None
    tap_po4_mg_l: float | None = None
    tap_k_mg_l: float | None = None
    tap_fe_mg_l: float | None = None


@dataclass(frozen=True, slots=True)
class Salt:
    """A known salt and how much of it is in a bottle or a mix."""

    substance: str
    mass_g: float


@dataclass(frozen=True, slots=True)
class DosePlan:
    """A fertiliser dose that follows the water change.

    What is in it, by ``salts`` or ``label_mg``, makes its nutrients known; neither: nobody knows.

    Attributes:
        name: what to call it on the task list.
        ml_per_100_l: stock solution per 100 L of net volume; None for a dry dose.
        g_per_100_l: dry salt per 100 L of net volume; None for a solution.
        salts: what the solution or the dry mix is made of.
        bottle_ml: volume that the salts of a solution were filled up to.
        label_mg: by ion, mg in a mL of the solution or in a g of the dry dose.
    """

    name: str
    ml_per_100_l: float | None = None
    g_per_100_l: float | None = None
    salts: tuple[Salt, ...] = ()
    bottle_ml: float | None = None
    label_mg: Mapping[str, float] = field(default_factory=lambda: NOTHING)


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


class Lever(StrEnum):
    """What advice may move in a tank, and a person may adjust."""

    GAS_FLOW = "gas-flow"
    GAS_TIMES = "gas-times"
    LIGHT_HOURS = "light-hours"
    LIGHT_STRENGTH = "light-strength"
    WATER = "water"
    HEAT = "heat"
    DOSE = "dose"
    FEEDING = "feeding"


class LogKind(StrEnum):
    """What a person can log; the value is the word in JSON and on the command line."""

    WATER_CHANGE = "water-change"
    DOSE = "dose"
    KH_TEST = "kh-test"
    GH_TEST = "gh-test"
    NUTRIENT_TEST = "nutrient-test"
    TRIM = "trim"
    REPLANT = "replant"
    FILTER_CLEAN = "filter-clean"
    STOCKING = "stocking"
    CALIBRATION = "calibration"
    ADJUSTMENT = "adjustment"
    SALT = "salt"
    MEDICATION = "medication"
    BUFFER = "buffer"
    CYLINDER = "cylinder"
    PROBE_OUT = "probe-out"
    PROBE_BACK = "probe-back"
    OBSERVATION = "observation"


@dataclass(frozen=True, slots=True)
class LogEntry:
    """What a person did or saw.

    Attributes:
        id: given by the registry.
        time: when it was done, UTC.
        data: what belongs to the kind, canonical units: ``fraction`` (water change);
            ``name, ml | g`` (dose); ``kh_meq_l`` (KH test); ``gh_meq_l`` (GH test);
            ``no3_mg_l, po4_mg_l, k_mg_l, fe_mg_l``, at least one of them (nutrient test);
            ``fraction, plant, height_cm`` (trim, replant: share touched, height left);
            ``part`` (filter clean);
            ``species, count`` (stocking); ``sensor, quantity, …`` (calibration);
            ``lever, before, after`` (adjustment: of a valve, a timer or a plan).
            ``name, g`` (salt); ``name, ml | g`` (medication); ``salt, g`` (buffer: a salt that
            raises KH); ``g`` (cylinder: CO2 in the new one); ``quantity, sensor, minutes`` (probe
            out of the tank); ``quantity, sensor`` (probe back in it); ``kind, level``,
            ``plant, height_cm`` and free facts (observation).
        by: who did it.
        recorded: when it was written down, UTC.
    """

    id: str
    tank: str
    kind: LogKind
    time: datetime
    data: Mapping[str, Any] = field(default_factory=lambda: NOTHING)
    note: str = ""
    by: str = ""
    recorded: datetime | None = None


@dataclass(frozen=True, slots=True)
class Absence:
    """From-to in which the tank keeper is away.

    Attributes:
        covers: who keeps an eye on the tanks.
        tanks: ids; empty means all.
        contact: how the tank keeper can be reached meanwhile; "": as each tank says.
    """

    id: str
    start: datetime
    end: datetime
    covers: str = ""
    tanks: tuple[str, ...] = ()
    note: str = ""
    contact: str = ""


@dataclass(frozen=True, slots=True)
class DeviceClock:
    """A device's clock that is off by a known constant, as the readings of one series show it.

    Attributes:
        fast_s: so much fast; below 0: slow.
        since: when it was recognised, UTC.
    """

    tank: str
    quantity: str
    sensor: str
    fast_s: int
    since: datetime


@dataclass(frozen=True, slots=True)
class StoredRoute:
    """A route that somebody made on a page, by a command or over the API.

    Attributes:
        id: given by the registry.
        created: UTC.
        by: the name of who made it.
    """

    id: str
    route: RouteConfig
    created: datetime
    by: str = ""


@dataclass(frozen=True, slots=True)
class Rejection:
    """A message that could not become a reading, stored so that a person can see why.

    Attributes:
        time: when it arrived, UTC.
        topic: MQTT topic, or where else it came from.
        payload_excerpt: the beginning of the payload as text.
        reason_code: stable word, e.g. ``not-a-number``; counted.
        detail: one sentence: which field, which value, what is allowed.
        source: which part refused it, e.g. a route's name or ``http``.
        tank: its tank, where known.
    """

    time: datetime
    topic: str
    payload_excerpt: str
    reason_code: str
    detail: str
    source: str = ""
    tank: str = ""
