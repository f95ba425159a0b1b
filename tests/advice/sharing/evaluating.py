"""A process of the service without HTTP: it evaluates its part, and records each write.

Run by ``AnotherProcess``; each accepted evaluation of a tank leaves a row of evidence in the same
transaction, with the token of the lease under which it was written. Deliveries that others took
over amid the attempt, having held this process for gone, are listed in the file ``taken-over``.
"""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Collection
from dataclasses import replace
from datetime import datetime
from ipaddress import ip_network
from pathlib import Path
from typing import Any

from sqlalchemy import text
from sqlalchemy.orm import Session

from service.advice.engine.history.ledger import Ledger
from service.app.application import opened
from service.config import (
    AdviceConfig,
    Config,
    IntegrationConfig,
    MqttConfig,
    RegistryConfig,
    StoreConfig,
    WebhookOptions,
)
from service.registry.database.fencing import LeaseLostError, present_fence
from service.registry.models.partitions import partition_of
from tests.servers import wait_until

LEASE_S = 2.0
KEY = bytes(range(32))
stop = threading.Event()
_stand_still: list[str] = []


def start(folder: str, registry: str, name: str, broker: str, hook: str) -> None:
    """Begin to evaluate in a thread."""
    loopback = (ip_network("127.0.0.0/8"),)
    # Longer than a test lets a receiver wait with its answer.
    options = WebhookOptions(hook, KEY, allow_networks=loopback, timeout_s=600.0)
    config = Config(
        store=StoreConfig(f"sqlite:///{folder}/readings.db"),
        registry=RegistryConfig(registry),
        mqtt=MqttConfig(broker, client_id=name),
        advice=AdviceConfig(every_s=1.0, lease_s=LEASE_S),
        integrations=(IntegrationConfig("hook", options),),
    )
    threading.Thread(target=_run, args=(config, Path(folder)), name="process").start()


def stand_still(when: str) -> None:
    """At the next write of an evaluation: stop this process ``amid`` it, or wait ``before`` it.

    Who waits says so by the file ``NAME.waits``, and goes on when that is gone.
    """
    _stand_still.append(when)


def _run(config: Config, folder: Path) -> None:
    with opened(config) as application:
        registry, name = application.registry, config.mqtt.client_id
        # As on another machine: that the process has ended cannot be seen.
        application.leases._me = replace(application.leases._me, process="")
        lock_tanks, update_many = registry.lock_tanks, Ledger.update_many
        settle_delivered = registry.settle_delivered

        def recorded(ids: Collection[str], session: Session) -> frozenset[str]:
            fence = present_fence()
            assert fence is not None, "a write without a fence"
            for tank in ids:
                row = {"name": name, "tank": tank, "token": fence.tokens[partition_of(tank)]}
                session.execute(
                    text("INSERT INTO evidence (name, tank, token) VALUES (:name, :tank, :token)"),
                    row,
                )
            if _is_now("amid"):
                os.kill(os.getpid(), signal.SIGSTOP)
            return lock_tanks(ids, session)

        def noticed(ledger: Ledger, evaluated: Any) -> Any:
            if _is_now("before"):
                waits = folder / f"{name}.waits"
                waits.touch()
                wait_until(lambda: not waits.exists())
            try:
                return update_many(ledger, evaluated)
            except LeaseLostError:
                (folder / f"{name}.refused").touch()
                raise

        def settled(id: int, now: datetime, claimant: str | None = None) -> bool:
            if own := settle_delivered(id, now, claimant):
                return own
            with (folder / "taken-over").open("a") as file:
                print(id, file=file)
            return own

        registry.lock_tanks = recorded  # type: ignore[method-assign]
        registry.settle_delivered = settled  # type: ignore[method-assign]
        Ledger.update_many = noticed  # type: ignore[method-assign]
        application.scheduler.run(stop)


def _is_now(when: str) -> bool:
    if when not in _stand_still:
        return False
    _stand_still.remove(when)
    return True
