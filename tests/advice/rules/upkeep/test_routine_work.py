"""Rules on periodic work."""

from __future__ import annotations

from datetime import date

from service.advice.engine.recommendation import Severity
from service.registry.models.log import LogKind
from tests.advice.cases import DAY, found, the, usual_log, view_with
from tests.derive.pieces import NOON, a_tank, entry


def test_work_never_logged_is_not_called_done() -> None:
    """Set up two years ago, no cleaning in the log: nobody cleaned the filter on that day."""
    old = a_tank(set_up=date(2024, 3, 1))
    log = [one for one in usual_log() if one.kind != LogKind.FILTER_CLEAN]
    one = the(view_with(old, log=log), "filter-due")
    assert "Last done" not in one.action
    assert "None is in the log since the set-up on 1 Mar 2024" in one.action
    log.append(entry(LogKind.FILTER_CLEAN, NOON - 70 * DAY, part="filter"))
    assert "Last done 70 days ago" in the(view_with(old, log=log), "filter-due").action


def test_upkeep_intervals_and_what_closes_them() -> None:
    view = view_with(a_tank(thresholds={"filter_days": 9.0, "prefilter_days": 4.0}))
    assert found(view, "filter-due")[0].closed_by == ("filter-clean",)
    assert len(found(view, "prefilter-due")) == 1
    log = [*usual_log(), entry(LogKind.FILTER_CLEAN, NOON - DAY)]
    both = view_with(a_tank(thresholds={"filter_days": 9.0, "prefilter_days": 4.0}), log=log)
    assert found(both, "filter-due") == [] and found(both, "prefilter-due") == []


def test_kh_reminder_gives_way_to_doubt() -> None:
    def with_test(days: float):  # type: ignore[no-untyped-def]
        log = [one for one in usual_log() if one.kind is not LogKind.KH_TEST]
        return view_with(log=[*log, entry(LogKind.KH_TEST, NOON - days * DAY, kh_meq_l=1.4)])

    for days, due, doubt in ((20, 0, 0), (35, 1, 0), (50, 0, 1)):
        view = with_test(days)
        assert len(found(view, "kh-test-due")) == due
        assert len(found(view, "co2-doubtful")) == doubt


def test_what_nobody_ever_logged_is_asked_for() -> None:
    log = [one for one in usual_log() if one.kind not in (LogKind.KH_TEST, LogKind.CALIBRATION)]
    unnoted = view_with(a_tank(kh_tested=None), log=log)
    for code, closes in (("kh-test-due", "kh-test"), ("calibration-due", "calibration")):
        one = the(unnoted, code)
        assert (one.severity, one.due, one.closed_by) == (Severity.INFO, None, (closes,))
        assert "If it was done, log it." in one.action
    tested = view_with(a_tank(kh_tested=NOON.date()), log=log)
    assert found(tested, "kh-test-due") == []
    assert found(view_with(log=usual_log()), "calibration-due") == []
