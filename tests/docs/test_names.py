"""One name for one thing: over HTTP, on the command line, in the client and in the documents."""

from __future__ import annotations

import dataclasses
import json
import re
from pathlib import Path
from typing import Any

import click
import pytest

from service.advice.engine.practice import THRESHOLDS
from service.api.calculate.carbonate import CO2
from service.api.resources.derived.what_if import WhatIfSchema
from service.cli import COMMANDS, littoral
from service.client import models
from service.registry.fields.log.kinds import KINDS
from service.registry.fields.tank import TankSchema
from service.registry.models.log import LogKind
from service.schemas.fields import Field

DOCS = Path(__file__).resolve().parents[2] / "docs"
DOCUMENT = json.loads((DOCS / "openapi.json").read_text(encoding="utf-8"))
SCHEMAS = DOCUMENT["components"]["schemas"]

OTHER_NAMES = {
    "alkalinity": "kh",
    "hardness": "gh",
    "livestock": "animals",
    "planting": "plants",
    "share": "fraction",
    "nitrate": "no3",
    "phosphate": "po4",
    "potassium": "k",
    "iron": "fe",
    "tolerable": "temperature",
    "lights_on": "light.start",
    "gas_on": "gas.start",
    "gas_off": "gas.end",
    "kh_test": "kh_kit",
    "practitioner": "keeper",
}
"""What a thing is not called, and what it is."""


def properties() -> set[str]:
    """The names of all members of all documents, and of all query options."""
    found = {name for schema in SCHEMAS.values() for name in schema.get("properties", {})}
    for path in DOCUMENT["paths"].values():
        for operation in path.values():
            parameters = operation.get("parameters", []) if isinstance(operation, dict) else []
            found |= {one["name"] for one in parameters if "name" in one}
    return found


def other_names_in(name: str) -> set[str]:
    """What in a name should be called otherwise: the whole of it, or a word."""
    return {name, *re.split(r"[_.-]", name)} & set(OTHER_NAMES)


def commands(group: click.Group, *path: str) -> dict[tuple[str, ...], click.Command]:
    """Every command by the words that call it."""
    found: dict[tuple[str, ...], click.Command] = {}
    for name in group.list_commands(click.Context(group)):
        one = group.get_command(click.Context(group), name)
        assert one is not None
        found[*path, name] = one
        if isinstance(one, click.Group):
            found |= commands(one, *path, name)
    return found


ALL_COMMANDS = commands(littoral)


def options(*path: str) -> set[str]:
    """The long options of a command, as names."""
    return {
        flag.removeprefix("--").replace("-", "_")
        for parameter in ALL_COMMANDS[path].params
        for flag in parameter.opts
        if flag.startswith("--")
    }


def test_no_thing_has_two_names() -> None:
    all_options = {name for path in ALL_COMMANDS for name in options(*path)}
    everywhere = properties() | all_options | set(THRESHOLDS)
    assert len(everywhere) > 500
    assert {name: other_names_in(name) for name in everywhere if other_names_in(name)} == {}


def test_the_registry_page_lists_names_of_the_api() -> None:
    """And all of them: both are made of the one table of fields."""
    text = (DOCS / "registry.md").read_text(encoding="utf-8")
    table = text.split("<!-- tank-fields -->")[1].split("<!-- /tank-fields -->")[0]
    listed = set(re.findall(r"^\| `([^`]+)` \|", table, re.MULTILINE))
    assert listed == {one for one in paths_of(SCHEMAS["Tank"]) if not one.startswith("volume")}


def paths_of(schema: dict[str, Any], at: str = "") -> set[str]:
    """Paths to the members of a document that hold a value, as ``water_change.tap_kh``."""
    found = set()
    for name, member in schema.get("properties", {}).items():
        inner, many = member, ""
        if member.get("type") == "array":
            inner, many = member["items"], "[]"
        refs = re.findall(r"#/components/schemas/(\w+)", json.dumps(inner))
        parts = [SCHEMAS[one] for one in refs if set(SCHEMAS[one]["properties"]) & COMPOUND]
        found |= paths_of(parts[0], f"{at}{name}{many}.") if parts else {f"{at}{name}{many}"}
    return found


COMPOUND = {
    name
    for field in TankSchema().fields.values()
    if (inner := getattr(field, "inner", field)) and hasattr(inner, "schema")
    for name in inner.schema.fields
} | {"substance"}


@pytest.mark.parametrize("kind", [one.value for one in KINDS])
def test_a_log_entry_has_the_same_names_on_all_roads(kind: str) -> None:
    schema = KINDS[LogKind(kind)]
    title = "".join(word.capitalize() for word in kind.split("-"))
    assert set(SCHEMAS[f"{title}Data"].get("properties", {})) == set(schema.fields)
    text = {name for name, field in schema.fields.items() if isinstance(field, Field)}
    assert text <= options("log", kind)


def test_commands_ask_in_the_names_of_the_api() -> None:
    extra = {"json", "url", "token", "token_file", "help"}
    nested = {"kh_kit_step"}  # kh_kit.step
    assert options("co2") - extra - nested == set(CO2.asks)
    assert options("what-if") - extra == set(WhatIfSchema().fields)


def test_the_client_has_the_names_of_the_api() -> None:
    renamed = {"document", "id", "type", "data"}  # whole documents, and events of the stream
    known = properties() | renamed
    for one in vars(models).values():
        if dataclasses.is_dataclass(one):
            names = {field.name for field in dataclasses.fields(one)}
            assert names <= known, one


def test_every_command_is_walked() -> None:
    assert {path[0] for path in ALL_COMMANDS} == set(COMMANDS)
