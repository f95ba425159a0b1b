"""docs/registry.md, docs/species.md and docs/observations.md say what the code does."""

import re
import runpy
from dataclasses import fields
from pathlib import Path

from service.registry.fields.log.kinds import KINDS
from service.registry.fields.tank import TankSchema
from service.registry.models.log import LogKind
from service.registry.models.tank import Tank

DOCS = Path(__file__).parents[2] / "docs"


def test_species_page_is_the_table():
    page = runpy.run_path(str(DOCS / "species.py"))["text"]()
    assert (DOCS / "species.md").read_text() == page


def test_observations_page_is_the_table():
    page = runpy.run_path(str(DOCS / "observations.py"))["text"]()
    assert (DOCS / "observations.md").read_text() == page, "run docs/observations.py anew"


def test_registry_page_is_the_table_of_fields():
    """To write it anew: python docs/registry.py."""
    text = (DOCS / "registry.md").read_text()
    assert runpy.run_path(str(DOCS / "registry.py"))["page"](text) == text


def test_registry_page_names_every_field_of_a_tank():
    shown = section("tank-fields")
    loaded = TankSchema().load_fields
    stored = {field.attribute or name for name, field in loaded.items()}
    assert stored == {field.name for field in fields(Tank)}
    for name in loaded:
        assert re.search(rf"^\| `{name}[`.\[]", shown, re.MULTILINE), name


def test_registry_page_names_every_kind_of_log_entry_with_its_data():
    rows = {}
    for line in section("log-kinds").splitlines()[2:]:
        kind, data, *_ = (cell.strip(" `") for cell in line.strip("|").split("|"))
        if kind:
            names = rows[kind] = []
        names.append(data)
    assert list(rows) == [kind.value for kind in LogKind]
    for kind, names in rows.items():
        assert [name for name in names if name] == list(KINDS[LogKind(kind)].load_fields)


def section(name):
    text = (DOCS / "registry.md").read_text()
    return re.search(rf"<!-- {name} -->\n(.*)\n<!-- /{name} -->", text, re.DOTALL)[1]
