"""Emberpane, invented: a small tank in a warm room, with new fish that like it cooler.

Its sensor board speaks a foreign dialect: nested JSON with a time, and degrees Fahrenheit.
"""

from __future__ import annotations

from datetime import time

from demo.model import Gas, Lamp, Room, Sensor, TankModel, Water
from demo.scenario import Almanac, DemoTank, Noted, changes_of
from demo.tanks.care import HALF_DEGREES, calibration, filter_clean, kh_test, meq_l, weekly_care
from demo.wire import Form, Wire
from service.config import RouteConfig
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

ID = "emberpane"
BOARD = "shelf/board-7"
NEW_FISH = "Danio margaritatus"


def build(almanac: Almanac) -> DemoTank:
    """The tank as it is at the almanac's origin."""
    tank = _tank(almanac)
    log: tuple[Noted, ...] = (
        *(one for change in almanac.weekly(2, 18, 0) for one in weekly_care(tank, change)),
        kh_test(3, almanac.ago(2, 17, 30)),
        calibration("ph", "board-7", almanac.ago(6, 17, 0)),
        filter_clean(almanac.ago(9, 18, 0)),
        Noted(
            LogKind.STOCKING,
            almanac.ago(1, 17, 0),
            {"species": NEW_FISH, "count": 8},
            note="from a friend's tank, dripped in over an hour",
        ),
    )
    model = TankModel(
        ID,
        lamp=Lamp(on=time(9, 0), hours=8.0, ramp_min=20.0, lux=6_000.0, heat_k_h=0.22),
        gas=Gas(on=time(6, 0), off=time(16, 40), injection_mg_l_h=9.6),
        room=Room(mean_c=25.9, swing_c=1.3, warmest=time(15, 0), weather_sd_c=0.25),
        heater=None,
        water=Water(
            alkalinity_meq_l=1.09,
            gh_meq_l=meq_l(5),
            k20_per_h=0.5,
            heat_exchange_per_h=0.13,
            uptake_mg_l_h=0.8,
        ),
        sensors=(
            Sensor("temperature", "board-7", noise_sd=0.05),
            Sensor("ph", "board-7", noise_sd=0.012, offset=0.015, drift_per_day=0.001),
            Sensor("illuminance", "board-7", noise_sd=5.0, noise_relative=0.02),
        ),
        events=changes_of(log, tank),
    )
    wires = {
        SeriesKey(ID, "temperature", "board-7"): Wire(
            f"{BOARD}/water", Form.NESTED, unit="degF", digits=2
        ),
        SeriesKey(ID, "ph", "board-7"): Wire(f"{BOARD}/probe/acid", Form.NESTED, digits=3),
        SeriesKey(ID, "illuminance", "board-7"): Wire(f"{BOARD}/probe/lamp", Form.NESTED, digits=0),
    }
    return DemoTank(tank, model, log, wires, _routes())


def _routes() -> tuple[RouteConfig, ...]:
    """What the configuration must say to understand the board."""
    water = RouteConfig(
        topic=f"{BOARD}/water",
        tank=ID,
        quantity="temperature",
        sensor="board-7",
        format="json",
        path="reading.value",
        time_path="reading.at",
        unit="degF",
    )
    probes = RouteConfig(
        topic=f"{BOARD}/probe/{{quantity}}",
        tank=ID,
        sensor="board-7",
        format="json",
        path="reading.value",
        time_path="reading.at",
        names={"acid": "ph", "lamp": "illuminance"},
    )
    return (water, probes)


def _tank(almanac: Almanac) -> Tank:
    return Tank(
        id=ID,
        name="Emberpane",
        dimensions=Dimensions(60, 30, 36, fill_height_cm=33, substrate_depth_cm=4, hardscape_l=2),
        kh_meq_l=round(meq_l(3), 4),
        kh_tested=almanac.ago(2, 0).date(),
        kh_kit=HALF_DEGREES,
        gh_meq_l=round(meq_l(5), 4),
        heated=False,
        set_up=almanac.ago(300, 0).date(),
        animals=(
            # their keeper's own limits; the species bears more
            Stock(
                NEW_FISH,
                8,
                added=almanac.ago(1, 0).date(),
                temperature_low_c=20.0,
                temperature_high_c=26.0,
            ),
            Stock("Neocaridina davidi", 30),
        ),
        # slow growers, and animals that want less gas: a lower aim than usual
        targets=PlantTargets(
            co2_low_mg_l=12.0, co2_high_mg_l=20.0, dli_low_mol_m2_d=1.2, dli_high_mol_m2_d=3.0
        ),
        plants=(
            Plant("Anubias barteri"),
            Plant("Bucephalandra motleyana"),
            Plant("Taxiphyllum barbieri"),
            Plant("Salvinia natans"),
        ),
        light=LightPlan(time(9, 0), 8.0),
        gas=GasPlan(time(6, 0), time(16, 40)),
        water_change=WaterChangePlan(
            every_days=7,
            fraction=0.4,
            tap_kh_meq_l=round(meq_l(3), 4),
            tap_temperature_c=24.0,
        ),
        doses=(DosePlan("complete solution", ml_per_100_l=8.0),),
        contact="invented: ring the bell of the flat above",
        notes="Invented for the demo: a warm room, no heater, new fish that like it cooler.",
    )
