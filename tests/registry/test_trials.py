"""Trials in the registry: versions, what is refused, and the way back of an adjusted plan."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta

import pytest

from service.errors import ConflictError, InvalidInputError, NotFoundError, PreconditionFailedError
from service.registry.database.versions import Precondition
from service.registry.fields.trial import MOST_RUNNING
from service.registry.log.adjustments import adjustments, undone
from service.registry.models.plans import DosePlan, GasPlan, LightPlan
from service.registry.models.tank import Tank
from service.registry.models.trial_state import TrialState
from service.registry.models.trials import Held, Plans, Trial
from service.registry.registry import Registry
from tests.derive.pieces import a_tank

NOW = datetime(2026, 3, 10, 12, tzinfo=UTC)


def a_trial(**more: object) -> Trial:
    plans = Plans.of(a_tank())
    base = Trial(
        "",
        "reed",
        "CO2 earlier",
        NOW,
        NOW + timedelta(days=14),
        ("dli",),
        before=plans,
        created=NOW,
    )
    return replace(base, **more)  # type: ignore[arg-type]


def test_a_trial_comes_back_as_it_was_written(registry: Registry) -> None:
    registry.put_tank(a_tank())
    held = (Held("gas-late", "Open the CO2 earlier", NOW),)
    made = registry.add_trial(a_trial(held=held, result={"time": "then"}))
    assert registry.stored_trial("reed", made.value.id) == replace(made, created=False)
    assert registry.trials("reed") == list(registry.running_trials()) == [made.value]
    assert registry.trials("reed", (TrialState.JUDGED,)) == []


def test_a_write_with_an_old_version_changes_nothing(registry: Registry) -> None:
    registry.put_tank(a_tank())
    made = registry.add_trial(a_trial())
    first = Precondition(frozenset({made.version}))

    def asked(question: str) -> None:
        registry.change_trial(
            "reed", made.value.id, lambda one: replace(one, question=question), only_if=first
        )

    asked("first")
    with pytest.raises(PreconditionFailedError):
        asked("second")
    assert registry.stored_trial("reed", made.value.id).value.question == "first"
    with pytest.raises(PreconditionFailedError):
        registry.delete_trial("reed", made.value.id, only_if=first)
    registry.delete_trial("reed", made.value.id)
    with pytest.raises(NotFoundError):
        registry.delete_trial("reed", made.value.id)


def test_what_is_not_allowed_is_refused(registry: Registry) -> None:
    registry.put_tank(a_tank())
    with pytest.raises(InvalidInputError, match="look_again"):
        registry.add_trial(a_trial(look_again=NOW))
    with pytest.raises(InvalidInputError, match="question"):
        registry.add_trial(a_trial(question=""))
    with pytest.raises(NotFoundError):
        registry.add_trial(a_trial(tank="none"))
    for _ in range(MOST_RUNNING):
        registry.add_trial(a_trial())
    with pytest.raises(ConflictError, match=str(MOST_RUNNING)):
        registry.add_trial(a_trial())


def test_an_adjustment_of_a_plan_is_undone() -> None:
    before = a_tank(
        light=LightPlan(time(9, 30), 8.5),
        gas=GasPlan(None, None),
        doses=(DosePlan("macro, all in one", ml_per_100_l=10.5), DosePlan("iron", g_per_100_l=0.2)),
    )
    after = replace(
        before,
        light=LightPlan(time(10), 6.0),
        gas=GasPlan(time(7, 40), time(17)),
        doses=(DosePlan("iron", g_per_100_l=0.4),),
        water_change=replace(before.water_change, fraction=0.3, every_days=10.0),
        heated=not before.heated,
    )
    found: Tank = after
    changes = adjustments(before, after)
    assert len(changes) == 5
    for one in changes:
        undone_one = undone(found, one.data)
        assert undone_one is not None
        found = undone_one
    assert found == before
    assert undone(after, {"lever": "gas-flow", "before": "1 bubble", "after": "2 bubbles"}) is None
    assert undone(after, {"lever": "gas-times", "after": "07:40"}) is None


def test_what_comes_after_one_is_the_rest_of_the_list(registry: Registry) -> None:
    registry.put_tank(a_tank())
    registry.put_tank(replace(a_tank(), id="other"))
    for hours in (0, 1, 0, -1):
        registry.add_trial(a_trial(begun=NOW + timedelta(hours=hours)))
    registry.add_trial(a_trial(tank="other"))
    listed = registry.trials("reed")
    assert len(listed) == 4
    for at, one in enumerate(listed):
        assert registry.trials("reed", after=(one.begun, one.id)) == listed[at + 1 :]
    first, second, *rest = listed
    assert registry.trials("reed", after=(first.begun, first.id), limit=2) == listed[1:3]
    registry.delete_trial("reed", second.id)
    assert registry.trials("reed", after=(second.begun, second.id)) == rest
