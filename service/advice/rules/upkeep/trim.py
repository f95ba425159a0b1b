"""Rule `trim-due`: stems will soon reach the surface.

Judges the height estimated from the growth since the last trim. Clears when a trim or replant is
logged.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from service.advice.care_log import days_since, entries
from service.advice.engine.practice import COMMON_PRACTICE
from service.advice.engine.recommendation import Amount, Evidence, Finding, LogDraft, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard, Who
from service.advice.phrases import listed, span
from service.advice.rules.upkeep.surface import judge_surface
from service.derive.inhabitants.plants import all_grow_out, reaching_cm
from service.registry.models.log import LogEntry, LogKind
from service.registry.volume import water_column_cm

CODE = "trim-due"
NAMES_SHOWN = 3
"""So many species are named. Our choice."""


@dataclass(frozen=True, slots=True)
class Stems:
    """The fastest stems, by their growth since the last cut.

    Attributes:
        cut: the entry of it.
        height_cm: estimated, now.
        most_cm: where they should end, below the surface.
        water_cm: height of the water over the substrate.
        cm_per_week: their growth.
    """

    cut: LogEntry
    height_cm: float
    most_cm: float
    water_cm: float
    cm_per_week: float


def judge(case: Case) -> Iterator[Finding]:
    """One finding when the estimated height of the fastest stems nears the surface."""
    stems = stems_of(case)
    if stems is None or stems.height_cm < stems.most_cm:
        return
    if any(judge_surface(case)):
        return  # it speaks of the very species
    leave = case.limit("stem_height_cm")
    tall = listed(reaching_cm(case.tank, stems.most_cm)[:NAMES_SHOWN])
    yield Finding(
        code=CODE,
        severity=Severity.INFO,
        title=_title(stems),
        action=(
            f"Cut {tall or 'the tallest stems'} back to about {leave:.0f} cm and take the cuttings "
            "out. If much was cut, change a large share of the water the same day. At "
            f"{stems.cm_per_week:g} cm a week the stems reach the surface and shade the plants "
            "below."
        ),
        evidence=(
            Evidence(
                f"height estimated from the last trim, {span(case.now - stems.cut.time)} ago",
                "height", stems.height_cm, "cm", stems.most_cm, stems.cut.time, COMMON_PRACTICE,
            ),
        ),
        amounts=(Amount("cut off", max(stems.height_cm - leave, 0.0), "cm"),),
        due=case.now + timedelta(days=3),
        hazards=(Hazard.MAINS, Hazard.STOPPED),
        who=Who.KEEPER,
        confidence=0.5,
        closed_by=("trim", "replant"),
        log=LogDraft(LogKind.TRIM.value, {"height_cm": leave}),
        since=trim_day(case),
    )  # fmt: skip


def _title(stems: Stems) -> str:
    if stems.height_cm >= stems.water_cm:
        return "Trim the stems: they should be at the surface by now"
    return (
        f"Trim the stems: about {stems.height_cm:.0f} cm tall in {stems.water_cm:.0f} cm of water"
    )


def trim_day(case: Case) -> datetime | None:
    """When the stems will end as far below the surface as they should; None where not known."""
    stems = stems_of(case)
    if stems is None:
        return None
    grown_days = days_since(case, stems.cut.time)
    start_cm = stems.height_cm - stems.cm_per_week * grown_days / 7
    days_to_go = max(7 * (stems.most_cm - start_cm) / stems.cm_per_week, 0.0)
    return stems.cut.time + timedelta(days=days_to_go)


def stems_of(case: Case) -> Stems | None:
    """The fastest stems; None where their growth, the last cut or the water's depth is unknown."""
    per_week = case.limit("stem_growth_cm_week")
    cut = next(entries(case, LogKind.TRIM, LogKind.REPLANT), None)
    water_cm = water_column_cm(case.tank)
    if per_week <= 0 or cut is None or water_cm is None or water_cm <= 0:
        return None
    if all_grow_out(case.tank, water_cm - case.limit("stem_clear_cm")):
        return None  # the keeper's choice
    start_cm = float(cut.data.get("height_cm", case.limit("stem_height_cm")))
    height_cm = start_cm + per_week * days_since(case, cut.time) / 7
    return Stems(cut, height_cm, water_cm - case.limit("stem_clear_cm"), water_cm, per_week)


RULE = Rule(CODE, "stems reach the surface, by growth since the last trim", judge)
