"""What a person does on the page: mark, put off, note; with and without script, by keyboard."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
import requests
from playwright.sync_api import expect

from service.advice.engine.history.ledger import Ledger
from service.advice.engine.recommendation import Recommendation
from service.registry.models.log import LogKind
from service.registry.models.recommendations import State
from service.registry.models.tank import Stock, Tank
from service.science.water.hardness import meq_l_from_dkh
from service.store.model import Reading
from service.times import to_us
from tests.pages.conftest import Opener
from tests.pages.served import Served, serve

US_PER_MINUTE = 60_000_000


@pytest.fixture
def warm(tmp_path: Path) -> Iterator[Served]:
    """A tank that has been too warm for its fish for hours."""
    served = serve(tmp_path)
    served.registry.put_tank(
        Tank(
            "reedbed",
            "Reedbed",
            time_zone="Europe/Lisbon",
            net_volume_l=120.0,
            animals=(Stock("Tanichthys albonubes", 12),),
        )
    )
    now_us = to_us(served.clock.now())
    readings = [
        Reading("reedbed", "temperature", "float", now_us - minute * US_PER_MINUTE, 27.5)
        for minute in range(0, 600, 5)
    ]
    served.store.write(readings)
    served.look()
    yield served
    served.stop()


def too_warm(served: Served) -> Recommendation:
    """The recommendation about the temperature, in whatever state."""
    found = Ledger(served.registry).list("reedbed", states=tuple(State))
    return next(one for one in found if "warm" in one.finding.title)


@pytest.mark.parametrize("script", [True, False])
def test_done_takes_it_off_the_list(warm: Served, visit: Opener, script: bool) -> None:
    page = visit(f"{warm.url}/tanks/reedbed", java_script_enabled=script).page
    job = page.locator(".job", has_text="too warm")
    job.get_by_role("button", name="Done").click()
    expect(page.locator(".notice")).to_contain_text("Done: Water is too warm")
    expect(page.locator(".job", has_text="too warm")).to_have_count(0)
    assert too_warm(warm).state is State.DONE


def test_done_leaves_a_log_entry_with_its_amount(bare: Served, visit: Opener) -> None:
    """Who presses Done has changed the water: the log says how much, and nobody does it twice."""
    now = bare.clock.now()
    tank = Tank("reedbed", "Reedbed", net_volume_l=120.0, kh_meq_l=1.4, sensors={"ph": "glass"})
    bare.registry.put_tank(tank)
    bare.store.write([Reading("reedbed", "ph", "glass", to_us(now), 6.8)])
    bare.look()
    page = visit(f"{bare.url}/tanks/reedbed").page
    page.locator(".job", has_text="Water change due").get_by_role("button", name="Done").click()
    expect(page.locator(".notice")).to_contain_text("logged: Water change, 50 %")
    expect(page.locator("#log li").first).to_contain_text("Water change, 50 %")
    (entry,) = bare.registry.log("reedbed")
    assert (entry.kind, entry.data) == (LogKind.WATER_CHANGE, {"fraction": 0.5})
    bare.look()
    page.reload()
    expect(page.locator(".job", has_text="Water change due")).to_have_count(0)

    page.locator(".job", has_text="Calibrate the pH probe").get_by_text("Done: log it").click()
    page.get_by_label("First buffer or true value").fill("7.00")
    page.get_by_role("textbox", name="What the sensor showed in the first").fill("6,95")
    page.get_by_label("Second buffer or true value").fill("4.01")
    page.get_by_label("What the sensor showed in the second").fill("4.10")
    page.get_by_role("button", name="Save", exact=True).click()
    expect(page.locator("#log li").first).to_contain_text("pH sensor glass: 7 read as 6.95")
    entry = bare.registry.log("reedbed")[0]
    assert entry.data["sensor"] == "glass"
    assert entry.data["points"] == [
        {"reading": 6.95, "reference": 7.0},
        {"reading": 4.1, "reference": 4.01},
    ]
    bare.look()
    page.reload()
    expect(page.locator(".job", has_text="Calibrate the pH probe")).to_have_count(0)


def test_not_now_puts_it_off_and_back(warm: Served, visit: Opener) -> None:
    page = visit(f"{warm.url}/tanks/reedbed").page
    job = page.locator(".job", has_text="too warm")
    job.get_by_text("Not now").click()
    job.get_by_role("button", name="until tomorrow morning").click()
    expect(page.locator(".notice")).to_contain_text("Put off until tomorrow 08:00")
    put_off = too_warm(warm)
    assert put_off.state is State.SNOOZED
    assert put_off.snoozed_until is not None
    assert f"{put_off.snoozed_until:%d %H:%M}" == "16 07:00", (
        "08:00 in Lisbon's summer is 07:00 UTC"
    )
    page.locator(".later summary").click()
    page.get_by_role("button", name="back on the list").click()
    expect(page.locator(".job", has_text="too warm")).to_be_visible()
    assert too_warm(warm).state is State.OPEN


@pytest.mark.parametrize("script", [True, False])
def test_a_water_change_is_noted(warm: Served, visit: Opener, script: bool) -> None:
    page = visit(f"{warm.url}/tanks/reedbed", java_script_enabled=script).page
    page.locator("#log-form").get_by_label("How much was changed", exact=True).fill("35")
    page.get_by_text("More: details").click()
    page.get_by_role("textbox", name="KH of the new water").fill("3")
    page.get_by_label("Remark").fill("Two buckets,\nslowly.")
    page.get_by_label("By", exact=True).fill("the colleague")
    page.get_by_label("When").fill("2026-04-15T13:05")
    page.get_by_role("button", name="Save", exact=True).click()
    expect(page.locator(".notice")).to_contain_text("Noted: water change")
    expect(page.locator("#log li").first).to_contain_text("Water change, 35 %, of 3.0 °dKH")
    (entry,) = warm.registry.log("reedbed")
    assert entry.kind is LogKind.WATER_CHANGE
    assert entry.data["fraction"] == pytest.approx(0.35)
    assert entry.data["kh_meq_l"] == pytest.approx(float(meq_l_from_dkh(3)))
    assert (entry.by, entry.note) == ("the colleague", "Two buckets,\nslowly.")
    assert f"{entry.time:%H:%M}" == "12:05", "13:05 in Lisbon's summer is 12:05 UTC"
    page.get_by_text("More: details").click()
    assert page.get_by_label("By", exact=True).input_value() == "the colleague"


def test_another_kind_shows_its_own_fields(warm: Served, visit: Opener) -> None:
    page = visit(f"{warm.url}/tanks/reedbed").page
    page.locator("#kind").select_option("dose")
    expect(
        page.locator("#log-form").get_by_label("How much was changed", exact=True)
    ).to_be_hidden()
    page.get_by_label("What", exact=True).fill("trace elements")
    page.get_by_label("How much", exact=True).fill("2,5")
    page.get_by_label("Unit of How much", exact=True).select_option("mL")
    page.get_by_role("button", name="Save", exact=True).click()
    expect(page.locator("#log li").first).to_contain_text("Dose, trace elements 2.5 mL")


def test_without_script_the_kind_is_chosen_by_a_button(warm: Served, visit: Opener) -> None:
    page = visit(f"{warm.url}/tanks/reedbed", java_script_enabled=False).page
    page.locator("#kind").select_option("kh-test")
    page.get_by_role("button", name="choose").click()
    page.get_by_label("Carbonate hardness", exact=True).fill("4")
    page.get_by_role("button", name="Save", exact=True).click()
    expect(page.locator("#log li").first).to_contain_text("KH test, 4.0 °dKH")


def test_a_wrong_field_is_named_and_nothing_written_is_lost(warm: Served, visit: Opener) -> None:
    page = visit(f"{warm.url}/tanks/reedbed").page
    page.locator("#log-form").get_by_label("How much was changed", exact=True).fill("350")
    page.get_by_text("More: details").click()
    page.get_by_label("Remark").fill("by eye")
    page.get_by_role("button", name="Save", exact=True).click()
    share = page.locator("#log-form").get_by_label("How much was changed", exact=True)
    expect(share).to_have_attribute("aria-invalid", "true")
    expect(page.locator("#fault-amount")).to_contain_text("allowed:")
    assert share.input_value() == "350"
    assert page.get_by_label("Remark").input_value() == "by eye"
    assert warm.registry.log("reedbed") == []


def test_all_by_keyboard(warm: Served, visit: Opener) -> None:
    page = visit(f"{warm.url}/tanks/reedbed").page
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    for _ in range(12):
        page.keyboard.press("Tab")
        name = page.evaluate("document.activeElement.getAttribute('aria-label') || ''")
        if name.startswith("Done: Water is too warm"):
            break
    else:
        pytest.fail("the button is not reached by the Tab key")
    outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    assert outline == "solid", "the focus is to be seen"
    page.keyboard.press("Enter")
    expect(page.locator(".notice")).to_contain_text("Done")
    assert too_warm(warm).state is State.DONE


def test_a_form_from_elsewhere_changes_nothing(warm: Served) -> None:
    one = too_warm(warm)
    address = f"{warm.url}/tanks/reedbed/recommendations/{one.id}"
    visitor = requests.Session()
    page = visitor.get(f"{warm.url}/tanks/reedbed", timeout=60)
    cookie = page.headers["Set-Cookie"]
    assert "SameSite=Strict" in cookie
    assert "HttpOnly" in cookie
    token = page.text.split('name="csrf_token" value="')[1].split('"')[0]
    refused = [
        requests.post(address, data={"mark": "done"}, timeout=60),
        visitor.post(address, data={"mark": "done"}, timeout=60),
        visitor.post(address, data={"mark": "done", "csrf_token": "x" * 32}, timeout=60),
        requests.post(address, data={"mark": "done", "csrf_token": token}, timeout=60),
        visitor.post(
            address,
            data={"mark": "done", "csrf_token": token},
            headers={"Origin": "http://elsewhere.example"},
            timeout=60,
        ),
    ]
    assert [answer.status_code for answer in refused] == [403] * 5
    assert too_warm(warm).state is State.OPEN
    taken = visitor.post(
        address,
        data={"mark": "done", "csrf_token": token},
        headers={"Origin": warm.url},
        allow_redirects=False,
        timeout=60,
    )
    assert taken.status_code == 303
    assert too_warm(warm).state is State.DONE


def test_a_refresh_leaves_unchanged_parts_alone(warm: Served, visit: Opener) -> None:
    """Though each form has another token of the same session every time."""
    page = visit(f"{warm.url}/tanks/reedbed").page
    inside = "document.querySelector('[data-live] form')"
    token = f"{inside}.elements.csrf_token.value"
    before = page.evaluate(token)
    page.evaluate(f"{inside}.isTheSame = true")
    page.wait_for_timeout(1100)  # a token carries the second in which it was made
    fetched = page.evaluate("fetch(location.href).then((answer) => answer.text())")
    assert before not in fetched
    page.evaluate(
        "new Promise((done) => {"
        "  document.addEventListener('littoral:refreshed', done);"
        "  document.dispatchEvent(new Event('visibilitychange'));"
        "}).then(() => null)"
    )
    assert page.evaluate(f"{inside}.isTheSame")
    assert page.evaluate(token) == before


@pytest.mark.parametrize(
    ("path", "data", "status"),
    [
        ("/tanks/reedbed/recommendations/none-such", {"mark": "done"}, 404),
        ("/tanks/nowhere/recommendations/none-such", {"mark": "done"}, 404),
        ("/tanks/nowhere/log", {"kind": "dose"}, 404),
        ("/tanks/reedbed/log", {"kind": "sermon"}, 422),
        ("/tanks/reedbed/log", {"kind": "observation", "time": "soon", "note": "x"}, 422),
        (
            "/tanks/reedbed/log",
            {"kind": "dose", "name": "x", "amount": "1", "amount_unit": "t"},
            422,
        ),
    ],
)
def test_bad_forms_are_refused(warm: Served, path: str, data: dict[str, str], status: int) -> None:
    visitor = requests.Session()
    page = visitor.get(f"{warm.url}/tanks/reedbed", timeout=60)
    token = page.text.split('name="csrf_token" value="')[1].split('"')[0]
    answer = visitor.post(warm.url + path, data=data | {"csrf_token": token}, timeout=60)
    assert answer.status_code == status
    assert answer.headers["Content-Type"].startswith("text/html")
    assert warm.registry.log("reedbed") == []


def test_what_people_write_is_never_markup(warm: Served, visit: Opener) -> None:
    seen = visit(f"{warm.url}/tanks/reedbed?kind=observation")
    seen.page.get_by_label("Remark").fill("<script>window.ran = 1</script><b>bold</b>")
    seen.page.get_by_role("button", name="Save", exact=True).click()
    expect(seen.page.locator("#log .note").first).to_contain_text("<b>bold</b>")
    assert seen.page.evaluate("window.ran") is None


def test_a_calibration_is_told_in_words(warm: Served, visit: Opener) -> None:
    points = [
        {"buffer": "7.00", "millivolts": 2.1, "temperature_c": 22.0},
        {"buffer": "4.01", "millivolts": 178.9, "temperature_c": 22.0},
    ]
    warm.registry.add_log(
        "reedbed", LogKind.CALIBRATION, warm.clock.now(), {"quantity": "ph", "points": points}
    )
    page = visit(f"{warm.url}/tanks/reedbed").page
    expect(page.locator("#log li").first).to_contain_text(
        "Calibration of the pH sensor: 7.00 at 2.1 mV, 22 °C; 4.01 at 178.9 mV, 22 °C"
    )


def test_a_button_marks_the_time_of_a_probe_out_of_the_tank(warm: Served, visit: Opener) -> None:
    now_us = to_us(warm.clock.now())
    warm.store.write(
        [Reading("reedbed", "ph", "glass", now_us - minute * US_PER_MINUTE, 6.8)
         for minute in range(0, 60, 5)]
    )  # fmt: skip
    page = visit(f"{warm.url}/tanks/reedbed", java_script_enabled=False).page
    page.get_by_role("button", name="Taking the pH probe out: ignore its readings").click()
    expect(page.locator("#probe-out")).to_contain_text("logged as out of the tank since")
    expect(
        page.get_by_role("button", name="Taking the pH probe out: ignore its readings")
    ).to_have_count(0)
    warm.clock.moment += timedelta(minutes=10)
    page.get_by_role("button", name="pH probe is back in the tank").click()
    expect(page.locator("#probe-out")).to_have_count(0)
    kinds = [one.kind for one in warm.registry.log("reedbed", limit=2)]
    assert set(kinds) == {LogKind.PROBE_OUT, LogKind.PROBE_BACK}
