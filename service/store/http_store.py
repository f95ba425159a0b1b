"""What stores on servers have in common: opening, checked writes, and how they are."""

from __future__ import annotations

import logging
import time
from abc import ABC, abstractmethod
from collections.abc import Sequence
from typing import Self

from service.errors import LittoralError, StoreRefusedError, StoreUnavailableError
from service.store.checks import check_readings
from service.store.http import CredentialsRefusedError
from service.store.model import Reading, StoreHealth

_log = logging.getLogger(__name__)


class RemoteStore(ABC):
    """A store on a server that may be away, also at the start."""

    backend: str

    def __init__(self) -> None:
        self._last_write_s = 0.0

    @abstractmethod
    def _prepare(self) -> None:
        """Make the server ready for use and look at its settings, once."""

    @abstractmethod
    def _write(self, readings: Sequence[Reading]) -> None:
        """Send readings that have been checked."""

    @abstractmethod
    def _ask(self) -> tuple[bool, str, dict[str, float]]:
        """Whether the server answers, what is wrong all the same, and what it reports of itself."""

    @property
    @abstractmethod
    def _left_out(self) -> int:
        """Readings that were older than the server keeps."""

    @abstractmethod
    def close(self) -> None:
        """Close the connections."""

    def _opened(self) -> Self:
        """This store, prepared; a server that is away now is asked again when it is needed.

        Raises:
            StoreRefusedError: the server does not accept the credentials, or is not set up so
                that it keeps what it is sent.
        """
        try:
            self._prepare()
        except CredentialsRefusedError as error:
            self.close()
            raise StoreRefusedError(error.detail) from error
        except StoreUnavailableError as error:
            _log.warning("%s; will ask again when it is needed", error.detail)
        except LittoralError:
            self.close()
            raise
        return self

    def write(self, readings: Sequence[Reading]) -> None:
        """Write a batch; see ``Store.write``."""
        check_readings(readings)
        if not readings:
            return
        self._prepare()
        self._write(readings)
        self._last_write_s = time.time()

    def health(self) -> StoreHealth:
        """Whether the server answers; see ``Store.health``."""
        numbers = {"left_out_past_retention": float(self._left_out)}
        if self._last_write_s:
            numbers["last_write_s"] = self._last_write_s
        try:
            self._prepare()
            reachable, detail, reported = self._ask()
        except LittoralError as error:
            return StoreHealth(False, self.backend, error.detail, numbers)
        return StoreHealth(reachable, self.backend, detail, numbers | reported)
