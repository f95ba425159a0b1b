"""What to fill in at a water change: litres, temperature, mix, and what it will do."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import Final

from service.advice.care_log import entries
from service.advice.engine.instruction import HOT_WATER
from service.advice.engine.recommendation import Amount
from service.advice.engine.rule import Case
from service.advice.engine.work import Hazard
from service.advice.phrases import litres, percent
from service.derive.models import Quality
from service.registry.models import LogKind
from service.science.carbonate.co2 import bicarbonate_g_for_alkalinity
from service.science.water.carbonate import water_after_change
from service.science.water.change import concentration_after_changes
from service.science.water.hardness import dkh_from_meq_l
from service.science.water.mix import blend_for_hardness, hot_and_cold_l
from service.science.water.reuse import reuse_for_plants

NOT_TO_DRINK: Final = "not for drinking, nor on leaves that are eaten raw"


@dataclass(frozen=True, slots=True)
class NewWater:
    """One water change in amounts and words.

    Attributes:
        amount_text: ``90 L (50 %)``, or the share alone where the volume is not known.
        how: sentences on temperature and mix; "" or ending in a blank.
        effect: sentences on KH, pH and CO2 right after it.
        reuse: a sentence on what the old water is fit for.
        hazards: of the new water and what goes into it.
    """

    amount_text: str
    how: str
    effect: str
    amounts: tuple[Amount, ...]
    reuse: str = ""
    hazards: tuple[Hazard, ...] = ()


def new_water(case: Case, fraction: float) -> NewWater:
    """The water change of a share of the net volume."""
    volume_l = case.view.net_volume_l
    amounts = [Amount("share", 100 * fraction, "%")]
    if volume_l is None:
        text = f"{percent(fraction)} of the water (its volume is not known)"
        return NewWater(
            text,
            _target_text(case),
            _effect(case, fraction),
            tuple(amounts),
            hazards=(Hazard.HOT_WATER,),
        )
    water_l = fraction * volume_l
    amounts.insert(0, Amount("water", water_l, "L"))
    hot_text, hot = _hot_and_cold(case, water_l)
    soft_text, soft = _tap_and_soft(case, water_l)
    reuse_text, reuse = _reuse(case, water_l)
    return NewWater(
        f"{litres(water_l)} ({percent(fraction)})",
        (hot_text or _target_text(case)) + soft_text,
        _effect(case, fraction),
        (*amounts, *hot, *soft, *reuse),
        reuse_text,
        _hazards(case, hot, soft),
    )


def _hazards(case: Case, hot: tuple[Amount, ...], soft: tuple[Amount, ...]) -> tuple[Hazard, ...]:
    """The hot tap counts also where nobody said that it is used: how else to warm the water?"""
    cold_c, celsius = case.tank.water_change.tap_temperature_c, tank_temperature_c(case)
    as_it_comes = cold_c is not None and celsius is not None and celsius - cold_c < 1.0
    return (
        Hazard.HOT_WATER if hot or not as_it_comes else Hazard.NEW_WATER,
        *((Hazard.CHEMICALS,) if any(one.unit == "g" for one in soft) else ()),
    )


def tank_temperature_c(case: Case) -> float | None:
    """The tank's present temperature; None where it is not known."""
    found = case.view.temperature
    if found.reading is None or found.quality is Quality.STALE:
        return None
    return found.reading.value


def _target_text(case: Case) -> str:
    celsius = tank_temperature_c(case)
    return "" if celsius is None else f"Aim at {celsius:.0f} °C like the tank. "


def _hot_and_cold(case: Case, water_l: float) -> tuple[str, tuple[Amount, ...]]:
    """Litres of hot and cold, where the temperature of both is known."""
    plan, celsius = case.tank.water_change, tank_temperature_c(case)
    cold_c, hot_c = plan.tap_temperature_c, plan.hot_temperature_c
    if celsius is None or cold_c is None or hot_c is None or not cold_c < celsius < hot_c:
        return "", ()
    mix = hot_and_cold_l(water_l, celsius, cold_c, hot_c)
    text = (
        f"For {celsius:.0f} °C mix {litres(float(mix.hot_l))} of hot ({hot_c:.0f} °C) with "
        f"{litres(float(mix.cold_l))} of cold ({cold_c:.0f} °C). "
    )
    return text, (
        Amount(HOT_WATER, float(mix.hot_l), "L"),
        Amount("cold water", float(mix.cold_l), "L"),
    )


def _tap_and_soft(case: Case, water_l: float) -> tuple[str, tuple[Amount, ...]]:
    """Litres of tap and of reverse-osmosis water, where the plan has a hardness to reach."""
    plan = case.tank.water_change
    kh, gh = plan.target_kh_meq_l, plan.target_gh_meq_l
    tap_kh, tap_gh = plan.tap_kh_meq_l, plan.tap_gh_meq_l
    if kh is None and gh is None:
        return "", ()
    if tap_kh is None or (gh is not None and tap_gh is None):
        return "", ()
    blend = blend_for_hardness(
        tap_kh_meq_l=tap_kh,
        tap_gh_meq_l=tap_gh or 0.0,
        target_kh_meq_l=tap_kh if kh is None else kh,
        target_gh_meq_l=(tap_gh or 0.0) if gh is None else gh,
    )
    tap_l = blend.tap_share * water_l
    text = (
        f"Mix {litres(tap_l)} of tap with {litres(water_l - tap_l)} of reverse-osmosis water: that "
        f"has {float(dkh_from_meq_l(blend.kh_meq_l)):.1f} dKH. "
    )
    amounts = [
        Amount("tap water", tap_l, "L"),
        Amount("reverse-osmosis water", water_l - tap_l, "L"),
    ]
    if kh is not None and blend.kh_short_meq_l > 0.02:
        grams = float(bicarbonate_g_for_alkalinity(blend.kh_meq_l, kh, water_l, salt="KHCO3"))
        text += f"Dissolve {grams:.1f} g of KHCO3 in it for {float(dkh_from_meq_l(kh)):.1f} dKH. "
        amounts.append(Amount("KHCO3", grams, "g"))
    return text, tuple(amounts)


def _reuse(case: Case, water_l: float) -> tuple[str, tuple[Amount, ...]]:
    """What the old water is fit for; salt or a remedy in the log of the last months rules it out.

    They are logged as observations with ``salt_added`` or ``medicated``.
    """
    oldest = case.now - timedelta(days=case.limit("remedy_days"))
    seen = [one for one in entries(case, LogKind.OBSERVATION) if one.time >= oldest]
    salted, medicated = (
        any(bool(one.data.get(key)) for one in seen) for key in ("salt_added", "medicated")
    )
    conductivity = case.view.latest.get("conductivity")
    found = reuse_for_plants(
        water_l,
        salt_added=salted,
        medicated=medicated,
        conductivity_us_cm=None if conductivity is None else conductivity.value,
    )
    if found.verdict == "unfit":
        return f"The old water is not for plants: {found.reasons[0]}.", ()
    if found.verdict == "dilute":
        return (
            "The old water can go on plants if mixed with "
            f"{litres(found.rainwater_l)} of rain water; {NOT_TO_DRINK}.",
            (Amount("old water for plants", found.litres, "L"),),
        )
    return (
        f"The old {litres(found.litres)} are fit for house plants and the garden; {NOT_TO_DRINK}.",
        (Amount("old water for plants", found.litres, "L"),),
    )


def _effect(case: Case, fraction: float) -> str:
    """KH, and where the tap's pH is known also pH and CO2, right after the change."""
    plan, co2 = case.tank.water_change, case.view.co2
    if plan.tap_kh_meq_l is None or co2.alkalinity is None:
        return ""
    before = float(dkh_from_meq_l(co2.alkalinity.meq_l))
    meq_l = concentration_after_changes(co2.alkalinity.meq_l, plan.tap_kh_meq_l, fraction)
    text = f"KH goes from {before:.1f} to about {float(dkh_from_meq_l(meq_l)):.1f} dKH"
    celsius = tank_temperature_c(case)
    if plan.tap_ph is None or co2.co2 is None or co2.ph is None or celsius is None:
        return f"{text}. "
    after = water_after_change(
        co2.ph.value,
        co2.alkalinity.meq_l,
        celsius,
        new_ph=plan.tap_ph,
        new_alkalinity_meq_l=plan.tap_kh_meq_l,
        new_temperature_c=celsius,
        fraction=fraction,
    )
    return (
        f"{text}, pH to about {float(after.ph):.1f} and CO2 to about {float(after.co2_mg_l):.0f} "
        "mg/L until the gas brings it up again. "
    )
