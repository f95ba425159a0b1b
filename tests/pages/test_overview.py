"""What a person sees: the list, a tank, empty states; in dark, on a phone, by keyboard."""

from __future__ import annotations

import gzip
from typing import Literal

import pytest
import requests
from playwright.sync_api import expect

from service.derive.loader import load
from service.derive.tank_view import tank_view
from service.registry.models.tank import Tank
from service.store.model import Reading
from service.times import to_us
from tests.pages.accessibility import violations
from tests.pages.conftest import Opener
from tests.pages.served import Served
from tests.pages.test_navigation import links

MOST_BYTES = 300_000
SCHEMES: tuple[Literal["light", "dark"], ...] = ("light", "dark")


def path_to(shore: Served, tank: str) -> str:
    """A tank's page."""
    return f"{shore.url}/tanks/{tank}"


@pytest.mark.needs("chromium-headless-shell", "libatomic.so.1")
def test_list_is_worst_first_in_plain_words(shore: Served, visit: Opener) -> None:
    seen = visit(shore.url)
    names = seen.page.locator(".berth h2").all_inner_texts()
    assert names[-1] == "Quillwater", "the tank with nothing to do comes last"
    assert set(names) == {"Emberpane", "Lateleaf", "Quillwater"}
    order = {"urgent": 0, "warning": 1, "advice": 2, "info": 3, "nothing to do": 4}
    flags = [
        order[text] for text in seen.page.locator(".berth .flag:first-child").all_inner_texts()
    ]
    assert flags[0] == min(flags)
    warm = seen.page.locator(".berth", has_text="Emberpane")
    expect(warm.locator(".sentence")).to_contain_text("too warm for Danio margaritatus")
    expect(warm.locator(".stamp time")).to_have_attribute("title", "2026-04-15 13:20 UTC")


def test_tank_page_shows_what_the_service_knows(shore: Served, visit: Opener) -> None:
    page = visit(path_to(shore, "emberpane")).page
    view = tank_view(
        load(shore.registry.tank("emberpane"), shore.registry, shore.store, shore.clock.now())
    )
    assert view.co2.co2 is not None
    assert view.temperature.reading is not None
    line = page.locator("#co2-line")
    expect(line).to_contain_text(f"{view.co2.co2.value:.0f} mg/L")
    expect(line).to_contain_text(f"{view.co2.co2.low:.0f} to {view.co2.co2.high:.0f}")
    expect(page.locator("#temperature-line")).to_contain_text(
        f"{view.temperature.reading.value:.1f} °C"
    )
    expect(page.locator("#sensors tbody tr")).to_have_count(len(view.sensors))
    expect(page.locator("#todo .job").first).to_contain_text("Water is too warm")
    expect(page.locator("#todo .job .cautions").first).to_contain_text("no safety device")
    ((start, end),) = view.light_days[-1].lit
    expect(page.locator("#day svg")).to_have_attribute(
        "aria-label", f"Lit so far: {start:%H:%M} to {end:%H:%M}. Planned 09:00 to 17:00."
    )


def pages_of_the_head(shore: Served) -> list[str]:
    """All pages that the heads lead to, and two that are reached from there."""
    found = {}
    for path, name in (("/", "Pages"), ("/tanks/lateleaf", "Pages of Lateleaf")):
        found |= links(requests.get(shore.url + path, timeout=60).text, name)
    assert {"Mail", "Audit", "Sensors", "Settings"} <= set(found)
    pages = [address for address in found.values() if not address.endswith((".ics", "/docs"))]
    return [*pages, "/tanks/new", "/tanks/lateleaf/calibrate"]


@pytest.mark.slow
@pytest.mark.parametrize("width", [360, 1440])
def test_axe_finds_no_fault(shore: Served, visit: Opener, width: int) -> None:
    for path in (
        "/",
        "/tanks/emberpane",
        "/tanks/lateleaf",
        "/tanks/lateleaf/what-if?gas-start=420",
        "/tanks/nowhere",
        "/login",
    ):
        seen = visit(shore.url + path, width=width, color_scheme="light")
        for summary in seen.page.locator("details > summary").all():
            if summary.is_visible():
                summary.click()
        for scheme in SCHEMES:
            seen.page.emulate_media(color_scheme=scheme)
            assert violations(seen.page) == [], (path, scheme)


def test_dark_and_light_follow_the_system(shore: Served, visit: Opener) -> None:
    paper = {
        scheme: visit(shore.url, color_scheme=scheme).page.evaluate(
            "getComputedStyle(document.documentElement).backgroundColor"
        )
        for scheme in ("light", "dark")
    }
    brightness = {
        scheme: sum(int(part) for part in text[4:-1].split(",")) for scheme, text in paper.items()
    }
    assert brightness["dark"] < 150 < 600 < brightness["light"]


@pytest.mark.parametrize("path", ["/", "/tanks/emberpane", "/tanks/lateleaf", "/tanks/quillwater"])
def test_a_phone_of_360_pixels_needs_no_sideways_scroll(
    shore: Served, visit: Opener, path: str
) -> None:
    page = visit(shore.url + path, width=360).page
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    small = [
        button.inner_text()
        for button in page.locator("button:visible").all()
        if (box := button.bounding_box()) and min(box["height"], box["width"]) < 24
    ]
    assert small == [], "targets below 24 px (WCAG 2.2, 2.5.8)"


def test_nothing_from_elsewhere_and_nothing_the_browser_complains_of(
    shore: Served, visit: Opener
) -> None:
    for path in ("/", "/tanks/emberpane", "/tanks/quillwater"):
        seen = visit(shore.url + path)
        seen.page.wait_for_load_state("networkidle")
        assert seen.complaints == [], path
        assert seen.strangers(shore) == [], path


def test_policy_allows_no_inline_script_or_style(shore: Served) -> None:
    for path in ("/", "/tanks/emberpane", "/tanks/nowhere"):
        answer = requests.get(shore.url + path, timeout=60)
        policy = answer.headers["Content-Security-Policy"]
        assert "unsafe" not in policy
        assert "default-src 'none'" in policy
        assert "script-src 'self'" in policy
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        assert " style=" not in answer.text
        assert " onclick=" not in answer.text


def test_an_inline_script_would_not_run(shore: Served, visit: Opener) -> None:
    seen = visit(shore.url)
    seen.page.evaluate(
        "const s = document.createElement('script'); s.textContent = 'window.ran = 1';"
        "document.body.append(s)"
    )
    assert seen.page.evaluate("window.ran") is None
    assert any("Content Security Policy" in text for text in seen.complaints)


def test_a_page_weighs_little(shore: Served, visit: Opener) -> None:
    seen = visit(path_to(shore, "emberpane"))
    seen.page.wait_for_load_state("networkidle")
    urls = {url for url in seen.requests if url.startswith("http")}
    assert len(urls) > 5
    weight = sum(len(gzip.compress(requests.get(url, timeout=60).content)) for url in urls)
    assert weight < MOST_BYTES, f"{weight} bytes compressed"


def test_without_tanks_the_page_says_how_to_add_one(bare: Served, visit: Opener) -> None:
    seen = visit(bare.url)
    assert violations(seen.page) == []
    seen.page.get_by_role("link", name="Set up a tank").click()
    expect(seen.page.locator("h1")).to_have_text("New tank")
    assert seen.complaints == []


def test_what_is_not_there_is_said_on_a_page(shore: Served, visit: Opener) -> None:
    page = visit(f"{shore.url}/tanks/nowhere").page
    expect(page.locator("main")).to_contain_text("There is no tank “nowhere” here")
    page.goto(f"{shore.url}/nope")
    expect(page.locator("main")).to_contain_text("There is no page at /nope.")
    page.get_by_role("link", name="To the tanks").click()
    expect(page.locator("h1")).to_have_text("Tanks")
    for path, accept in (("/nope", "*/*"), ("/v1/nope", "text/html")):
        answer = requests.get(shore.url + path, headers={"Accept": accept}, timeout=60)
        assert answer.headers["Content-Type"] == "application/problem+json", "programs as before"
    answer = requests.get(f"{shore.url}/nope", headers={"Accept": "text/html"}, timeout=60)
    assert answer.status_code == 404
    assert "default-src 'none'" in answer.headers["Content-Security-Policy"]


def test_a_defect_is_a_page_that_gives_nothing_away(
    bare: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> None:
        raise ZeroDivisionError("of the inside")

    monkeypatch.setattr("service.pages.tanks.overview_page", fail)
    answer = requests.get(bare.url, timeout=60)
    assert answer.status_code == 500
    assert answer.headers["Content-Type"].startswith("text/html")
    assert "a defect in the service" in answer.text
    assert "inside" not in answer.text


def test_without_readings_the_page_names_the_topic(bare: Served, visit: Opener) -> None:
    bare.registry.put_tank(Tank("reedbed", "Reedbed", time_zone="Pacific/Auckland"))
    seen = visit(f"{bare.url}/tanks/reedbed", width=360)
    code = seen.page.locator("pre").inner_text()
    assert "mosquitto_pub -q 1 -t littoral/reedbed/temperature -m 24.3" in code
    expect(seen.page.locator("#todo")).to_contain_text("too little is known")
    assert seen.page.evaluate("document.documentElement.scrollWidth") <= 360
    assert violations(seen.page) == []


def test_without_kh_the_page_asks_for_a_test(bare: Served, visit: Opener) -> None:
    bare.registry.put_tank(Tank("reedbed", "Reedbed"))
    now_us = to_us(bare.clock.now())
    bare.store.write([Reading("reedbed", "ph", "probe", now_us, 6.7)])
    seen = visit(f"{bare.url}/tanks/reedbed")
    seen.page.get_by_role("link", name="enter the KH test").click()
    expect(seen.page.locator("#kind")).to_have_value("kh-test")
    expect(seen.page.get_by_label("Carbonate hardness", exact=True)).to_be_visible()


def test_times_are_the_tank_s_own_with_utc_on_hover(bare: Served, visit: Opener) -> None:
    bare.registry.put_tank(Tank("reedbed", "Reedbed", time_zone="Pacific/Auckland"))
    seen = visit(f"{bare.url}/tanks/reedbed")
    clock = seen.page.locator("#clock time")
    expect(clock).to_have_text("01:20")  # 13:20 UTC is 01:20 of the next day at UTC+12
    expect(clock).to_have_attribute("title", "2026-04-15 13:20 UTC")
