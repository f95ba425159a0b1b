"""Lateleaf, invented: too little CO2 at lights-on, and a replant without its water change.

The gas opens with the lamp and is set low, so the plants stand in strong light without CO2 for
most of the day.
"""

from __future__ import annotations

from datetime import time

from demo.model import Gas, Heater, Lamp, Room, Sensor, TankModel, Water
from demo.scenario import Almanac, DemoTank, Noted, changes_of
from demo.tanks.care import HALF_DEGREES, calibration, filter_clean, kh_test, meq_l, weekly_care
from demo.wire import Form, Wire
from service.registry.models.log import LogKind
from service.registry.models.plans import (
    DosePlan,
    GasPlan,
    LightPlan,
    PlantTargets,
    WaterChangePlan,
)
from service.registry.models.tank import Dimensions, Plant, Stock, Tank
from service.store.model import SeriesKey

ID = "lateleaf"


def build(almanac: Almanac) -> DemoTank:
    """The tank as it is at the almanac's origin."""
    tank = _tank(almanac)
    log: tuple[Noted, ...] = (
        *(one for change in almanac.weekly(5, 19, 0) for one in weekly_care(tank, change)),
        kh_test(5, almanac.ago(5, 18, 30)),
        calibration("ph", "glass-2", almanac.ago(12, 17, 0)),
        filter_clean(almanac.ago(12, 19, 0)),
        Noted(
            LogKind.REPLANT,
            almanac.ago(0, 9, 40),
            {"fraction": 0.4},
            note="left half taken up and planted anew, much soil stirred",
        ),
    )
    model = TankModel(
        ID,
        lamp=Lamp(on=time(10, 0), hours=9.0, ramp_min=20.0, lux=8_000.0, heat_k_h=0.15),
        gas=Gas(on=time(10, 0), off=time(18, 30), injection_mg_l_h=12.0),
        room=Room(mean_c=21.5, swing_c=1.5),
        heater=Heater(set_c=24.9, band_c=0.3, heat_k_h=1.2),
        water=Water(
            alkalinity_meq_l=1.80, gh_meq_l=meq_l(8), k20_per_h=0.5, heat_exchange_per_h=0.08
        ),
        sensors=(
            Sensor(
                "temperature", "main", noise_sd=0.04, offset=-0.05, spikes_per_day=0.3, spike=60
            ),
            Sensor("ph", "glass-2", noise_sd=0.01, offset=-0.01, drift_per_day=0.001),
            Sensor(
                "illuminance",
                "main",
                noise_sd=3.0,
                noise_relative=0.015,
                dropouts_per_day=0.5,
                dropout_min=6,
            ),
        ),
        events=changes_of(log, tank),
    )
    return DemoTank(
        tank,
        model,
        log,
        {
            SeriesKey(ID, "temperature", "main"): Wire(f"littoral/{ID}/temperature", digits=2),
            SeriesKey(ID, "ph", "glass-2"): Wire(f"littoral/{ID}/ph", Form.SENML),
            SeriesKey(ID, "illuminance", "main"): Wire(f"littoral/{ID}/illuminance", digits=0),
        },
    )


def _tank(almanac: Almanac) -> Tank:
    return Tank(
        id=ID,
        name="Lateleaf",
        dimensions=Dimensions(75, 45, 45, fill_height_cm=42, substrate_depth_cm=6, hardscape_l=4),
        kh_meq_l=round(meq_l(5), 4),
        kh_tested=almanac.ago(5, 0).date(),
        kh_kit=HALF_DEGREES,
        gh_meq_l=round(meq_l(8), 4),
        set_up=almanac.ago(250, 0).date(),
        animals=(Stock("Hyphessobrycon amandae", 18), Stock("Corydoras pygmaeus", 8)),
        targets=PlantTargets(),
        plants=(
            Plant("Rotala macrandra"),
            Plant("Micranthemum umbrosum"),
            Plant("Hemianthus callitrichoides"),
            Plant("Hygrophila pinnatifida"),
        ),
        light=LightPlan(time(10, 0), 9.0),
        gas=GasPlan(time(10, 0), time(18, 30)),
        water_change=WaterChangePlan(
            every_days=7,
            fraction=0.5,
            tap_kh_meq_l=round(meq_l(5), 4),
            tap_temperature_c=24.5,
        ),
        doses=(DosePlan("complete solution", ml_per_100_l=12.0),),
        contact="invented: ring the bell of the flat above",
        notes="Invented for the demo: too little CO2 at lights-on, replanted this morning.",
    )
