"""The fields of a tank by their path, as ``gas.start``, from the one table of fields."""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

import click
import marshmallow as ma

from service.advice.engine.practice import THRESHOLDS
from service.quantities import QUANTITIES
from service.registry.fields.named import SensorChoice, Thresholds
from service.registry.fields.tank import TankSchema
from service.schemas.fields import Field, Number, Text
from service.schemas.free_json import Facts

LISTS: Final[Mapping[str, str]] = {"animals": "species", "plants": "species", "doses": "name"}
"""Members of a tank that are lists, and by what their items are told apart."""

_NEAR: Final = 5


@dataclass(frozen=True, slots=True)
class Place:
    """A field of a tank, and where it is.

    Attributes:
        names: of the members that lead to it.
        field: what may be there.
    """

    names: tuple[str, ...]
    field: Field

    @property
    def path(self) -> str:
        """As it is written: ``gas.start``."""
        return ".".join(self.names)

    def changes(self, value: Any) -> dict[str, Any]:
        """The change of a tank that puts a value there; None takes the default again."""
        body: Any = value
        for name in reversed(self.names):
            body = {name: body}
        return dict(body)

    def value_in(self, document: Mapping[str, Any]) -> Any:
        """What is there in the JSON of a tank; None: nothing."""
        found: Any = document
        for name in self.names:
            found = found.get(name) if isinstance(found, Mapping) else None
        return found


def places() -> list[Place]:
    """All fields that can be set one by one, in the order of the table."""
    return list(_places(TankSchema(), ()))


def _places(schema: ma.Schema, before: tuple[str, ...]) -> Iterator[Place]:
    for name, field in schema.load_fields.items():
        names = (*before, name)
        if isinstance(field, ma.fields.Nested):
            yield from _places(field.schema, names)
        elif isinstance(field, Field) and names != ("id",):
            yield from _named(names, field)


def _named(names: tuple[str, ...], field: Field) -> Iterator[Place]:
    """The members of a field that is an object by names; of any other field itself."""
    if isinstance(field, Thresholds):
        for name, one in THRESHOLDS.items():
            doc = f"{one.text} ({one.unit}; default {one.default:g})."
            yield Place((*names, name), Number(doc, low=one.low, high=one.high))
    elif isinstance(field, SensorChoice):
        for name in QUANTITIES:
            yield Place((*names, name), Text(field.doc, shortest=1, longest=64))
    elif not isinstance(field, Facts):
        yield Place(names, field)


def place_of(path: str) -> Place:
    """The field of a path.

    Raises:
        click.UsageError: there is none; names the nearest.
    """
    first, _, rest = path.partition(".")
    if first == "equipment" and rest:
        return Place((first, rest), Text(longest=Facts.longest))
    known = {one.path: one for one in places()}
    found = known.get(path.replace("-", "_"))
    if found is not None:
        return found
    if first in LISTS:
        raise click.UsageError(f"{first} are a list; allowed: littoral tank {first} --help")
    below = [one for one in known if one.startswith(f"{path}.")]
    near = below or difflib.get_close_matches(path, known, n=_NEAR, cutoff=0.5)
    example = ", ".join(near[:_NEAR]) or "kh, gas.start"
    raise click.UsageError(
        f"field is {path!r}; allowed: those of littoral tank fields, such as {example}"
    )
