"""The configuration file that the demo's ingester and API are started with."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import fields
from datetime import datetime
from pathlib import Path

from demo.scenario import Scenario
from service.config import RouteConfig

ADVICE_EVERY_S = 2.0


def write_settings(
    path: Path,
    scenario: Scenario,
    *,
    http_port: int,
    mqtt_port: int,
    speed: float,
    started: datetime,
) -> None:
    """Write the TOML file.

    Args:
        path: of the file; the databases go into the same folder.
        scenario: its routes and the moment that the clock shows at ``started``.
        speed: seconds of the demo per second.
        started: machine time (UTC).
    """
    folder = path.parent
    tables: list[tuple[str, Mapping[str, object]]] = [
        ("[store]", {"url": f"sqlite:///{folder / 'readings.db'}"}),
        ("[registry]", {"url": f"sqlite:///{folder / 'registry.db'}"}),
        ("[mqtt]", {"url": f"mqtt://127.0.0.1:{mqtt_port}", "client_id": "demo-ingest"}),
        ("[ingest]", {"batch_age_s": 0.2, "spool_path": str(folder / "spool.db")}),
        ("[http]", {"host": "127.0.0.1", "port": http_port}),
        ("[advice]", {"every_s": ADVICE_EVERY_S}),
        ("[clock]", {"speed": speed, "origin": scenario.origin, "started": started}),
        *(("[[route]]", _route(route)) for route in scenario.routes),
    ]
    head = "# Written by the demo; the tanks in it are invented.\n"
    path.write_text(head + "\n".join(_text(tables)), encoding="utf-8")


def _route(route: RouteConfig) -> Mapping[str, object]:
    given = {one.name: getattr(route, one.name) for one in fields(route)}
    return {key: value for key, value in given.items() if value not in (None, {})}


def _text(tables: Iterable[tuple[str, Mapping[str, object]]]) -> Iterable[str]:
    for title, keys in tables:
        yield title
        for key, value in keys.items():
            yield f"{key} = {_toml(value)}"
        yield ""


def _toml(value: object) -> str:
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {_toml(one)}" for key, one in value.items()) + " }"
    # JSON's strings, numbers and booleans are TOML's too
    return json.dumps(value, ensure_ascii=False)
