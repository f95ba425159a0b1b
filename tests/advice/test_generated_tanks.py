"""Advice on generated tanks: never two ways at once, never without its cautions, never too much.

Each is simulated for ten days and looked at on the last, as the service does, with a sheet for an
absence. Eighty by default; ``LITTORAL_GENERATED_TANKS=3000`` tries that many.
"""

from __future__ import annotations

import os
from collections import Counter
from datetime import timedelta

from hypothesis import HealthCheck, given, settings

from service.advice.engine.catalogue import evaluate
from service.advice.engine.history.lifecycle import advance, may_last
from service.advice.engine.recommendation import Recommendation
from service.advice.handover.sheet import tank_sheet
from service.derive.gas_exchange import FIT_DAYS, gas_exchange
from service.derive.loader import load
from service.derive.tank_view import tank_view
from service.registry.models.absence import Absence
from tests.advice.conditions import active_conditions
from tests.advice.generated import Generated, generated
from tests.advice.one_voice import check_advice, check_sheet
from tests.scenarios.memory import MemoryLog, MemoryStore
from tests.scenarios.sensors import readings

TANKS = int(os.environ.get("LITTORAL_GENERATED_TANKS", "80"))
LEAST_CODES = 25
"""So many rules must have spoken, or the tanks are too healthy to show anything."""

spoken: Counter[str] = Counter()


def test_advice_on_any_tank_is_of_one_voice_and_safe() -> None:
    spoken.clear()
    _advice_on_any_tank()
    assert len(spoken) >= LEAST_CODES, sorted(spoken)


@settings(
    max_examples=TANKS,
    derandomize=True,
    deadline=None,
    database=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
@given(one=generated())
def _advice_on_any_tank(one: Generated) -> None:
    store, log = MemoryStore(readings(one.scenario)), MemoryLog(one.scenario.log)
    tank, living, gas = one.scenario.tank, list[Recommendation](), None
    for now in one.moments:
        store.advance(now)
        if one.fit_gas and gas is None:
            gas = gas_exchange(load(tank, log, store, now, days=FIT_DAYS, reader=store.read))
        view = tank_view(load(tank, log, store, now, reader=store.read), gas=gas)
        findings = evaluate(view, active_conditions(living))
        known = advance(living, tank.id, findings, now, view.log)
        check_advice(findings, known, view)
        spoken.update(finding.code for finding in findings)
        living = [each for each in known if may_last(each)]
    absence = Absence("", now, now + timedelta(days=10))
    check_sheet(tank_sheet(absence, view, living))
