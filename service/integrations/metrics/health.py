"""The service's own health as metrics: ingesters, rejections, scheduler, webhooks, mail."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final

from prometheus_client.metrics_core import CounterMetricFamily, GaugeMetricFamily, Metric

from service.advice.engine.overdue import overdue
from service.advice.sharing.status import combined_status
from service.registry.models.process_status import is_silent
from service.registry.registry import Registry
from service.times import stored_moment

INGEST: Final = "ingest:"
_COUNTED: Final = {
    "received": "Messages received.",
    "acknowledged": "Messages acknowledged to the broker.",
    "stored": "Readings written to the store.",
    "rejected": "Messages rejected.",
    "too_large": "Packets from the broker that were too large.",
    "dropped_qos0": "Messages lost at QoS 0, which the broker does not store.",
}


def health_families(
    registry: Registry, now: datetime, speed: float, *, usual_s: float, up_s: float
) -> list[Metric]:
    """Gauges and counters from the last status of each part.

    Args:
        now: by the service's clock.
        speed: of that clock against the machine's.
        usual_s: machine seconds for which the values of an evaluation count.
        up_s: machine seconds since this process started.

    Raises:
        RegistryUnavailableError: the registry cannot be reached.
    """
    statuses = registry.statuses()
    late = overdue(combined_status(statuses), now, usual_s=usual_s, up_s=up_s, speed=speed)
    ingesters = {
        name.removeprefix(INGEST): status
        for name, status in statuses.items()
        if name.startswith(INGEST)
    }
    rejections = CounterMetricFamily(
        "littoral_rejections", "Messages rejected by all ingesters ever.", labels=["reason"]
    )
    for reason, count in registry.rejection_counts().items():
        rejections.add_metric([reason], count)
    deliveries = GaugeMetricFamily(
        "littoral_deliveries",
        "Deliveries to webhooks and by mail on record; dead ones are given up.",
        labels=["target", "state"],
    )
    failing = GaugeMetricFamily(
        "littoral_delivery_failing",
        "1 where the last delivery that was attempted failed.",
        labels=["target"],
    )
    failed = {one.target for one in registry.failing_deliveries()}
    counts = registry.delivery_counts()
    for (target, state), count in counts.items():
        deliveries.add_metric([target, state.value], count)
    for target in dict.fromkeys(target for target, _ in counts):
        failing.add_metric([target], float(target in failed))
    return [
        *_ingest(ingesters, now, speed),
        rejections,
        deliveries,
        failing,
        *_scheduler(combined_status(statuses)),
        GaugeMetricFamily(
            "littoral_scheduler_overdue",
            "1 while the evaluation of the tanks is overdue.",
            value=float(bool(late)),
        ),
    ]


def _ingest(
    ingesters: Mapping[str, Mapping[str, Any]], now: datetime, speed: float
) -> list[Metric]:
    def gauge(name: str, text: str, unit: str = "") -> GaugeMetricFamily:
        return GaugeMetricFamily(name, text, labels=["ingester"], unit=unit)

    written_at = gauge(
        "littoral_ingest_status_timestamp_seconds", "When an ingester last wrote its status.",
        "seconds",
    )  # fmt: skip
    connected = gauge("littoral_ingest_connected", "1 while connected to the broker.")
    waiting = gauge("littoral_ingest_waiting_messages", "Messages received and not yet committed.")
    spooled = GaugeMetricFamily(
        "littoral_ingest_spooled", "What waits on disk for store or registry.",
        labels=["ingester", "kind"],
    )  # fmt: skip
    aside = gauge(
        "littoral_ingest_aside_files", "Damaged batches and fatal messages taken aside, as files."
    )
    oldest = gauge(
        "littoral_ingest_spool_oldest_age_seconds", "Age of the oldest reading on disk.", "seconds"
    )
    written = gauge(
        "littoral_ingest_last_write_age_seconds", "Since readings last reached the store.",
        "seconds",
    )  # fmt: skip
    counters = {
        key: CounterMetricFamily(f"littoral_ingest_{key}", text, labels=["ingester"])
        for key, text in _COUNTED.items()
    }
    for name, status in ingesters.items():
        time = stored_moment(status.get("time"))
        if time is not None:
            written_at.add_metric([name], time.timestamp())
        silent = is_silent(status, now, speed)
        connected.add_metric([name], 0 if silent else float(bool(status.get("connected"))))
        waiting.add_metric([name], float(status.get("waiting", 0)))
        spool = status.get("spool") or {}
        for kind in ("readings", "rejections"):
            spooled.add_metric([name, kind], float(spool.get(kind, 0)))
        aside.add_metric([name], float(status.get("aside", 0)))
        first = stored_moment(spool.get("oldest"))
        oldest.add_metric([name], 0.0 if first is None else _age_s(first, now))
        last = stored_moment(status.get("last_write"))
        if last is not None:
            written.add_metric([name], _age_s(last, now))
        for key, family in counters.items():
            if key in status:
                family.add_metric([name], float(status[key]))
    gauges = [written_at, connected, waiting, spooled, aside, oldest, written]
    return [*gauges, *counters.values()]


def _scheduler(status: Mapping[str, Any] | None) -> list[Metric]:
    if status is None:
        return []
    time = stored_moment(status.get("time"))
    mended = CounterMetricFamily(
        "littoral_mqtt_mended",
        "Retained topics that were not as they were published, since the service started.",
        labels=["integration"],
    )
    for name, count in (status.get("mended") or {}).items():
        mended.add_metric([name], float(count))
    evaluated = GaugeMetricFamily(
        "littoral_scheduler_timestamp_seconds",
        "When the tanks were last evaluated.",
        unit="seconds",
    )
    if time is not None:
        evaluated.add_metric([], time.timestamp())
    return [
        evaluated,
        mended,
        GaugeMetricFamily(
            "littoral_scheduler_duration_seconds", "How long the last evaluation took.",
            value=float(status.get("seconds", 0.0)), unit="seconds",
        ),
        GaugeMetricFamily(
            "littoral_scheduler_tanks", "Tanks of the last evaluation.",
            value=float(status.get("tanks", 0)),
        ),
        GaugeMetricFamily(
            "littoral_scheduler_failed_tanks", "Tanks on which the last evaluation failed.",
            value=float(len(status.get("failed", ()))),
        ),
        GaugeMetricFamily(
            "littoral_scheduler_ok", "1 if the last evaluation reached store and registry.",
            value=float(not status.get("error")),
        ),
    ]  # fmt: skip


def _age_s(moment: datetime, now: datetime) -> float:
    return max(0.0, (now - moment).total_seconds())
