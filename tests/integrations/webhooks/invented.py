"""An invented target, event and clock for webhooks."""

from __future__ import annotations

import base64
from dataclasses import replace
from datetime import UTC, datetime
from ipaddress import ip_network
from typing import Any

from service.config import WebhookOptions
from service.integrations.webhooks.delivery import Webhook
from service.integrations.webhooks.target import WebhookTarget
from service.registry.models.events import Event
from service.registry.registry import Registry
from tests.integrations.webhooks.receiver import Receiver

NOW = datetime(2026, 5, 4, 12, 0, 0, tzinfo=UTC)
KEY = bytes(range(32))
SECRET = "whsec_" + base64.b64encode(KEY).decode()
LOOPBACK = (ip_network("127.0.0.0/8"),)
OPTIONS = WebhookOptions("https://hook.example/in?key=hidden", KEY, timeout_s=2.0)
TARGET = WebhookTarget("hook", KEY, OPTIONS)
EVENT = Event(
    7,
    "0b7e5f0c-5b0e-4c53-9c5e-0a8d3a0f5a11",
    "recommendation.opened",
    "co2-low-1f",
    "reed",
    NOW,
    {"code": "co2-low", "title": "Zu wenig CO₂"},
)


class StepClock:
    """A clock that the test moves."""

    def __init__(self) -> None:
        self.moment = NOW

    def now(self) -> datetime:
        return self.moment


def target_at(receiver: Receiver, **fields: Any) -> WebhookTarget:
    usual = {"url": receiver.url, "allow_networks": LOOPBACK, "timeout_s": 60.0}
    options = replace(OPTIONS, **(usual | fields))
    return WebhookTarget("hook", KEY, options)


def made(registry: Registry, receiver: Receiver, clock: StepClock, **fields: Any) -> Webhook:
    return Webhook(target_at(receiver, **fields), registry, clock, lambda: 1.0)
