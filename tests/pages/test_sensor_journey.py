"""A keeper's way in a real browser: from a topic of a board to a calibrated pH, no file edited.

With a real broker and a running ingester, at the width of a phone, by keyboard where it matters.
"""

from __future__ import annotations

from datetime import timedelta

import pytest
from playwright.sync_api import Page, expect

from service.registry.models.log import LogKind
from service.registry.models.tank import Tank
from service.store.model import Reading, SeriesKey
from service.times import to_us
from tests.ingest.conftest import publish
from tests.pages.accessibility import violations
from tests.pages.conftest import Opener
from tests.pages.served import Served
from tests.servers import Mosquitto, wait_until

TOPIC = "esp/riffle/sensor/ph_value/state"


@pytest.fixture
def workshop(empty_workshop: Served) -> Served:
    """A tank, a service and an ingester at a broker."""
    empty_workshop.registry.put_tank(Tank("riffle", "Riffle", net_volume_l=120.0))
    return empty_workshop


def no_violations(page: Page) -> None:
    assert violations(page) == []
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), "scrolls sideways"


def press(page: Page, name: str) -> None:
    """Press a button or a link by keyboard."""
    page.get_by_role("button", name=name).or_(page.get_by_role("link", name=name)).first.focus()
    page.keyboard.press("Enter")


def sends(served: Served, value: float) -> None:
    """Two minutes of readings, and the clock goes on."""
    start_us = to_us(served.clock.moment)
    served.clock.moment += timedelta(minutes=2)
    served.store.write(
        [Reading("riffle", "ph", "main", start_us + n * 5_000_000, value) for n in range(1, 24)]
    )


def arrives(served: Served, mosquitto: Mosquitto) -> None:
    """The board sends until a reading is stored; the last one that it sent is stored too.

    One that came later would be stored with the time that the test sets the clock to.
    """
    key, sent = SeriesKey("riffle", "ph", "main"), [6.7]

    def stored() -> bool:
        sent.append(round(sent[-1] + 0.001, 3))
        publish(mosquitto, TOPIC, str(sent[-1]))
        return served.store.latest(key, flagged=True) is not None

    def all_stored() -> bool:
        latest = served.store.latest(key, flagged=True)
        return latest is not None and latest.value == sent[-1]

    wait_until(stored)
    wait_until(all_stored)


def test_from_a_topic_to_a_calibrated_sensor(
    workshop: Served, mosquitto: Mosquitto, visit: Opener
) -> None:
    publish(mosquitto, TOPIC, "6,62", "-r")
    publish(mosquitto, "yard/box", '{"temp": 24.5, "rssi": -60}', "-r")
    page = visit(f"{workshop.url}/sensors", width=360).page
    taking = page.get_by_role("button", name="Use this as the pH of Riffle")
    expect(taking).to_be_visible()
    no_violations(page)
    press(page, "Use this as the pH of Riffle")
    expect(page.locator(".notice")).to_contain_text("pH of Riffle comes from")

    press(page, "Say what it is")
    page.get_by_label("Tank").select_option("Riffle")
    press(page, "Show what it would be")
    expect(page.locator(".notice")).to_contain_text("sensor main: 24.5")
    no_violations(page)
    press(page, "Use it")
    expect(page.locator("#routes")).to_contain_text("Temperature of Riffle")

    arrives(workshop, mosquitto)
    workshop.clock.moment += timedelta(minutes=1)
    page.goto(f"{workshop.url}/tanks/riffle/sensors")
    expect(page.get_by_text("believed: it is called main").first).to_be_visible()
    no_violations(page)
    press(page, "Calibrate the pH probe")
    expect(page.get_by_label("Buffers", exact=True)).to_be_visible()
    no_violations(page)
    press(page, "Start: I take the probe out now")
    for buffer, value in (("7.00", 7.05), ("4.01", 4.12)):
        press(page, f"It is in the buffer {buffer}")
        expect(page.get_by_text("No reading yet since you put it in")).to_be_visible()
        sends(workshop, value)  # the page shows it by itself
        expect(page.get_by_text("It no longer moves")).to_be_visible()
        no_violations(page)
        press(page, f"Take {value} as buffer {buffer}")
    expect(page.locator(".result")).to_contain_text("98.0 %")
    expect(page.locator(".result")).to_contain_text("good")
    no_violations(page)
    press(page, "Save this calibration")
    press(page, "The probe is back in the tank")
    expect(page.locator("#calibrations")).to_contain_text("7 read as 7.05")
    press(page, "Undo the calibration")
    expect(page.locator(".notice")).to_contain_text("Calibration undone")
    kinds = {one.kind for one in workshop.registry.log("riffle")}
    assert kinds == {LogKind.PROBE_OUT, LogKind.PROBE_BACK}
