"""The page of who wrote what, in a browser."""

from __future__ import annotations

from playwright.sync_api import expect

from service.registry.audit import Action, Actor, ActorKind, AuditedWrite, acting_as
from service.registry.models.tank import Tank
from tests.pages.accessibility import violations
from tests.pages.conftest import Opener
from tests.pages.served import Served


def test_an_administrator_finds_who_wrote_what(bare: Served, visit: Opener) -> None:
    bare.registry.put_tank(Tank("reedbed", "Reedbed"))
    phone = Actor(ActorKind.TOKEN, "4be1c1f7a0d2", "<b>phone", "2001:db8:85a3::8a2e:370:7334")
    with acting_as(phone):
        for number in range(101):
            subject = f"tanks/reedbed/recommendations/temperature-out-{number:012}"
            bare.registry.record(AuditedWrite(Action.RECOMMENDATION_DONE, subject))
    seen = visit(f"{bare.url}/", width=360)
    page = seen.page
    page.get_by_role("link", name="Audit").click()
    records = page.locator(".audit li")
    expect(records).to_have_count(100)
    expect(records.first).to_contain_text("<b>phone (token) marked a recommendation as done")
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    assert violations(page) == []
    page.get_by_role("link", name="Older records").click()
    expect(records).to_have_count(2)
    expect(records.last).to_contain_text("user of this machine) added the tank")
    page.get_by_label("Who").fill("nobody")
    page.get_by_role("button", name="Show").click()
    expect(page.locator("main")).to_contain_text("No records for this choice.")
    assert seen.complaints == []
    assert seen.strangers(bare) == []
