"""Empties the retained topics of integrations that were removed from the configuration."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Collection, Sequence
from typing import Final

from service.advice.engine.history.change_events import LedgerChange
from service.config import Config, MqttConfig
from service.derive.models.tank_view import TankView
from service.errors import LittoralError
from service.integrations.retired.publication import (
    Publication,
    publications,
    published_by_others,
    record,
    recorded,
)
from service.registry.registry import Registry

QUIET_S: Final = 2.0
"""A broker that has sent nothing more of what it retains for so long has sent all. Our choice."""
START_WAIT_S: Final = 8.0
"""The other integrations wait for so long at the start, since topics may be theirs now."""
JOIN_WAIT_S: Final = 3.0
"""Processes that are started together are running after so long, and what they published before is
theirs again. Our choice."""
_STEP_S: Final = 0.1

_log = logging.getLogger(__name__)


def clear(
    config: MqttConfig,
    retired: Sequence[Publication],
    stopping: threading.Event,
    within_s: float,
    others: Callable[[], Collection[Publication]] = tuple,
) -> list[Publication]:
    """Empty the topics of some; returns those for which the broker was reached.

    Args:
        stopping: ends it early.
        within_s: at most so long.
        others: what other processes publish at present; these are left to them as soon as that is
            seen.

    Raises:
        ConfigError: the broker's address or a certificate file is wrong.
        RegistryUnavailableError: by ``others``.
    """
    running = {one: one.clearing(config, number) for number, one in enumerate(retired, 1)}
    try:
        for integration in running.values():
            integration.start()
        end_s = time.monotonic() + within_s
        cleared: list[Publication] = []
        while len(cleared) < len(running) and time.monotonic() < end_s:
            if stopping.wait(_STEP_S):
                break
            for one in running.keys() & set(others()):
                running.pop(one).stop()
            cleared = [one for one in cleared if one in running]
            for one, integration in running.items():
                if one not in cleared and integration.quiet_s >= QUIET_S:
                    cleared.append(one)
    finally:
        for integration in running.values():
            integration.stop()
    return cleared


class RetiredIntegrations:
    """Remembers what the present configuration publishes, and empties what an earlier one did."""

    name = "retired"
    mended = 0

    def __init__(self, config: Config, registry: Registry, stopping: threading.Event) -> None:
        """Prepare.

        Args:
            stopping: ends a start that is going on.
        """
        self._config = config
        self._registry = registry
        self._stopping = stopping

    def start(self) -> None:
        """Empty the topics of what is no longer configured, if the broker can be reached."""
        try:
            known, done = recorded(self._registry), list[Publication]()
            retired = self._retired(known)
            if retired and not self._stopping.wait(JOIN_WAIT_S):
                retired = self._retired(known)
                done = clear(
                    self._config.mqtt,
                    retired,
                    self._stopping,
                    START_WAIT_S,
                    lambda: published_by_others(self._registry),
                )
                for one in done:
                    _log.info("no longer configured, its topics are emptied: %s", one.words)
            left = self._retired([one for one in retired if one not in done])
            if left:
                _log.warning(
                    "topics of what is no longer configured are still at the broker: %s",
                    "; ".join(one.words for one in left),
                )
            own = publications(self._config)
            if done or not set(own) <= set(known):
                record(self._registry, own, emptied=done)
        except LittoralError as error:
            _log.warning("topics of earlier integrations were not looked for: %s", error.detail)

    def _retired(self, known: Sequence[Publication]) -> list[Publication]:
        """Those that are published by nobody at present."""
        present = {*publications(self._config), *published_by_others(self._registry)}
        return [one for one in known if one not in present]

    def update(self, view: TankView, change: LedgerChange) -> None:
        """Nothing to publish."""

    def retain_only(self, tanks: frozenset[str]) -> None:
        """Nothing of a tank is retained."""

    def release(self, tanks: Collection[str]) -> None:
        """Nothing of a tank is published."""

    def stop(self) -> None:
        """Nothing is queued."""
