"""What several servers of one store report, each by its own address."""

from __future__ import annotations

import pytest
import requests_mock

from service.errors import StoreRefusedError, StoreUnavailableError
from service.store.http import CredentialsRefusedError, Remote
from service.store.victoriametrics.nodes import Servers, period_ms

NODES = ("http://node1:8428", "http://node2:8428")
RELAY = "http://relay:8429"


class Clock:
    """Stands until it is set."""

    now_s = 0.0

    def __call__(self) -> float:
        """Seconds."""
        return self.now_s


def metrics(started_s: int, *lines: str, interval: str = "1ms", period: str = "100y") -> str:
    return "\n".join(
        [
            f'flag{{name="dedup.minScrapeInterval", value="{interval}", is_set="true"}} 1',
            f'flag{{name="retentionPeriod", value="{period}", is_set="true"}} 1',
            f"process_start_time_seconds {started_s}",
            *lines,
        ]
    )


@pytest.fixture
def web():
    with requests_mock.Mocker() as mocker:
        for number, base in enumerate((*NODES, RELAY), 1):
            mocker.get(f"{base}/metrics", text=metrics(number * 100))
        yield mocker


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def servers(clock):
    return Servers([Remote(base, auth=None) for base in NODES], Remote(RELAY, auth=None), clock)


def asked(servers):
    numbers = servers.ask()
    return numbers["started_s"], numbers["interruptions"], numbers["servers_away"]


def test_each_restart_and_each_absence_counts(web, servers, clock):
    assert asked(servers) == (300.0, 0.0, 0.0)
    assert servers.away() == ""
    web.get(f"{NODES[0]}/metrics", status_code=503)
    assert asked(servers) == (300.0, 1.0, 1.0)
    assert servers.away() == "no answer from http://node1:8428; the others go on"
    web.get(f"{NODES[0]}/metrics", text=metrics(100))  # it was not restarted, and yet was away
    assert asked(servers) == (300.0, 1.0, 1.0)  # not asked again so soon
    clock.now_s = 10.0
    assert asked(servers) == (300.0, 2.0, 0.0)
    web.get(f"{RELAY}/metrics", text=metrics(700))
    assert asked(servers) == (700.0, 3.0, 0.0)


def test_the_only_node_that_is_away_is_an_error(web, clock):
    web.get(f"{NODES[0]}/metrics", status_code=503)
    with pytest.raises(StoreUnavailableError):
        Servers([Remote(NODES[0], auth=None)], None, clock).ask()


def test_each_node_is_checked_also_one_that_comes_later(web, servers, clock):
    web.get(f"{NODES[1]}/metrics", status_code=503)
    servers.ask()
    web.get(f"{NODES[1]}/metrics", text=metrics(200, interval="1m0s"))
    clock.now_s = 10.0
    with pytest.raises(StoreRefusedError, match=r"node2:8428: -dedup.minScrapeInterval is 1m0s"):
        servers.ask()


def test_the_shortest_retention_counts(web, servers):
    web.get(f"{NODES[1]}/metrics", text=metrics(200, period="400d"))
    servers.ask()
    assert servers.retention_ms == period_ms("400d")


def test_what_was_thrown_away_is_summed(web, servers):
    for base in NODES:
        web.get(f"{base}/metrics", text=metrics(1, 'vm_rows_ignored_total{reason="nan"} 2'))
    dropped = 'vmagent_remotewrite_packets_dropped_total{url="1:secret-url"} 3'
    web.get(f"{RELAY}/metrics", text=metrics(1, dropped))
    numbers = servers.ask()
    assert numbers["rows_ignored"] == 4
    assert numbers["packets_dropped"] == 3


def test_a_relay_that_shows_no_metrics_is_there(web, servers):
    web.get(f"{RELAY}/metrics", status_code=403)
    assert asked(servers) == (200.0, 0.0, 0.0)


def test_a_node_that_refuses_the_credentials_is_not_just_away(web, servers):
    web.get(f"{NODES[1]}/metrics", status_code=401)
    with pytest.raises(CredentialsRefusedError):
        servers.ask()


def test_nothing_is_deleted_while_a_node_is_away(web, servers):
    web.get(f"{NODES[0]}/health", text="OK")
    web.get(f"{NODES[1]}/health", status_code=502)
    with pytest.raises(StoreUnavailableError):
        servers.delete([("match[]", '{tank="cove"}')])
    assert not any(request.method == "POST" for request in web.request_history)
