"""Views of the invented tank for the tests of rules."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from service.advice.engine.catalogue import evaluate
from service.advice.engine.recommendation import Finding, Severity
from service.advice.engine.rule import NONE_ACTIVE, ActiveConditions
from service.derive.models.tank_view import TankView
from service.derive.tank_view import tank_view
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.tank import Tank
from service.store.model import Samples
from tests.derive.pieces import NOON, a_tank, days_of, entry, inputs_with

DAY = timedelta(days=1)
HOUR = timedelta(hours=1)
MINUTE = timedelta(minutes=1)


def usual_log(now: datetime = NOON) -> list[LogEntry]:
    """What a well-kept tank's log holds: everything done within its interval."""
    return [
        entry(LogKind.WATER_CHANGE, now - 3 * DAY, fraction=0.5),
        entry(LogKind.DOSE, now - 3 * DAY + HOUR, name="macro", ml=18.0),
        entry(LogKind.DOSE, now - 3 * DAY + HOUR, name="iron", g=0.36),
        entry(LogKind.KH_TEST, now - 10 * DAY, kh_meq_l=a_tank().kh_meq_l),
        entry(LogKind.CALIBRATION, now - 10 * DAY, quantity="ph", slope_percent=98.0),
        entry(LogKind.FILTER_CLEAN, now - 10 * DAY, part="filter"),
        entry(LogKind.FILTER_CLEAN, now - 5 * DAY, part="pre-filter"),
    ]


def view_with(
    tank: Tank | None = None,
    now: datetime = NOON,
    *,
    log: Sequence[LogEntry] | None = None,
    series: dict[str, Samples] | None = None,
    **of_days: object,
) -> TankView:
    """A view of the last eight days; ``of_days`` as in ``days_of``."""
    own = a_tank() if tank is None else tank
    inputs = inputs_with(
        own,
        now,
        days_of(now, **of_days) if series is None else series,  # type: ignore[arg-type]
        usual_log(now) if log is None else log,
    )
    return tank_view(inputs)


def found(view: TankView, code: str, standing: ActiveConditions = NONE_ACTIVE) -> list[Finding]:
    """The findings of one rule, after everything was without_contradictions."""
    return [one for one in evaluate(view, standing) if one.code == code]


def the(view: TankView, code: str, standing: ActiveConditions = NONE_ACTIVE) -> Finding:
    """The only finding of one rule."""
    (one,) = found(view, code, standing)
    return one


def warnings(view: TankView) -> list[str]:
    """Titles of everything that is a warning or more."""
    return [one.title for one in evaluate(view) if one.severity >= Severity.WARNING]


def amount(finding: Finding, name: str) -> float:
    """An amount of a finding by its name."""
    return next(one.value for one in finding.amounts if one.name == name)
