"""Every field of a tank can be set by its page, and a new field of the table appears by itself."""

from __future__ import annotations

from collections.abc import Iterator
from fnmatch import fnmatchcase

import marshmallow as ma
import pytest
from flask import Flask

from service.advice.engine.practice import THRESHOLDS
from service.api.resources.tanks.schemas import TankSchema
from service.derive.thresholds import SUBJECTS
from service.pages.settings import tank_form
from service.pages.settings.questions import questions_in
from service.pages.settings.sections import ELSEWHERE, SECTIONS, section_of
from service.pages.settings.tank_form import nodes_in, sections_of
from service.registry.fields.dose_content import LabelAmounts
from service.registry.fields.named import Thresholds
from service.registry.models.tank import Tank
from service.schemas.fields import Choice, Field, Name, Number, Text, Whole, YesNo
from service.schemas.free_json import Facts
from service.schemas.quantities import Measure
from service.schemas.ranges import Range
from service.schemas.times import Day, SpanOf, TimeOfDay, TimeZone
from tests.api.scenes import put

SECOND_DOSE = {"doses.0.mass_per_100_l", "doses.0.salts.0.substance", "doses.0.salts.0.mass"}
"""Members of a dose that exclude others of it, which are tried in a second dose."""


def leaves(schema: ma.Schema, path: str = "") -> Iterator[tuple[str, Field]]:
    """Every field of a schema by the name of its question; of lists, in their first item."""
    for name, field in schema.load_fields.items():
        at = f"{path}{name}"
        inner = field.inner if isinstance(field, ma.fields.List) else field
        item = ".0" if isinstance(field, ma.fields.List) else ""
        if isinstance(inner, ma.fields.Nested):
            yield from leaves(inner.schema, f"{at}{item}.")
        else:
            assert isinstance(field, Field), at
            yield at, field


def names_of(name: str, field: Field) -> list[str]:
    """The inputs that a field has."""
    if isinstance(field, Range):
        return [f"{name}.low", f"{name}.high"]
    if isinstance(field, LabelAmounts):
        return [f"{name}.{one}" for one in field.json_schema["properties"]]
    if isinstance(field, Thresholds):
        return [f"{name}.{one}" for one in field.known or ()]
    if isinstance(field, Facts):
        return [*(f"{name}.{one}" for one in field.usual), f"{name}.*.what", f"{name}.*.value"]
    return [name]


def asked_boxes() -> list[str]:
    nodes = nodes_in(sections_of({}, {}, SECTIONS, new=True))
    return [box.name for one in questions_in(nodes) for box in one.boxes]


@pytest.fixture
def request_made():
    """A request of somebody who chose no units."""
    with Flask(__name__).test_request_context():
        yield


def test_every_field_of_the_table_is_asked_for_once(request_made):
    expected = [
        one
        for name, field in leaves(TankSchema())
        if name not in ELSEWHERE
        for one in names_of(name, field)
    ]
    assert sorted(asked_boxes()) == sorted(expected)


def test_what_another_page_sets_is_linked_and_left_as_it_is(visitor):
    put(visitor.client, sensors={"ph": "glass-1"})
    page = visitor.client.get("/tanks/riffle/settings").text
    assert list(ELSEWHERE) == ["sensors"]
    assert 'href="/tanks/riffle/sensors"' in page.partition("<main")[2]
    assert "glass-1" not in page
    visitor.save("riffle", "name", name="Riffle of stones")
    assert visitor.client.get("/v1/tanks/riffle").get_json()["sensors"] == {"ph": "glass-1"}
    page = visitor.client.get("/tanks/riffle/sensors").text
    assert 'name="sensor" value="glass-1" checked' in page, "also before its first reading"


def test_thresholds_are_asked_by_their_subjects(request_made):
    (section,) = sections_of({}, {}, (section_of("thresholds"),), new=False)
    (group,) = section.nodes
    assert [one.label for one in group.nodes] == list(SUBJECTS)
    asked = [one.path[-1] for one in questions_in(group.nodes)]
    assert asked == list(THRESHOLDS)
    shown = TankSchema().fields["thresholds"].json_schema["properties"]
    assert [one["x-subject"] for one in shown.values()] == [
        one.subject for one in THRESHOLDS.values()
    ]


def test_a_new_field_of_the_table_appears_without_more_code(monkeypatch, request_made):
    class Wider(TankSchema):
        pump_flow = Measure("L", "Of the pump.", label="Pump", low=0, allow_none=True)

    monkeypatch.setattr(tank_form, "TANK", Wider())
    assert section_of("pump_flow").key == "more"
    nodes = nodes_in(sections_of({}, {}, SECTIONS, new=False))
    (found,) = (one for one in questions_in(nodes) if one.name == "pump_flow")
    assert (found.label, found.help, found.widget) == ("Pump", "Of the pump.", "number")
    assert list(found.units) == ["L", "gal", "[gal_br]"]


def text_for(name: str, field: Field) -> str:
    """A text that a field takes and that is not its default."""
    special = {
        "dimensions.height": "46",
        "dimensions.fill_height": "40",
        "dimensions.substrate_depth": "5",
        "dimensions.substrate_porosity": "0,3",
        "thresholds": "",
        "animals.0.co2_max": "20",
        "animals.0.co2_comfortable": "15",
    }
    if name in special:
        return special[name]
    if isinstance(field, Choice):
        return field.words[-1]
    if isinstance(field, YesNo):
        return "no"
    if isinstance(field, Day):
        return "2025-03-01"
    if isinstance(field, TimeOfDay):
        return "17:45" if name.endswith("end") else "07:15"
    if isinstance(field, TimeZone):
        return "Europe/Lisbon"
    if isinstance(field, SpanOf):
        return "6,5"
    if isinstance(field, Text | Name):
        return "Words of its own" if isinstance(field, Text) else "own"
    assert isinstance(field, Measure | Number | Whole), name
    return "7" if isinstance(field, Whole) else "61,5" if "length" in name else "7,5"


def test_every_field_is_stored_from_the_page(visitor):
    """Each is typed on the page, and the API then answers something else than before."""
    put(visitor.client)
    for section in SECTIONS[:-1]:
        type_all_of(visitor, section)


def type_all_of(visitor, section):
    """Type all that a section asks for, and look for it in the API and in the form."""
    before = visitor.client.get("/v1/tanks/riffle").get_json()
    form = visitor.form("/tanks/riffle/settings", "/tanks/riffle/settings", section=section.key)
    typed = {}
    for name, field in leaves(TankSchema()):
        if name == "id" or name in SECOND_DOSE or section_of(member(name)) is not section:
            continue
        if isinstance(field, Range):
            typed |= {f"{name}.low": "21", f"{name}.high": "22,5"}
        elif isinstance(field, LabelAmounts):
            typed |= dict.fromkeys(names_of(name, field), "1,5")
        elif isinstance(field, Thresholds):
            typed |= {
                f"{name}.{key}": f"{(one.low + min(one.high, one.low + 1)) / 2:g}"
                for key, one in (field.known or {}).items()
            }
        elif isinstance(field, Facts):
            typed |= dict.fromkeys(names_of(name, field), "own words")
        elif name == "doses.0.bottle":
            continue
        else:
            typed[name] = text_for(name, field)
    if section.key == "doses":
        typed |= {
            "doses.1.name": "second", "doses.1.mass_per_100_l": "2",
            "doses.1.salts.0.substance": "K2SO4", "doses.1.salts.0.mass": "3",
            "doses.2.name": "third", "doses.2.volume_per_100_l": "2", "doses.2.bottle": "500",
            "doses.2.salts.0.substance": "KNO3", "doses.2.salts.0.mass": "3",
        }  # fmt: skip
    assert typed
    status, page = visitor.send("/tanks/riffle/settings", form | typed)
    assert status == 303, page[page.find("fault") :][:600]
    after = visitor.client.get("/v1/tanks/riffle").get_json()
    for name in typed:
        if name.endswith(".*.what"):
            continue
        at = name.replace(".*.value", ".own words").split(".")
        assert value_at(after, at) is not None, name
        assert value_at(after, at) != value_at(before, at), name
    again = visitor.form("/tanks/riffle/settings", "/tanks/riffle/settings", section=section.key)
    shown = {name: again[name] for name in typed if ".*." not in name}
    assert {name: text.replace(",", ".") for name, text in typed.items() if name in shown} == shown


def member(name: str) -> str:
    """A name without indexes, as sections have it."""
    return "/".join(part for part in name.split(".") if not part.isdecimal())


def value_at(value, path):
    for part in path:
        if value is None:
            return None
        if part.isdecimal():
            value = value[int(part)] if int(part) < len(value) else None
        else:
            value = value.get(part)
    return value


def test_sections_name_only_what_there_is():
    every = [member(name) for name, _ in leaves(TankSchema())]
    for section in SECTIONS:
        for pattern in (*section.members, *section.rare):
            assert pattern == "*" or any(fnmatchcase(one, pattern) for one in every), pattern
    assert [one for one in every if section_of(one).key == "more"] == list(ELSEWHERE)


def test_the_form_shows_no_more_of_a_default_than_its_value(request_made):
    """A tank with nothing but a name has a form that changes nothing when it is saved."""
    body = tank_form.TANK.dump(Tank("reedbed", "Reedbed"))
    form = tank_form.tank_form(body, {})
    assert form.body == body
