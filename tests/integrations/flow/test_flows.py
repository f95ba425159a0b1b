"""The flows of docs/flows in the flow tool itself: advice and webhooks become notifications."""

from __future__ import annotations

import base64
import hashlib
import json
import shutil
import subprocess
import sys
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Final

import pytest
import requests

from service.advice.engine.history.ledger import Ledger
from service.advice.engine.recommendation import Finding, Severity
from service.clock import SystemClock
from service.config import MqttConfig, WebhookOptions
from service.integrations.mqtt_advice import MqttAdvice
from service.integrations.webhooks.post import signed_message
from service.integrations.webhooks.target import WebhookTarget, webhook_target
from service.registry.models.events import Event
from tests.advice.engine.test_ledger import at, finding
from tests.derive.pieces import NOON
from tests.integrations.conftest import Home
from tests.integrations.webhooks.receiver import Receiver
from tests.servers import HOST, Mosquitto, Server, program, wait_until

HERE: Final = Path(__file__).parent
FLOWS: Final = Path(__file__).parents[3] / "docs" / "flows"
KEY: Final = b"A" * 30
SECRET: Final = f"whsec_{base64.b64encode(KEY).decode()}"


def installed() -> Path:
    """The folder of the flow tool, installed by the lock where it is not there yet."""
    lock = HERE / "package-lock.json"
    digest = hashlib.sha256(lock.read_bytes()).hexdigest()
    folder = Path(sys.prefix) / "flow-tool"
    stamp = folder / "installed"
    if not stamp.exists() or stamp.read_text() != digest:
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir()
        for name in ("package.json", "package-lock.json"):
            shutil.copy(HERE / name, folder)
        npm = [program("npm"), "ci", "--ignore-scripts", "--no-audit", "--no-fund", "--silent"]
        done = subprocess.run(npm, cwd=folder, capture_output=True, text=True, timeout=600)
        assert done.returncode == 0, f"npm ci failed: {done.stderr}"
        stamp.write_text(digest)
    return folder


class FlowTool(Server):
    """The flow tool with the shipped flows, without its editor."""

    name = "flow-tool"

    def __init__(self, folder: Path, broker: Mosquitto, notify_url: str) -> None:
        super().__init__(folder)
        files = sorted(FLOWS.glob("*.json"))
        flows = [node for file in files for node in json.loads(file.read_text())]
        (folder / "flows.json").write_text(json.dumps(flows))
        variables = {
            "MQTT_HOST": HOST,
            "MQTT_PORT": str(broker.port),
            "NOTIFY_URL": notify_url,
            "LITTORAL_WEBHOOK_SECRET": SECRET,
        }
        lines = [f"process.env.{name} = {json.dumps(text)};" for name, text in variables.items()]
        settings = {
            "flowFile": "flows.json", "uiHost": HOST, "uiPort": self.port, "disableEditor": True,
            "credentialSecret": False, "logging": {"console": {"level": "info"}},
        }  # fmt: skip
        lines.append(f"module.exports = {json.dumps(settings)};")
        (folder / "settings.js").write_text("\n".join(lines))

    def command(self) -> Sequence[str]:
        """See ``Server``."""
        red = installed() / "node_modules" / "node-red" / "red.js"
        settings = self.folder / "settings.js"
        return [program("node"), str(red), "-u", str(self.folder), "-s", str(settings)]

    def ready(self) -> bool:
        """Whether the flows run and the broker is connected."""
        return "Started flows" in self.log and "Connected to broker" in self.log


@pytest.fixture(scope="module")
def notified() -> Iterator[Receiver]:
    """Whatever shows notifications, such as a telephone's service."""
    with Receiver() as receiver:
        yield receiver


@pytest.fixture(scope="module")
def flow_broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mosquitto]:
    server = Mosquitto(tmp_path_factory.mktemp("flow-broker"))
    server.start()
    yield server
    server.stop()


@pytest.fixture(scope="module")
def flow_tool(
    tmp_path_factory: pytest.TempPathFactory, flow_broker: Mosquitto, notified: Receiver
) -> Iterator[FlowTool]:
    tool = FlowTool(tmp_path_factory.mktemp("flow-tool"), flow_broker, notified.url)
    tool.start(120.0)
    yield tool
    tool.stop()


def titles(receiver: Receiver) -> list[str]:
    return [json.loads(one.body)["title"] for one in receiver.received]


@pytest.mark.slow
def test_urgent_advice_is_a_notification_once(
    home: Home, flow_broker: Mosquitto, flow_tool: FlowTool, notified: Receiver
) -> None:
    notified.received.clear()
    ledger = Ledger(home.registry)
    heat = replace(finding("heat", Severity.URGENT), cautions=("Unplug the heater first.",))
    config = MqttConfig(url=flow_broker.url)

    def evaluate(advice: MqttAdvice, *findings: Finding) -> None:
        view = at(NOON)
        advice.update(view, ledger.update(view, findings))

    for run in range(2):  # the second one publishes it all again
        advice = MqttAdvice(config, 60.0)
        advice.start()
        wait_until(lambda advice=advice: advice.is_connected)  # type: ignore[misc]
        evaluate(advice, heat, finding("drift", Severity.WARNING))
        if run == 0:
            wait_until(lambda: titles(notified) == ["heat title"], why=lambda: flow_tool.log)
            message = json.loads(notified.received[0].body)
            assert message["tank"] == "reed"
            assert message["message"] == "heat action Unplug the heater first."
        else:  # what comes after it comes through: so the first was not sent again
            evaluate(advice, heat, finding("flood", Severity.URGENT))
            wait_until(lambda: len(notified.received) > 1, why=lambda: flow_tool.log)
            assert titles(notified) == ["heat title", "flood title"]
        advice.stop()


def event(id: str) -> Event:
    data = {"title": "Cool it: 31 °C", "action": "Cool it.", "cautions": ["Mind."], "due": None}
    now = SystemClock().now()
    return Event(1, id, "recommendation.opened", "heat-1", "reed", now, data)


@pytest.mark.slow
def test_a_webhook_is_a_notification_if_its_signature_is_right(
    flow_tool: FlowTool, notified: Receiver
) -> None:
    notified.received.clear()
    target = webhook_target("flow", WebhookOptions("https://hook.example/", KEY))
    url = f"http://{HOST}:{flow_tool.port}/tanks"
    now = SystemClock().now()

    def posted(headers: dict[str, str], body: bytes) -> int:
        return requests.post(url, data=body, headers=headers, timeout=60).status_code

    headers, body = signed_message(target, event("one"), now)
    forged = WebhookTarget("flow", b"B" * 30, target.options)
    assert posted(*signed_message(forged, event("two"), now)) == 401
    assert posted(headers, body.replace(b"31", b"13")) == 401
    assert posted({**headers, "webhook-id": "three"}, body) == 401
    assert posted(*signed_message(target, event("four"), now - timedelta(minutes=6))) == 401
    assert posted({"content-type": headers["content-type"]}, body) == 401
    for _ in range(2):  # it may come twice
        assert posted(headers, body) == 204
    assert posted(*signed_message(target, event("five"), now)) == 204
    wait_until(lambda: len(notified.received) > 1, why=lambda: flow_tool.log)
    first, second = (json.loads(one.body) for one in notified.received)
    assert first == second  # of "one" and "five", each once
    assert first["title"] == "Cool it: 31 °C" and first["message"] == "Cool it. Mind."


def test_the_flows_name_no_address_and_no_secret() -> None:
    for file in FLOWS.glob("*.json"):
        for node in json.loads(file.read_text()):
            for name in ("url", "broker", "port"):
                text = str(node.get(name, ""))
                assert text.startswith(("${", "/tanks")) or text in ("", "litt-broker"), node
            assert "credentials" not in node
