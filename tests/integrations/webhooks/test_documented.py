"""docs/webhooks.md describes what the code does, and its receiver works."""

from __future__ import annotations

import re
from dataclasses import fields
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from service.config import WebhookOptions
from service.integrations.webhooks.post import signed_message
from tests.integrations.webhooks.invented import EVENT, SECRET, TARGET

TEXT = (Path(__file__).parents[3] / "docs" / "webhooks.md").read_text()


def test_every_option_is_documented() -> None:
    for option in fields(WebhookOptions):
        assert f"`{option.name}`" in TEXT, option.name


def test_the_example_receiver_takes_signed_events_only(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    example = re.search(r"<!-- example: receiver -->\n```python\n(.*?)```", TEXT, re.DOTALL)
    assert example is not None
    monkeypatch.setenv("WEBHOOK_SECRET", SECRET)
    names: dict[str, Any] = {"__name__": "receiver"}
    exec(example[1], names)
    client = names["app"].test_client()
    headers, body = signed_message(TARGET, EVENT, datetime.now(UTC))
    assert client.post("/tanks", data=body, headers=headers).status_code == 204
    assert capsys.readouterr().out == "littoral.recommendation.opened reed Zu wenig CO₂\n"
    assert client.post("/tanks", data=body + b" ", headers=headers).status_code == 401
    assert client.post("/tanks", data=body).status_code == 401
