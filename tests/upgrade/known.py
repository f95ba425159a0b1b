"""What a version's registry and store hold: put in over HTTP, and asked again. All invented."""

from __future__ import annotations

from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from typing import Any

from service.advice.engine.scheduler import Scheduler
from service.app.app_factory import create_app
from service.app.application import Application, opened
from service.config import load_config
from service.registry.models.access import Scope
from service.registry.models.ingest import Rejection
from service.store import Flag, Reading
from service.times import to_us

NOW = datetime(2025, 6, 4, 12, 0, tzinfo=UTC)
CLOCK = {
    "LITTORAL_CLOCK__ORIGIN": "2025-06-04T12:00:00Z",
    "LITTORAL_CLOCK__SPEED": "0.001",
}
SPAN = "start=2025-06-03T12:00:00Z&end=2025-06-04T12:00:00Z"
PATHS = (
    "/v1/tanks",
    "/v1/tanks/riffle/log?start=2025-01-01T00:00:00Z&end=2025-06-05T00:00:00Z&limit=1000",
    "/v1/absences",
    f"/v1/tanks/riffle/readings?{SPAN}&limit=10000&flagged=true",
    f"/v1/tanks/riffle/readings?{SPAN}&quantity=ph&every=1h&aggregate=mean",
    "/v1/rejections?limit=100",
    "/v1/shares",
    "/v1/recommendations?state=any&limit=1000",
    "/v1/events?limit=1000",
    "/v1/audit?limit=1000",
)
TANKS: dict[str, dict[str, Any]] = {
    "riffle": {
        "name": "Riffle ü 水草",
        "time_zone": "Europe/Lisbon",
        "dimensions": {
            "length": {"value": 3, "unit": "ft"},
            "width": {"value": 45, "unit": "cm"},
            "height": {"value": 45, "unit": "cm"},
            "fill_height": {"value": 40, "unit": "cm"},
            "substrate_depth": {"value": 5, "unit": "cm"},
            "hardscape": {"value": 6, "unit": "L"},
        },
        "kh": {"value": 4, "unit": "dKH"},
        "kh_tested": "2025-06-01",
        "gh": {"value": 6, "unit": "dGH"},
        "altitude": {"value": 1000, "unit": "ft"},
        "set_up": "2023-02-01",
        "animals": [
            {
                "species": "Betta splendens",
                "count": 1,
                "added": "2025-05-01",
                "temperature": {"low": 75, "high": None, "unit": "degF"},
                "co2_max": {"value": 0.02, "unit": "g/L"},
                "air_breather": True,
            },
            {"species": "Paracheirodon innesi", "count": 20},
        ],
        "targets": {
            "co2": {"low": 15, "high": 25, "unit": "mg/L"},
            "dli": {"low": 2, "high": 5, "unit": "mol/m2/d"},
        },
        "plants": [
            {"species": "Rotala rotundifolia"},
            {
                "species": "Invented stem",
                "light": "high",
                "co2": "needed",
                "height": {"low": 10, "high": 12, "unit": "inch"},
            },
        ],
        "light": {"start": "11:30", "photoperiod": "7h30m"},
        "gas": {"start": "09:00", "end": "18:00", "close": "pull the grey plug"},
        "water_change": {
            "every": "14d",
            "fraction": {"value": 0.3, "unit": "1"},
            "tap_kh": {"value": 50, "unit": "ppm CaCO3"},
            "tap_temperature": {"value": 59, "unit": "degF"},
            "tap_ph": 7.6,
            "target_kh": {"value": 4, "unit": "dKH"},
        },
        "doses": [
            {"name": "micro", "volume_per_100_l": {"value": 0.01, "unit": "L"}},
            {"name": "nitrate", "mass_per_100_l": {"value": 1, "unit": "g"}},
        ],
        "sensors": {"ph": "glass-1"},
        "cylinder": {"content": {"value": 2, "unit": "kg"}, "put_on": "2025-05-01"},
        "equipment": {"lamp": "white LED"},
        "thresholds": {"stale_ph_min": 15},
        "notes": "Two\nlines.",
        "contact": "Invented keeper, extension 12",
    },
    "sedge": {
        "name": "Sedge",
        "dimensions": {side: {"value": 30, "unit": "cm"} for side in ("length", "width", "height")},
        "energy": "low",
        "heated": False,
        "co2_injected": False,
    },
}
ENTRIES: tuple[dict[str, Any], ...] = (
    {"kind": "water-change", "data": {"fraction": {"value": 50, "unit": "%"}}},
    {"kind": "dose", "data": {"name": "micro", "volume": {"value": 12, "unit": "mL"}}},
    {"kind": "kh-test", "data": {"kh": {"value": 4, "unit": "dKH"}}},
    {"kind": "gh-test", "data": {"gh": {"value": 7, "unit": "dGH"}}},
    {"kind": "trim", "data": {"fraction": {"value": 30, "unit": "%"}, "part": "stems"}},
    {"kind": "replant", "data": {"fraction": {"value": 10, "unit": "%"}}},
    {"kind": "filter-clean", "data": {"part": "pump"}},
    {"kind": "stocking", "data": {"species": "Corydoras sterbai", "count": 6}},
    {
        "kind": "calibration",
        "data": {
            "quantity": "ph",
            "sensor": "glass-1",
            "points": [
                {"buffer": "7.00", "millivolts": 2.1, "temperature_c": 22.0},
                {"buffer": "4.01", "millivolts": 178.9, "temperature_c": 22.0},
            ],
        },
    },
    {"kind": "observation", "note": "all well"},
)


@contextmanager
def application(folder: Any) -> Any:
    """The application on a folder's registry and store, at a fixed time, and a client of it."""
    databases = {
        "LITTORAL_STORE__URL": f"sqlite:///{folder}/store.db",
        "LITTORAL_REGISTRY__URL": f"sqlite:///{folder}/registry.db",
    }
    with opened(load_config(None, databases | CLOCK)) as one:
        yield one, create_app(one).test_client()


def put_in(one: Application, client: Any) -> str:
    """Put everything in; the secret of a token with which it can be asked."""
    for tank, document in TANKS.items():
        assert client.put(f"/v1/tanks/{tank}", json=document).status_code == 201
    for number, entry in enumerate(ENTRIES):
        at = (NOW - timedelta(days=20 - number)).isoformat()
        more = {"time": at, "by": "Invented helper", "id": f"entry-{number}"}
        answer = client.post("/v1/tanks/riffle/log", json=entry | more)
        assert answer.status_code == 201, answer.get_data(as_text=True)
    absence = {
        "id": "june",
        "start": "2025-06-10T08:00:00Z",
        "end": "2025-06-20T18:00:00Z",
        "covers": "Invented neighbour",
        "tanks": ["riffle"],
        "note": "key with the porter",
        "contact": "Invented keeper, hotel desk",
    }
    assert client.put("/v1/absences", json={"absences": [absence]}).status_code == 200
    share = client.post("/v1/shares", json={"tank": "riffle", "length": "5d", "name": "neighbour"})
    assert share.status_code == 201, share.get_data(as_text=True)
    one.registry.add_rejections(
        [
            Rejection(NOW, f"shed/riffle/{n}", "cold", "not-a-number", "why", "", "riffle")
            for n in range(3)
        ]
    )
    one.store.write(list(readings()))
    Scheduler(one.registry, one.store, one.clock, 60.0).evaluate_all()
    found = client.get("/v1/recommendations?state=open").get_json()["recommendations"]
    assert len(found) >= 3
    for mark, recommendation in zip(("snooze", "dismiss"), found, strict=False):
        path = f"/v1/recommendations/{recommendation['id']}/{mark}"
        assert client.post(path, json={}).status_code == 200
    token, secret = one.registry.create_token("phone", Scope.ADMIN, NOW)
    one.registry.create_session(token.id, NOW, expires=NOW + timedelta(days=9))
    return secret


def readings() -> Any:
    """A day of three quantities each ten minutes; some flagged, some with a raw number."""
    for n in range(144):
        at = to_us(NOW - timedelta(minutes=10 * (n + 1)))
        lit = n < 24
        flags = Flag.SPIKE if n % 50 == 7 else Flag.NONE
        yield Reading("riffle", "ph", "glass-1", at, 6.8 - n / 1000, flags, 6.9 - n / 1000)
        yield Reading("riffle", "temperature", "wet-1", at, 24.0 + n / 100)
        yield Reading("riffle", "illuminance", "lamp-1", at, 9000.0 if lit else 3.0)


def answers(client: Any, secret: str) -> dict[str, Any]:
    """What is answered under each of ``PATHS``."""
    headers = {"Authorization": f"Bearer {secret}"}
    found = {}
    for path in PATHS:
        answer = client.get(path, headers=headers)
        assert answer.status_code == 200, (path, answer.get_data(as_text=True))
        found[path] = answer.get_json()
    return found
