"""Prints the hub's states as lines of JSON, and calls the services that standard input asks for.

A component of the hub, copied into its configuration: so the tests need no account there.
"""

from __future__ import annotations

import asyncio
import json
import sys
import threading
from typing import Any

from homeassistant.core import callback  # type: ignore[import-not-found]
from homeassistant.helpers import device_registry  # type: ignore[import-not-found]


async def async_setup(hub: Any, _: Any) -> bool:
    """Listen to both sides."""

    def report(kind: str, **members: Any) -> None:
        sys.stdout.write(json.dumps({"probe": kind, **members}, default=str) + "\n")
        sys.stdout.flush()

    @callback  # type: ignore[untyped-decorator]
    def on_state(event: Any) -> None:
        new = event.data["new_state"]
        report(
            "state",
            entity=event.data["entity_id"],
            state=None if new is None else new.state,
            attributes={} if new is None else dict(new.attributes),
        )

    @callback  # type: ignore[untyped-decorator]
    def on_device(event: Any) -> None:
        one = device_registry.async_get(hub).async_get(event.data["device_id"])
        members = ("name", "manufacturer", "model", "sw_version", "configuration_url")
        found = {} if one is None else {name: getattr(one, name) for name in members}
        report("device", id=event.data["device_id"], action=event.data["action"], **found)

    hub.bus.async_listen("state_changed", on_state)
    hub.bus.async_listen("device_registry_updated", on_device)
    hub.bus.async_listen("homeassistant_started", callback(lambda _: report("started")))

    def call_services() -> None:
        for line in sys.stdin:
            asked = json.loads(line)
            call = hub.services.async_call(*asked, blocking=True)
            asyncio.run_coroutine_threadsafe(call, hub.loop).result()

    threading.Thread(target=call_services, daemon=True).start()
    return True
