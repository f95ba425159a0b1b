"""A configuration file with every key, its default and what it is for, to begin with."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import MISSING, fields
from typing import Any, Final

from marshmallow import fields as f

from service.config.fields import Section
from service.config.schema import ConfigSchema

_LINE: Final = 100
_HEAD: Final = """\
# Configuration of Littoral. A key behind a # has its default, or an example where there is none:
# take the # away to change it. Each key can be set in the environment too, [store] url by
# LITTORAL_STORE__URL. `littoral check --config FILE` says whether all is right.
"""
_SET: Final = {
    ("store", "url"),
    ("registry", "url"),
    ("mqtt", "url"),
    ("http", "host"),
    ("http", "port"),
}
"""What most people look for first stands there without the #."""


def template() -> str:
    """The file's text; without a change it configures what no file does."""
    return "\n".join([_HEAD, *_sections()])


def _sections() -> Iterator[str]:
    for name, field in ConfigSchema().fields.items():
        key = field.data_key or name
        if isinstance(field, f.Nested):
            yield "\n".join([f"[{key}]", *_keys(key, field.schema), ""])
        elif isinstance(field, f.List) and isinstance(field.inner, f.Nested):
            yield "\n".join([f"#[[{key}]]", *_keys(key, field.inner.schema), ""])


def _keys(section: str, schema: Any) -> Iterator[str]:
    assert isinstance(schema, Section)
    defaults = {
        one.name: one.default
        for one in fields(schema.target)
        if one.default is not MISSING and one.default is not None
    }
    for name, field in schema.fields.items():
        shown = field.metadata.get("example", defaults.get(name))
        mark = "" if (section, name) in _SET else "#"
        setting = f"{mark}{name} = {_toml(shown)}"
        about = field.metadata.get("about")
        line = f"{setting:<37} # {about}" if about else setting
        if len(line) <= _LINE:
            yield line
        else:
            yield from (f"# {about}", setting)


def _toml(value: object) -> str:
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {_toml(one)}" for key, one in value.items()) + " }"
    return json.dumps(value, ensure_ascii=False)
