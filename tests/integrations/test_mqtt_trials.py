"""What came of trials, as retained messages."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta

from service.advice.engine.history.change_events import LedgerChange
from service.config import MqttConfig
from service.integrations.mqtt_advice import MqttAdvice
from service.registry.models.trial_state import TrialState
from service.registry.models.trials import Trial
from tests.advice.cases import view_with
from tests.derive.pieces import NOON, a_tank


def test_what_came_of_a_trial_is_published_for_a_month() -> None:
    tank = a_tank()
    over = Trial(
        "t1", tank.id, "less light", NOON - timedelta(days=20), NOON - timedelta(days=6), ("dli",),
        state=TrialState.JUDGED, ended=NOON - timedelta(days=6),
    )  # fmt: skip
    old = replace(over, id="t2", ended=NOON - timedelta(days=31))
    advice = MqttAdvice(MqttConfig(url="mqtt://127.0.0.1:1"), 60.0, lambda of: [over, old])
    advice.update(view_with(tank), LedgerChange((), (), ()))
    found = advice._topics.messages(tank.id)
    assert [topic for topic in found if "/trial/" in topic] == ["littoral/reed/advice/trial/t1"]
    document = json.loads(found["littoral/reed/advice/trial/t1"])
    assert (document["state"], document["question"]) == ("judged", "less light")
