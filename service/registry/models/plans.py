"""Plans of a tank: targets for its plants, light, CO2, water changes and doses."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, time

from service.registry.models.nothing import NOTHING


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
