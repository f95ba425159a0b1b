"""Observations in two taps: on the page of a tank and with a link, without script."""

from __future__ import annotations

import re
from datetime import timedelta

from playwright.sync_api import expect

from service.registry.models.log import LogKind
from service.store.model import Reading
from service.times import to_us
from tests.api.conftest import NOW, app, client, context, made  # noqa: F401 - fixtures used here too
from tests.api.resources.handover.reporting import linked
from tests.pages.accessibility import violations
from tests.pages.conftest import Opener
from tests.pages.served import Served
from tests.pages.test_hostile_forms import visitor  # noqa: F401 - fixtures used here too
from tests.pages.test_link_round import brook


def form_of(page: str, address: str, kind: str) -> dict[str, str]:
    """The hidden inputs of the form of a kind."""
    forms = re.findall(rf'<form method="post" action="{address}"[^>]*>(.*?)</form>', page, re.S)
    (form,) = (one for one in forms if f'name="observed" value="{kind}"' in one)
    return dict(re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', form))


def test_two_taps_on_the_page_of_a_tank(visitor, context) -> None:  # noqa: F811
    address = "/tanks/riffle/log"
    page = visitor.get("/tanks/riffle").text
    assert 'data-chart="observations"' not in page
    given = form_of(page, address, "tufts")
    answer = visitor.post(address, data=given | {"level": "2"})
    assert answer.status_code == 303, answer.text
    (entry,) = context.registry.log("riffle", kinds=[LogKind.OBSERVATION])
    assert entry.data == {"kind": "tufts", "level": 2}
    page = visitor.get("/tanks/riffle").text
    assert "tufts of algae 2: a few tufts on the oldest leaves" in page
    assert "Tufts of algae 2: a few tufts on the oldest leaves" in page
    assert re.search(r'Tufts of algae <span class="stamp">2, <time[^>]*>just now', page)
    refused = visitor.post(address, data=form_of(page, address, "tufts") | {"level": "7"})
    assert refused.status_code == 422 and "from 0 to 5" in refused.text


def test_two_taps_with_a_link(visitor, context) -> None:  # noqa: F811
    path = linked(visitor)
    given = form_of(
        visitor.get(path, headers={"Accept": "text/html"}).text, f"{path}/report", "hydra"
    )
    answer = visitor.post(f"{path}/report", data=given | {"level": "1"})
    assert answer.status_code == 303, answer.text
    (entry,) = context.registry.log("riffle", kinds=[LogKind.OBSERVATION])
    assert (entry.data, entry.by) == ({"kind": "hydra", "level": 1}, "Ada")
    refused = visitor.post(f"{path}/report", data=given | {"key": "another-key", "level": "x"})
    assert refused.status_code == 422 and "Not reported" in refused.text


def test_two_taps_on_a_phone_and_the_course_beside_co2(bare: Served, visit: Opener) -> None:
    """On a tank page of 360 px, then with a link whose connection was lost for one tap."""
    address = brook(bare)
    day = bare.clock.now() - timedelta(days=2)
    bare.registry.add_log(
        "brook", LogKind.OBSERVATION, day, {"kind": "threads", "level": 1}, recorded=day
    )
    bare.store.write([Reading("brook", "temperature", "main", to_us(bare.clock.now()), 24.0)])
    seen = visit(f"{bare.url}/tanks/brook?range=week", width=360)
    page = seen.page
    expect(page.locator("#observations-chart canvas")).to_have_count(1)
    expect(page.locator("#observations-readout")).to_contain_text("level from 0 to 5")
    page.locator("#observations-chart").focus()
    page.keyboard.press("ArrowLeft")
    expect(page.locator("#observations-readout")).to_contain_text("Thread algae 1, a few short")
    page.locator("#observe-tufts summary").click()
    assert violations(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    page.get_by_role("button", name="2 a few tufts on the oldest leaves").click()
    expect(page.locator(".notice")).to_contain_text("tufts of algae 2: a few tufts")
    assert seen.complaints == []

    page = visit(address, width=360).page
    page.wait_for_selector("html[data-ready]", state="attached")
    bare.hang_up()
    page.locator("#observe-hydra summary").focus()
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page.locator("#kept")).to_contain_text("Hydra (they sting) 1: one or two small polyps")
    assert violations(page) == []
    newest, *_ = bare.registry.log("brook", kinds=[LogKind.OBSERVATION])
    assert newest.data == {"kind": "tufts", "level": 2}
