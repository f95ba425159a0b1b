"""The drawings of nutrients on the page of a tank."""

from __future__ import annotations

import re
from datetime import timedelta

from service.pages.tank.nutrients import nutrient_drawings
from service.registry.models.log import LogKind
from service.registry.models.plans import DosePlan
from tests.api.conftest import NOW, app, client, context, made  # noqa: F401 - fixtures used here too
from tests.derive.pieces import NOON, a_tank, entry
from tests.pages.test_hostile_forms import visitor  # noqa: F401 - fixtures used here too


def test_nothing_is_drawn_where_nothing_is_known() -> None:
    assert nutrient_drawings(a_tank(), [], NOON) == ()


def test_a_course_its_band_and_the_tests() -> None:
    tank = a_tank(doses=(DosePlan("macro", 10.0, label_mg={"NO3": 60.0}),))
    log = [
        entry(LogKind.NUTRIENT_TEST, NOON - timedelta(days=days), no3_mg_l=level)
        for days, level in ((2.0, 20.0), (20.0, 30.0))
    ]
    nitrate, *others = nutrient_drawings(tank, log, NOON)
    assert [one.ion for one in others] == ["PO4", "K", "Fe"]
    assert len(nitrate.tests) == 2 and not others[0].tests
    heights = [float(point.split(",")[1]) for point in nitrate.line.split()]
    assert all(0 <= height <= 90 for height in heights)
    assert 0 < nitrate.now < 600
    assert nitrate.words.startswith("NO3 now ") and "2 tests" in nitrate.words


def test_the_page_has_them(visitor) -> None:  # noqa: F811
    body = {"kind": "nutrient-test", "data": {"no3": {"value": 20, "unit": "mg/L"}}}
    at = (NOW - timedelta(days=2)).isoformat()
    assert visitor.post("/v1/tanks/riffle/log", json=body | {"time": at}).status_code == 201
    page = visitor.get("/tanks/riffle").get_data(as_text=True)
    assert '<h2 id="nutrients-h">Nutrients</h2>' in page
    assert len(re.findall(r'<svg class="nutrient"', page)) == 4
