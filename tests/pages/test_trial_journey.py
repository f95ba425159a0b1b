"""A trial from the change to the answer: begun on a phone, pictured, judged two weeks later."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import datetime, timedelta

from playwright.sync_api import Page, expect

from service.advice.engine.scheduler import Scheduler
from service.store.model import Reading, Samples, SeriesKey
from service.times import from_us
from tests.advice.trials.simulated import (
    CASES,
    CHANGED,
    TANK,
    log,
    measured_series,
    tanks,
    trace_of,
    with_gas,
)
from tests.pages.accessibility import violations
from tests.pages.conftest import Opener
from tests.pages.served import Served
from tests.pictures.samples import exif, picture

MORNING = CHANGED + timedelta(hours=1)
LATER = CHANGED + timedelta(days=14, hours=2)


def readings() -> dict[SeriesKey, Samples]:
    """Of an invented tank whose CO2 comes on an hour earlier from the change on."""
    _, after = tanks(replace(CASES[0], earlier_min=60))
    return measured_series(trace_of(with_gas(7, after.gas.start), 7), 7)


def write(served: Served, series: dict[SeriesKey, Samples], start: datetime, end: datetime) -> None:
    served.store.write(
        [
            Reading(key.tank, key.quantity, key.sensor, at, value)
            for key, one in series.items()
            for at, value in zip(one.time_us.tolist(), one.value.tolist(), strict=True)
            if start <= from_us(at) < end
        ]
    )


def check(page: Page, widths: tuple[int, ...] = (1280, 360)) -> None:
    """No fault of accessibility and no sideways scroll, on a desk and on a phone."""
    for width in widths:
        page.set_viewport_size({"width": width, "height": 800})
        assert page.evaluate("document.documentElement.scrollWidth") <= width, page.url
        assert violations(page) == [], (page.url, width)


def take(page: Page, field: str, size: tuple[int, int]) -> None:
    """Choose a photograph of this size, as a phone takes one, in the form's chooser."""
    with page.expect_file_chooser() as chooser:
        page.get_by_label(field).last.click()
    photograph = picture(size=size, exif=exif())
    chooser.value.set_files({"name": "tank.jpg", "mimeType": "image/jpeg", "buffer": photograph})


def tick(page: Page, kind: str, level: str) -> None:
    """Two taps."""
    page.locator(f"#observe-{kind} summary").click()
    page.locator(f"#observe-{kind}").get_by_role("button", name=level).click()


def test_from_the_change_to_the_answer(bare: Served, visit: Opener) -> None:
    series = readings()
    before, _ = tanks(CASES[0])
    bare.clock.moment = MORNING
    bare.registry.put_tank(before)
    for entry in log():
        if entry.time <= MORNING:
            bare.registry.add_log(
                entry.tank, entry.kind, entry.time, entry.data, recorded=entry.time
            )
    write(bare, series, CHANGED - timedelta(days=30), MORNING)

    seen = visit(f"{bare.url}/tanks/{TANK}/settings", width=360)
    page = seen.page
    page.locator("#plan > summary").click()
    page.locator("#plan [name='gas.start']").fill("08:00")
    page.locator("#plan").get_by_role("button", name="Save").click()
    expect(page.locator(".notice")).to_contain_text("Saved: CO2 on")
    page.get_by_role("link", name="Try it and look again in 14 days?").press("Enter")
    expect(page.locator(".trial-form")).to_contain_text("09:00 to 17:40 -> 08:00 to 17:40")
    expect(page.get_by_label("CO2 at lights-on")).to_be_checked()
    page.get_by_label("Tufts of algae").check()
    page.get_by_label("What you want to know").fill("CO2 an hour earlier")
    check(page, (360,))
    page.get_by_role("button", name="Begin the trial").press("Enter")
    expect(page.locator(".notice")).to_contain_text("The trial has begun")
    expect(page.locator("#co2-at-lights-on")).to_contain_text("too little to say")
    [trial] = bare.registry.trials(TANK)
    assert trial.levers == ("gas-times:earlier",)

    page.goto(f"{bare.url}/tanks/{TANK}?kind=observation")
    take(page, "Pictures if there are any", (64, 48))
    page.get_by_label("Remark").fill("the back corner")
    page.locator("#entry-form").get_by_role("button", name="Save").click()
    expect(page.locator("#log img")).to_have_count(1)
    expect(page.locator("#pictures img")).to_have_count(1)
    tick(page, "tufts", "2 a few tufts")
    expect(page.locator(".notice")).to_contain_text("tufts of algae 2")
    tick(page, "pale-leaves", "1 the newest leaves")
    expect(page.locator(".notice")).to_contain_text("pale new leaves 1")
    check(page, (360,))
    _, secret = bare.registry.create_share(
        TANK, MORNING, MORNING + timedelta(days=20), MORNING, expires=LATER + timedelta(days=9),
        name="Ada", may_report=True,
    )  # fmt: skip
    link = visit(f"{bare.url}/shared/{secret}", width=360).page
    expect(link.locator("main")).to_contain_text("hat we are trying until 16 Mar, “CO2 an hour")

    write(bare, series, MORNING, LATER)
    bare.clock.moment = LATER
    Scheduler(bare.registry, bare.store, bare.clock, 60.0).evaluate_all()
    link.reload()
    link.wait_for_selector("html[data-ready]", state="attached")
    expect(link.locator("main")).not_to_contain_text("we are trying")
    take(link, "Photographs if there are any", (48, 64))
    link.get_by_label("Your note").fill("after two weeks")
    link.get_by_role("button", name="Leave the note").click()
    expect(link.locator("#reported-list")).to_contain_text("after two weeks, with 1 picture")
    link.reload()
    expect(link.locator("#reported-list img")).to_have_count(1)
    page.goto(f"{bare.url}/tanks/{TANK}")
    page.get_by_role("link", name="CO2 an hour earlier").press("Enter")
    expect(page.locator("#answer-h")).to_have_text("The answer")
    expect(page.locator("#co2-at-lights-on .sentence")).to_contain_text("CO2 at lights-on rose by")
    expect(page.locator("#co2-at-lights-on svg .after")).to_have_count(9)
    expect(page.locator("#seen-tufts")).to_contain_text("too little to say")
    expect(page.locator("#else-h + p")).to_have_text("Nothing else in the log of these days.")
    expect(page.locator(".first-and-last figcaption")).to_contain_text(
        ["2 Mar 2026: the back corner", "16 Mar 2026: after two weeks"]
    )
    check(page)

    page.goto(f"{bare.url}/handover/return?start=2026-03-03&end=2026-03-16")
    tried = page.locator("section", has=page.get_by_role("heading", name="What was tried"))
    expect(tried).to_contain_text("CO2 an hour earlier: CO2 at lights-on rose by")
    shown = page.locator(".first-and-last img")
    expect(shown).to_have_count(2)
    expect(shown.first).to_have_attribute("alt", "Observation, Mon 2 Mar 2026: the back corner")
    expect(shown.last).to_have_attribute("alt", re.compile("16 Mar 2026: after two weeks"))
    for one in shown.all():
        one.scroll_into_view_if_needed()
        expect(one).to_have_js_property("complete", True)
        assert one.evaluate("one => one.naturalWidth") in (48, 64)
    check(page, (1280, 360))
    assert seen.complaints == []
    assert seen.strangers(bare) == []
