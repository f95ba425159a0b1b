"""Rule `co2-doubtful`: the CO2 estimate can't be trusted.

Raised when the KH test is too old, the slope of the pH electrode is low, the electrode has drifted
by the tank's own mornings, or two estimates of CO2 disagree. Clears two hours after the last of
these causes is gone.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import timedelta

from service.advice.care_log import days_since, newest_calibration
from service.advice.engine.levers import MORE_GAS
from service.advice.engine.practice import COMMON_PRACTICE
from service.advice.engine.recommendation import Amount, Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard, Who
from service.derive.co2.mornings import drift_doubt
from service.derive.thresholds import OUR_CHOICE
from service.errors import InvalidInputError
from service.registry.log.calibration import read_calibration
from service.registry.models.log import LogEntry
from service.times import to_us

CODE = "co2-doubtful"


def judge(case: Case) -> Iterator[Finding]:
    """One finding with every cause, and what to do about each."""
    if case.view.co2.co2 is None:
        return
    causes = _causes(case)
    if not causes:
        return
    facts, todo = zip(*causes, strict=True)
    yield Finding(
        code=CODE,
        severity=Severity.ADVICE,
        title="The CO2 estimate is in doubt",
        action=(
            f"{_sentences(todo)}. Until then don't rely on the CO2 value, and don't raise the CO2 "
            "flow."
        ),
        evidence=tuple(facts),
        amounts=(Amount("causes", len(causes), "1"),),
        hazards=(Hazard.CHEMICALS,),
        who=Who.KEEPER,
        confidence=0.8,
        closed_by=("kh-test", "calibration"),
        refuses=(MORE_GAS,),
        since=min((fact.time for fact in facts if fact.time is not None), default=None),
    )


def to_settle(case: Case) -> str:
    """What would settle the doubt about CO2, sentences without the last stop; "" without doubt."""
    if case.view.co2.co2 is None:
        return ""
    causes = _causes(case)
    return _sentences(todo for _, todo in causes) if causes else ""


def _causes(case: Case) -> list[tuple[Evidence, str]]:
    return [*_old_kh(case), *_low_slope(case), *_drift(case), *_disagreement(case)]


def _sentences(todo: Iterable[str]) -> str:
    return ". ".join(dict.fromkeys(todo))


def kh_age_days(case: Case) -> float | None:
    """Days since the KH in force was measured; None where that is not known."""
    kh = case.view.co2.kh
    if kh is None or kh.tested is None:
        return None
    return days_since(case, kh.tested)


def _old_kh(case: Case) -> Iterator[tuple[Evidence, str]]:
    age = kh_age_days(case)
    most = case.limit("kh_test_valid_days") * case.limit("kh_doubt_factor")
    if age is not None and age > most:
        text = "days since KH was tested; CO2 is in proportion to KH"
        fact = Evidence(text, "kh-age", age, "d", most, source=COMMON_PRACTICE)
        yield fact, "Test KH"


def _low_slope(case: Case) -> Iterator[tuple[Evidence, str]]:
    entry = newest_calibration(case, "ph")
    slope = None if entry is None else _slope_percent(entry)
    least = case.limit("slope_low_percent")
    if entry is not None and slope is not None and slope < least:
        text = "slope of the pH electrode at its last calibration"
        fact = Evidence(text, "slope", slope, "%", least, entry.time, COMMON_PRACTICE)
        yield fact, "Clean the pH electrode and calibrate it again, or replace it"


def _slope_percent(entry: LogEntry) -> float | None:
    """From the buffers of a calibration, or as the electrode's own meter reported it."""
    try:
        return read_calibration(entry.data, to_us(entry.time))[2].slope_percent
    except InvalidInputError:  # written before entries were checked; the ingester logs it
        return None


def _drift(case: Case) -> Iterator[tuple[Evidence, str]]:
    drift = case.view.ph_drift
    doubt = drift_doubt(case.tank, drift)
    if drift is not None and doubt is not None:
        text = (
            f"what the pH probe reads too high after {drift.days:.0f} days, by the tank's mornings"
        )
        most = case.limit("ph_drift_doubt")
        fact = Evidence(text, "ph-drift", drift.ph, "[pH]", most, source=OUR_CHOICE)
        yield fact, "Calibrate the pH probe"


def _disagreement(case: Case) -> Iterator[tuple[Evidence, str]]:
    check = case.view.co2_check
    if check is not None and check.disagreement and check.by_drop is not None:
        fact = Evidence(
            check.reason,
            "co2-by-drop",
            check.by_drop.value,
            "mg/L",
            None if case.view.co2.co2 is None else case.view.co2.co2.value,
            check.sampled,
            "pH drop against an aerated sample: " + COMMON_PRACTICE,
        )
        yield fact, "Test KH and repeat the aerated sample"


RULE = Rule(
    CODE, "KH too old, pH electrode tired or drifted, or two estimates of CO2 disagree", judge,
    clear_delay=timedelta(hours=2),
)  # fmt: skip
