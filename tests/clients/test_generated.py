"""Clients that well-known generators make of the document: they compile, and every operation works.

Outside checks: openapi-typescript (npm) with the TypeScript compiler, and openapi-python-client
(PyPI), in environments of their own, which tests/clients/prepare.sh makes.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
import requests

from service.config import Config, PicturesConfig
from service.registry.models.log import LogKind
from tests.derive.pieces import NOON
from tests.integrations.conftest import Home, home, served
from tests.pictures.samples import picture
from tests.servers import program

__all__ = ["home"]  # a fixture

HERE = Path(__file__).parent
DOCUMENT = HERE.parents[1] / "docs" / "openapi.json"
TOOLS = Path(sys.prefix) / "clients"


def run(*command: str | Path, cwd: Path, **environ: str) -> str:
    done = subprocess.run(
        [str(word) for word in command],
        cwd=cwd,
        env={**os.environ, **environ},
        capture_output=True,
        text=True,
        timeout=240,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "warning" not in done.stderr.lower(), done.stderr
    return done.stdout


@pytest.fixture
def service(home: Home, tmp_path: Path) -> Iterator[str]:
    """A server with the tank ``reed``, evaluated once; its address. There is no token."""
    config = Config(pictures=PicturesConfig(folder=str(tmp_path / "pictures")))
    with served(home, config) as url:
        yield url


REFUSED = {
    "post_tanks_tank_what_if",  # two days are too few to fit its gas exchange
    "post_deliveries_id_redeliver",  # nothing was sent
    "delete_sessions_id",  # nobody is logged in
    "post_shared_secret_reports",  # a signed task belongs to it
    "post_shared_secret_pictures",  # likewise
}


@pytest.mark.slow
def test_python_client_works_for_every_operation(service: str, home: Home, tmp_path: Path) -> None:
    bin_ = TOOLS / "python" / "bin"
    said = run(
        bin_ / "openapi-python-client", "generate", "--path", DOCUMENT, "--meta", "none",
        "--output-path", "littoral_api", "--config", HERE / "generator.yaml",
        cwd=tmp_path, PATH=f"{bin_}:{os.environ['PATH']}",
    )  # fmt: skip
    assert "warning" not in said.lower(), said
    spec = json.loads(DOCUMENT.read_text())
    share = {"tank": "reed", "length": "P7D", "name": "the neighbour", "may_report": True}
    shared = requests.post(f"{service}/v1/shares", json=share, timeout=60).json()
    other = requests.post(f"{service}/v1/shares", json=share, timeout=60).json()
    route = {"topic": "yard/box", "tank": "reed", "quantity": "ph", "path": "water.ph"}
    routed = requests.post(f"{service}/v1/routes", json=route, timeout=60).json()
    (recommendation, *_) = requests.get(f"{service}/v1/recommendations", timeout=60).json()[
        "recommendations"
    ]
    noted = home.registry.add_log("reed", LogKind.OBSERVATION, NOON, {}, "calm")
    calibrated = home.registry.add_log("reed", LogKind.CALIBRATION, NOON, {"quantity": "ph"})
    begun = {"question": "CO2 30 min earlier", "watched": ["co2-at-lights-on"]}
    trial, judged, ended = (
        requests.post(f"{service}/v1/tanks/reed/trials", json=begun, timeout=60).json()["id"]
        for _ in range(3)
    )
    file = tmp_path / "picture.jpg"
    file.write_bytes(picture())
    note = requests.get(f"{shared['url']}/tasks", timeout=60).json()["note"]
    report = {"report": json.dumps({"task": note, "key": "a-key-of-its-own"})}
    form = {"picture": ("picture.jpg", file.read_bytes())}
    sent = requests.post(f"{shared['url']}/pictures", data=report, files=form, timeout=60)
    assert sent.status_code == 200, sent.text
    (taken,) = requests.get(f"{service}/v1/tanks/reed/pictures", timeout=60).json()["pictures"]
    values = {
        "tank": "reed",
        "picture": taken["id"],
        "picture_file": str(file),
        "secret": shared["url"].rpartition("/")[2],
        "id": recommendation["id"],
        "entry": noted.id,
        "trial": trial,
        "patch_tanks_tank_trials_trial": {"body": {"question": "CO2 an hour earlier"}},
        "post_tanks_tank_trials_trial_judge": {"trial": judged},
        "post_tanks_tank_trials_trial_end": {"trial": ended},
        "put_tanks_tank": {"body": {"name": "Reed bed"}, "tank": "sedge"},
        "delete_tanks_tank": {"tank": "sedge"},
        "get_handover": {"start": "2026-03-11", "end": "2026-03-13"},
        "get_handover_ics": {"start": "2026-03-11", "end": "2026-03-13"},
        "get_handover_return": {"start": "2026-03-08"},
        "post_tanks_tank_pictures": {"documents": {"entry": {"kind": "trim", "note": "stems"}}},
        "post_shared_secret_pictures": {"documents": {"report": {"task": "x", "key": "12345678"}}},
        "post_recommendations_id_done": {"body": {"by": "Ada"}},
        "post_routes": {"body": route | {"topic": "yard/other", "quantity": "temperature"}},
        "post_shares": {"body": share},
        "delete_routes_id": {"id": routed["id"]},
        "delete_shares_id": {"id": other["id"]},
        "delete_tanks_tank_calibrations_entry": {"entry": calibrated.id},
    }
    program_ = HERE / "every_operation.py"
    printed = run(
        bin_ / "python", program_, tmp_path, DOCUMENT, service, json.dumps(values), cwd=tmp_path
    )
    found = json.loads(printed)
    operations = {
        item[method]["operationId"]
        for item in spec["paths"].values()
        for method in ("get", "put", "post", "patch", "delete")
        if method in item
    }
    assert set(found) == operations
    # A refusal that names what is wrong in the example has gone the whole way there and back.
    refused = {name for name, (status, made) in found.items() if made == "Problem" and status in
               (404, 409, 422)}  # fmt: skip
    wrong = {
        name: answer
        for name, answer in found.items()
        if name not in refused
        and (answer[0] >= 300 or (answer[1] == "NoneType" and answer[0] != 204))
    }
    assert not wrong
    assert refused == REFUSED


@pytest.mark.slow
def test_typescript_client_compiles(tmp_path: Path) -> None:
    tools = TOOLS / "node" / "node_modules" / ".bin"
    run(tools / "openapi-typescript", DOCUMENT, "-o", tmp_path / "api.d.ts", cwd=tmp_path)
    (tmp_path / "use.ts").write_text((HERE / "use.ts").read_text())
    (tmp_path / "node_modules").symlink_to(tools.parent)
    run(program("node"), tools.parent / "typescript" / "bin" / "tsc", "--strict", "--noEmit",
        "--module", "nodenext", "--target", "es2022", "use.ts", cwd=tmp_path)  # fmt: skip
