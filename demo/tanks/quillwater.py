"""Quillwater, invented: healthy. The gas comes on long before the light, all within range."""

from __future__ import annotations

from datetime import time

from demo.model import Gas, Heater, Lamp, Room, Sensor, TankModel, Water
from demo.scenario import Almanac, DemoTank, Noted, changes_of
from demo.tanks.care import HALF_DEGREES, calibration, filter_clean, kh_test, meq_l, weekly_care
from demo.wire import Form, Wire
from service.registry.models.plans import (
    DosePlan,
    GasPlan,
    LightPlan,
    PlantTargets,
    WaterChangePlan,
)
from service.registry.models.tank import Dimensions, Plant, Stock, Tank
from service.store.model import SeriesKey

ID = "quillwater"
TAP_KH_DKH = 4.0


def build(almanac: Almanac) -> DemoTank:
    """The tank as it is at the almanac's origin."""
    tank = _tank(almanac)
    log: tuple[Noted, ...] = (
        *(one for change in almanac.weekly(3, 18, 30) for one in weekly_care(tank, change)),
        kh_test(4, almanac.ago(3, 18, 0)),
        calibration("ph", "glass-1", almanac.ago(9, 17, 0)),
        filter_clean(almanac.ago(10, 19, 0)),
    )
    model = TankModel(
        ID,
        lamp=Lamp(on=time(10, 0), hours=8.0, ramp_min=30.0, lux=7_500.0, heat_k_h=0.12),
        gas=Gas(on=time(7, 0), off=time(17, 40), injection_mg_l_h=17.6),
        room=Room(mean_c=21.0, swing_c=1.2),
        heater=Heater(set_c=23.6, band_c=0.3, heat_k_h=1.2),
        # a little more than the half degrees of the test say
        water=Water(alkalinity_meq_l=1.45, gh_meq_l=meq_l(6), k20_per_h=0.6),
        sensors=(
            Sensor("temperature", "main", noise_sd=0.03, offset=0.05),
            Sensor(
                "ph",
                "glass-1",
                noise_sd=0.01,
                offset=0.01,
                drift_per_day=0.001,
                dropouts_per_day=0.5,
                dropout_min=8,
            ),
            Sensor("illuminance", "main", noise_sd=3.0, noise_relative=0.01),
            Sensor("ppfd", "main", noise_sd=0.2, noise_relative=0.02),
        ),
        events=changes_of(log, tank),
    )
    return DemoTank(
        tank,
        model,
        log,
        {
            SeriesKey(ID, "temperature", "main"): Wire(f"littoral/{ID}/temperature", digits=2),
            SeriesKey(ID, "ph", "glass-1"): Wire(f"littoral/{ID}/ph", Form.OBJECT, digits=3),
            SeriesKey(ID, "illuminance", "main"): Wire(f"littoral/{ID}/illuminance", digits=0),
            SeriesKey(ID, "ppfd", "main"): Wire(f"littoral/{ID}/ppfd", digits=1),
        },
    )


def _tank(almanac: Almanac) -> Tank:
    return Tank(
        id=ID,
        name="Quillwater",
        dimensions=Dimensions(90, 45, 45, fill_height_cm=42, substrate_depth_cm=5, hardscape_l=6),
        kh_meq_l=round(meq_l(4), 4),
        kh_tested=almanac.ago(3, 0).date(),
        kh_kit=HALF_DEGREES,
        gh_meq_l=round(meq_l(6), 4),
        set_up=almanac.ago(400, 0).date(),
        animals=(
            Stock("Paracheirodon innesi", 24),
            Stock("Otocinclus vittatus", 6),
            Stock("Corydoras pygmaeus", 10),
        ),
        targets=PlantTargets(),
        plants=(
            Plant("Rotala rotundifolia"),
            Plant("Hygrophila polysperma"),
            Plant("Cryptocoryne wendtii"),
            Plant("Eleocharis parvula"),
            Plant("Taxiphyllum barbieri"),
        ),
        light=LightPlan(time(10, 0), 8.0),
        gas=GasPlan(time(7, 0), time(17, 40)),
        water_change=WaterChangePlan(
            every_days=7,
            fraction=0.5,
            tap_kh_meq_l=round(meq_l(TAP_KH_DKH), 4),
            tap_temperature_c=23.0,
        ),
        doses=(
            DosePlan("macro solution", ml_per_100_l=10.0),
            DosePlan("trace solution", ml_per_100_l=4.0),
        ),
        contact="invented: ring the bell of the flat above",
        notes="Invented for the demo: a healthy tank.",
    )
