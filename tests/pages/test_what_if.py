"""The page that tries a day with other settings: the API's answer, drawn over today."""

from __future__ import annotations

import re

import pytest
import requests

from service.pages.what_if import Slider, moved, question_of
from service.registry.models.tank import Tank
from tests.pages.served import Served

FLOW = Slider("flow", "CO2 flow", "%", 0, 200, 5, 100, 100)
START = Slider("gas-start", "CO2 starts at", "", 0, 1439, 5, 600, 600, "clock")


def table(html: str) -> dict[str, tuple[str, str]]:
    """Today and changed by the name of the row."""
    rows = re.findall(r'<tr><th scope="row">(.*?)</th><td>(.*?)</td><td>(.*?)</td></tr>', html)
    return {name: (today, re.sub("</?b>", "", changed)) for name, today, changed in rows}


def test_it_shows_the_answer_of_the_api_over_today(shore: Served) -> None:
    address = f"{shore.url}/tanks/emberpane/what-if"
    page = requests.get(address, {"gas-start": "300", "flow": "130"}, timeout=60).text
    question = {"gas_start": "05:00", "injection_factor": 1.3}
    answer = requests.post(
        f"{shore.url}/v1/tanks/emberpane/what-if", json=question, timeout=60
    ).json()
    shown = table(page)
    for name, member in (("Highest CO2", "co2_peak"), ("CO2 at lights-on", "co2_at_lights_on")):
        for words, day in zip(shown[name], ("today", "changed"), strict=True):
            assert words.startswith(f"{answer[day][member]['value']:.0f} mg/L"), (name, day)
    assert shown["Highest CO2"][0] != shown["Highest CO2"][1]
    assert page.count('<polyline class="today"') == page.count('<polyline class="changed"') == 1
    assert '<output for="gas-start" id="gas-start-shown">05:00</output>' in page
    assert '<output for="flow" id="flow-shown">130 %</output>' in page
    assert answer["reasons"][0] in page


def test_nothing_moved_is_the_day_as_it_is(shore: Served) -> None:
    page = requests.get(f"{shore.url}/tanks/emberpane/what-if", timeout=60).text
    assert table(page)
    assert all(today == changed for today, changed in table(page).values())


@pytest.mark.parametrize("query", ["flow=900", "flow=much", "light=nan", "gas-start=-5"])
def test_what_is_not_on_a_slider_is_refused(shore: Served, query: str) -> None:
    answer = requests.get(f"{shore.url}/tanks/emberpane/what-if?{query}", timeout=60)
    assert answer.status_code == 422
    name = query.partition("=")[0]
    fault = answer.text.partition(f'id="{name}-fault">')[2].partition("</p>")[0]
    assert "allowed:" in fault, "beside its slider"
    assert f'aria-describedby="{name}-fault"' in answer.text
    assert answer.text.count("<output") >= 3, "the sliders stay"


def test_where_nothing_can_be_predicted_it_says_why(bare: Served) -> None:
    bare.registry.put_tank(Tank("reedbed", "Reedbed"))
    answer = requests.get(f"{bare.url}/tanks/reedbed/what-if", timeout=60)
    assert answer.status_code == 200
    assert "No prediction without the tank" in answer.text


def test_sliders_in_words_and_as_a_question() -> None:
    assert moved(START, {"gas-start": "460"}).shown == "07:40"
    assert moved(FLOW, {"flow": "112,5"}).shown == "112.5 %"
    assert moved(FLOW, {}).value == 100
    wrong = moved(START, {"gas-start": "25:00"})
    assert (wrong.value, wrong.shown) == (600, "10:00")
    assert "'25:00'; allowed: 00:00 to 23:59" in wrong.fault
    assert moved(FLOW, {"flow": "much"}).fault
    question = question_of((moved(START, {"gas-start": "460"}), FLOW))
    assert f"{question.gas_start:%H:%M}" == "07:40"
    assert (question.injection_factor, question.photoperiod_h, question.kh_meq_l) == (1, None, None)
