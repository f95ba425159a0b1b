"""Rules on periodic work: filter, pre-filter, KH test, calibration of the pH probe.

Each judges the days since the work was last logged. Clears when it is logged.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from service.advice.care_log import days_since, entries, newest_calibration, set_up_at
from service.advice.engine.practice import COMMON_PRACTICE
from service.advice.engine.recommendation import Amount, Evidence, Finding, LogDraft, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard, Who
from service.advice.phrases import local_date, span
from service.advice.rules.co2.doubtful import kh_age_days
from service.registry.models.log import LogKind


@dataclass(frozen=True, slots=True)
class Work:
    """One kind of work: its code, title, interval, how, the entry it leaves, hazards and who."""

    code: str
    title: str
    interval: str
    how: str
    log: LogDraft
    hazards: tuple[Hazard, ...]
    who: Who = Who.ANYONE


PREFILTER: Final = Work(
    "prefilter-due",
    "Rinse the pre-filter",
    "prefilter_days",
    "Take the sponge out, rinse it in a bucket of tank water, put it back. A clogged pre-filter "
    "slows the flow, and with it the CO2 that reaches the plants.",
    LogDraft(LogKind.FILTER_CLEAN.value, {"part": "pre-filter"}),
    (Hazard.MAINS, Hazard.STOPPED),
)
FILTER: Final = Work(
    "filter-due",
    "Clean the filter",
    "filter_days",
    "Rinse half of the media in a bucket of tank water, never all of them and never under the "
    "tap. The bacteria on them keep ammonia down. Check hoses and seals; see that the flow is "
    "back afterwards.",
    LogDraft(LogKind.FILTER_CLEAN.value, {"part": "filter"}),
    (Hazard.MAINS, Hazard.STOPPED),
    Who.KEEPER,
)
KH_TEST: Final = Work(
    "kh-test-due",
    "Test KH",
    "kh_test_valid_days",
    "Test twice, before a water change, and log the mean. CO2 is worked out from pH and KH: it is "
    "only as good as the last test.",
    LogDraft(LogKind.KH_TEST.value, asks={"kh": "kh_meq_l"}),
    (Hazard.CHEMICALS,),
)
CALIBRATION: Final = Work(
    "calibration-due",
    "Calibrate the pH probe",
    "ph_calibration_due_days",
    "Use two fresh buffers, 7 and then 4 (or your own pair), at the tank's temperature. Rinse in "
    "between, wait until the reading is steady, log both. 0.1 pH off makes CO2 wrong by a quarter.",
    LogDraft(LogKind.CALIBRATION.value, {"quantity": "ph"}, {"points": "points"}),
    (Hazard.CHEMICALS,),
    Who.KEEPER,
)


def judge_prefilter(case: Case) -> Iterator[Finding]:
    """Due by its interval since the last cleaning of any filter."""
    yield from _due(case, PREFILTER, _last_filter(case, pre=True))


def judge_filter(case: Case) -> Iterator[Finding]:
    """Due by its interval since the last cleaning of the filter proper."""
    yield from _due(case, FILTER, _last_filter(case, pre=False))


def judge_kh_test(case: Case) -> Iterator[Finding]:
    """Due by its interval, until its age puts CO2 in doubt (``co2-doubtful`` then reports it)."""
    age = kh_age_days(case)
    if not case.tank.co2_injected:
        return
    if age is None:
        if case.view.co2.kh is not None and _probe_there(case):
            yield _unlogged(case, KH_TEST, "When KH was last tested is not known.")
        return
    doubtful_after = case.limit("kh_test_valid_days") * case.limit("kh_doubt_factor")
    if age <= doubtful_after or case.view.co2.co2 is None:
        yield from _due(case, KH_TEST, case.now - timedelta(days=age))


def judge_calibration(case: Case) -> Iterator[Finding]:
    """Due by its interval since the last calibration in the log, or where the log has none."""
    last = newest_calibration(case, "ph")
    if not _probe_there(case):
        return
    if last is None:
        yield _unlogged(case, CALIBRATION, "No calibration of it is in the log of the last months.")
    else:
        yield from _due(case, CALIBRATION, last.time)


def _probe_there(case: Case) -> bool:
    return any(one.key.quantity == "ph" for one in case.view.sensors)


def _unlogged(case: Case, work: Work, why: str) -> Finding:
    """Work of which nobody knows when it was done: a reminder to do it, or to log it."""
    every = case.limit(work.interval)
    return Finding(
        code=work.code,
        severity=Severity.INFO,
        title=work.title,
        action=f"{work.how} {why} If it was done, log it.",
        evidence=(
            Evidence("days that it is good for", "age", None, "d", every, None, COMMON_PRACTICE),
        ),
        amounts=(Amount("interval", every, "d"),),
        hazards=work.hazards,
        who=work.who,
        confidence=0.5,
        closed_by=(work.log.kind,),
        log=work.log,
    )


def last_done(case: Case, work: Work) -> datetime | None:
    """When a kind of work was last done, as far as known."""
    if work is KH_TEST:
        age = kh_age_days(case)
        return None if age is None else case.now - timedelta(days=age)
    if work is CALIBRATION:
        last = newest_calibration(case, "ph")
        return None if last is None else last.time
    return _last_filter(case, pre=work is PREFILTER)


def _last_filter(case: Case, *, pre: bool) -> datetime | None:
    """When a filter was last cleaned; without an entry, when the tank was set up.

    An entry that names no part is of the whole filter, pre-filter included.
    """
    for one in entries(case, LogKind.FILTER_CLEAN):
        is_pre = "pre" in str(one.data.get("part", "")).casefold()
        if pre or not is_pre:
            return one.time
    return set_up_at(case)


def _due(case: Case, work: Work, last: datetime | None) -> Iterator[Finding]:
    every = case.limit(work.interval)
    overdue = every * case.limit("upkeep_overdue_factor")
    if last is None or days_since(case, last) < every:
        return
    age = days_since(case, last)
    yield Finding(
        code=work.code,
        severity=Severity.ADVICE if age >= overdue else Severity.INFO,
        title=work.title,
        action=f"{work.how} {_when(case, work, last)}",
        evidence=(
            Evidence("days since it was last done", "age", age, "d", every, last, COMMON_PRACTICE),
        ),
        amounts=(Amount("interval", every, "d"),),
        due=last + timedelta(days=every),
        hazards=work.hazards,
        who=work.who,
        confidence=0.7,
        closed_by=(work.log.kind,),
        log=work.log,
        since=last + timedelta(days=every),
    )


def _when(case: Case, work: Work, last: datetime) -> str:
    """When it was last done; counted from the set-up it was never logged, and the text says so."""
    logged = work not in (PREFILTER, FILTER) or any(
        one.time == last for one in entries(case, LogKind.FILTER_CLEAN)
    )
    if logged:
        return f"Last done {span(case.now - last)} ago."
    set_up = local_date(case.tank, last, case.now)
    return f"None is in the log since the set-up on {set_up}; if it was done, log it."


PREFILTER_RULE = Rule(PREFILTER.code, "pre-filter not rinsed for its interval", judge_prefilter)
FILTER_RULE = Rule(FILTER.code, "filter not cleaned for its interval", judge_filter)
KH_TEST_RULE = Rule(KH_TEST.code, "KH not tested for its interval", judge_kh_test)
CALIBRATION_RULE = Rule(CALIBRATION.code, "pH probe not calibrated for its interval",
                        judge_calibration)  # fmt: skip
