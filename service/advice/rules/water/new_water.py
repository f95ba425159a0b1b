"""What to fill in at a water change: litres, temperature, mix, and what it will do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from service.advice.engine.instruction import HOT_WATER
from service.advice.engine.recommendation import Amount, LogDraft
from service.advice.engine.rule import Case
from service.advice.engine.work import Hazard
from service.advice.phrases import litres, percent
from service.advice.rules.water.old_water import old_water
from service.advice.rules.water.steps import aim, aim_text, split, tank_temperature_c
from service.derive.calculations.measuring import Measuring
from service.derive.calculations.water_change import Water, mixed_water
from service.registry.models.log import LogKind
from service.science.carbonate.co2 import bicarbonate_g_for_alkalinity
from service.science.water.change import concentration_after_changes
from service.science.water.hardness import dkh_from_meq_l
from service.science.water.mix import Blend, blend_for_hardness, hot_and_cold_l

LEAST_SHORT_MEQ_L: Final = 0.02
"""KH short of its aim by less is not worth a salt. Our choice."""

SEEN_DKH: Final = 0.1
"""A smaller change of KH is none that anybody sees in a test. Our choice."""


@dataclass(frozen=True, slots=True)
class NewWater:
    """One water change in amounts and words; one of several where it is split over days.

    Attributes:
        each_text: ``90 L (50 %)``, or the share alone where the volume is not known.
        how: sentences on the parts, temperature and mix; "" or ending in a blank.
        effect: sentences on KH, pH and CO2 right after it.
        reuse: a sentence on what the old water is fit for.
        hazards: of the new water and what goes into it.
        log: the entry that making it leaves.
        parts: over so many days the change is spread.
    """

    each_text: str
    how: str
    effect: str
    amounts: tuple[Amount, ...]
    reuse: str = ""
    hazards: tuple[Hazard, ...] = ()
    parts: int = 1
    log: LogDraft | None = None

    @property
    def again_text(self) -> str:
        """What follows the first part: ``, and as much on each of the next 2 days``."""
        if self.parts == 1:
            return ""
        days = "the next day" if self.parts == 2 else f"each of the next {self.parts - 1} days"
        return f", and as much on {days}"

    @property
    def amount_text(self) -> str:
        """How much, and on how many days: ``37 L (21 %) a day for 3 days``."""
        days = "" if self.parts == 1 else f" a day for {self.parts} days"
        return f"{self.each_text}{days}"


def new_water(case: Case, fraction: float) -> NewWater:
    """The water change of a share of the net volume, in as many parts as its KH asks for."""
    volume_l = case.view.net_volume_l
    new_kh = new_kh_meq_l(case)
    parts, each = split(case, fraction, new_kh)
    amounts = [Amount("fraction", 100 * each, "%")]
    log = LogDraft(LogKind.WATER_CHANGE.value, {"fraction": each})
    if parts > 1:
        amounts.append(Amount("days", parts, "d"))
    if volume_l is None:
        text = f"{percent(each)} of the water"
        return NewWater(
            text,
            _split_text(case, fraction, new_kh, parts) + aim_text(case, each),
            _effect(case, each, new_kh),
            tuple(amounts),
            hazards=(Hazard.HOT_WATER,),
            parts=parts,
            log=log,
        )
    water_l = each * volume_l
    amounts.insert(0, Amount("water", water_l, "L"))
    hot_text, hot = _hot_and_cold(case, water_l, each)
    soft_text, soft = _tap_and_soft(case, water_l)
    reuse_text, reuse = old_water(case, water_l)
    return NewWater(
        f"{litres(water_l)} ({percent(each)})",
        _split_text(case, fraction, new_kh, parts) + (hot_text or aim_text(case, each)) + soft_text,
        _effect(case, each, new_kh),
        (*amounts, *hot, *soft, *reuse),
        reuse_text,
        _hazards(case, hot, soft),
        parts,
        log,
    )


def _split_text(case: Case, fraction: float, new_kh: float | None, parts: int) -> str:
    """Why the change is split."""
    present = case.view.co2.kh
    if parts == 1 or new_kh is None or present is None:
        return ""
    after = concentration_after_changes(present.meq_l, new_kh, fraction)
    before_dkh, after_dkh = (float(dkh_from_meq_l(one)) for one in (present.meq_l, after))
    return (
        f"All of it at once would move KH from {before_dkh:.1f} to {after_dkh:.1f} dKH. More than "
        f"{case.limit('kh_step_max_dkh'):g} dKH a day is too much. "
    )


def _hazards(case: Case, hot: tuple[Amount, ...], soft: tuple[Amount, ...]) -> tuple[Hazard, ...]:
    """The hot tap counts also where nobody said that it is used: how else to warm the water?"""
    cold_c, celsius = case.tank.water_change.tap_temperature_c, tank_temperature_c(case)
    as_it_comes = cold_c is not None and celsius is not None and celsius - cold_c < 1.0
    return (
        Hazard.HOT_WATER if hot or not as_it_comes else Hazard.NEW_WATER,
        *((Hazard.CHEMICALS,) if any(one.unit == "g" for one in soft) else ()),
    )


def _hot_and_cold(case: Case, water_l: float, fraction: float) -> tuple[str, tuple[Amount, ...]]:
    """Litres of hot and cold, where the temperature of both is known."""
    plan, aim_c = case.tank.water_change, aim(case, fraction)
    cold_c, hot_c = plan.tap_temperature_c, plan.hot_temperature_c
    if aim_c is None or cold_c is None or hot_c is None or not cold_c < aim_c < hot_c:
        return "", ()
    mix = hot_and_cold_l(water_l, aim_c, cold_c, hot_c)
    text = (
        f"For {aim_c:.0f} °C mix {litres(float(mix.hot_l))} of hot ({hot_c:.0f} °C) with "
        f"{litres(float(mix.cold_l))} of cold ({cold_c:.0f} °C). "
    )
    return text, (
        Amount(HOT_WATER, float(mix.hot_l), "L"),
        Amount("cold water", float(mix.cold_l), "L"),
    )


def new_kh_meq_l(case: Case) -> float | None:
    """KH of the new water as it goes in, after mixing or dissolving; None where not known."""
    plan = case.tank.water_change
    if plan.tap_kh_meq_l is None:
        return None
    blend = _blend(case)
    if blend is None:
        return plan.tap_kh_meq_l
    short = plan.target_kh_meq_l is not None and blend.kh_short_meq_l > LEAST_SHORT_MEQ_L
    return plan.target_kh_meq_l if short else blend.kh_meq_l


def _blend(case: Case) -> Blend | None:
    """Tap and reverse-osmosis water for the hardness of the plan; None where it has none."""
    plan = case.tank.water_change
    kh, gh = plan.target_kh_meq_l, plan.target_gh_meq_l
    tap_kh, tap_gh = plan.tap_kh_meq_l, plan.tap_gh_meq_l
    if (kh is None and gh is None) or tap_kh is None or (gh is not None and tap_gh is None):
        return None
    return blend_for_hardness(
        tap_kh_meq_l=tap_kh,
        tap_gh_meq_l=tap_gh or 0.0,
        target_kh_meq_l=tap_kh if kh is None else kh,
        target_gh_meq_l=(tap_gh or 0.0) if gh is None else gh,
    )


def _tap_and_soft(case: Case, water_l: float) -> tuple[str, tuple[Amount, ...]]:
    """Litres of tap and of reverse-osmosis water, where the plan has a hardness to reach."""
    kh, blend = case.tank.water_change.target_kh_meq_l, _blend(case)
    if blend is None:
        return "", ()
    tap_l = blend.tap_fraction * water_l
    text = (
        f"Mix {litres(tap_l)} of tap with {litres(water_l - tap_l)} of reverse-osmosis water: that "
        f"has {float(dkh_from_meq_l(blend.kh_meq_l)):.1f} dKH. "
    )
    amounts = [
        Amount("tap water", tap_l, "L"),
        Amount("reverse-osmosis water", water_l - tap_l, "L"),
    ]
    if kh is not None and blend.kh_short_meq_l > LEAST_SHORT_MEQ_L:
        grams = float(bicarbonate_g_for_alkalinity(blend.kh_meq_l, kh, water_l, salt="KHCO3"))
        text += f"Dissolve {grams:.1f} g of KHCO3 in it for {float(dkh_from_meq_l(kh)):.1f} dKH. "
        amounts.append(Amount("KHCO3", grams, "g"))
    return text, tuple(amounts)


def _effect(case: Case, fraction: float, new_kh: float | None) -> str:
    """KH, and where the new water's pH is known also pH and CO2, right after the change."""
    plan, co2 = case.tank.water_change, case.view.co2
    if new_kh is None or co2.kh is None:
        return ""
    before = float(dkh_from_meq_l(co2.kh.meq_l))
    meq_l = concentration_after_changes(co2.kh.meq_l, new_kh, fraction)
    after_dkh = float(dkh_from_meq_l(meq_l))
    text = (
        f"KH goes from {before:.1f} to about {after_dkh:.1f} dKH"
        if abs(after_dkh - before) >= SEEN_DKH
        else f"KH stays at about {before:.1f} dKH"
    )
    celsius = tank_temperature_c(case)
    as_tapped = new_kh == plan.tap_kh_meq_l
    if plan.tap_ph is None or not as_tapped or co2.co2 is None or co2.ph is None or celsius is None:
        return f"{text}. "
    both_gh = case.tank.gh_meq_l is not None and plan.tap_gh_meq_l is not None
    gh, new_gh = (case.tank.gh_meq_l, plan.tap_gh_meq_l) if both_gh else (None, None)
    after = mixed_water(
        Water(co2.ph.value, co2.kh.meq_l, celsius, gh),
        Water(plan.tap_ph, new_kh, celsius, new_gh),
        fraction,
        Measuring(kh_kit=case.tank.kh_kit),
    )
    if after.ph is None or after.co2_mg_l is None:
        return f"{text}. "
    found = after.co2_mg_l
    return (
        f"{text}, pH to about {after.ph.value:.1f} and CO2 to about {found.value:.0f} mg/L "
        f"({found.low:.0f} to {found.high:.0f}) until it rises again. "
    )
