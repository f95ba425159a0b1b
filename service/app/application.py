"""The application object: all that one process of Littoral holds open."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from functools import cached_property
from typing import TYPE_CHECKING

from service.clock import Clock
from service.config import Config, make_clock
from service.registry.registry import Registry, open_registry
from service.store import Store, open_store

if TYPE_CHECKING:
    from service.advice.engine.integration import Integration
    from service.advice.engine.scheduler import Scheduler
    from service.integrations.metrics.exposition import Metrics


@dataclass(frozen=True)
class Application:
    """Configuration, clock, store and registry, and what a serving process makes of them.

    Integrations, metrics and scheduler are made when they are first asked for, so that a process
    that only takes readings in imports none of them.

    Attributes:
        config: checked.
        clock: returns the present moment; a faster one in the demo.
        store: time series of readings, open.
        registry: tanks, log, absences, recommendations, open.
        stopping: set when the process is to end.
    """

    config: Config
    clock: Clock
    store: Store
    registry: Registry
    stopping: threading.Event = field(default_factory=threading.Event)

    @cached_property
    def metrics(self) -> Metrics:
        """Readings, derived values and health for monitoring systems."""
        from service.integrations.configured import lifetime_s
        from service.integrations.metrics.exposition import Metrics

        counts_for_s = lifetime_s(self.config)
        speed = self.config.clock.speed
        return Metrics(self.store, self.registry, self.clock, counts_for_s, speed)

    @cached_property
    def integrations(self) -> tuple[Integration, ...]:
        """The integrations that the configuration asks for, not started.

        Raises:
            ConfigError: an option of one is wrong.
        """
        from service.integrations.configured import configured_integrations

        return configured_integrations(self.config, self.registry)

    @cached_property
    def scheduler(self) -> Scheduler:
        """The loop that evaluates all tanks and reports to integrations and metrics; not started.

        Raises:
            ConfigError: an option of an integration is wrong.
        """
        from service.advice.engine.scheduler import Scheduler

        every_s = self.config.advice.every_s
        reported = (*self.integrations, self.metrics)
        keep_audit = timedelta(days=self.config.registry.keep_audit_days)
        return Scheduler(
            self.registry, self.store, self.clock, every_s, reported, keep_audit=keep_audit
        )

    def nudge(self) -> None:
        """Evaluate all tanks again soon, such as after a log entry."""
        self.scheduler.nudge()


@contextmanager
def opened(config: Config) -> Iterator[Application]:
    """Open registry and store; both are closed at the end.

    Raises:
        LittoralError: one of them cannot be opened.
    """
    clock = make_clock(config)
    with (
        closing(open_registry(config.registry.url)) as registry,
        closing(open_store(config.store.url)) as store,
    ):
        yield Application(config, clock, store, registry)
