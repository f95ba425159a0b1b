"""Pictures on pages: taken by the log form, by month, two laid over each other, in the report."""

from __future__ import annotations

import io
from datetime import timedelta
from pathlib import Path

from PIL import Image
from playwright.sync_api import expect

from service.registry.models.absence import Absence
from service.registry.models.log import LogKind
from service.registry.models.tank import Tank
from tests.pages.accessibility import violations
from tests.pages.conftest import Opener
from tests.pages.served import Served
from tests.pictures.samples import Sent, exif, names, opened, picture


def large() -> bytes:
    """A photograph as a phone takes it, with its place; taken with the phone upright."""
    out = io.BytesIO()
    Image.effect_noise((2400, 1600), 60).save(out, "JPEG", exif=exif(6))
    return out.getvalue()


def test_pictures_are_taken_compared_and_deleted(bare: Served, visit: Opener) -> None:
    now = bare.clock.now()
    bare.registry.put_tank(Tank("brook", "Brook"))
    bare.registry.put_absences([Absence("away", now - timedelta(days=40), now, "Ada", ["brook"])])
    seen = visit(f"{bare.url}/tanks/brook?kind=observation", width=360)
    page = seen.page
    file = {"name": "front.jpg", "mimeType": "image/jpeg", "buffer": large()}
    page.get_by_label("Remark").fill("new leaves")
    page.get_by_label("Pictures if there are any").set_input_files(file)
    page.get_by_role("button", name="Save").click()
    expect(page.locator("#log img")).to_have_attribute(
        "alt", "Observation, Wed 15 Apr 2026: new leaves"
    )
    (first,) = bare.registry.pictures("brook")
    assert (first.width, first.height) == (1365, 2048)
    stored = Path(bare.config.pictures.folder or "") / f"{first.id}.jpg"
    assert not opened(stored.read_bytes()).getexif()
    page.locator("#log-rest summary").click()
    page.get_by_label("Remark").fill("no picture at all")
    wrong = {"name": "page.html", "mimeType": "text/html", "buffer": b"<script>alert(1)</script>"}
    chooser = page.get_by_label("Pictures if there are any")
    chooser.set_input_files(wrong)
    page.get_by_role("button", name="Save").click()
    expect(page.locator("#picture-fault")).to_contain_text("Picture 1 is 'no picture that can be")
    expect(page.get_by_label("Remark")).to_have_value("no picture at all")
    assert (
        page.get_by_label("Pictures if there are any").evaluate("one => one.ariaInvalid") == "true"
    )

    # Another one, of the month before; the page lays it below the new one.
    with bare.album.taken([Sent(picture())]) as pictures:
        month_ago = now - timedelta(days=31)
        bare.registry.add_log("brook", LogKind.TRIM, month_ago, note="stems", pictures=pictures)
    page.goto(f"{bare.url}/tanks/brook")
    months = page.locator(".month-line h3")
    expect(months).to_have_text(["Apr 2026", "Mar 2026"])
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    assert violations(page) == []
    page.get_by_role("link", name="All, and two laid over each other").click()
    page.wait_for_selector("html[data-ready]", state="attached")
    slider = page.get_by_role("slider")
    expect(slider).to_have_attribute("aria-valuetext", "50 % before, 50 % after")
    slider.focus()
    page.keyboard.press("ArrowRight")
    expect(slider).to_have_attribute("aria-valuetext", "51 % before, 49 % after")
    page.keyboard.press("Home")
    expect(slider).to_have_attribute("aria-valuetext", "0 % before, 100 % after")
    box = page.locator(".stage").bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + box["width"] * 0.25, box["y"] + 10)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.75, box["y"] + 10)
    page.mouse.up()
    expect(slider).to_have_attribute("aria-valuetext", "75 % before, 25 % after")
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    assert violations(page) == []

    # The report on return has the first and the last; without script they stand side by side.
    plain = visit(f"{bare.url}/handover/return?absence=away", java_script_enabled=False).page
    expect(plain.locator(".first-and-last img")).to_have_count(2)
    plain.get_by_role("link", name="Lay one over the other").click()
    expect(plain.locator("#pair figure img")).to_have_count(2)
    plain.get_by_label("Before", exact=True).select_option(first.id)
    plain.get_by_role("button", name="Compare").click()
    expect(plain.locator("#pair .before figcaption")).to_contain_text("new leaves")
    plain.locator(".delete-picture summary").click()
    plain.get_by_role("button", name="Delete the first picture").click()
    expect(plain.get_by_role("status")).to_have_text("The picture is deleted.")
    assert len(names(stored.parent)) == 2 and len(bare.registry.log("brook")) == 2

    # A lost file is said.
    for one in stored.parent.iterdir():
        one.unlink()
    plain.reload()
    expect(plain.locator("#pair")).to_contain_text("This picture’s file is lost or damaged.")
    expect(plain.locator(".month .lost")).to_contain_text("picture lost: Trim, Sun 15 Mar 2026")
    assert [one for one in seen.complaints if "422" not in one] == []  # the picture that was none
    assert seen.strangers(bare) == []
