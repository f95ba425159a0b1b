"""The API's document in its viewer: under our policy, with "try it" and a field for the token."""

from __future__ import annotations

import requests
from playwright.sync_api import expect

from service.clock import SystemClock
from service.registry.models.access import Scope
from service.registry.models.tank import Tank
from tests.pages.accessibility import violations
from tests.pages.conftest import Opener
from tests.pages.served import Served


def test_a_request_is_tried_with_a_token(bare: Served, visit: Opener) -> None:
    bare.registry.put_tank(Tank("reedbed", "Reedbed"))
    _, secret = bare.registry.create_token("script", Scope.READ, SystemClock().now())
    seen = visit(f"{bare.url}/docs", width=360)
    page = seen.page
    expect(page.locator(".opblock-tag")).not_to_have_count(0)
    page.get_by_role("button", name="Authorize").click()
    page.locator("#auth-bearer-value").fill(secret)
    page.locator(".auth-container", has_text="bearer").get_by_role("button", name="Apply").click()
    page.locator(".modal-ux").get_by_role("button", name="Close").first.click()
    page.locator("#operations-tag-tanks button").first.click()
    operation = page.locator(".opblock-get").first
    operation.locator(".opblock-summary-control").press("Enter")
    operation.get_by_role("button", name="Try it out").click()
    operation.get_by_role("button", name="Execute").click()
    expect(operation.locator(".live-responses-table .response-col_status").last).to_contain_text(
        "200"
    )
    expect(operation.locator(".live-responses-table")).to_contain_text("reedbed")
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    assert violations(page) == []
    assert seen.complaints == []
    assert seen.strangers(bare) == []


def test_problems_have_the_same_head(bare: Served) -> None:
    for path in ("/problems", "/problems/not-found"):
        page = requests.get(bare.url + path, timeout=60)
        assert page.status_code == 200
        assert 'aria-label="Pages"' in page.text
        assert "No such" in page.text or "not found" in page.text.lower()
    assert requests.get(f"{bare.url}/problems/none", timeout=60).status_code == 404
