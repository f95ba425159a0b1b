"""Metrics, read by the parsers of prometheus_client for both formats."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from flask.testing import FlaskClient
from prometheus_client.openmetrics.parser import text_string_to_metric_families as open_families
from prometheus_client.parser import text_string_to_metric_families as classic_families

from service.advice.engine.history.ledger import Ledger
from service.advice.engine.recommendation import Severity
from service.app.app_factory import create_app
from service.app.application import Application
from service.config import Config
from service.errors import RegistryUnavailableError, StoreUnavailableError
from service.integrations.metrics.exposition import Metrics
from service.registry.models.access import Scope
from service.registry.models.events import NewEvent
from service.registry.models.ingest import Rejection
from service.store.model import Flag, Reading
from tests.advice.engine.test_ledger import at, finding
from tests.derive.pieces import NOON, a_tank
from tests.integrations.conftest import Home

OPEN = "application/openmetrics-text; version=1.0.0"
MINUTE = timedelta(minutes=1)
Samples = dict[tuple[str, tuple[tuple[str, str], ...]], float]


@pytest.fixture
def application(home: Home) -> Application:
    return Application(Config(), home.clock, home.store, home.registry)


@pytest.fixture
def metrics(application: Application) -> Metrics:
    return application.metrics


@pytest.fixture
def client(application: Application) -> FlaskClient:
    return create_app(application).test_client()


def samples(metrics: Metrics) -> Samples:
    """All samples of the OpenMetrics text, which the strict parser has accepted."""
    text, _ = metrics.exposition(OPEN)
    return {
        (one.name, tuple(sorted(one.labels.items()))): one.value
        for family in open_families(text.decode())
        for one in family.samples
    }


def value(found: Samples, name: str, /, **labels: str) -> float | None:
    return found.get((name, tuple(sorted(labels.items()))))


def test_readings_derived_values_and_advice(home: Home, metrics: Metrics) -> None:
    home.scheduler(metrics).evaluate_all()
    found = samples(metrics)
    reed = {"tank": "reed"}
    sensor = {"tank": "reed", "sensor": "s"}
    assert value(found, "littoral_temperature_celsius", **sensor) == pytest.approx(24.0)
    assert value(found, "littoral_illuminance_lux", **sensor) == 12_000.0
    assert value(found, "littoral_light_lit", **reed) == 1.0
    low, mid, high = (
        value(found, f"littoral_co2{part}_grams_per_liter", **reed)
        for part in ("_low", "", "_high")
    )
    assert low is not None and mid is not None and high is not None
    assert low < mid < high
    assert value(
        found, "littoral_last_reading_timestamp_seconds", quantity="ph", **sensor
    ) == NOON.timestamp()  # fmt: skip
    assert value(found, "littoral_tank_info", name="Reed bed", **reed) == 1.0
    ledger = Ledger(home.registry).list("reed")
    for severity in Severity:
        expected = sum(one.finding.severity is severity for one in ledger)
        assert value(found, "littoral_advice_open", severity=severity.word, **reed) == expected
    assert value(found, "littoral_up", part="store") == 1.0


def test_a_stale_or_doubted_sample_is_dropped_and_its_time_stays(
    home: Home, metrics: Metrics
) -> None:
    scheduler = home.scheduler(metrics)
    home.clock.moment = NOON + timedelta(hours=5)
    home.measure("reed", ph=6.9)
    at_us = int(home.clock.moment.timestamp() * 1e6)
    home.store.write([Reading("reed", "ppfd", "lamp", at_us, 9999.0, Flag.IMPLAUSIBLE)])
    scheduler.evaluate_all()
    found = samples(metrics)
    names = {name for name, _ in found}
    assert value(found, "littoral_ph", tank="reed", sensor="s") == 6.9
    assert "littoral_temperature_celsius" not in names
    assert "littoral_illuminance_lux" not in names
    assert "littoral_ppfd_micromoles_per_square_meter_second" not in names
    assert "littoral_light_lit" not in names
    newest = "littoral_last_reading_timestamp_seconds"
    for quantity, sensor, moment in (
        ("temperature", "s", NOON),
        ("ppfd", "lamp", home.clock.moment),
    ):
        time = value(found, newest, tank="reed", quantity=quantity, sensor=sensor)
        assert time == moment.timestamp()


def test_what_nobody_looks_at_any_more_is_no_longer_told(home: Home) -> None:
    quick = Metrics(home.store, home.registry, home.clock, 0.0)
    home.scheduler(quick).evaluate_all()
    names = {name for name, _ in samples(quick)}
    assert "littoral_temperature_celsius" in names  # read at the scrape
    assert "littoral_co2_grams_per_liter" not in names
    assert "littoral_advice_open" not in names


def test_a_deleted_tank_is_told_no_more(home: Home, metrics: Metrics) -> None:
    scheduler = home.scheduler(metrics)
    scheduler.evaluate_all()
    home.registry.delete_tank("reed")
    scheduler.evaluate_all()
    names = {name for name, labels in samples(metrics) if ("tank", "reed") in labels}
    assert names == {"littoral_last_reading_timestamp_seconds"}  # its readings are still there


def test_the_services_own_health(home: Home, metrics: Metrics) -> None:
    now = home.clock.moment
    home.registry.put_status(
        "ingest:shed",
        {
            "time": (now - timedelta(seconds=2)).isoformat(),
            "connected": True,
            "waiting": 4,
            "received": 120,
            "acknowledged": 110,
            "stored": 100,
            "rejected": 3,
            "dropped_qos0": 1,
            "last_write": (now - 10 * MINUTE).isoformat(),
            "spool": {"readings": 7, "rejections": 2, "oldest": (now - 9 * MINUTE).isoformat()},
        },
    )
    home.registry.put_status(
        "ingest:gone",
        {"time": (now - 3 * MINUTE).isoformat(), "connected": True, "last_write": "", "spool": {}},
    )
    odd = Rejection(now, "a/b", "x", "not-a-number", "payload is 'x'", "")
    home.registry.add_rejections([odd, odd])
    home.registry.hand_over("hook", now)
    home.registry.add_events([NewEvent("recommendation.opened", "a-1", "reed", now, {})])
    home.registry.hand_over("hook", now)
    (due,) = home.registry.claim_deliveries("hook", now, MINUTE, limit=5)
    home.registry.settle_dead(due.id, now, "410")
    home.registry.put_status(
        "advice:scheduler",
        {"time": now.isoformat(), "tanks": 3, "failed": ["x"], "error": None, "seconds": 0.25},
    )
    found = samples(metrics)
    shed = {"ingester": "shed"}
    assert value(found, "littoral_ingest_spooled", kind="readings", **shed) == 7
    assert value(found, "littoral_ingest_spooled", kind="rejections", **shed) == 2
    assert value(found, "littoral_ingest_spool_oldest_age_seconds", **shed) == 540
    assert value(found, "littoral_ingest_last_write_age_seconds", **shed) == 600
    assert value(found, "littoral_ingest_stored_total", **shed) == 100
    assert value(found, "littoral_ingest_connected", **shed) == 1
    assert value(found, "littoral_ingest_connected", ingester="gone") == 0
    assert value(found, "littoral_ingest_last_write_age_seconds", ingester="gone") is None
    assert value(found, "littoral_rejections_total", reason="not-a-number") == 2
    assert value(found, "littoral_deliveries", target="hook", state="dead") == 1
    assert value(found, "littoral_scheduler_duration_seconds") == 0.25
    assert value(found, "littoral_scheduler_failed_tanks") == 1
    assert value(found, "littoral_scheduler_ok") == 1
    assert value(found, "littoral_scheduler_timestamp_seconds") == now.timestamp()
    assert value(found, "process_start_time_seconds") is not None


def test_counters_and_units_are_as_openmetrics_wants_them(home: Home, metrics: Metrics) -> None:
    home.scheduler(metrics).evaluate_all()
    text, media_type = metrics.exposition(OPEN)
    assert media_type.startswith("application/openmetrics-text; version=1.0.0")
    assert text.endswith(b"# EOF\n")
    units = 0
    for family in open_families(text.decode()):
        if family.unit:
            units += 1
            assert family.name.endswith(f"_{family.unit}"), family.name
        if family.type == "counter":
            assert all(one.name.endswith(("_total", "_created")) for one in family.samples)
    assert units > 8


def test_the_format_is_chosen_by_accept(home: Home, client: FlaskClient) -> None:
    classic = client.get("/metrics")
    assert classic.status_code == 200
    assert classic.content_type.startswith("text/plain; version=0.0.4")
    assert "Accept" in classic.headers["Vary"]
    names = {family.name for family in classic_families(classic.text)}
    assert {"littoral_temperature_celsius", "littoral_up"} <= names
    opened = client.get("/metrics", headers={"Accept": f"{OPEN},text/plain;version=0.0.4;q=0.5"})
    assert opened.content_type.startswith("application/openmetrics-text")
    assert {family.name for family in open_families(opened.text)} >= {"littoral_up"}


def test_once_there_are_tokens_it_takes_one(home: Home, client: FlaskClient) -> None:
    secret = home.registry.create_token("scraper", Scope.READ, NOON)[1]
    assert client.get("/metrics").status_code == 401
    answer = client.get("/metrics", headers={"Authorization": f"Bearer {secret}"})
    assert answer.status_code == 200


def test_what_is_away_is_said_and_the_rest_told(
    home: Home, metrics: Metrics, monkeypatch: pytest.MonkeyPatch
) -> None:
    home.scheduler(metrics).evaluate_all()

    def away(*_: object, **__: object) -> None:
        raise StoreUnavailableError("away")

    with monkeypatch.context() as patch:
        patch.setattr(home.store, "series", away)
        found = samples(metrics)
    assert value(found, "littoral_up", part="store") == 0
    assert value(found, "littoral_up", part="registry") == 1
    assert value(found, "littoral_light_lit", tank="reed") == 1

    def gone(*_: object, **__: object) -> None:
        raise RegistryUnavailableError("gone")

    monkeypatch.setattr(home.registry, "tanks", gone)
    found = samples(metrics)
    assert value(found, "littoral_up", part="registry") == 0
    assert value(found, "littoral_up", part="store") == 1
    time = value(
        found, "littoral_last_reading_timestamp_seconds", tank="reed", quantity="ph", sensor="s"
    )
    assert time == NOON.timestamp()


def test_odd_names_are_escaped(home: Home, metrics: Metrics) -> None:
    name = 'Reed "one"\\ \u6c34\u8349'
    home.registry.put_tank(a_tank(name=name))
    assert value(samples(metrics), "littoral_tank_info", tank="reed", name=name) == 1.0


def test_only_open_recommendations_count(home: Home, metrics: Metrics) -> None:
    ledger = Ledger(home.registry)
    view = replace(at(NOON), tank=a_tank())
    change = ledger.update(view, [finding("a"), finding("b", Severity.URGENT)])
    metrics.update(view, change)
    found = samples(metrics)
    counts = {
        severity.word: value(found, "littoral_advice_open", tank="reed", severity=severity.word)
        for severity in Severity
    }
    assert counts == {"info": 0.0, "advice": 1.0, "warning": 0.0, "urgent": 1.0}
