"""A new tank by its page, and the first steps that tick themselves off."""

from __future__ import annotations

import re
from datetime import time
from html import unescape

import pytest

from service.pages.settings.new_tank import id_of
from service.registry.models.log import LogKind
from service.registry.models.plans import GasPlan
from service.registry.models.tank import Stock, Tank
from service.science.water.hardness import meq_l_from_dkh
from service.store.model import Reading
from service.times import to_us
from tests.api.conftest import NOW
from tests.api.scenes import put
from tests.pages.settings.conftest import fault_at, faults

AT = "/tanks/new"


def made(visitor, **typed):
    form = visitor.form(AT, AT)
    named = {name.replace("__", "."): text for name, text in typed.items()}
    return visitor.send(AT, form | named)


def test_a_name_is_enough(visitor, context):
    assert f'href="{AT}"' in visitor.get("/"), "an empty service leads to it"
    status, page = made(visitor, name="Ruhr & Söhne, Nr. 2")
    assert status == 303, faults(page)
    assert "First steps" in page
    (tank,) = context.registry.tanks()
    assert tank == Tank("ruhr-sohne-nr-2", "Ruhr & Söhne, Nr. 2")


def test_what_took_fourteen_faults_as_json_is_one_form(visitor, context):
    """Units left out, a decimal comma, a common word: the first PUT of a new user had 14 faults."""
    status, page = made(
        visitor,
        name="Riffle", time_zone="Europe/Lisbon", dimensions__length="90,5",
        dimensions__width="45", dimensions__height="45", dimensions__substrate_depth="6",
        kh="4", gh="6,5", water_change__tap_kh="3", animals__0__species="Danio margaritatus",
        animals__0__count="12", plants__0__species="Rotala rotundifolia", light__start="10:30",
        light__photoperiod="8", gas__start="08:30", gas__end="17:00", cylinder__content="2 kg",
        cylinder__put_on="2025-06-01", equipment__lamp="LED, 60 W", heated="yes",
        doses__0__name="macro", doses__0__volume_per_100_l="5", doses__0__label__NO3="12",
        water_change__every="7", water_change__fraction="40", contact="extension 12",
    )  # fmt: skip
    assert status == 303, faults(page)
    tank = context.registry.tank("riffle")
    assert tank.dimensions is not None
    assert tank.dimensions.length_cm == 90.5
    assert tank.kh_meq_l == pytest.approx(float(meq_l_from_dkh(4)))
    assert tank.animals == (Stock("Danio margaritatus", 12),)
    assert (tank.gas, tank.light.photoperiod_h) == (GasPlan(time(8, 30), time(17, 0)), 8.0)
    assert tank.doses[0].label_mg == {"NO3": 12.0}
    assert tank.water_change.fraction == pytest.approx(0.4)
    assert tank.equipment == {"lamp": "LED, 60 W"}


def test_what_is_wrong_is_said_beside_its_field_and_nothing_is_lost(visitor, context):
    status, page = made(
        visitor, dimensions__length="long", dimensions__width="45", kh="300",
        animals__0__species="Danio margaritatus", animals__0__count="-3",
    )  # fmt: skip
    assert status == 422
    assert fault_at(page, "name") == "Name is missing; it is required"
    assert "'long'; allowed: a number such as 4 or 4.5 cm" in fault_at(page, "dimensions.length")
    assert "Height is missing" in fault_at(page, "dimensions.height")
    assert "'300 dKH'; allowed: from 0 to 20 meq/L (56.1 dKH)" in fault_at(page, "kh")
    assert "from 0 to 100000" in fault_at(page, "animals.0.count")
    for text in ("long", "45", "300", "-3"):
        assert f'value="{text}"' in page
    assert context.registry.tanks() == []


def test_an_id_is_made_of_the_name_or_taken_as_given(visitor, context):
    assert made(visitor, name="Riffle", id="reed-bed")[0] == 303
    status, page = made(visitor, name="Other", id="reed-bed")
    assert (status, "reed-bed" in fault_at(page, "id")) == (422, True)
    status, page = made(visitor, name="Other", id="new")
    assert (status, "but not new" in fault_at(page, "id")) == (422, True)
    assert made(visitor, name="Reed bed!")[0] == 303
    assert context.registry.tank_ids() == {"reed-bed", "reed-bed-2"}
    assert id_of("水草", ()) == "tank"
    assert id_of("New", ()) == "new-2", "a page has the address /tanks/new"
    assert len(id_of("x" * 300, ())) <= 64


def test_a_reader_may_not_make_one(reader, context):
    assert "Make this tank" not in reader.get(AT)
    form = reader.form(AT, AT)
    assert reader.send(AT, form | {"name": "x"})[0] == 403
    assert context.registry.tanks() == []


def steps(page):
    """Words of each first step, and whether it is ticked."""
    part = page[page.index('id="first-steps"') :].split("</section>")[0]
    items = re.findall(r"<li class=\"(.*?)\">(.*?)</li>", part, re.DOTALL)
    words = [" ".join(re.sub(r"<[^>]+>", " ", unescape(text)).split()) for _, text in items]
    return {
        text.removeprefix("✓ done: ").removeprefix("☐ "): mark == "step-done"
        for text, (mark, _) in zip(words, items, strict=True)
    }


def test_first_steps_tick_themselves_off(visitor, context):
    """Dimensions, KH, animals, plan, first reading of each sensor, calibration."""
    made(visitor, name="Riffle")
    open_steps = steps(visitor.get("/tanks/riffle"))
    assert list(open_steps.values()) == [False] * 8
    visitor.save("riffle", "dimensions", net_volume="120")
    context.registry.add_log("riffle", LogKind.KH_TEST, NOW, {"kh_meq_l": 1.4})
    visitor.save("riffle", "animals", animals__0__species="Danio rerio")
    visitor.save("riffle", "plan", gas__start="08:00", gas__end="17:00")
    context.store.write(
        [Reading("riffle", name, "main", to_us(NOW), value)
         for name, value in (("temperature", 24.0), ("ph", 6.8))]
    )  # fmt: skip
    found = steps(visitor.get("/tanks/riffle"))
    assert [words for words, done in found.items() if not done] == [
        "First reading: light",
        "Calibration of the pH probe an uncalibrated probe gives a wrong CO2",
    ]
    context.store.write([Reading("riffle", "ppfd", "main", to_us(NOW), 80.0)])
    data = {"quantity": "ph", "points": [{"reading": 7.02, "reference": 7.0}]}
    context.registry.add_log("riffle", LogKind.CALIBRATION, NOW, data)
    assert "First steps" not in visitor.get("/tanks/riffle"), "all are done"


def test_a_reader_is_shown_no_steps(context, reader):
    context.registry.put_tank(Tank("riffle", "Riffle"))
    assert "First steps" not in reader.get("/tanks/riffle")


def test_the_list_of_first_steps_can_be_hidden(visitor):
    put(visitor.client)
    assert "First steps" in visitor.get("/tanks/riffle")
    visitor.client.get("/tanks/riffle/settings?first_steps=hide")
    assert "First steps" not in visitor.get("/tanks/riffle")
