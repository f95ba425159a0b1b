"""Rule `water-change-after-work`: a large water change after major work.

Judges the log of trims and replants. Clears when enough water was changed, or some days later.
"""

from __future__ import annotations

from collections.abc import Iterator

from service.advice.care_log import parts_done, remaining, work_without_change
from service.advice.engine.levers import CHANGE_WATER
from service.advice.engine.practice import COMMON_PRACTICE
from service.advice.engine.recommendation import Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.phrases import day_clock, percent
from service.advice.rules.water.new_water import new_water
from service.advice.rules.water.routine import evening
from service.derive.local_time import local_day
from service.registry.models.log import LogKind

CODE = "water-change-after-work"


def judge(case: Case) -> Iterator[Finding]:
    """One finding from the work on until enough water was changed."""
    work = work_without_change(case)
    if work is None:
        return
    fraction = max(case.limit("work_change_fraction"), case.tank.water_change.fraction)
    done = [one for one in parts_done(case) if one.time >= work.time]
    water = new_water(case, remaining(case, fraction, done))
    share = work.data.get("fraction")
    what = "Replanting" if work.kind == LogKind.REPLANT else "Trimming"
    late = local_day(case.tank, work.time) < local_day(case.tank, case.now)
    yield Finding(
        code=CODE,
        severity=Severity.WARNING if late else Severity.ADVICE,
        title=f"Large water change after the work: {water.amount_text}",
        action=(
            f"Change {water.each_text} "
            f"{'now: it was due the day of the work' if late else 'today'}{water.again_text}. "
            f"Take floating leaves out first and siphon off what lies loose on the substrate. "
            f"{water.how}{what} stirs up waste and substrate. {water.effect}{water.reuse}"
        ).rstrip(),
        evidence=(
            Evidence(
                f"{work.kind.value} logged {day_clock(case.tank, work.time, case.now)}"
                + ("" if share is None else f", {percent(float(share))} touched"),
                "share-touched",
                None if share is None else float(share),
                "1",
                case.limit("work_fraction"),
                work.time,
                COMMON_PRACTICE,
            ),
        ),
        amounts=water.amounts,
        due=evening(case, local_day(case.tank, work.time)),
        hazards=water.hazards,
        confidence=0.9,
        closed_by=("water-change",),
        moves=(CHANGE_WATER,),
        log=water.log,
        since=work.time,
    )


RULE = Rule(
    CODE,
    "major work on plants or soil that no large water change followed",
    judge,
    may_move=(CHANGE_WATER,),
)
