"""Rule `trim-due`: stems will soon reach the surface.

Judges the height estimated from the growth since the last trim. Clears when a trim or replant is
logged.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

from service.advice.care_log import days_since, entries
from service.advice.engine.practice import COMMON_PRACTICE
from service.advice.engine.recommendation import Amount, Evidence, Finding, LogDraft, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard, Who
from service.advice.phrases import span
from service.registry.models import LogEntry, LogKind

CODE = "trim-due"


def judge(case: Case) -> Iterator[Finding]:
    """One finding when the estimated height of the fastest stems nears the surface."""
    estimated = _estimated(case)
    if estimated is None:
        return
    last, height, room, per_week = estimated
    if height < room:
        return
    leave = case.limit("stem_height_cm")
    yield Finding(
        code=CODE,
        severity=Severity.INFO,
        title=f"Trim: stems are near {height:.0f} cm, the water {_column(case):.0f} cm",
        action=(
            f"At {per_week:g} cm a week the fastest stems reach the surface and shade the rest. "
            f"Cut back to about {leave:.0f} cm, take the cuttings out, and change a large share of "
            "the water the same day if much was cut."
        ),
        evidence=(
            Evidence(
                f"estimated from the last trim, {span(case.now - last.time)} ago", "height", height,
                "cm", room, last.time, COMMON_PRACTICE,
            ),
        ),
        amounts=(Amount("cut off", max(height - leave, 0.0), "cm"),),
        due=case.now + timedelta(days=3),
        hazards=(Hazard.MAINS, Hazard.STOPPED),
        who=Who.PRACTITIONER,
        confidence=0.5,
        closed_by=("trim", "replant"),
        log=LogDraft(LogKind.TRIM.value, {"height_cm": leave}),
        since=trim_day(case),
    )  # fmt: skip


def trim_day(case: Case) -> datetime | None:
    """When the stems will end as far below the surface as they should; None where not known."""
    estimated = _estimated(case)
    if estimated is None:
        return None
    last, height, room, per_week = estimated
    grown_days = days_since(case, last.time)
    start_height = height - per_week * grown_days / 7
    return last.time + timedelta(days=max(7 * (room - start_height) / per_week, 0.0))


def _estimated(case: Case) -> tuple[LogEntry, float, float, float] | None:
    """The last cut, the height now, the height allowed and the growth per week, cm."""
    per_week = case.limit("stem_growth_cm_week")
    last = next(entries(case, LogKind.TRIM, LogKind.REPLANT), None)
    column = _column(case)
    if per_week <= 0 or last is None or column <= 0:
        return None
    start = float(last.data.get("height_cm", case.limit("stem_height_cm")))
    height = start + per_week * days_since(case, last.time) / 7
    return last, height, column - case.limit("stem_clear_cm"), per_week


def _column(case: Case) -> float:
    """Height of the water over the soil, cm; 0 where not known."""
    size = case.tank.dimensions
    if size is None:
        return 0.0
    return (size.fill_height_cm or size.height_cm) - size.substrate_depth_cm


RULE = Rule(CODE, "stems reach the surface, by growth since the last trim", judge)
