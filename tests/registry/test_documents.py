"""docs/registry.md and docs/species.md say what the code does."""

import re
import runpy
from dataclasses import fields
from pathlib import Path

from service.registry.log_data import KEYS
from service.registry.models import Tank

DOCS = Path(__file__).parents[2] / "docs"


def log_table():
    rows = ["| kind | data |", "| --- | --- |"]
    for kind, keys in KEYS.items():
        data = "; ".join(
            f"`{name}` ({key.text}{', required' if key.required else ''})"
            for name, key in keys.items()
        )
        rows.append(f"| `{kind}` | {data} |")
    return "\n".join(rows)


def test_species_page_is_the_table():
    page = runpy.run_path(str(DOCS / "species.py"))["text"]()
    assert (DOCS / "species.md").read_text() == page


def test_registry_page_lists_every_kind_of_log_entry():
    text = (DOCS / "registry.md").read_text()
    shown = re.search(r"<!-- log-kinds -->\n(.*)\n<!-- /log-kinds -->", text, re.DOTALL)
    assert shown[1] == log_table()


def test_registry_page_names_every_field_of_a_tank():
    text = (DOCS / "registry.md").read_text()
    for field in fields(Tank):
        assert f"`{field.name}`" in text, field.name
