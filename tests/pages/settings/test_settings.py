"""Changing a tank by its page: one field and Save, units, faults beside the field, conflicts."""

from __future__ import annotations

from datetime import date, time

import pytest

from service.pages.settings.previews import drawing_of, net_volume_of, strip_of
from service.registry.models.log import LogKind
from service.registry.models.plans import Cylinder
from service.registry.models.tank import Stock
from service.registry.volume import net_volume_l
from service.science.water.hardness import meq_l_from_dkh
from tests.api.scenes import put
from tests.pages.settings.conftest import fault_at, faults

AT = "/tanks/riffle/settings"


@pytest.fixture
def riffle(visitor):
    put(visitor.client)
    return visitor


def tank_of(context):
    return context.registry.tank("riffle")


def test_one_field_and_save_changes_that_field_alone(riffle, context):
    before = riffle.client.get("/v1/tanks/riffle").get_json()
    status, page = riffle.save("riffle", "plan", gas__start="07:40", gas__end="17:00")
    assert status == 303
    assert "Saved: CO2 on, CO2 off." in page
    after = riffle.client.get("/v1/tanks/riffle").get_json()
    assert after.pop("gas") == before.pop("gas") | {"start": "07:40", "end": "17:00"}
    assert after == before, "numbers that the form shows rounded stay as they were stored"
    (entry,) = context.registry.log("riffle")
    assert entry.kind is LogKind.ADJUSTMENT, "what was adjusted is logged, as from the API"


@pytest.mark.parametrize(
    ("section", "name", "text", "unit", "attribute", "value"),
    [
        ("water", "kh", "4,5", "dKH", "kh_meq_l", float(meq_l_from_dkh(4.5))),
        ("water", "kh", "50", "ppm CaCO3", "kh_meq_l", 50 / 50.04),
        ("water", "kh", "2 meq/L", "dKH", "kh_meq_l", 2.0),
        ("dimensions", "net_volume", "40", "gal", "net_volume_l", 151.416),
        ("dimensions", "net_volume", "40", "[gal_br]", "net_volume_l", 181.844),
        ("dimensions", "dimensions.length", "36", "in", "dimensions.length_cm", 91.44),
        ("water", "water_change.tap_temperature", "59", "[degF]",
         "water_change.tap_temperature_c", 15.0),
        ("plan", "light.photoperiod", "7:30", "", None, None),
        ("plan", "light.photoperiod", "7h30m", "", "light.photoperiod_h", 7.5),
        ("plan", "light.photoperiod", "450 min", "", "light.photoperiod_h", 7.5),
        ("water-change", "water_change.fraction", "35", "", "water_change.fraction", 0.35),
    ],
)  # fmt: skip
def test_any_unit_and_a_decimal_comma_are_understood(
    riffle, context, section, name, text, unit, attribute, value
):
    """Units: NIST SP 811 appendix B (inch, US and imperial gallon); KH by DIN 38409-6."""
    changes = {name: text} | ({f"{name}_unit": unit} if unit else {})
    status, page = riffle.save("riffle", section, **changes)
    if attribute is None:
        assert (status, "such as 8 h" in fault_at(page, name)) == (422, True)
        return
    assert status == 303, faults(page)
    found = tank_of(context)
    for part in attribute.split("."):
        found = getattr(found, part)
    assert found == pytest.approx(value, rel=1e-4)


def test_the_chosen_unit_is_shown_from_then_on(riffle):
    riffle.save("riffle", "water", kh="70", kh_unit="ppm CaCO3")
    form = riffle.form(AT, AT, section="water")
    assert (form["kh"], form["kh_unit"]) == ("70", "ppm CaCO3")
    riffle.client.get(f"{AT}?units=US")
    form = riffle.form(AT, AT, section="dimensions")
    assert form["dimensions.length_unit"] == "in"
    assert float(form["dimensions.length"]) == pytest.approx(90 / 2.54, rel=1e-3)
    status, _ = riffle.send(AT, form)
    assert status == 303
    assert tank_of_api(riffle)["dimensions"]["length"]["value"] == 90, "not the rounded inches"


def tank_of_api(visitor):
    return visitor.client.get("/v1/tanks/riffle").get_json()


def test_a_cylinder_of_two_kilograms_counts(riffle, context):
    """It was accepted as the text "2 kg" among the free facts, and ignored."""
    status, page = riffle.save("riffle", "plan", cylinder__content="2 kg")
    assert status == 422
    assert "Put on is missing" in fault_at(page, "cylinder.put_on")
    assert 'value="2 kg"' in page, "what was typed is still there"
    changes = {"cylinder__content": "2 kg", "cylinder__put_on": "2025-06-01"}
    assert riffle.save("riffle", "plan", **changes)[0] == 303
    assert tank_of(context).cylinder == Cylinder(2000.0, date(2025, 6, 1))
    status, page = riffle.save("riffle", "equipment", **{"equipment.*.what": "cylinder_g",
                                                         "equipment.*.value": "2 kg"})  # fmt: skip
    assert status == 422
    assert any("belongs in" in one for one in faults(page))
    assert riffle.save("riffle", "plan", cylinder__content="", cylinder__put_on="")[0] == 303
    assert tank_of(context).cylinder is None


def test_one_limit_of_one_species_needs_that_field_alone(riffle, context):
    """Over the API the whole list of animals had to be sent again."""
    riffle.client.patch(
        "/v1/tanks/riffle",
        json={"animals": [{"species": "Danio margaritatus", "count": 9},
                          {"species": "Tanichthys albonubes", "count": 12}]},
    )  # fmt: skip
    status, page = riffle.save(
        "riffle", "animals", animals__1__temperature__low="16", animals__1__temperature__high="25,5"
    )
    assert status == 303, faults(page)
    assert tank_of(context).animals == (
        Stock("Danio margaritatus", 9),
        Stock("Tanichthys albonubes", 12, temperature_low_c=16.0, temperature_high_c=25.5),
    )
    added = {"animals__2__species": "Neocaridina davidi", "animals__2__count": "40"}
    status, page = riffle.save("riffle", "animals", **added, animals__0__remove="yes")
    assert status == 303, faults(page)
    assert [one.species for one in tank_of(context).animals] == [
        "Tanichthys albonubes", "Neocaridina davidi"
    ]  # fmt: skip


def test_faults_stand_beside_their_fields_with_what_was_typed(riffle, context):
    """Also in the rows of a list, of which another is removed at the same time."""
    riffle.client.patch(
        "/v1/tanks/riffle",
        json={"animals": [{"species": "Danio margaritatus"}, {"species": "Danio rerio"}]},
    )
    status, page = riffle.save(
        "riffle", "animals", animals__0__remove="yes", animals__1__count="many",
        animals__2__species="neon tetra", animals__2__comfortable__low="20",
        animals__2__comfortable__high="x", animals__1__temperature__low="70",
        animals__1__temperature_unit="Cel",
    )  # fmt: skip
    assert status == 422
    assert "'many'; allowed: a number such as 4" in fault_at(page, "animals.1.count")
    assert "'x'; allowed: a number" in fault_at(page, "animals.2.comfortable")
    assert "from 0 to 45 Cel" in fault_at(page, "animals.1.temperature")
    for text in ("many", "neon tetra", "x", "70"):
        assert f'value="{text}"' in page
    status, page = riffle.save(
        "riffle", "animals", animals__0__remove="yes", animals__2__species="neon tetra"
    )
    assert "Paracheirodon innesi (neon tetra)" in fault_at(page, "animals.2.species")
    assert [one.count for one in tank_of(context).animals] == [1, 1], "nothing was saved"


def test_an_unknown_species_asks_for_its_limits(riffle):
    riffle.save("riffle", "animals", animals__0__species="Inventa nova", animals__0__count="3")
    page = riffle.get(f"{AT}?open=animals")
    assert "Inventa nova: not in the table of species: enter the temperature" in page
    listed = riffle.get(
        f"{AT}/preview/animals?animals.0.species=Tanichthys+albonubes&animals.0.count=4"
    )
    assert "Tanichthys albonubes: 16 to 24 °C" in listed
    assert "data-unknown" not in listed


def test_a_change_by_somebody_else_is_said_and_nothing_is_overwritten(riffle, context):
    form = riffle.form(AT, AT, section="water")
    riffle.client.patch(
        "/v1/tanks/riffle",
        json={"gh": {"value": 8, "unit": "dGH"}, "kh": {"value": 3, "unit": "dKH"}},
    )
    status, page = riffle.send(AT, form | {"kh": "5", "kh_tested": "2025-06-03"})
    assert status == 412
    assert any("changed this tank at" in one and "gh, kh" in one for one in faults(page))
    assert "changed meanwhile, to 3" in fault_at(page, "kh")
    assert tank_of(context).kh_meq_l == pytest.approx(float(meq_l_from_dkh(3)))
    again = form_in(page, "water")
    assert (again["kh"], again["kh_tested"]) == ("5", "2025-06-03"), "what was typed stays"
    assert again["gh"] == "8", "what was not typed is as the other one set it"
    status, page = riffle.send(AT, again)
    assert status == 303, faults(page)
    found = tank_of_api(riffle)
    assert found["kh"]["display"]["value"] == pytest.approx(5)
    assert found["gh"]["display"]["value"] == pytest.approx(8)


def form_in(page, section):
    from tests.pages.settings.conftest import Forms

    return next(one for _, one in Forms(page).found if one.get("section") == section)


def test_rows_that_moved_meanwhile_are_not_written_to(riffle, context):
    riffle.client.patch(
        "/v1/tanks/riffle",
        json={"animals": [{"species": "Danio margaritatus"}, {"species": "Danio rerio"}]},
    )
    form = riffle.form(AT, AT, section="animals")
    riffle.client.patch("/v1/tanks/riffle", json={"animals": [{"species": "Danio rerio"}]})
    status, page = riffle.send(AT, form | {"animals.0.count": "9"})
    assert status == 412
    assert any("Animals were changed meanwhile" in one for one in faults(page))
    assert riffle.send(AT, form_in(page, "animals"))[0] == 303
    assert tank_of(context).animals == (Stock("Danio rerio", 1),)


def test_a_reader_sees_no_button_and_may_not_save(riffle, reader):
    page = reader.get(AT)
    assert "may look at the settings" in page
    assert ">Save</button>" not in page
    assert "Delete this tank" not in page
    form = reader.form(AT, AT, section="name")
    assert reader.send(AT, form | {"name": "x"})[0] == 403


def test_deleting_a_tank_asks_for_its_name(riffle, context):
    at = "/tanks/riffle/delete"
    form = riffle.form(AT, at)
    status, page = riffle.send(at, form | {"name": "riffle"})
    assert status == 422
    assert any("Invented tank, to delete it" in one for one in faults(page))
    assert context.registry.tank_ids() == {"riffle"}
    riffle.client.patch("/v1/tanks/riffle", json={"notes": "changed meanwhile"})
    assert riffle.send(at, form | {"name": "Invented tank"})[0] == 412
    form = riffle.form(AT, at)
    status, page = riffle.send(at, form | {"name": "Invented tank", "readings": "delete"})
    assert (status, context.registry.tank_ids()) == (303, set())
    assert "Invented tank is deleted" in page


def test_the_drawing_and_the_strip_say_what_the_service_computes(riffle, context):
    """The volume: 90 x 45 x 45 cm are 182.25 L by arithmetic."""
    body = tank_of_api(riffle)
    assert net_volume_of(body) == net_volume_l(tank_of(context))
    drawing = drawing_of(body | {"dimensions": {
        side: {"value": value, "unit": "cm"} for side, value in
        (("length", 90), ("width", 45), ("height", 45))
    }})  # fmt: skip
    assert drawing is not None
    assert drawing.net_l == pytest.approx(182.25)
    strip = strip_of({"light": {"start": "22:00", "photoperiod": "PT8H"},
                      "gas": {"start": "20:30", "end": "05:00"}})  # fmt: skip
    assert strip is not None
    assert strip.words == (
        "Light 22:00 to 06:00 (8 h). CO2 20:30 to 05:00: on 1.5 h before the light, "
        "off 1 h before lights-off."
    )
    assert sum(bar.length for bar in strip.light) == pytest.approx(100 * 8 / 24)
    assert sum(bar.length for bar in strip.gas) == pytest.approx(100 * 8.5 / 24)


def test_what_a_dose_adds_is_shown_for_each_ion(riffle):
    """10 mL of 60 g KNO3 in 500 mL: 1.2 g, of which 0.6133 is nitrate (62.004 / 101.10)."""
    query = {
        "doses.0.name": "macro", "doses.0.volume_per_100_l": "10", "doses.0.bottle": "500",
        "doses.0.salts.0.substance": "KNO3", "doses.0.salts.0.mass": "60",
    }  # fmt: skip
    riffle.save("riffle", "dimensions", net_volume="100")
    page = riffle.client.get(f"{AT}/preview/doses", query_string=query).get_data(as_text=True)
    assert "NO3 <b>7.4</b>" in page
    assert "K <b>4.6</b>" in page
    del query["doses.0.salts.0.mass"], query["doses.0.bottle"]
    page = riffle.client.get(f"{AT}/preview/doses", query_string=query).get_data(as_text=True)
    assert "<td>" not in page, "a dose that can't be is not reckoned"


def test_a_page_of_wrong_addresses_and_sections_says_so(riffle):
    assert riffle.client.get("/tanks/nowhere/settings").status_code == 404
    assert riffle.client.get(f"{AT}/preview/nothing").status_code == 404
    form = riffle.form(AT, AT, section="name")
    status, page = riffle.send(AT, form | {"section": "nothing"})
    assert status == 422
    assert "allowed: name, dimensions" in page
    status, page = riffle.send(
        AT, {name: text for name, text in form.items() if "csrf" not in name}
    )
    assert status == 403
    assert any("open for too long" in one for one in faults(page))


def test_gas_times_come_in_pairs(riffle, context):
    status, page = riffle.save("riffle", "plan", gas__start="07:40")
    assert status == 422
    assert "CO2 off is missing" in fault_at(page, "gas.end")
    assert tank_of(context).gas.start in (None, time(8, 0))
