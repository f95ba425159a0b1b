"""A real home-automation hub finds the tanks, follows them, and acts once for what is urgent.

The hub comes from PyPI (``tests/integrations/hub/real``): 2024.3.3, the entity form, since it knows
no other; 2025.4.4, the device form.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from textwrap import indent
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from service.advice.engine.history.ledger import Ledger
from service.advice.engine.recommendation import Amount, Finding, Severity
from service.config import HubOptions, MqttConfig
from service.derive.models.quality import Quality
from service.derive.models.tank_view import TankView
from service.integrations.hub.presses import Marking
from service.integrations.hub.publisher import Hub
from service.registry.models.recommendations import State
from service.version import package_version
from tests.advice.engine.test_ledger import at, finding
from tests.derive.pieces import NOON
from tests.integrations.conftest import Home
from tests.integrations.hub.real.server import PYTHONS, START_S, RealHub, environment, python_for
from tests.integrations.relay import Relay
from tests.integrations.test_documented import HOME, examples
from tests.servers import Mosquitto, wait_until

EXAMPLES = examples(HOME)
FIRED = "test/fired"
#: The documented action first: where it fails, what comes after it is not done.
AUTOMATION = f"""
- id: urgent
  alias: Urgent
  use_blueprint:
    path: littoral/urgent.yaml
    input:
      actions:
{indent(EXAMPLES["hub action"][1], " " * 8)}
        - service: mqtt.publish
          data:
            topic: {FIRED}
            payload: "{{{{ trigger.payload_json.title }}}}"
"""
HEAT = finding("heat", Severity.URGENT)
MORE_HEAT = replace(HEAT, amounts=(Amount("water", 30.0, "L"),))
FALL = finding("fall", Severity.URGENT)
MORE_FALL = replace(FALL, amounts=(Amount("water", 30.0, "L"),))
DRIFT = finding("drift", Severity.WARNING)


@dataclass
class House:
    """A hub on a broker, with the form of discovery that it takes."""

    broker: Mosquitto
    hub: RealHub
    options: HubOptions

    def shows(self, entity: str, state: str | None) -> None:
        """Wait until an entity has a state; None: until it is gone."""
        wait_until(
            lambda: self.hub.state(entity) == state,
            why=lambda: f"{entity} {self.hub.entities.get(entity)}\n{self.hub.log[-3000:]}",
        )


@dataclass
class Evaluations:
    """What the scheduler does with a view of the tank and what rules have found."""

    integration: Hub
    ledger: Ledger
    house: House

    def run(self, findings: Sequence[Finding], view: TankView | None = None) -> None:
        """Evaluate the tank once."""
        view = view or at(NOON)
        self.integration.retain_only(frozenset({view.tank.id}))
        self.integration.update(view, self.ledger.update(view, findings))

    def until(self, findings: Sequence[Finding], entity: str, state: str) -> None:
        """Evaluate, as the scheduler does again and again, until the hub shows a state.

        States are not retained: what was sent before the hub has subscribed is lost.
        """

        def shown() -> bool:
            self.run(findings)
            time.sleep(0.2)
            return self.house.hub.state(entity) == state

        wait_until(shown, why=lambda: f"{entity}\n{self.house.hub.log[-3000:]}")


class Fired:
    """What the automation did, heard at the broker."""

    def __init__(self, port: int) -> None:
        self.titles: list[str] = []
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.on_connect = lambda client, *_: client.subscribe(FIRED, 1)
        self._client.on_message = lambda *args: self.titles.append(args[2].payload.decode())
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture(
    scope="module",
    params=[("2024.3.3", HubOptions()), ("2025.4.4", HubOptions(discovery="device"))],
    ids=["entity", "device"],
)
def house(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[House]:
    """The hub with the blueprint of the documentation and an automation made of it."""
    version, options = request.param
    python = python_for(version)
    if python is None:
        pytest.skip(f"the hub {version} runs on {PYTHONS[version]}, which is not here")
    folder = tmp_path_factory.mktemp(f"hub-{version}")
    broker = Mosquitto(folder / "broker")
    broker.start()
    hub = RealHub(folder / "hub", environment(version, python), broker.port, AUTOMATION)
    hub.add_blueprint("littoral/urgent.yaml", EXAMPLES["hub blueprint"][1])
    try:
        hub.start(START_S)
        yield House(broker, hub, options)
    finally:
        hub.stop()
        broker.stop()


@contextmanager
def service(house: House, home: Home, port: int) -> Iterator[Evaluations]:
    """What Littoral runs, connected to the broker at a port."""
    marking = Marking(home.registry, home.clock, lambda: None)
    config = MqttConfig(url=f"mqtt://127.0.0.1:{port}")
    made = Hub("rooms", house.options, config, 60.0, marking, "https://tanks.example/")
    made.start()
    wait_until(lambda: made.is_connected)
    try:
        yield Evaluations(made, Ledger(home.registry), house)
    finally:
        made.stop()


@pytest.mark.slow
def test_a_hub_from_the_first_tank_to_the_last(house: House, home: Home) -> None:
    """One journey, since the hub takes long to start: it is never configured, only restarted."""
    hub, broker, fired = house.hub, house.broker, Fired(house.broker.port)
    with Relay(broker.port) as relay, service(house, home, relay.port) as tank:
        # Entities appear with no configuration.
        tank.until([], "sensor.reed_bed_temperature", "24")
        found = hub.present("reed_bed")
        for entity in (
            "sensor.reed_bed_ph", "sensor.reed_bed_dissolved_co2", "binary_sensor.reed_bed_light",
            "sensor.reed_bed_co2_against_its_target", "sensor.reed_bed_illuminance",
            "sensor.reed_bed_what_to_do_first", "sensor.reed_bed_open_recommendations",
            "binary_sensor.reed_bed_open_urgent", "event.reed_bed_advice",
            "button.reed_bed_done_what_to_do_first", "button.reed_bed_not_now_what_to_do_first",
        ):  # fmt: skip
            assert entity in found, (entity, sorted(found), hub.log[-3000:])
        wait_until(lambda: hub.present("reed_bed_what_to_do").popitem()[1] != "unknown")
        (device,) = hub.devices.values()
        assert device["name"] == "Reed bed" and device["manufacturer"] == "Littoral"
        assert device["sw_version"] == package_version()
        assert device["configuration_url"] == "https://tanks.example/tanks/reed"

        # A stale sensor has no state, whatever it was before.
        view = at(NOON)
        old = replace(view.temperature, quality=Quality.STALE, reasons=("no reading since noon",))
        tank.run([], replace(view, temperature=old))
        house.shows("sensor.reed_bed_temperature", "unavailable")

        # An automation fires once for one urgent recommendation, with the words.
        tank.until([HEAT, DRIFT], "binary_sensor.reed_bed_open_urgent", "on")
        wait_until(lambda: fired.titles == ["heat title"], why=lambda: hub.log[-3000:])
        house.shows("sensor.reed_bed_what_to_do_first", "heat title")
        words = hub.entities["sensor.reed_bed_what_to_do_first"].attributes
        assert words["action"] == "heat action" and words["severity"] == "urgent"
        assert [one["code"] for one in words["others"]] == ["drift"]
        assert hub.entities["event.reed_bed_advice"].attributes["event_type"] == "opened"

        # An urgent one of which an amount changes is no second urgent one.
        tank.run([MORE_HEAT, DRIFT])
        wait_until(lambda: event_type(hub) == "changed", why=lambda: hub.log[-3000:])

        # The broker restarts and has lost everything; the hub restarts: all is there again.
        broker.restart()
        house.shows("binary_sensor.reed_bed_open_urgent", "unavailable")
        tank.until([MORE_HEAT, DRIFT], "binary_sensor.reed_bed_open_urgent", "on")
        hub.restart()
        house.shows("binary_sensor.reed_bed_open_urgent", "on")
        house.shows("sensor.reed_bed_what_to_do_first", "heat title")

        # A button marks what it was made for; what comes first is another then.
        not_now = "button.reed_bed_not_now_what_to_do_first"
        house.shows(not_now, "unknown")  # available, and never pressed
        hub.call("button", "press", entity_id=not_now)
        wait_until(
            lambda: [one.finding.code for one in snoozed(tank.ledger)] == ["heat"],
            why=lambda: hub.log[-4000:],
        )
        tank.until([MORE_HEAT, DRIFT], "sensor.reed_bed_what_to_do_first", "drift title")
        tank.until([MORE_HEAT, DRIFT, FALL], "sensor.reed_bed_what_to_do_first", "fall title")
        wait_until(lambda: fired.titles == ["heat title", "fall title"])

        # The service is killed: nothing is shown that may be old.
        relay.close()
        house.shows("sensor.reed_bed_temperature", "unavailable")
        house.shows("event.reed_bed_advice", "unavailable")
    with service(house, home, broker.port) as tank:
        tank.until([MORE_HEAT, DRIFT, FALL], "sensor.reed_bed_temperature", "24")
        # An amount that changes after the restart makes nothing urgent anew.
        tank.run([MORE_HEAT, DRIFT, MORE_FALL])
        wait_until(lambda: event_type(hub) == "changed", why=lambda: hub.log[-3000:])
        # A tank that is renamed keeps its entities.
        renamed = replace(at(NOON), tank=replace(at(NOON).tank, name="Old reeds"))
        tank.run([MORE_HEAT, DRIFT], renamed)
        wait_until(lambda: names_of(hub)["friendly_name"] == "Old reeds Temperature")
        # A tank that is deleted is gone.
        tank.integration.retain_only(frozenset())
        wait_until(lambda: hub.present("reed_bed") == {}, why=lambda: f"{hub.present('reed_bed')}")
    assert fired.titles == ["heat title", "fall title"]
    fired.close()


def event_type(hub: RealHub) -> str:
    hub.look()
    return str(hub.entities["event.reed_bed_advice"].attributes["event_type"])


def snoozed(ledger: Ledger) -> list[Any]:
    return ledger.list("reed", [State.SNOOZED])


def names_of(hub: RealHub) -> dict[str, Any]:
    hub.look()
    return hub.entities["sensor.reed_bed_temperature"].attributes
