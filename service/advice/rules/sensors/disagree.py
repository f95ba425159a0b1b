"""Rule `sensors-disagree`: two sensors of one quantity differ.

Judges readings taken within a quarter of an hour. Clears when they differ by less than 0.6 of the
threshold, an hour after it was last found.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from datetime import timedelta

from service.advice.engine.recommendation import Amount, Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard, Who
from service.advice.rules.sensors.silent import RESTS_ON
from service.derive.sensors.choice import US_PER_MINUTE, age_min, usable
from service.quantities import quantity_words
from service.store.model import SeriesInfo
from service.times import from_us

CODE = "sensors-disagree"
MOST_APART_MIN = 15.0
LIMITS = {"ph": "ph_disagree", "temperature": "temperature_disagree_c"}


def judge(case: Case) -> Iterator[Finding]:
    """One finding per quantity, on the pair that is furthest apart."""
    for quantity, name in LIMITS.items():
        fresh = [
            one
            for one in case.view.sensors
            if one.key.quantity == quantity
            and usable(one.last)
            and age_min(one.last, case.now) < 60
            and not any(
                out.key == one.key and out.holds(one.last.time_us) for out in case.view.probes_out
            )
        ]
        pair = furthest_apart(fresh, MOST_APART_MIN * US_PER_MINUTE)
        if pair is None:
            continue
        one, other = pair
        apart = abs(one.last.value - other.last.value)
        most = case.limit(name)
        if apart > case.eased(most, 0.6, CODE, quantity):
            yield _finding(case, apart, most, one, other)


def furthest_apart(
    infos: Iterable[SeriesInfo], within_us: float
) -> tuple[SeriesInfo, SeriesInfo] | None:
    """The two series whose newest values differ most, of those taken within a span of time.

    In the order of their keys; None where no two were taken within it. Of each reading the
    least and the greatest value shortly before it are known (the minimum of a sliding window by
    a queue of candidates), so that no pairs are compared: n log n for n series.
    """
    best: tuple[float, SeriesInfo, SeriesInfo] | None = None
    least: deque[SeriesInfo] = deque()  # candidates in order of time, of rising values
    greatest: deque[SeriesInfo] = deque()  # the same, of falling values
    for info in sorted(infos, key=lambda one: (one.last.time_us, one.key)):
        value = info.last.value
        for candidates, sign in ((least, 1), (greatest, -1)):
            while candidates and info.last.time_us - candidates[0].last.time_us > within_us:
                candidates.popleft()
            if candidates:
                apart = abs(value - candidates[0].last.value)
                if best is None or apart > best[0]:
                    best = apart, candidates[0], info
            while candidates and sign * candidates[-1].last.value >= sign * value:
                candidates.pop()
            candidates.append(info)
    if best is None:
        return None
    one, other = sorted(best[1:], key=lambda info: info.key)
    return one, other


def _finding(case: Case, apart: float, most: float, one: SeriesInfo, other: SeriesInfo) -> Finding:
    quantity = one.key.quantity
    unit = "" if quantity == "ph" else " °C"
    believed = case.view.latest.get(quantity)
    which = "" if believed is None else f" Littoral goes by {believed.sensor} meanwhile."
    how = (
        "Put both into one buffer and calibrate the one that is off."
        if quantity == "ph"
        else "Hold a third thermometer beside them; see that both are in moving water."
    )
    return Finding(
        code=CODE,
        subject=quantity,
        severity=Severity.ADVICE,
        title=f"Two {quantity_words(quantity)} sensors differ by {apart:.2g}{unit}",
        action=(
            f"{how} {one.key.sensor} reads {one.last.value:.2f}, {other.key.sensor} "
            f"{other.last.value:.2f}.{which} Until it is settled don't rely on "
            f"{RESTS_ON.get(quantity, quantity)}."
        ),
        evidence=tuple(
            Evidence(
                f"reading of {each.key.sensor}", quantity, each.last.value,
                "Cel" if quantity == "temperature" else "[pH]",
                time=from_us(each.last.time_us), source=f"sensor {each.key.sensor}",
            )
            for each in (one, other)
        ),
        amounts=(Amount("apart", apart, "K" if quantity == "temperature" else "[pH]"),),
        hazards=(Hazard.CHEMICALS,) if quantity == "ph" else (),
        who=Who.KEEPER,
        confidence=0.9,
        closed_by=("calibration",),
        since=case.now,
    )  # fmt: skip


RULE = Rule(CODE, "two sensors of one quantity differ", judge, timedelta(hours=1),
            timedelta(days=2))  # fmt: skip
