"""The application object: all that one process of Littoral holds open."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import asdict, dataclass, field
from datetime import timedelta
from enum import Enum, auto
from functools import cached_property
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Protocol, TypeVar

from service.app.lost_files import open_known_store, refuse_lost_registry
from service.backup.unfinished import refuse_unfinished_restore
from service.clock import Clock
from service.config import Config, make_clock
from service.errors import ConfigError, NotFoundError
from service.private_files import can_be_made
from service.registry.registry import Registry, open_registry
from service.store import Store, open_store

if TYPE_CHECKING:
    from service.advice.engine.integration import Integration
    from service.advice.engine.scheduler import Scheduler
    from service.advice.sharing.leases import SharedLeases
    from service.derive.caching.drift_cache import MorningDrifts
    from service.integrations.metrics.exposition import Metrics
    from service.pictures.album import Album

_log = logging.getLogger(__name__)
_T = TypeVar("_T", covariant=True)


class _Open(Protocol[_T]):
    def __call__(self, url: str, *, create: bool) -> _T: ...


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
        started_s: when it started, by ``time.monotonic``.
    """

    config: Config
    clock: Clock
    store: Store
    registry: Registry
    stopping: threading.Event = field(default_factory=threading.Event)
    started_s: float = field(default_factory=time.monotonic)

    @cached_property
    def metrics(self) -> Metrics:
        """Readings, derived values and health for monitoring systems."""
        from service.advice.engine.overdue import lifetime_s
        from service.integrations.metrics.disks import database_paths
        from service.integrations.metrics.exposition import Metrics

        usual_s, speed = lifetime_s(self.config.advice.every_s), self.config.clock.speed
        return Metrics(
            self.store,
            self.registry,
            self.clock,
            usual_s,
            speed,
            self.started_s,
            database_paths(self.config),
        )

    @cached_property
    def integrations(self) -> tuple[Integration, ...]:
        """The integrations that the configuration asks for, not started.

        Raises:
            ConfigError: an option of one is wrong.
        """
        from service.integrations.configured import configured_integrations

        return configured_integrations(
            self.config,
            self.registry,
            self.store,
            self.clock,
            self.drifts,
            self.nudge,
            self.leases,
        )

    @cached_property
    def leases(self) -> SharedLeases:
        """Which tanks this process evaluates, of those that share the registry; none held yet."""
        from service.advice.sharing.leases import SharedLeases
        from service.integrations.retired.publication import publications

        published = [asdict(one) for one in publications(self.config)]
        name, lease_s = self.config.mqtt.client_id, self.config.advice.lease_s
        return SharedLeases(self.registry, name, lease_s, published)

    @cached_property
    def drifts(self) -> MorningDrifts:
        """Drifts of pH probes: the scheduler finds them, views read them."""
        from service.derive.caching.drift_cache import MorningDrifts

        return MorningDrifts()

    @cached_property
    def scheduler(self) -> Scheduler:
        """The loop that evaluates all tanks and reports to integrations and metrics; not started.

        Raises:
            ConfigError: an option of an integration is wrong.
        """
        from service.advice.engine.scheduler import Scheduler
        from service.integrations.retired.clearing import RetiredIntegrations

        every_s = self.config.advice.every_s
        retired = RetiredIntegrations(self.config, self.registry, self.stopping)
        reported = (retired, *self.integrations, self.metrics)
        keep_audit = timedelta(days=self.config.registry.keep_audit_days)
        return Scheduler(
            self.registry,
            self.store,
            self.clock,
            every_s,
            reported,
            keep_audit=keep_audit,
            drifts=self.drifts,
            leases=self.leases,
        )

    @cached_property
    def pictures(self) -> Album:
        """Pictures of the log: their files beside the registry."""
        from service.pictures.album import Album

        return Album(self.config, self.registry)

    def nudge(self) -> None:
        """Evaluate all tanks again soon, such as after a log entry; deleted pictures go at once."""
        self.pictures.remove_deleted()
        self.scheduler.nudge()


class Missing(Enum):
    """What becomes of a registry or store that is not there.

    Attributes:
        CREATE: it is made.
        START: it is made, unless it is lost: then nothing takes its place.
        REFUSE: an error says so.
        STAND_IN: an empty one in a temporary folder is used in its place.
    """

    CREATE = auto()
    START = auto()
    REFUSE = auto()
    STAND_IN = auto()


@contextmanager
def opened(config: Config, missing: Missing = Missing.START) -> Iterator[Application]:
    """Open registry and store; both are closed at the end.

    With ``Missing.START`` a store that was there at an earlier start and is now missing or damaged
    answers that it is away, until it is put right.

    Raises:
        NotFoundError: one of them is not there, with ``Missing.REFUSE``; or the registry alone is
            not, of a store that has readings, with ``Missing.START``.
        BackupRefusedError: a restore was killed there, with ``Missing.CREATE`` or ``START``.
        LittoralError: one of them cannot be opened.
    """
    makes = missing in (Missing.CREATE, Missing.START)
    if makes:
        refuse_unfinished_restore(config)
    if missing is Missing.START:
        refuse_lost_registry(config)
    clock = make_clock(config)
    with ExitStack() as stack:
        registry = _open(open_registry, config.registry.url, missing, stack)
        stack.callback(registry.close)
        if makes:
            store = open_known_store(
                config.store.url, registry, clock, make_anew=missing is Missing.CREATE
            )
        else:
            store = _open(open_store, config.store.url, missing, stack)
        stack.callback(store.close)
        yield Application(config, clock, store, registry)


def _open(open_one: _Open[_T], url: str, missing: Missing, stack: ExitStack) -> _T:
    """Open a registry or store; a stand-in's folder is removed when the stack is closed."""
    try:
        return open_one(url, create=missing in (Missing.CREATE, Missing.START))
    except NotFoundError as error:
        if missing is not Missing.STAND_IN:
            raise
        _check_can_be_made(url)
        _log.warning("%s; an empty one is used for this command", error.detail)
    folder = stack.enter_context(TemporaryDirectory(prefix="littoral-"))
    return open_one(f"sqlite:///{folder}/stand-in.db", create=True)


def _check_can_be_made(url: str) -> None:
    path = Path(url.removeprefix("sqlite:///"))
    if url.startswith("sqlite:///") and not can_be_made(path):
        raise ConfigError(f"{path}: its folder cannot be made or written")
