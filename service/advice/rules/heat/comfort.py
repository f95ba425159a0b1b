"""Rule `temperature-comfort`: temperature is tolerable, but not where all animals are comfortable.

Judges the excursions from the comfortable range. A remark: nothing has to be done today. Clears
when temperature is comfortable again, or once it is outside what is tolerable (then
`temperature-out` speaks, and for a day afterwards).
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from service.advice.engine.recommendation import Amount, Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard
from service.advice.phrases import sensor_source, span
from service.advice.rules.heat.out_of_range import ongoing, recent_excursions
from service.derive.models.quality import Quality
from service.registry.species.ranges import range_source
from service.science.temperature.excursions import Excursion

CODE = "temperature-comfort"


def judge(case: Case) -> Iterator[Finding]:
    """One remark while temperature has been uncomfortable for long, on the side where it is."""
    now = case.view.temperature
    if now.reading is None or now.quality is Quality.STALE:
        return
    if now.tolerable.side_of(now.reading.value):
        return
    out = {one.side for one in recent_excursions(case)}
    for one in case.view.discomforts:
        if one.side in out or not ongoing(case, one):
            continue
        long = one.length_s >= 3600 * case.limit("comfort_h")
        outside = now.comfortable.side_of(now.reading.value) == one.side
        if case.active(CODE, one.side) or (long and outside):
            yield _finding(case, one, now.reading.value)


def _finding(case: Case, one: Excursion, celsius: float) -> Finding:
    now = case.view.temperature
    side, comfortable, tolerable = one.side, now.comfortable, now.tolerable
    name = comfortable.species(side) or "the animals"
    word, most = ("warmer", "up to") if side == "above" else ("cooler", "down to")
    bears = tolerable.end_c(side)
    reason = "" if bears is None else f" All animals tolerate {most} {bears:g} °C."
    sources = [
        range_source(stock, side, comfortable=True)
        for stock in case.tank.animals
        if stock.species == name
    ]
    return Finding(
        code=CODE,
        subject=side,
        severity=Severity.INFO,
        title=f"Water is {word} than {name} likes: {celsius:.1f} °C",
        action=(
            f"Nothing to do today. Temperature has been {side} {one.limit_c:g} °C for "
            f"{span(one.length_s / 60)}.{reason}"
        ),
        keeper_action=(
            "If it is to stay so, enter that range for the animals in the tank's settings; then "
            "this remark ends."
        ),
        evidence=(
            Evidence(
                f"comfortable limit of {name}", "temperature", celsius, "Cel", one.limit_c,
                case.now, sources[0] if sources else "",
            ),
            Evidence("measured", "temperature", celsius, "Cel",
                     source=sensor_source(now.reading)),
        ),
        amounts=(Amount("outside the comfortable range by", abs(celsius - one.limit_c), "K"),),
        hazards=(Hazard.ANIMALS,),
        confidence=0.6,
        since=None,
    )  # fmt: skip


RULE = Rule(
    CODE,
    "temperature that the animals tolerate, but for hours not comfortable for all",
    judge,
    timedelta(hours=3),
    settling=timedelta(days=7),
)
