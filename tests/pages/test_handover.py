"""The handover sheet: for an absence, on paper, and by a sharing link."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
import requests
from playwright.sync_api import Page, expect

from service.advice.engine.catalogue import evaluate
from service.advice.engine.history.ledger import Ledger
from service.advice.engine.work import Who
from service.registry.models.absence import Absence
from service.registry.models.access import Scope
from service.registry.models.log import LogKind
from service.registry.models.plans import DosePlan
from service.registry.models.tank import Plant, Stock, Tank
from tests.advice.cases import view_with
from tests.derive.pieces import a_tank
from tests.pages.accessibility import violations
from tests.pages.conftest import Opener
from tests.pages.served import Served


def reedbed(served: Served) -> Tank:
    """A tank whose plans ask for a change and a dose each week."""
    tank = Tank(
        "reedbed",
        "Reedbed",
        time_zone="Europe/Lisbon",
        net_volume_l=120.0,
        animals=(Stock("Tanichthys albonubes", 12),),
        doses=(DosePlan("trace solution", ml_per_100_l=5.0),),
        notes="The left door sticks.",
    )
    served.registry.put_tank(tank)
    return tank


def test_the_next_absence_is_handed_over(bare: Served, visit: Opener) -> None:
    reedbed(bare)
    now = bare.clock.now()
    bare.registry.put_absences(
        [
            Absence("past", now - timedelta(days=9), now - timedelta(days=2), covers="nobody"),
            Absence(
                "next",
                now + timedelta(days=1),
                now + timedelta(days=11),
                covers="the colleague",
                note="Key is with the neighbour.",
            ),
        ]
    )
    seen = visit(f"{bare.url}/handover")
    sheet = seen.page.locator(".sheet-page")
    expect(sheet).to_have_count(1)
    for words in (
        "Thu 16 Apr 2026 to Sun 26 Apr 2026",
        "the colleague looks after it",
        "Key is with the neighbour.",
        "The left door sticks.",
        "Change 60 L (50 %)",
        "trace solution: 6 ml",
        "Leave alone",
        "Littoral is no safety device",
    ):
        expect(sheet).to_contain_text(words)
    expect(sheet.locator(".ticks li")).to_have_count(11)
    assert seen.complaints == []


def test_dates_in_the_address_count_with_the_last_day(bare: Served, visit: Opener) -> None:
    reedbed(bare)
    page = visit(f"{bare.url}/handover?start=2026-05-01&end=2026-05-03").page
    expect(page.locator(".sheet-page header")).to_contain_text("Fri 1 May 2026")
    expect(page.locator(".ticks li")).to_have_count(3)
    page.get_by_label("To (inclusive)").fill("2026-05-08")
    page.get_by_role("button", name="Show").click()
    expect(page.locator(".ticks li")).to_have_count(8)


@pytest.mark.parametrize(
    "span", ["start=soon", "start=2026-05-02&end=2026-05-01", "end=2029-01-01"]
)
def test_spans_that_make_no_sense_are_refused(bare: Served, span: str) -> None:
    reedbed(bare)
    answer = requests.get(f"{bare.url}/handover?{span}", timeout=60)
    assert answer.status_code == 422
    assert "allowed:" in answer.text


@pytest.mark.parametrize(("last", "pages"), [("2026-04-29", 1), ("2026-05-06", 2)])
def test_prints_on_one_page_per_tank(shore: Served, visit: Opener, last: str, pages: int) -> None:
    """Up to two weeks on one page a tank, three weeks on two at most."""
    page = visit(f"{shore.url}/handover?start=2026-04-16&end={last}").page
    tanks = page.locator(".sheet-page").count()
    assert tanks == 3
    with_words = pages_of(page)
    page.locator(".words").evaluate("one => one.remove()")
    assert tanks <= pages_of(page) <= pages * tanks
    assert with_words == pages_of(page) + 1, "the words are explained on a page of their own"


def pages_of(page: Page) -> int:
    """How many pages it prints on."""
    return len(re.findall(rb"/Type\s*/Page\b", page.pdf(prefer_css_page_size=True)))


def ailing(served: Served) -> int:
    """A tank with most that can be wrong at once; how much of it anyone may do."""
    now = served.clock.now()
    stock = ("Neocaridina davidi", "Corydoras paleatus", "Paracheirodon innesi")
    tank = a_tank(
        animals=tuple(Stock(name, 12) for name in stock),
        plants=tuple(map(Plant, ("Rotala macrandra", "Anubias barteri", "Salvinia natans"))),
        notes="The left door sticks. A pinch of flakes each morning, frozen food on Sundays.",
        contact="Invented keeper, extension 12",
    )
    served.registry.put_tank(tank)
    hot = view_with(
        tank,
        now,
        celsius=lambda t: np.full(t.shape, 31.0),
        co2=lambda t: np.full(t.shape, 45.0),
        lux=lambda t: np.full(t.shape, 65_535.0),
    )
    cold = view_with(tank, now, log=[], celsius=lambda t: 24 + 3 * np.sin(t / 3e9))
    found = {(one.code, one.subject): one for one in (*evaluate(cold), *evaluate(hot))}
    Ledger(served.registry).update(hot, list(found.values()))
    return sum(one.who is Who.ANYONE for one in found.values())


def test_an_ailing_tank_prints_on_one_page_too(bare: Served, visit: Opener) -> None:
    assert ailing(bare) >= 7
    page = visit(f"{bare.url}/handover?start=2026-04-16&end=2026-04-29").page
    expect(page.locator(".sheet-page.full")).to_have_count(1)
    text = page.locator(".sheet-page").inner_text()
    assert "Water is too warm" in text and "Close the CO2 cylinder" in text
    assert "Nothing to do today" not in text, "a remark asks for nothing"
    page.locator(".words").evaluate("one => one.remove()")
    assert pages_of(page) == 1


def test_emergencies_stand_first_and_only_what_the_tank_has(bare: Served, visit: Opener) -> None:
    bare.registry.put_tank(
        replace(
            reedbed(bare), heated=False, co2_injected=False, contact="Invented keeper, extension 12"
        )
    )
    seen = visit(f"{bare.url}/handover?start=2026-05-01&end=2026-05-03")
    sheet = seen.page.locator(".sheet-page")
    text = sheet.inner_text()
    assert text.index("In an emergency") < text.index("Every day") < text.index("On these days")
    assert "Call Invented keeper, extension 12." in text
    assert "heater" not in text.lower() and "CO2 cylinder" not in text
    expect(sheet.locator(".daily .ticks li")).to_have_count(3)
    assert text.count("Look at the tank") == 1
    assert violations(seen.page) == []


@pytest.mark.slow
def test_axe_finds_no_fault_on_the_sheet(shore: Served, visit: Opener) -> None:
    for width in (360, 1280):
        seen = visit(f"{shore.url}/handover", width=width, color_scheme="light")
        assert violations(seen.page) == []
        seen.page.emulate_media(color_scheme="dark")
        assert violations(seen.page) == []
        assert seen.page.evaluate("document.documentElement.scrollWidth") <= width
        assert seen.complaints == []


def test_a_sharing_link_shows_one_sheet_and_nothing_else(bare: Served, visit: Opener) -> None:
    reedbed(bare)
    bare.registry.put_tank(Tank("fenpool", "Fenpool"))
    now = bare.clock.now()
    bare.registry.create_token("keeper", Scope.ADMIN, now)
    link, secret = bare.registry.create_share(
        "reedbed", now, now + timedelta(days=4), now, expires=now + timedelta(days=5)
    )
    seen = visit(f"{bare.url}/shared/{secret}")
    expect(seen.page.locator(".sheet-page h2")).to_have_text(["Reedbed"])
    assert "Fenpool" not in seen.page.content()
    assert seen.page.locator("form").count() == 0
    assert seen.page.get_by_role("navigation").count() == 0
    assert violations(seen.page) == []
    assert seen.complaints == []
    for path in ("/", "/tanks/reedbed", "/handover", "/handover/return"):
        answer = requests.get(bare.url + path, timeout=60, allow_redirects=False)
        assert answer.status_code == 303, path
    bare.clock.moment = now + timedelta(days=6)
    assert requests.get(f"{bare.url}/shared/{secret}", timeout=60).status_code == 410
    bare.clock.moment = now
    bare.registry.revoke_share(link.id, now)
    seen.page.reload()
    expect(seen.page.get_by_role("heading", level=1)).to_have_text("No longer there")
    expect(seen.page.get_by_role("main")).to_contain_text("this link was revoked on 2026-04-15")


def test_what_came_of_an_absence(bare: Served, visit: Opener) -> None:
    """Over the last four days: the log, what stands open, and the way there from the sheet."""
    reedbed(bare)
    now = bare.clock.now()
    seen = visit(f"{bare.url}/handover")
    assert seen.page.get_by_role("link", name="Report on the last absence").count() == 0
    past = Absence("past", now - timedelta(days=4), now - timedelta(days=1), covers="the colleague")
    earlier = Absence("earlier", now - timedelta(days=20), now - timedelta(days=15))
    bare.registry.put_absences([past, earlier])
    bare.registry.add_log(
        "reedbed",
        LogKind.WATER_CHANGE,
        now - timedelta(days=2),
        {"fraction": 0.5},
        by="the colleague",
    )
    bare.look()
    seen.page.reload()
    seen.page.get_by_role("link", name="Report on the last absence").click()
    sheet = seen.page.locator(".sheet-page")
    expect(sheet.locator("h2")).to_have_text(["Reedbed"])
    expect(sheet).to_contain_text("the colleague looked after it")
    expect(sheet).to_contain_text("Water change, 50 % by the colleague")
    standing = Ledger(bare.registry).list("reedbed")
    assert standing
    expect(sheet.locator(".plain-list li")).to_have_count(len(standing))
    expect(sheet).to_contain_text(standing[0].finding.title)
    assert violations(seen.page) == []
    seen.page.set_viewport_size({"width": 360, "height": 800})
    assert seen.page.evaluate("document.documentElement.scrollWidth") <= 360
    seen.page.get_by_role("link", name="Thu 26 Mar 2026 to Tue 31 Mar 2026").click()
    expect(sheet).to_contain_text("Nothing is in the log.")
    assert seen.complaints == []
    assert requests.get(f"{bare.url}/handover/return?absence=none", timeout=60).status_code == 404


def test_links_are_made_listed_and_ended(bare: Served, visit: Opener) -> None:
    reedbed(bare)
    now = bare.clock.now()
    bare.registry.put_absences(
        [
            Absence("next", now + timedelta(days=1), now + timedelta(days=9), "the colleague"),
            Absence("other", now, now + timedelta(days=2), tanks=("fenpool",)),
        ]
    )
    seen = visit(f"{bare.url}/handover", width=360)
    page = seen.page
    page.get_by_role("link", name="Share…").click()
    expect(page.get_by_role("main")).to_contain_text("No active links.")
    page.get_by_label("Its sheet covers").select_option(
        label="Thu 16 Apr 2026 to Fri 24 Apr 2026, the colleague"
    )
    page.get_by_label("Who it is for").fill("Ada")
    page.get_by_role("button", name="Make a link").click()
    address = page.get_by_role("status").get_by_role("link").inner_text()
    assert address.startswith(f"{bare.url}/shared/sheet_")
    (link,) = bare.registry.shares()
    assert (link.end, link.expires, link.name) == (now + timedelta(days=9),) * 2 + ("Ada",)
    assert violations(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    guest = visit(address)
    expect(guest.page.locator(".sheet-page")).to_contain_text("the colleague looks after it")
    page.reload()  # sends the form again: another link, which is shown once as well
    assert len(bare.registry.shares()) == 2
    page.goto(f"{bare.url}/handover/links")
    assert "/shared/" not in page.content()
    for left in (1, 0):
        page.get_by_role("button", name="End the link to Reedbed for Ada").first.click()
        expect(page.get_by_role("status")).to_contain_text("is ended")
        assert sum(one.valid(now) for one in bare.registry.shares()) == left
    guest.page.reload()
    expect(guest.page.get_by_role("heading", level=1)).to_have_text("No longer there")
    assert seen.complaints == []


def test_links_are_refused(bare: Served) -> None:
    """Without the form's token, for what is not there, and by a reader."""
    reedbed(bare)
    now = bare.clock.now()
    bare.registry.put_absences([Absence("a", now, now + timedelta(days=2), tanks=("fenpool",))])
    visitor = requests.Session()
    form = {"tank": "reedbed", "covers": "days:7"}

    def sent(**more: str) -> requests.Response:
        return visitor.post(f"{bare.url}/handover/links", data=form | more, timeout=60)

    assert sent().status_code == 403
    page = visitor.get(f"{bare.url}/handover/links", timeout=60).text
    found = re.search(r'name="csrf_token" value="([^"]+)"', page)
    assert found
    form["csrf_token"] = found[1]
    for more, status, said in (
        ({"tank": "none"}, 404, "&#39;none&#39;"),
        ({"covers": "days:400"}, 422, "one of those in the form"),
        ({"covers": "absence:b"}, 404, "the id of an absence"),
        ({"covers": "absence:a"}, 422, "about: fenpool"),
        ({"name": "x" * 300}, 422, "name"),
        ({"right": "report"}, 422, "logged under this name"),
    ):
        answer = sent(**more)
        assert answer.status_code == status, more
        assert said in answer.text
    assert bare.registry.shares() == []
    assert sent().status_code == 200
    (link,) = bare.registry.shares()
    _, secret = bare.registry.create_token("reader", Scope.READ, now)
    visitor.headers["Authorization"] = f"Bearer {secret}"
    assert sent().status_code == 403
    end = f"{bare.url}/handover/links/{link.id}/end"
    assert visitor.post(end, data=form, timeout=60).status_code == 403
    assert bare.registry.shares()[0].valid(now)
