"""Trials by the typed client, over real HTTP."""

from __future__ import annotations

from datetime import timedelta

import pytest

from service.client import Client, ProblemError
from tests.api.scenes import TANK


def test_a_trial_is_begun_changed_read_and_ended(url):
    service = Client(url)
    service.create_tank("riffle", TANK)
    assert "dli" in [one.name for one in service.watchable("riffle")]
    made = service.begin_trial("riffle", "less light", ["dli"], length="14d", by="keeper")
    assert (made.state, made.by, made.change) == ("running", "keeper", "")
    assert made.look_again - made.begun == timedelta(days=14)
    assert made.judgement is not None
    assert (made.judgement.final, made.judgement.answers[0].verdict) == (False, "too-little")
    later = made.look_again + timedelta(days=1)
    changed = service.change_trial("riffle", made.id, look_again=later)
    assert (changed.look_again, changed.question) == (later, "less light")
    [listed] = service.trials("riffle", state="running")
    assert (listed.id, listed.judgement) == (made.id, None)
    ended = service.end_trial("riffle", made.id, "too dark")
    assert (ended.state, ended.reason) == ("ended", "too dark")
    assert service.trial("riffle", made.id) == ended
    with pytest.raises(ProblemError, match="409"):
        service.judge_trial("riffle", made.id)
    service.delete_trial("riffle", made.id)
    assert service.trials("riffle") == []
