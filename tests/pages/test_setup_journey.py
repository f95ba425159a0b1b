"""From an empty service to a tank that is looked after, by pages alone.

No JSON is written and no file edited; on a phone and on a desk, the whole way by the keyboard
alone: what is pressed or typed into was reached by the Tab key.
"""

from __future__ import annotations

import re
from datetime import date, time, timedelta

from playwright.sync_api import Page, expect

from service.store.model import Reading
from service.times import to_us
from tests.ingest.conftest import publish
from tests.pages.accessibility import violations
from tests.pages.conftest import Opener
from tests.pages.served import Served
from tests.pages.test_sensor_journey import TOPIC, arrives, sends
from tests.servers import Mosquitto

MOST_TABS = 150
FOCUSED = """() => {
  const at = document.activeElement;
  const label = at.labels?.[0]?.innerText ?? at.getAttribute("aria-label") ?? "";
  const words = [at.name, at.innerText, label];
  return words.map((one) => (one ?? "").trim().split("\\n")[0].trim());
}"""


def tab_to(page: Page, name: str) -> None:
    """Press the Tab key until the input, button or link of a name, words or label has the focus."""
    for _ in range(MOST_TABS):
        if name in page.evaluate(FOCUSED):
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"{name} is not reached by the Tab key")


def press(page: Page, name: str) -> None:
    """Reach a button, a link or the head of a section, and press Enter."""
    tab_to(page, name)
    page.keyboard.press("Enter")


def type_into(page: Page, name: str, text: str) -> None:
    """Reach an input and type over what is in it; dates and times as the American browser asks."""
    tab_to(page, name)
    focused = page.evaluate_handle("document.activeElement").as_element()
    assert focused is not None
    kind = page.evaluate("document.activeElement.type")
    if kind == "date":
        page.keyboard.type(f"{date.fromisoformat(text):%m%d%Y}")
    elif kind == "time":
        page.keyboard.type(f"{time.fromisoformat(text):%I%M%p}")
    else:
        page.keyboard.press("ControlOrMeta+a")
        page.keyboard.type(text)
    assert focused.input_value() == text


def check(page: Page, widths: tuple[int, ...] = (1280, 360)) -> None:
    """No fault of accessibility and no sideways scroll, on a phone and on a desk."""
    for width in widths:
        page.set_viewport_size({"width": width, "height": 800})
        assert page.evaluate("document.documentElement.scrollWidth") <= width, page.url
        assert violations(page) == [], (page.url, width)


def test_from_an_empty_service_to_a_tank_that_is_looked_after(
    empty_workshop: Served, mosquitto: Mosquitto, visit: Opener
) -> None:
    served = empty_workshop
    seen = visit(served.url, width=360, timezone_id="Europe/Lisbon")
    page = seen.page
    press(page, "Set up a tank")
    expect(page.locator("[name=name]")).to_be_visible()
    make_the_tank(page)
    tank = served.registry.tank("riffle")
    assert tank.time_zone == "Europe/Lisbon", "the browser's own is offered"
    assert [(one.species, one.count) for one in tank.animals] == [("Tanichthys albonubes", 12)]

    check(page, (360,))
    expect(page.locator("#first-steps")).to_contain_text("5 of 8 left")
    press(page, "KH")
    expect(page.locator("[name=kh]")).to_be_visible()
    change_the_water(page)
    move_the_co2_start(page)
    take_a_topic(served, mosquitto, page)
    calibrate(served, page)
    plan_an_absence(page)
    (away,) = served.registry.absences()
    assert away.end - away.start == timedelta(days=14)
    assert [one for one in seen.complaints if "422" not in one] == [], "but the wrong KH"
    assert seen.strangers(served) == []


def make_the_tank(page: Page) -> None:
    """Name, dimensions, an animal by its common name, and plans, without a pointer."""
    type_into(page, "name", "Riffle")
    for side, text in (("length", "90"), ("width", "45,5"), ("height", "18")):
        type_into(page, f"dimensions.{side}", text)
    tab_to(page, "dimensions.height_unit")
    page.keyboard.type("in")
    expect(page.locator("[data-drawn=dimensions] figcaption")).to_contain_text("187.2 L")

    press(page, "Animals")
    type_into(page, "animals.0.species", "white cloud")
    expect(page.locator(".choices [role=option]").first).to_contain_text("Tanichthys albonubes")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Enter")
    expect(page.locator("[data-note='animals.0']")).to_contain_text("16 to 24 °C, tolerates")
    type_into(page, "animals.0.count", "12")
    expect(page.locator("[name='animals.1.species']")).to_be_visible()

    press(page, "Light and CO2")
    for name, text in (("light.start", "10:30"), ("gas.start", "08:30"), ("gas.end", "17:30")):
        type_into(page, name, text)
    strip = page.locator("[data-drawn=plan] svg")
    expect(strip).to_have_attribute("aria-label", re.compile("on 2 h before the light"))
    check(page)
    press(page, "Make this tank")
    expect(page.locator(".notice")).to_contain_text("Riffle is set up")


def change_the_water(page: Page) -> None:
    """A wrong KH is refused beside its field; the right one is stored."""
    kh = page.locator("[name=kh]")
    type_into(page, "kh", "500")
    press(page, "Save")
    expect(page.locator("#kh-fault")).to_contain_text("from 0 to 20 meq/L (56.1 dKH)")
    expect(kh).to_be_focused()
    expect(kh).to_have_value("500")
    check(page)
    type_into(page, "kh", "4,5")
    page.keyboard.press("Enter")
    expect(page.locator(".notice")).to_contain_text("Saved: KH")


def move_the_co2_start(page: Page) -> None:
    """One field and Save."""
    press(page, "Light and CO2")
    type_into(page, "gas.start", "07:40")
    expect(page.locator("#plan figcaption")).to_contain_text("CO2 07:40 to 17:30")
    press(page, "Save")
    expect(page.locator(".notice")).to_contain_text("Saved: CO2 on")


def take_a_topic(served: Served, mosquitto: Mosquitto, page: Page) -> None:
    """A topic of a board becomes the pH of the tank by one button."""
    publish(mosquitto, TOPIC, "6,62", "-r")
    press(page, "Overview")
    expect(page.locator("#first-steps")).to_be_visible()
    press(page, "First reading: pH")
    expect(page.get_by_role("button", name="Use this as the pH of Riffle")).to_be_visible()
    press(page, "Use this as the pH of Riffle")
    expect(page.locator(".notice")).to_contain_text("pH of Riffle comes from")

    arrives(served, mosquitto)


def calibrate(served: Served, page: Page) -> None:
    """Two buffers, as the page leads; the steps tick themselves off, and the list goes."""
    now_us = to_us(served.clock.now())
    served.store.write(
        [Reading("riffle", name, "main", now_us, value)
         for name, value in (("temperature", 21.0), ("ppfd", 60.0))]
    )  # fmt: skip
    served.clock.moment += timedelta(minutes=1)  # what the probe read in the tank is past
    page.goto(f"{served.url}/tanks/riffle")
    expect(page.locator("#first-steps")).to_contain_text("1 of 8 left")
    press(page, "Calibration of the pH probe")
    expect(page.get_by_role("button", name="Start: I take the probe out now")).to_be_visible()
    press(page, "Start: I take the probe out now")
    for buffer, value in (("7.00", 7.05), ("4.01", 4.12)):
        expect(page.get_by_text(f"It is in the buffer {buffer}")).to_be_visible()
        press(page, f"It is in the buffer {buffer}")
        expect(page.get_by_text("No reading yet since you put it in")).to_be_visible()
        sends(served, value)
        expect(page.get_by_text(f"Take {value} as buffer {buffer}")).to_be_visible()
        press(page, f"Take {value} as buffer {buffer}")
    expect(page.get_by_role("button", name="Save this calibration")).to_be_visible()
    press(page, "Save this calibration")
    expect(page.get_by_role("button", name="The probe is back in the tank")).to_be_visible()
    press(page, "The probe is back in the tank")
    expect(page.locator("#calibrations")).to_contain_text("7 read as 7.05")
    page.goto(f"{served.url}/tanks/riffle")
    expect(page.locator("#first-steps")).to_be_hidden()


def plan_an_absence(page: Page) -> None:
    """Days of the tank, the last one included."""
    press(page, "Absences")
    expect(page.get_by_role("button", name="Plan it")).to_be_visible()
    check(page, (1280,))
    page.set_viewport_size({"width": 360, "height": 800})
    type_into(page, "First day away", "2026-05-01")
    type_into(page, "Last day away", "2026-05-14")
    type_into(page, "Covers", "the colleague")
    press(page, "Plan it")
    expect(page.locator(".notice")).to_contain_text("Fri 1 May 2026 to Thu 14 May 2026")
    check(page, (360,))
