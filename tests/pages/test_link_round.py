"""The colleague's round on a phone: by link, with one tick that waits for a connection."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
import requests
from playwright.sync_api import Browser, Page, expect

from service.registry.models.log import LogKind
from service.registry.models.plans import DosePlan
from service.registry.models.tank import Stock, Tank
from tests.pages.accessibility import violations
from tests.pages.conftest import Opener
from tests.pages.served import Served
from tests.pictures.samples import exif, picture


def brook(served: Served) -> str:
    """A tank whose water is to be changed today, and the address of a link; invented.

    It is today for a service worker, whose clock no test can set: 11 o'clock at the tank.
    """
    now = served.clock.moment = datetime.now(UTC)
    tank = Tank(
        "brook",
        "Brook",
        time_zone=f"Etc/GMT{now.hour - 11:+d}",
        net_volume_l=120.0,
        animals=(Stock("Tanichthys albonubes", 12),),
        doses=(DosePlan("trace", ml_per_100_l=5.0),),
        contact="555 0100, also at night",
    )
    served.registry.put_tank(tank)
    week_ago = now - timedelta(days=7)
    served.registry.add_log(
        "brook",
        LogKind.WATER_CHANGE,
        week_ago,
        {"fraction": 0.5},
        by="the owner",
        recorded=week_ago,
    )
    made = now - timedelta(hours=1)  # the server's clock stands still, and no report is older
    _, secret = served.registry.create_share(
        "brook", now, now + timedelta(days=9), made,
        expires=now + timedelta(days=9), name="Ada", may_report=True,
    )  # fmt: skip
    return f"{served.url}/shared/{secret}"


def ready(page: Page) -> None:
    """Script has run, and the worker holds the page for later."""
    page.wait_for_selector("html[data-ready]", state="attached")
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")


def press(page: Page, *keys: str) -> None:
    for key in keys:
        page.keyboard.press(key)


@pytest.mark.needs("chromium")
def test_the_browser_finds_the_page_fit_to_be_installed(
    bare: Served, whole_browser: Browser
) -> None:
    address = brook(bare)
    page = whole_browser.new_page()
    page.goto(address)
    ready(page)
    devtools = page.context.new_cdp_session(page)
    manifest = devtools.send("Page.getAppManifest")
    assert (manifest["url"], manifest["errors"]) == (f"{address}/app.webmanifest", [])
    found = devtools.send("Page.getInstallabilityErrors")["installabilityErrors"]
    assert {one["errorId"] for one in found} == {"in-incognito"}, "as each window of a test is"


def test_the_round_by_link_offline_for_one_tick(bare: Served, visit: Opener) -> None:
    address = brook(bare)
    seen = visit(address, width=360)
    page = seen.page
    ready(page)
    today = page.locator("[data-day]").first.get_attribute("data-day")
    assert violations(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    first = page.locator("main h2:visible").first
    expect(first).to_have_text("In an emergency")
    expect(page.locator(".emergencies .call")).to_contain_text("555 0100, also at night")

    # One task with its number, by keyboard alone.
    change = page.locator(f'.task[data-name^="{today}/water-change-due"]')
    change.locator("summary").focus()
    press(page, "Enter")
    expect(change).to_contain_text("Before you start")
    amount = change.get_by_label("Water changed, L")
    expect(amount).to_have_value("60")
    amount.focus()
    press(page, "Control+A")
    page.keyboard.type("500")
    press(page, "Tab", "Tab", "Tab", "Enter")
    assert amount.evaluate("one => one.validationMessage") == (
        "Write a number up to 120, such as 60."
    )
    amount.focus()
    press(page, "Control+A")
    page.keyboard.type("54,5")
    press(page, "Tab")
    page.keyboard.type("a little cloudy")
    press(page, "Tab", "Tab", "Enter")
    expect(page.locator("#reported-list")).to_contain_text("Change 60 L (50 %)")
    expect(change).to_contain_text("done ")
    entry, _ = bare.registry.log("brook")
    assert (entry.kind, entry.by, entry.note) == (LogKind.WATER_CHANGE, "Ada", "a little cloudy")
    assert abs(entry.data["fraction"] - 54.5 / 120) < 1e-9

    # The connection is lost: the page opens all the same, and keeps a tick.
    bare.hang_up()
    page.clock.set_system_time(bare.clock.now() + timedelta(hours=3))
    page.reload()
    page.wait_for_selector("html[data-ready]", state="attached")
    expect(page.locator("#offline")).to_contain_text("No connection. This is the sheet of")
    expect(page.locator("#offline")).to_contain_text("3 hours old")
    look = page.locator(f'.task[data-name="{today}/look/"]')
    look.locator("summary").click()
    photograph = {"name": "tank.jpg", "mimeType": "image/jpeg", "buffer": picture(exif=exif())}
    look.locator("input[type=file]").set_input_files(photograph)
    look.get_by_role("button", name="Done").click()
    expect(page.locator("#kept")).to_contain_text("1 report kept on this phone, not sent yet.")
    page.reload()  # as when the phone was in a pocket
    page.wait_for_selector("html[data-ready]", state="attached")
    expect(page.locator("#kept")).to_contain_text(
        "Look at the tank, with 1 picture, ticked off just now"
    )
    expect(look).to_contain_text("kept on")
    assert violations(page) == []
    assert len(bare.registry.log("brook")) == 2

    # It is back: the tick arrives once, and is known as done.
    bare.clock.moment += timedelta(hours=3, minutes=20)
    page.clock.set_system_time(bare.clock.now())
    body = page.locator("body")
    before = body.get_attribute("data-made") or ""
    bare.start()
    page.evaluate("dispatchEvent(new Event('online'))")
    expect(body).not_to_have_attribute("data-made", before)  # an old sheet is loaded anew
    ready(page)
    expect(page.locator("#reported-list")).to_contain_text("Look at the tank")
    expect(page.locator("#kept")).to_be_hidden()
    expect(page.locator("#reported-list img")).to_have_count(1)
    entries = bare.registry.log("brook")
    assert [one.by for one in entries] == ["Ada", "Ada", "the owner"]
    done = next(one for one in entries if one.kind is LogKind.OBSERVATION)
    (sent,) = bare.registry.pictures("brook")
    assert (sent.entry, sent.width, sent.height) == (done.id, 64, 48)
    assert done.recorded is not None
    assert timedelta(minutes=19) < done.recorded - done.time < timedelta(minutes=21)
    expect(look).to_contain_text("done 1")
    tank_page = requests.get(f"{bare.url}/tanks/brook", timeout=60).text
    assert "a little cloudy" in tank_page and "Ada" in tank_page

    # The link ends while another tick waits: that is said, and not lost silently.
    bare.hang_up()
    page.reload()
    page.wait_for_selector("html[data-ready]", state="attached")
    page.get_by_label("Your note").fill("The smallest fish hides.")
    page.get_by_role("button", name="Leave the note").click()
    expect(page.locator("#kept")).to_contain_text("The smallest fish hides.")
    (link,) = bare.registry.shares()
    bare.registry.revoke_share(link.id, bare.clock.now())
    bare.start()
    page.reload()
    expect(page.get_by_role("heading", level=1)).to_have_text("No longer there")
    expect(page.locator("#kept")).to_contain_text(
        "1 report not taken: tell the tank keeper yourself"
    )
    expect(page.locator("#kept")).to_contain_text("Not taken: this link was revoked on")
    expect(page.locator("#kept")).to_contain_text("The smallest fish hides.")
    assert violations(page) == []
    page.get_by_role("button", name="I have told the tank keeper").click()
    expect(page.locator("#kept")).to_be_hidden()
    assert len(bare.registry.log("brook")) == 3
    bare.hang_up()
    page.reload()
    expect(page.locator("body")).to_contain_text("No connection, and no sheet is kept")
    bare.start()
    foreign = [one for one in seen.complaints if "Failed to load resource" not in one]
    assert foreign == []
