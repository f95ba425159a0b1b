"""The servers behind a store, asked one by one: settings, restarts, deletion on each.

Behind a proxy that spreads questions, and a relay that copies writes, there are several. Each may
be killed alone and lose its last seconds, and what is deleted must be deleted on each.
"""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from service.errors import StoreRefusedError, StoreUnavailableError
from service.store.http import CredentialsRefusedError, Remote, refused
from service.urls import redacted

#: Seconds to connect and to answer: one node that hangs must not hold up the others.
_TIMEOUT_S: Final = (1.0, 5.0)
_DELETE: Final = "/api/v1/admin/tsdb/delete_series"
#: A server that did not answer is asked again after so long.
_AWAY_S: Final = 5.0
_FLAG: Final = re.compile(r'^flag\{name="([\w.]+)", ?value="([^"]*)"')
_PERIOD: Final = re.compile(r"(\d+(?:\.\d+)?)([hdwy]?)")
_PERIOD_MS: Final = {
    "h": 3_600_000,
    "d": 86_400_000,
    "w": 604_800_000,
    "y": 31_536_000_000,
    "": 31 * 86_400_000,
}
#: Counters of lines that were taken and then thrown away: by a node, and by vmagent.
_COUNTERS: Final = {
    "vm_rows_ignored_total": "rows_ignored",
    'vm_rows_invalid_total{type="influx"': "rows_invalid",
    "vmagent_remotewrite_packets_dropped_total": "packets_dropped",
    "vm_persistentqueue_blocks_dropped_total": "packets_dropped",
}


@dataclass(frozen=True, slots=True)
class Report:
    """What a server says of itself at ``/metrics``.

    Attributes:
        settings: its command-line settings.
        started_s: when it started; 0: it does not say.
        counters: the lines it took and then threw away, by what became of them.
    """

    settings: dict[str, str]
    started_s: float
    counters: dict[str, float]


@dataclass(slots=True)
class _Server:
    """A server and what was last seen of it."""

    remote: Remote
    keeps_readings: bool
    report: Report | None = None
    is_away: bool = False
    ask_again_s: float = 0.0


class Servers:
    """All servers of a store; safe to use from several threads.

    Attributes:
        retention_ms: the shortest of the nodes that said theirs; None: none did.
    """

    def __init__(
        self,
        nodes: Sequence[Remote],
        relay: Remote | None,
        clock_s: Callable[[], float] = time.monotonic,
    ) -> None:
        """Nothing is asked yet.

        Args:
            nodes: the servers that keep the readings.
            relay: the one that is written to, where that is none of them: a restart of it may
                lose readings too.
        """
        self._servers = [_Server(remote, True) for remote in nodes]
        if relay is not None:
            self._servers.append(_Server(relay, False))
        self._clock_s = clock_s
        self._lock = threading.Lock()
        self._interruptions = 0
        self.retention_ms: int | None = None

    def ask(self) -> dict[str, float]:
        """Ask each; numbers for ``Store.health``.

        ``started_s`` is the newest start; ``interruptions`` grows whenever one was restarted or
        gave no answer, so that whoever writes sends its last batches again; ``servers_away`` are
        those that give no answer now. Empty when none says when it started.

        Raises:
            StoreUnavailableError: the only node is away.
            StoreRefusedError: a node's settings would lose or double readings.
        """
        with self._lock:
            for server in self._servers:
                self._ask(server)
            known = [one.report for one in self._servers if one.report and one.report.started_s]
            if not known:
                return {}
            numbers = {"started_s": max(one.started_s for one in known)}
            for report in known:
                for name, count in report.counters.items():
                    numbers[name] = numbers.get(name, 0.0) + count
            numbers["interruptions"] = float(self._interruptions)
            numbers["servers_away"] = float(sum(one.is_away for one in self._servers))
            return numbers

    def away(self) -> str:
        """A sentence that names the servers that gave no answer when last asked; else empty."""
        with self._lock:
            names = [redacted(one.remote.base) for one in self._servers if one.is_away]
        return f"no answer from {', '.join(names)}; the others go on" if names else ""

    def _ask(self, server: _Server) -> None:
        if server.is_away and self._clock_s() < server.ask_again_s:
            return
        try:
            report = reported(server.remote)
        except CredentialsRefusedError:
            if server.keeps_readings:
                raise
            report = Report({}, 0.0, {})  # a proxy that shows nothing but its path for writing
        except StoreUnavailableError:
            if len(self._servers) == 1:
                raise
            self._interruptions += not server.is_away
            server.is_away, server.ask_again_s = True, self._clock_s() + _AWAY_S
            return
        before = server.report
        if server.is_away or (before is not None and before.started_s != report.started_s):
            self._interruptions += 1
        server.is_away, server.report = False, report
        if server.keeps_readings:
            self._check(server.remote, report)

    def _check(self, remote: Remote, report: Report) -> None:
        interval = report.settings.get("dedup.minScrapeInterval", "1ms")
        if interval != "1ms":
            raise StoreRefusedError(
                f"{redacted(remote.base)}: -dedup.minScrapeInterval is {interval}; allowed: 1ms "
                "(else it doubles or drops readings)"
            )
        period = period_ms(report.settings.get("retentionPeriod", ""))
        if period is not None:
            shortest = period if self.retention_ms is None else min(self.retention_ms, period)
            self.retention_ms = shortest

    def delete(self, form: list[tuple[str, str]]) -> None:
        """Delete series on each node.

        Raises:
            StoreUnavailableError: a node is away; then nothing was deleted on any.
        """
        nodes = [one.remote for one in self._servers if one.keeps_readings]
        for remote in nodes:
            with remote.request("GET", "/health", timeout_s=_TIMEOUT_S):
                pass
        for remote in nodes:
            _delete(remote, _DELETE, form)

    def close(self) -> None:
        """Close the connections."""
        for server in self._servers:
            server.remote.close()


class Cluster:
    """A cluster's front for deleting: it passes the request on to each of its nodes."""

    def __init__(self, root: Remote, prefix: str) -> None:
        """Use a cluster.

        Args:
            root: the server that reads, without the path.
            prefix: that path; it begins with ``/select/``.
        """
        self._root = root
        self._path = prefix.replace("/select/", "/delete/", 1) + _DELETE

    def delete(self, form: list[tuple[str, str]]) -> None:
        """Delete series."""
        _delete(self._root, self._path, form)

    def close(self) -> None:
        """Close the connections."""
        self._root.close()


def _delete(remote: Remote, path: str, form: list[tuple[str, str]]) -> None:
    with remote.request("POST", path, form=form) as answer:
        if not answer.ok:
            raise refused(remote.base, answer.status_code, answer.text)


def reported(remote: Remote) -> Report:
    """What a server says of itself; nothing where it has no metrics (a cluster's front).

    Raises:
        StoreUnavailableError: no answer.
    """
    with remote.request("GET", "/metrics", timeout_s=_TIMEOUT_S) as answer:
        lines = answer.text.splitlines() if answer.ok else []
    settings: dict[str, str] = {}
    started_s = 0.0
    counters = {"rows_ignored": 0.0, "rows_invalid": 0.0}
    for line in lines:
        if match := _FLAG.match(line):
            settings[match[1]] = match[2]
            continue
        name, _, value = line.rpartition(" ")
        if name == "process_start_time_seconds":
            started_s = float(value)
        for prefix, counter in _COUNTERS.items():
            if name.startswith(prefix):
                counters[counter] = counters.get(counter, 0.0) + float(value)
    return Report(settings, started_s, counters)


def period_ms(text: str) -> int | None:
    """A retention period as the server writes it (``1`` is a month); None if not understood."""
    match = _PERIOD.fullmatch(text)
    return None if match is None else int(float(match[1]) * _PERIOD_MS[match[2]])
