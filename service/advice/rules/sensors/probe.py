"""Rule `probe-out`: a pH probe jumped by a whole unit: out of the tank, or being calibrated?

Judges the jumps that nobody logged (`service/derive/sensors/probe_out.py`). Clears when the
probe reads as before, or when a log entry says what it was.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from service.advice.engine.levers import MORE_GAS
from service.advice.engine.recommendation import Amount, Evidence, Finding, LogDraft, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard
from service.advice.phrases import day_clock
from service.advice.rules.sensors.groups import subject_of
from service.derive.sensors.probe_out import ProbeOut
from service.derive.thresholds import COMMON_PRACTICE
from service.quantities import quantity_words
from service.registry.models.log import LogKind
from service.store.model import SeriesInfo
from service.times import from_us, to_us

CODE = "probe-out"


def judge(case: Case) -> Iterator[Finding]:
    """One finding per probe that is away from what it read before."""
    now_us = to_us(case.now)
    sensors = {one.key: one for one in case.view.sensors}
    for one in case.view.probes_out:
        if one.before is not None and one.holds(now_us) and one.key in sensors:
            yield _finding(case, one, sensors[one.key], one.before)


def _finding(case: Case, out: ProbeOut, info: SeriesInfo, before: float) -> Finding:
    since = from_us(out.start_us)
    name = f"{quantity_words(info.key.quantity)} probe {info.key.sensor}"
    return Finding(
        code=CODE,
        subject=subject_of(info),
        severity=Severity.ADVICE,
        title=f"The {name}: out of the tank, or being calibrated?",
        action=(
            f"It read {before:.1f} and has read about {info.last.value:.1f} since "
            f"{day_clock(case.tank, since, case.now)}. Water does not change so fast. Until it is "
            "back, CO2 is not known. If the probe is in the tank, look at the animals and test pH "
            'by another way. Then log "Probe back in the tank", so that its readings count.'
        ),
        evidence=(
            Evidence(
                "pH before the jump", "ph", before, "[pH]", time=since,
                source=f"sensor {info.key.sensor}; {COMMON_PRACTICE}",
            ),
        ),
        amounts=(Amount("jump", info.last.value - before, "[pH]"),),
        hazards=((Hazard.ANIMALS,) if case.tank.animals else ()),
        confidence=0.7,
        closed_by=(LogKind.PROBE_OUT.value, LogKind.PROBE_BACK.value, LogKind.CALIBRATION.value),
        since=since,
        refuses=(MORE_GAS,),
        log=LogDraft(
            LogKind.PROBE_BACK.value, {"quantity": info.key.quantity, "sensor": info.key.sensor}
        ),
    )  # fmt: skip


RULE = Rule(CODE, "a pH probe jumped by a whole unit and stays there", judge,
            timedelta(minutes=10), settling=timedelta(minutes=30))  # fmt: skip
