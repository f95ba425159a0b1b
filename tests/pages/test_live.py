"""Pages follow the event stream, and show when they are not live."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import expect

from service.registry.models.tank import Stock, Tank
from service.store.model import Reading
from service.times import to_us
from tests.pages.conftest import Opener
from tests.pages.served import Served, serve


def test_a_reading_arrives_while_the_page_is_open(bare: Served, visit: Opener) -> None:
    bare.registry.put_tank(Tank("reedbed", "Reedbed", time_zone="Pacific/Auckland"))
    now_us = to_us(bare.clock.now())
    seen = visit(f"{bare.url}/tanks/reedbed")
    expect(seen.page.locator(".empty h2")).to_have_text("No readings yet")
    bare.store.write([Reading("reedbed", "temperature", "float", now_us, 23.4)])
    expect(seen.page.locator("#temperature-line b")).to_have_text("23.4")
    bare.store.write([Reading("reedbed", "temperature", "float", now_us + 1_000_000, 23.9)])
    expect(seen.page.locator("#temperature-line b")).to_have_text("23.9")
    streams = [url for url in seen.requests if "/v1/events" in url]
    assert streams, "told by the stream"
    assert all(url.endswith("?readings=true&tank=reedbed") for url in streams)
    assert seen.complaints == []


def test_the_list_follows_readings_and_advice_of_all_tanks(bare: Served, visit: Opener) -> None:
    for name in ("Reedbed", "Siltpool"):
        bare.registry.put_tank(
            Tank(name.lower(), name, animals=(Stock("Tanichthys albonubes", 9),))
        )
    seen = visit(bare.url)
    stamp = seen.page.locator(".berth", has_text="Siltpool").locator(".stamp")
    expect(stamp).to_have_text("no reading yet")
    now_us = to_us(bare.clock.now())
    warm = [
        Reading("siltpool", "temperature", "float", now_us - minute * 60_000_000, 29.5)
        for minute in range(600)
    ]
    bare.store.write(warm)
    expect(stamp).to_contain_text("last reading")
    bare.look()
    expect(seen.page.locator(".berth .next").first).to_contain_text("too warm")
    expect(seen.page.locator(".berth h2").first).to_have_text("Siltpool")
    assert seen.complaints == []


def test_a_page_nobody_sees_holds_no_place(bare: Served, visit: Opener) -> None:
    bare.registry.put_tank(Tank("reedbed", "Reedbed"))
    page = visit(f"{bare.url}/tanks/reedbed").page
    page.evaluate(
        """() => {
          Object.defineProperty(document, "hidden", { value: true, configurable: true });
          document.dispatchEvent(new Event("visibilitychange"));
        }"""
    )
    now_us = to_us(bare.clock.now())
    bare.store.write([Reading("reedbed", "temperature", "float", now_us, 23.4)])
    page.wait_for_timeout(1500)  # longer than a stream's look
    expect(page.locator("#temperature-line")).to_have_count(0)
    page.evaluate(
        """() => {
          delete document.hidden;
          document.dispatchEvent(new Event("visibilitychange"));
        }"""
    )
    expect(page.locator("#temperature-line b")).to_have_text("23.4")


@pytest.mark.slow
def test_the_page_says_when_the_service_is_gone_and_when_it_is_back(
    bare: Served, visit: Opener
) -> None:
    bare.registry.put_tank(Tank("reedbed", "Reedbed"))
    seen = visit(f"{bare.url}/tanks/reedbed")
    told = seen.page.locator("#offline")
    expect(told).to_be_hidden()
    bare.hang_up()
    expect(told).to_contain_text("No answer from the service since")
    bare.start()
    expect(told).to_be_hidden()


def test_the_page_says_when_it_is_refused_the_stream(tmp_path: Path, visit: Opener) -> None:
    crowded = serve(tmp_path, listeners=0)
    crowded.registry.put_tank(Tank("reedbed", "Reedbed"))
    seen = visit(f"{crowded.url}/tanks/reedbed")
    expect(seen.page.locator("#offline")).to_contain_text("Not updating live")
    crowded.stop()
