"""The charts: spans, zoom, keys, gaps, live points."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from service.derive.co2.series import co2_series, inner_step_us, mean_over
from service.derive.loader import CO2_QUANTITIES, load_span
from service.registry.models.tank import Stock, Tank
from service.store.model import Reading
from service.times import to_us
from tests.pages.conftest import Opener, Watched
from tests.pages.served import Served

US_PER_MINUTE = 60_000_000


@pytest.fixture
def charts(shore: Served, visit: Opener) -> Watched:
    """The charts of a tank with some days of readings, drawn."""
    seen = visit(f"{shore.url}/tanks/lateleaf")
    drawn(seen.page)
    return seen


def drawn(page: Page) -> None:
    """Wait until all three charts are there."""
    expect(page.locator(".chart[aria-busy]")).to_have_count(0)
    expect(page.locator(".chart canvas")).to_have_count(3)


def steps(seen: Watched) -> set[str]:
    """The steps (s) in which series were asked for."""
    return set(re.findall(r"every=(\d+)s", " ".join(seen.requests)))


def pixels(page: Page, key: str, colour: tuple[int, int, int]) -> int:
    """How many pixels of a chart's canvas have about this colour."""
    counted: int = page.evaluate(
        """([key, colour]) => {
          const canvas = document.querySelector(`#${key}-chart canvas`);
          const { data } = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height);
          let counted = 0;
          for (let at = 0; at < data.length; at += 4) {
            const off = colour.map((part, which) => Math.abs(part - data[at + which]));
            if (data[at + 3] > 200 && Math.max(...off) < 40) counted += 1;
          }
          return counted;
        }""",
        [key, list(colour)],
    )
    return counted


def test_curves_lit_hours_and_excursions_are_drawn(shore: Served, visit: Opener) -> None:
    page = visit(f"{shore.url}/tanks/emberpane").page
    drawn(page)
    water, lit_wash = (12, 90, 102), (251, 238, 203)
    assert pixels(page, "co2", water) > 300, "the curve"
    assert pixels(page, "co2", lit_wash) > 2000, "lit hours behind it"
    assert pixels(page, "temperature", water) > 300
    expect(page.locator("#temperature-readout")).to_contain_text("hatched: outside the animals")


def test_spans_ask_for_coarser_steps(charts: Watched) -> None:
    page = charts.page
    assert steps(charts) == {"300"}
    expected = {"week": {"1800"}, "month": {"7200", "86400"}, "year": {"86400", "7200"}}
    for word, wanted in expected.items():
        charts.requests.clear()
        page.get_by_role("tab", name=word).click()
        page.wait_for_load_state("networkidle")
        drawn(page)
        assert steps(charts) == wanted, word
        expect(page.get_by_role("tab", name=word)).to_have_attribute("aria-selected", "true")
    assert "range=year" in page.url
    assert charts.complaints == []


def test_hover_tells_the_value_of_the_service(shore: Served, charts: Watched) -> None:
    page = charts.page
    box = page.locator("#co2-chart .u-over").bounding_box()
    assert box
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + 20)
    text = page.locator("#co2-readout").inner_text()
    found = re.fullmatch(r"Wed 15 Apr, (\d\d):(\d\d): CO2 ([\d.]+) mg/L, 95 % between .*", text)
    assert found, text
    end = shore.clock.now()
    start, every_us = end - timedelta(days=1), 5 * US_PER_MINUTE
    inputs = load_span(
        shore.registry.tank("lateleaf"),
        shore.registry,
        shore.store,
        start,
        end,
        quantities=CO2_QUANTITIES,
        step_us=inner_step_us(start, end, every_us),
    )
    series = mean_over(co2_series(inputs), every_us)
    assert any(abs(value - float(found[3])) < 0.051 for value in series.value)
    for key in ("temperature", "light"):
        expect(page.locator(f"#{key}-readout")).to_contain_text(f"{found[1]}:"), "in step"


def test_drag_zooms_and_double_click_goes_back(charts: Watched) -> None:
    page = charts.page
    whole = page.locator("#span").inner_text()
    box = page.locator("#co2-chart .u-over").bounding_box()
    assert box
    y = box["y"] + box["height"] / 2
    charts.requests.clear()
    page.mouse.move(box["x"] + 0.5 * box["width"], y)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.6 * box["width"], y, steps=4)
    page.mouse.up()
    expect(page.locator("#span")).not_to_have_text(whole)
    drawn(page)
    page.wait_for_load_state("networkidle")
    assert steps(charts) == {"60"}, "a tenth of a day is told by the minute"
    page.locator("#co2-chart .u-over").dblclick()
    expect(page.locator("#span")).to_have_text(whole)


def test_buttons_and_keys_do_the_same(charts: Watched) -> None:
    page = charts.page
    whole = page.locator("#span").inner_text()
    page.get_by_role("button", name="earlier").click()
    expect(page.locator("#span")).to_have_text("Tue 14 Apr, 01:20 to Wed 15 Apr, 01:20")
    page.get_by_role("button", name="now").click()
    expect(page.locator("#span")).to_have_text(whole)
    expect(page.get_by_role("button", name="now")).to_be_disabled()
    page.get_by_role("button", name="earlier").click()
    page.locator("#co2-chart").focus()
    page.keyboard.press("0")
    expect(page.locator("#span")).to_have_text(whole)
    page.keyboard.press("+")
    expect(page.locator("#span")).to_have_text("Wed 15 Apr, 01:20 to Wed 15 Apr, 13:20")
    page.keyboard.press("-")
    expect(page.locator("#span")).to_have_text(whole)
    drawn(page)
    page.keyboard.press("ArrowLeft")
    last = page.locator("#co2-readout").inner_text()
    page.keyboard.press("ArrowLeft")
    before = page.locator("#co2-readout").inner_text()
    assert re.match(r"Wed 15 Apr, 13:\d\d: CO2", last), last
    assert before < last, "one reading earlier"
    expect(page.locator("#co2-readout")).to_have_attribute("aria-live", "polite")
    page.get_by_role("tab", name="day").focus()
    page.keyboard.press("ArrowRight")
    expect(page.get_by_role("tab", name="week")).to_be_focused()
    expect(page.get_by_role("tab", name="week")).to_have_attribute("aria-selected", "true")
    expect(page.locator("#span")).to_have_text("Wed 8 Apr, 13:20 to Wed 15 Apr, 13:20")


def test_fingers_move_and_zoom_the_window(shore: Served, visit: Opener) -> None:
    """One finger sideways moves it by what it covers, two fingers apart by 2 halve it."""
    page = visit(f"{shore.url}/tanks/lateleaf", width=360, has_touch=True).page
    drawn(page)
    page.locator("#co2-chart").scroll_into_view_if_needed()
    box = page.locator("#co2-chart .u-over").bounding_box()
    assert box
    hand = page.context.new_cdp_session(page)

    def touch(kind: str, *shares: float) -> None:
        points = [
            {"x": box["x"] + share * box["width"], "y": box["y"] + 40, "id": number}
            for number, share in enumerate(shares)
        ]
        hand.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    touch("touchStart", 0.25)
    for share in (0.4, 0.6, 0.75):
        touch("touchMove", share)
    touch("touchEnd")
    expect(page.locator("#span")).to_have_text("Tue 14 Apr, 01:20 to Wed 15 Apr, 01:20")
    touch("touchStart", 0.4)
    touch("touchStart", 0.4, 0.6)
    for apart in (0.25, 0.3, 0.4):
        touch("touchMove", 0.5 - apart / 2, 0.5 + apart / 2)
    touch("touchEnd")
    expect(page.locator("#span")).to_have_text("Tue 14 Apr, 07:20 to Tue 14 Apr, 19:20")
    drawn(page)


def test_a_gap_in_the_readings_stays_a_gap(bare: Served, visit: Opener) -> None:
    bare.registry.put_tank(Tank("reedbed", "Reedbed", animals=(Stock("Tanichthys albonubes"),)))
    now_us = to_us(bare.clock.now())
    minutes = [minute for minute in range(0, 1400, 5) if not 400 < minute < 600]
    bare.store.write(
        [
            Reading("reedbed", "temperature", "float", now_us - minute * US_PER_MINUTE, 21.5)
            for minute in minutes
        ]
    )
    page = visit(f"{bare.url}/tanks/reedbed").page
    series: list[list[Any]] = page.evaluate(
        """async () => {
          const { temperatureSeries } = await import(
            document.querySelector("script[src$='charts.js']").src.replace("charts", "series"));
          const frame = JSON.parse(document.getElementById("chart-data").textContent);
          return temperatureSeries(frame, frame.now - 86400, frame.now);
        }"""
    )
    values = series[1]
    assert values.count(None) == 1, "one gap"
    at = values.index(None)
    assert series[0][at + 1] - series[0][at - 1] == pytest.approx(200 * 60, abs=600)
    assert all(value == pytest.approx(21.5) for value in values if value is not None)
    expect(page.locator("#co2-chart")).to_contain_text("Nothing known in this span.")


def test_a_new_reading_lengthens_the_curve(bare: Served, visit: Opener) -> None:
    bare.registry.put_tank(Tank("reedbed", "Reedbed"))
    now = bare.clock.now()
    bare.store.write([Reading("reedbed", "temperature", "float", to_us(now), 23.0)])
    seen = visit(f"{bare.url}/tanks/reedbed")
    expect(seen.page.locator("#temperature-chart canvas")).to_have_count(1)
    before = seen.page.locator("#span").inner_text()
    bare.clock.moment = now + timedelta(minutes=30)
    bare.store.write([Reading("reedbed", "temperature", "float", to_us(bare.clock.now()), 23.5)])
    expect(seen.page.locator("#span")).not_to_have_text(before)
    expect(seen.page.locator("#span")).to_contain_text("13:50")
    assert seen.complaints == []


def test_trouble_with_a_series_is_said(shore: Served, visit: Opener) -> None:
    seen = visit(f"{shore.url}/tanks/lateleaf")
    drawn(seen.page)
    seen.page.route("**/co2/series**", lambda route: route.abort())
    seen.page.get_by_role("tab", name="week").click()
    expect(seen.page.locator("#co2-chart")).to_contain_text("The series cannot be had")
    expect(seen.page.locator("#temperature-chart canvas")).to_have_count(1)
