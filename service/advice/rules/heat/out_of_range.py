"""Rule `temperature-out`: temperature is outside the range that all animals tolerate.

Judges the excursions of the last 24 h, above and below apart. Clears a day after temperature is
back in its range.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

from service.advice.engine.levers import COOLER, LESS_LIGHT, MORE_GAS, WARMER, Move
from service.advice.engine.recommendation import Amount, Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard
from service.advice.phrases import day_clock, litres, percent, sensor_source, span
from service.derive.models.quality import Quality
from service.registry.species.ranges import range_source
from service.science.temperature.excursions import Excursion

CODE = "temperature-out"
STILL_SEEN = timedelta(hours=1)
"""An excursion whose last sample is no older is still going on. Our choice."""
BACK_C = 0.1
"""So far inside its range temperature is back, despite the noise of thermometers. Our choice."""
LESS_FAR = 0.75
"""Urgent until it is only this share of the threshold off. Our choice."""


def judge(case: Case) -> Iterator[Finding]:
    """One finding per side; an excursion that is over is reported for a day."""
    recent = recent_excursions(case)
    for side in ("above", "below"):
        found = [one for one in recent if one.side == side]
        if found:
            yield _finding(case, found[-1], found)


def recent_excursions(case: Case) -> list[Excursion]:
    """Those that last or are over for so short a time that they are still reported."""
    recent = timedelta(hours=case.limit("temperature_recent_h"))
    return [one for one in case.view.excursions if case.now - _moment(one.end_s) <= recent]


def ongoing(case: Case, excursion: Excursion) -> bool:
    """Whether temperature is still outside: not seen to end, and not back inside by now."""
    seen = case.now - _moment(excursion.end_s) <= STILL_SEEN
    return not excursion.end_known and _known(case) and seen and not _back(case, excursion)


def _known(case: Case) -> bool:
    """Whether it is known how warm it is now."""
    return case.view.temperature.quality is not Quality.STALE


def _back(case: Case, excursion: Excursion) -> bool:
    inside = excursion.limit_c - _now_c(case, excursion)
    return (inside if excursion.side == "above" else -inside) >= BACK_C


def _finding(case: Case, last: Excursion, all_of_side: list[Excursion]) -> Finding:
    now_out = ongoing(case, last)
    worst = max(all_of_side, key=lambda one: abs(one.peak_c - one.limit_c))
    off = abs(worst.peak_c - worst.limit_c)
    slight = _is_slight(case, off)
    hours = sum(one.length_s for one in all_of_side) / 3600
    degree_hours = sum(one.degree_hours for one in all_of_side)
    word = "warm" if last.side == "above" else "cold"
    return Finding(
        code=CODE,
        subject=last.side,
        severity=Severity.ADVICE if slight else _severity(case, last, now_out),
        title=(
            f"Water is too {word}: {_now_c(case, last):.1f} °C"
            if now_out
            else f"Water was too {word} for {span(hours * 60)}"
        ),
        action=(
            _watch(case, last, worst, hours)
            if slight and now_out
            else _action(case, last, worst, now_out, hours)
        ),
        keeper_action=("Check what the heater is set to." if now_out and case.tank.heated else ""),
        evidence=(
            Evidence(
                f"{'highest' if last.side == 'above' else 'lowest'} value, {_when(case, worst)}",
                "temperature",
                worst.peak_c,
                "Cel",
                last.limit_c,
                _moment(worst.peak_s) if worst.peak_s is not None else None,
                sensor_source(case.view.temperature.reading),
            ),
            Evidence("degree-hours outside the range", "degree-hours", degree_hours, "K.h"),
            Evidence(
                f"limit of {_species(case, last)}",
                "temperature-limit",
                last.limit_c,
                "Cel",
                source=_source(case, last),
            ),
        ),
        amounts=(
            Amount("outside by", off, "K"),
            Amount("time outside", hours * 60, "min"),
            *(() if slight else _water(case, last, now_out)),
        ),
        due=case.now if now_out and not slight else None,
        hazards=(
            Hazard.ANIMALS,
            Hazard.TEMPERATURE,
            Hazard.MAINS,
            *((Hazard.HOT_WATER,) if last.side == "below" and _water(case, last, now_out) else ()),
        ),
        confidence=0.9,
        since=_moment(all_of_side[0].start_s),
        moves=_moves(last.side) if now_out and not slight else (),
        refuses=(MORE_GAS,) if now_out and last.side == "above" else (),
    )


def _is_slight(case: Case, off_c: float) -> bool:
    """Whether it was never off by more than what is worth doing anything about."""
    return off_c < case.limit("temperature_worth_c")


def _watch(case: Case, last: Excursion, worst: Excursion, hours: float) -> str:
    return (
        f"Watch the temperature; nothing needs to be done yet. {_was(last, worst, True, hours)}, "
        "which may be the thermometer's error."
    )


def _was(last: Excursion, worst: Excursion, now_out: bool, hours: float) -> str:
    return (
        f"Temperature {'has been' if now_out else 'was'} {last.side} {last.limit_c:g} °C for "
        f"{span(hours * 60)}, by up to {abs(worst.peak_c - last.limit_c):.1f} °C"
    )


def _moves(side: str) -> tuple[Move, ...]:
    return (COOLER, *LESS_LIGHT) if side == "above" else (WARMER,)


def _severity(case: Case, last: Excursion, now_out: bool) -> Severity:
    """By how far it is off now, not at its worst: what comes back is no longer urgent."""
    if not now_out:
        return Severity.ADVICE
    far = case.eased(case.limit("temperature_urgent_c"), LESS_FAR, CODE, last.side)
    off_c = abs(_now_c(case, last) - last.limit_c)
    return Severity.URGENT if off_c >= far else Severity.WARNING


def _action(case: Case, last: Excursion, worst: Excursion, now_out: bool, hours: float) -> str:
    side = last.side
    was = _was(last, worst, now_out, hours)
    if not now_out and not last.end_known and not _known(case):
        return (
            "Measure the temperature, and look at the animals. Whether it is back in range is not "
            "known: there is no reading since "
            f"{day_clock(case.tank, _moment(last.end_s), case.now)}. {was}."
        )
    if not now_out:
        return (
            f"Look at the animals, and for what caused it ({_usual_causes(case, side)}). {was}. It "
            "is back in range."
        )
    rate = f"by no more than {case.limit('temperature_rate_max_c_h'):g} °C per hour"
    if side == "above":
        heater = "Unplug the heater until it is cooler. " if case.tank.heated else ""
        return (
            "Open the lid, raise the filter outlet for oxygen, switch the lamp off or dim it, and "
            f"cool the room. {heater}Bring it down {rate}.{_water_text(case, last)} {was}."
        )
    heater = (
        "Check that the heater has power and is under water."
        if case.tank.heated
        else "Warm the room, or move the animals that need it warmer: the tank has no heater."
    )
    return f"{heater} Bring it up {rate}.{_water_text(case, last)} {was}."


def _usual_causes(case: Case, side: str) -> str:
    if side == "above":
        return "lamp, room, heater stuck on" if case.tank.heated else "lamp, warm room"
    return "heater off, cold room" if case.tank.heated else "cold room"


def _water(case: Case, last: Excursion, now_out: bool) -> tuple[Amount, ...]:
    """The water change that moves temperature by one allowed step, where the tap is known."""
    tap_c, volume_l = case.tank.water_change.tap_temperature_c, case.view.net_volume_l
    if not now_out or tap_c is None or volume_l is None:
        return ()
    present = _now_c(case, last)
    helps = tap_c < last.limit_c if last.side == "above" else tap_c > last.limit_c
    if not helps or abs(present - tap_c) < 1e-6:
        return ()
    step = min(abs(present - last.limit_c), case.limit("temperature_step_max_c"))
    if step < case.limit("temperature_worth_c"):
        return ()
    fraction = min(step / abs(present - tap_c), 0.3)
    return (Amount("water to change", fraction * volume_l, "L"),)


def _water_text(case: Case, last: Excursion) -> str:
    amounts = _water(case, last, True)
    volume_l, tap_c = case.view.net_volume_l, case.tank.water_change.tap_temperature_c
    if not amounts or volume_l is None or tap_c is None:
        return ""
    share = amounts[0].value / volume_l
    moved_c = abs(_now_c(case, last) - tap_c) * share
    return (
        f" Changing {litres(amounts[0].value)} ({percent(share)}) for tap water of "
        f"{tap_c:.0f} °C, with water conditioner, moves it by about {moved_c:.1f} °C."
    )


def _now_c(case: Case, last: Excursion) -> float:
    reading = case.view.temperature.reading
    return last.peak_c if reading is None else reading.value


def _when(case: Case, one: Excursion) -> str:
    return day_clock(case.tank, _moment(one.peak_s or one.start_s), case.now)


def _moment(time_s: float) -> datetime:
    return datetime.fromtimestamp(time_s, UTC)


def _species(case: Case, one: Excursion) -> str:
    return case.view.temperature.tolerable.species(one.side) or "the animals"


def _source(case: Case, one: Excursion) -> str:
    name = _species(case, one)
    sources = [range_source(it, one.side) for it in case.tank.animals if it.species == name]
    return sources[0] if sources else ""


RULE = Rule(
    CODE,
    "temperature outside the range that all animals tolerate, now or in 24 h",
    judge,
    may_move=(COOLER, *LESS_LIGHT, WARMER),
)
