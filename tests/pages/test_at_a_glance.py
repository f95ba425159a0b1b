"""What is read at a glance on a phone: figures, cards, the log, a day that follows the sliders."""

from __future__ import annotations

from playwright.sync_api import Locator, expect

from tests.pages.conftest import Opener
from tests.pages.served import Served


def left_edges(figures: Locator) -> list[int]:
    """Where the figures of a tank begin, whole pixels."""
    return [round(one.bounding_box()["x"]) for one in figures.all()]  # type: ignore[index]


def test_a_phone_shows_the_state_before_anything_else(shore: Served, visit: Opener) -> None:
    seen = visit(shore.url, width=360)
    page = seen.page
    columns = [left_edges(one.locator(".figure")) for one in page.locator(".berth").all()]
    assert len(columns) == 3
    assert columns[0] == columns[1] == columns[2], "aligned from tank to tank"
    expect(page.locator(".berth .day-line polyline")).not_to_have_count(0)

    page.get_by_role("link", name="Lateleaf").click()
    title, strip = page.locator("h1").bounding_box(), page.locator(".figures").bounding_box()
    assert title and strip
    assert strip["y"] - (title["y"] + title["height"]) < 30, "directly below the title"
    assert strip["y"] + strip["height"] < 800, "on the first screen"
    expect(page.locator("#figures .figure")).to_have_count(3)

    change = page.locator(".job", has_text="Large water change")
    expect(change.locator(".cautions")).to_be_hidden()
    change.locator(".how > summary").press("Enter")
    expect(change.locator(".cautions li").first).to_be_visible()
    expect(change.locator(".reasons")).to_contain_text("40 %")
    expect(change.get_by_role("button", name="Done and log")).to_be_visible()
    assert change.get_by_label("How much was changed", exact=True).input_value() == "50"
    expect(page.locator("#log-form").get_by_label("Remark")).to_be_hidden()

    page.get_by_role("link", name="What if").click()
    start = page.get_by_label("CO2 starts at")
    before = page.locator("#answer tbody").inner_text()
    start.focus()
    for _ in range(12):  # an hour, in steps of five minutes
        start.press("ArrowLeft")
    expect(page.locator("#gas-start-shown")).to_have_text("09:00")
    expect(page.locator("#answer tbody")).not_to_have_text(before)
    expect(page.locator("#answer polyline.changed")).to_have_count(1)
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    assert seen.complaints == []
