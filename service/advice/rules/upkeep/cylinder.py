"""Rule `cylinder-low`: the CO2 cylinder is running out.

Judges the days left by the fitted CO2 use. Clears when a new cylinder is logged.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta

from service.advice.care_log import days_since, newest
from service.advice.engine.practice import COMMON_PRACTICE
from service.advice.engine.recommendation import Amount, Evidence, Finding, LogDraft, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard, Who
from service.advice.phrases import days, local_date
from service.registry.models.log import LogKind

CODE = "cylinder-low"


@dataclass(frozen=True, slots=True)
class Cylinder:
    """A cylinder in use: its content when full (g), since when, and the use per day (g)."""

    content_g: float
    since: datetime
    g_per_day: float

    @property
    def empty_at(self) -> datetime:
        """When it will be empty at this use."""
        return self.since + timedelta(days=self.content_g / self.g_per_day)


def judge(case: Case) -> Iterator[Finding]:
    """One finding when little is left, estimated from the fitted gas use."""
    cylinder = cylinder_of(case)
    if cylinder is None:
        return
    left_g = cylinder.content_g - cylinder.g_per_day * days_since(case, cylinder.since)
    left_days = left_g / cylinder.g_per_day
    notice = case.limit("cylinder_notice_days")
    if left_days > case.eased(notice, 1.3, CODE):
        return
    when = "should be empty by now" if left_days <= 0 else f"lasts about {days(left_days)} more"
    yield Finding(
        code=CODE,
        severity=Severity.ADVICE,
        title=f"The CO2 cylinder {when}",
        action=(
            f"Have a full one ready, and log it when it is put on. At {cylinder.g_per_day:.0f} g a "
            f"day {cylinder.content_g:.0f} g last until "
            f"{local_date(case.tank, cylinder.empty_at, case.now)}. Pressure falls only at the "
            "very end, and then CO2 can swing up before it stops."
        ),
        evidence=(
            Evidence(
                "CO2 left in it, estimated from its use", "gas-left", max(left_g, 0.0), "g",
                notice * cylinder.g_per_day, cylinder.since,
                f"first-order fit; {case.limit('gas_dissolved_fraction'):.0%} of the CO2 "
                f"dissolves: {COMMON_PRACTICE}",
            ),
        ),
        amounts=(
            Amount("CO2 left", max(left_g, 0.0), "g", estimated=True),
            Amount("CO2 per day", cylinder.g_per_day, "g", estimated=True),
        ),
        due=cylinder.empty_at,
        hazards=(Hazard.CO2,),
        who=Who.KEEPER,
        confidence=0.4,
        closed_by=("cylinder",),
        log=LogDraft(LogKind.CYLINDER.value, asks={"content": "g"}),
        since=cylinder.empty_at - timedelta(days=notice),
    )  # fmt: skip


def cylinder_of(case: Case) -> Cylinder | None:
    """The cylinder in use: the newest logged one or that of the tank's settings, if it is newer.

    None if neither is known, or nothing of its use.
    """
    gas = case.view.gas
    if gas is None or gas.gas_g_per_day is None or gas.gas_g_per_day.value <= 0:
        return None
    per_day = gas.gas_g_per_day.value / case.limit("gas_dissolved_fraction")
    logged = newest(case, LogKind.CYLINDER)
    known = case.tank.cylinder
    since = None if known is None else datetime.combine(known.put_on, time(12), UTC)
    if logged is not None and (since is None or logged.time.date() >= since.date()):
        return Cylinder(float(logged.data["g"]), logged.time, per_day)
    if known is None or since is None:
        return None
    return Cylinder(known.content_g, since, per_day)


RULE = Rule(CODE, "CO2 cylinder nearly empty, by the fitted CO2 use", judge, timedelta(hours=12),
            timedelta(days=7))  # fmt: skip
