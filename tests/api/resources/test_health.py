"""The service's own health."""

from __future__ import annotations

import socket
from dataclasses import replace
from datetime import timedelta

from service.advice.engine.scheduler import Scheduler
from service.advice.sharing.leases import SharedLeases
from service.api.context import install
from service.clock import FixedClock
from service.errors import StoreUnavailableError
from service.registry.models.schedulers import SCHEDULER_STATUS
from service.store import open_store
from tests.api.conftest import problem_of
from tests.api.scenes import put


def test_healthz(client):
    assert client.get("/healthz").get_json() == {
        "status": "ok",
        "version": "0.1.0",
        "time": "2025-06-04T12:00:00Z",
    }


def test_readyz_of_a_service_that_has_just_begun(client):
    assert client.get("/readyz").get_json() == {
        "status": "ready",
        "reasons": [],
        "time": "2025-06-04T12:00:00Z",
        "store": {"backend": "sqlite", "reachable": True, "detail": ""},
        "registry": {"reachable": True, "detail": ""},
        "ingest": [],
        "advice": None,
        "failing": [],
    }


def test_readyz_has_the_last_reports_of_ingesters_and_scheduler(client, context):
    context.registry.put_status(
        "ingest:shed",
        {
            "time": "2025-06-04T11:59:58+00:00",
            "connected": True,
            "last_commit": "2025-06-04T11:30:00+00:00",
            "waiting": 7,
            "aside": 2,
            "errors": ["the store is away"],
        },
    )
    context.registry.put_status("ingest:new", {"time": "2025-06-04T11:59:59+00:00"})
    Scheduler(context.registry, context.store, context.clock, 60.0).run_once()
    answer = client.get("/readyz").get_json()
    assert answer["ingest"] == [
        {
            "name": "new",
            "reported": "2025-06-04T11:59:59Z",
            "connected": False,
            "last_write": None,
            "waiting": 0,
            "aside": 0,
            "errors": [],
        },
        {
            "name": "shed",
            "reported": "2025-06-04T11:59:58Z",
            "connected": True,
            "last_write": "2025-06-04T11:30:00Z",
            "waiting": 7,
            "aside": 2,
            "errors": ["the store is away"],
        },
    ]
    assert answer["advice"] == {
        "evaluated": "2025-06-04T12:00:00Z",
        "tanks": 0,
        "overdue": False,
        "errors": [],
        "schedulers": [],
    }


def test_readyz_names_the_processes_that_share_the_tanks(client, context):
    east, west = (SharedLeases(context.registry, name, 30.0) for name in ("east", "west"))
    for one in (east, west, east, west):
        one.tend(may_give=True, at_once=True)
    for one in (east, west):
        given = context.registry, context.store, context.clock, 60.0
        Scheduler(*given, leases=one).run_once()
    advice = client.get("/readyz").get_json()["advice"]
    assert [(one["name"], one["parts"]) for one in advice["schedulers"]] == [
        ("east", 33),
        ("west", 31),  # and the upkeep
    ]
    assert advice["evaluated"] == "2025-06-04T12:00:00Z"
    east.leave()
    west.tend(at_once=True)
    (one,) = client.get("/readyz").get_json()["advice"]["schedulers"]
    assert (one["name"], one["parts"]) == ("west", 64)


def test_not_ready_while_a_running_ingester_can_store_nothing(client, context):
    """Not for one that is well, nor for one that has not reported for long."""
    recent, old = "2025-06-04T11:59:58+00:00", "2025-06-04T09:00:00+00:00"
    context.registry.put_status("ingest:well", {"time": recent, "stalled": False})
    context.registry.put_status("ingest:gone", {"time": old, "stalled": True})
    answer = client.get("/readyz")
    assert (answer.status_code, answer.get_json()["reasons"]) == (200, [])
    stuck = {"time": recent, "stalled": True, "errors": ["the disk is full"]}
    context.registry.put_status("ingest:shed", stuck)
    answer = client.get("/readyz")
    assert answer.status_code == 503
    assert answer.get_json()["reasons"] == [
        "shed can store nothing, and messages wait at the broker: the disk is full"
    ]


def after(application, made, **passed):
    """``/readyz`` of a service that started long ago, and the metric beside it."""
    moment = application.clock.now() + timedelta(**passed)
    install(made, replace(application, clock=FixedClock(moment), started_s=-1e6))
    client = made.test_client()
    text = client.get("/metrics").get_data(as_text=True)
    (metric,) = (line for line in text.splitlines() if line.startswith("littoral_scheduler_over"))
    return client.get("/readyz"), metric


def test_not_ready_while_the_evaluation_of_the_tanks_is_overdue(made, context):
    """By the scheduler's own interval, 100 s here, and three of them."""
    Scheduler(context.registry, context.store, context.clock, 100.0).run_once()
    answer, metric = after(context, made, seconds=300)
    assert (answer.status_code, metric) == (200, "littoral_scheduler_overdue 0.0")
    answer, metric = after(context, made, seconds=301)
    assert (answer.status_code, metric) == (503, "littoral_scheduler_overdue 1.0")
    assert answer.get_json()["status"] == "not ready"
    assert answer.get_json()["advice"]["overdue"] is True
    assert answer.get_json()["advice"]["errors"] == [
        "the tanks were last evaluated at 2025-06-04T12:00:00Z, 301 s ago; allowed: 300 s"
    ]


def test_not_ready_where_no_evaluation_was_ever_completed(made, context):
    answer, metric = after(context, made)
    assert (answer.status_code, metric) == (503, "littoral_scheduler_overdue 1.0")
    assert answer.get_json()["advice"]["errors"] == [
        "the tanks were never evaluated; allowed: within 180 s of the start"
    ]


def test_an_evaluation_that_failed_does_not_count(made, client, context, monkeypatch):
    scheduler = Scheduler(context.registry, context.store, context.clock, 100.0)
    scheduler.run_once()

    def away(store, tanks):
        raise StoreUnavailableError("the store is away (by this test)")

    put(client)
    monkeypatch.setattr(type(context.store), "series_of", away)
    scheduler._clock = FixedClock(context.clock.now() + timedelta(seconds=250))
    scheduler.run_once()
    monkeypatch.undo()
    answer, _ = after(context, made, seconds=301)
    assert answer.status_code == 503


def test_a_service_that_has_just_started_is_ready_however_long_it_was_off(client, context):
    context.registry.put_status(
        SCHEDULER_STATUS, {"evaluated": "2024-01-01T00:00:00Z", "every_s": 60.0, "time": None}
    )
    assert client.get("/readyz").status_code == 200


def test_a_store_that_is_away_is_a_problem_and_not_ready(made, client, context):
    with socket.socket() as unused:
        unused.bind(("127.0.0.1", 0))
        away = open_store(f"influx://127.0.0.1:{unused.getsockname()[1]}/littoral")
        install(made, replace(context, store=away))
        response = client.get("/readyz")
        assert response.status_code == 503
        assert response.get_json()["status"] == "not ready"
        assert response.get_json()["store"]["reachable"] is False
        assert response.get_json()["store"]["detail"]
        put(client)
        for path in ("co2", "co2/series", "light", "temperature", "readings", "sensors"):
            problem_of(client.get(f"/v1/tanks/riffle/{path}"), 503, "store-unavailable")
        away.close()


def test_head(client):
    response = client.head("/healthz")
    assert response.status_code == 200
    assert response.data == b""
