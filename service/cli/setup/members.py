"""``littoral tank animals|plants|doses``: items of the lists of a tank."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

import click
import marshmallow as ma

from service.cli.options.service_options import service_client, service_options
from service.cli.output.display import as_json_text, json_option
from service.cli.setup.refusals import refusals_by_path
from service.cli.setup.values import NOTHING, example_of, json_at, words_of
from service.client import ClientError, Tank
from service.registry.fields.dose_content import LabelAmounts
from service.registry.fields.tank import TankSchema
from service.schemas.fields import Field
from service.schemas.ranges import Range

_WORDS: Final = {
    "animals": ("Animals of a tank, by species.", "animals of one species"),
    "plants": ("Plants of a tank, by species.", "plants of one species"),
    "doses": ("Fertilisers of a tank, by name.", "a fertiliser"),
}


def add_to(group: click.Group, name: str, key: str) -> None:
    """Add the commands of a list to a group.

    Args:
        name: of the member that is the list; ``key``: the field that tells its items apart.
    """
    about, one = _WORDS[name]
    field = TankSchema().fields[name]
    assert isinstance(field, ma.fields.List) and isinstance(field.inner, ma.fields.Nested)
    schema = field.inner.schema
    made = click.Group(name, help=about)
    group.add_command(made)
    item = _Item(name, key, one, schema)
    for build in (item.add, item.set, item.remove, item.list):
        made.add_command(build())


class _Item:
    """The commands on one list."""

    def __init__(self, name: str, key: str, one: str, schema: ma.Schema) -> None:
        self.name, self.key, self.one, self.schema = name, key, one, schema
        self.metavar = key.upper()

    def add(self) -> click.Command:
        """Add an item."""

        def run(
            tank: str, key: str, as_json: bool, url: str, token: str | None, **given: Any
        ) -> None:
            item = {self.key: key} | self._item(given)

            def changed(document: Any) -> dict[str, Any]:
                if any(one[self.key] == key for one in document[self.name]):
                    other = f"littoral tank {self.name} set {tank} {key!r}"
                    raise ClientError(f"{self.key} {key!r} is there already; allowed: {other}")
                return {self.name: [*document[self.name], item]}

            self._send(url, token, tank, changed, key, as_json)

        text = f"Add {self.one} to TANK."
        return self._command("add", text, run)

    def set(self) -> click.Command:
        """Change an item."""

        def run(
            tank: str, key: str, as_json: bool, url: str, token: str | None, **given: Any
        ) -> None:
            item = self._item(given)
            if not item:
                raise click.UsageError("nothing is given; allowed: what --help lists")

            def changed(document: Any) -> dict[str, Any]:
                at = self._number(document, key)
                items = list(document[self.name])
                items[at] = items[at] | item
                return {self.name: items}

            self._send(url, token, tank, changed, key, as_json)

        return self._command("set", f"Change {self.one} of TANK; none empties a field.", run)

    def remove(self) -> click.Command:
        """Take an item out."""

        @click.command("remove", help=f"Take {self.one} off the list of TANK.")
        @click.argument("tank")
        @click.argument("key", metavar=self.metavar)
        @json_option
        @service_options
        def run(tank: str, key: str, as_json: bool, url: str, token: str | None) -> None:
            def changed(document: Any) -> dict[str, Any]:
                at = self._number(document, key)
                return {self.name: [*document[self.name][:at], *document[self.name][at + 1 :]]}

            self._send(url, token, tank, changed, "", as_json)

        return run

    def list(self) -> click.Command:
        """List the items."""

        @click.command("list", help=f"List the {self.name} of TANK.")
        @click.argument("tank")
        @json_option
        @service_options
        def run(tank: str, as_json: bool, url: str, token: str | None) -> None:
            with service_client(url, token) as client:
                found = client.tank(tank)
            self._tell(found, "", as_json)

        return run

    def _command(self, verb: str, text: str, run: Callable[..., None]) -> click.Command:
        made: Any = service_options(json_option(run))
        for name, field in self._fields().items():
            if name != "count":
                made = click.option(
                    "--" + name.replace("_", "-"),
                    name,
                    metavar="VALUE",
                    help=_help(field),
                    multiple=_is_many(field),
                )(made)
        if "count" in self._fields():
            made = click.argument("count", required=False)(made)
        made = click.argument("tank")(click.argument("key", metavar=self.metavar)(made))
        return click.command(verb, help=text)(made)

    def _fields(self) -> dict[str, Any]:
        return {name: one for name, one in self.schema.load_fields.items() if name != self.key}

    def _item(self, texts: Mapping[str, Any]) -> dict[str, Any]:
        """The JSON of what was given."""
        return {
            name: _json(name, field, texts[name])
            for name, field in self._fields().items()
            if texts.get(name) not in (None, ())
        }

    def _number(self, document: Any, key: str) -> int:
        known = [one[self.key] for one in document[self.name]]
        if key not in known:
            listed = ", ".join(known) or "none is listed yet"
            raise ClientError(f"{self.key} is {key!r}; allowed: {listed}")
        return known.index(key)

    def _send(
        self,
        url: str,
        token: str | None,
        tank: str,
        changed: Callable[[Any], dict[str, Any]],
        key: str,
        as_json: bool,
    ) -> None:
        with service_client(url, token) as client, refusals_by_path():
            self._tell(client.edit_tank(tank, changed), key, as_json)

    def _tell(self, tank: Tank, key: str, as_json: bool) -> None:
        """Print one item, or all."""
        items = [one for one in tank.document[self.name] if key in ("", one[self.key])]
        if as_json:
            click.echo(as_json_text({"tank": tank.id, self.name: items}))
        else:
            click.echo("\n".join(map(self._line, items)) or f"no {self.name} are listed")

    def _line(self, item: Mapping[str, Any]) -> str:
        facts = [
            f"{name} {_words(field, item[name])}"
            for name, field in self._fields().items()
            if name != "count" and not _is_unset(field, item.get(name))
        ]
        count = f"{item['count']} " if "count" in item else ""
        return "  ".join((f"{count}{item[self.key]}", *facts))


def _is_many(field: Any) -> bool:
    """Whether an option may be given several times: a salt of a bottle, an ion of a label."""
    return isinstance(field, ma.fields.List | LabelAmounts)


def _help(field: Any) -> str:
    doc = str(getattr(field, "doc", "")).replace("`", "").replace("null", NOTHING)
    if isinstance(field, LabelAmounts):
        return f"{doc} Such as NO3=4; again for each."
    if isinstance(field, ma.fields.List):
        return f'{doc} Such as "KNO3=30 g"; again for each.'
    example = example_of(field)
    return f"{doc} Such as {example}." if example else doc


def _json(name: str, field: Any, text: Any) -> Any:
    if not _is_many(field):
        return json_at(f"--{name.replace('_', '-')}", field, text)
    pairs = [_pair(name, one) for one in text]
    if isinstance(field, LabelAmounts):
        return {ion: _number(name, amount) for ion, amount in pairs}
    inner = _inner(field)
    first, second = inner
    return [
        {
            first: json_at(f"--{name}", inner[first], one),
            second: json_at(f"--{name}", inner[second], other),
        }
        for one, other in pairs
    ]


def _inner(field: ma.fields.List[Any]) -> Mapping[str, Any]:
    """The fields of the items of a list."""
    assert isinstance(field.inner, ma.fields.Nested)
    return field.inner.schema.fields


def _pair(name: str, text: str) -> tuple[str, str]:
    first, equals, second = text.partition("=")
    if not equals:
        raise click.UsageError(f"--{name} is {text!r}; allowed: two words with = between them")
    return first.strip(), second.strip()


def _number(name: str, text: str) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise click.UsageError(f"--{name} is {text!r}; allowed: a number such as 4.5") from None


def _is_unset(field: Any, value: Any) -> bool:
    """Whether an item leaves a field to what is usual, such as the temperature of its species."""
    if isinstance(field, Range) and value is not None:
        return value["low"] is None and value["high"] is None
    return value in (None, [], {}, False)


def _words(field: Any, value: Any) -> str:
    if isinstance(field, ma.fields.List):
        inner = _inner(field)
        return ", ".join(
            " ".join(words_of(inner[name], one[name]) for name in inner) for one in value
        )
    return words_of(field, value) if isinstance(field, Field) else str(value)
