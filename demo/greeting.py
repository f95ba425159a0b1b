"""What the demo says once everything runs."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import requests
from rich.console import Console

from demo.options import DemoOptions
from demo.scenario import Scenario
from service.mqtt.embedded_broker import HOST
from service.times import format_moment

DAY_S = 86_400
OK = 200


def greet(
    console: Console, options: DemoOptions, invented: Scenario, kind: str, folder: Path
) -> None:
    """Print the addresses to open and three lines to try."""
    base = f"http://{HOST}:{options.http_port}"
    day = timedelta(seconds=round(DAY_S / options.speed))
    start = format_moment(invented.origin - timedelta(days=3))
    lines = [
        "",
        "Littoral demo: three invented tanks, simulated sensors over real MQTT.",
        f"The clock started at {invented.origin:%Y-%m-%d %H:%M} UTC and runs "
        f"{options.speed:g} times as fast: a day takes {day} (--speed).",
        "",
        *(f"  {one.tank.name:<11} {one.tank.notes}" for one in invented.tanks),
        "",
        "Open",
        *([f"  {base}/        the tanks"] if _answers(base) else []),
        f"  {base}/docs    the API, to read and to try",
        f"  mqtt://{HOST}:{options.mqtt_port}       the broker ({kind}): readings on littoral/#",
        "Try",
        f"  curl -s {base}/v1/tanks/quillwater/co2",
        f"  curl -s {base}/v1/tanks/lateleaf/recommendations",
        f"  curl -s '{base}/v1/tanks/emberpane/temperature/excursions?start={start}'",
        "",
        f"Databases, configuration and logs: {folder}"
        + ("" if options.keep or options.data else " (removed at the end; --keep keeps it)"),
        "Littoral advises people; it is no safety device. Ctrl-C stops the demo.",
    ]
    for line in lines:
        console.print(line, markup=False, soft_wrap=True)


def _answers(address: str) -> bool:
    """Whether there is a page; an API alone has none at its root."""
    try:
        return requests.get(f"{address}/", timeout=10, allow_redirects=False).status_code == OK
    except requests.RequestException:
        return False
