"""``littoral tank``: make, show, change and delete tanks; every field of the table can be set."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import click
from rich.text import Text

from service.cli.options.service_options import service_client, service_options
from service.cli.output.display import as_json_text, json_option
from service.cli.output.terminal import show, table
from service.cli.setup.members import add_to
from service.cli.setup.paths import LISTS, Place, place_of, places
from service.cli.setup.refusals import refusals_by_path
from service.cli.setup.values import NOTHING, json_at, words_of
from service.client import Tank
from service.schemas.fields import Choice, Field


@click.group("tank")
def command() -> None:
    """Make, show, change and delete tanks.

    A field is named by its path, as kh or gas.start: littoral tank fields lists all.
    """


for _name, _key in LISTS.items():
    add_to(command, _name, _key)


@command.command("new")
@click.argument("tank")
@click.option("--name", required=True, help="What people call it.")
@click.option("--time-zone", help="Days and plans are local to it, as Europe/Lisbon; else UTC.")
@click.argument("pairs", nargs=-1, metavar="[FIELD VALUE]...")
@json_option
@service_options
def new(
    tank: str,
    name: str,
    time_zone: str | None,
    pairs: tuple[str, ...],
    as_json: bool,
    url: str,
    token: str | None,
) -> None:
    """Register the tank TANK, its short name in topics and addresses.

    More of its fields may follow, as in: littoral tank new riffle --name Riffle kh "4 dKH"
    """
    given = ("name", name, *(() if time_zone is None else ("time_zone", time_zone)), *pairs)
    document = _changes(given)
    with service_client(url, token) as client, refusals_by_path():
        made = client.create_tank(tank, document)
    _tell(made, as_json, f"{made.name} ({made.id}) is registered, time zone {made.time_zone}.")


@command.command("set")
@click.argument("tank")
@click.argument("pairs", nargs=-1, required=True, metavar="FIELD VALUE [FIELD VALUE]...")
@json_option
@service_options
def set_(tank: str, pairs: tuple[str, ...], as_json: bool, url: str, token: str | None) -> None:
    """Set fields of TANK.

    Each by its path and with its unit, as in: littoral tank set riffle kh "4 dKH" gas.start
    07:40. The word none empties a field that may be empty.
    """
    changes = _changes(pairs)
    with service_client(url, token) as client, refusals_by_path():
        changed = client.change_tank(tank, changes)
    _tell(changed, as_json, _lines(changed, [place_of(path) for path in pairs[::2]]))


@command.command("unset")
@click.argument("tank")
@click.argument("paths", nargs=-1, required=True, metavar="FIELD...")
@json_option
@service_options
def unset(tank: str, paths: tuple[str, ...], as_json: bool, url: str, token: str | None) -> None:
    """Give fields of TANK their default again."""
    chosen = [place_of(path) for path in paths]
    changes: dict[str, Any] = {}
    for place in chosen:
        _merge(changes, place.changes(None))
    with service_client(url, token) as client, refusals_by_path():
        changed = client.change_tank(tank, changes)
    _tell(changed, as_json, _lines(changed, chosen))


@command.command("show")
@click.argument("tank")
@click.argument("paths", nargs=-1, metavar="[FIELD]...")
@click.option("--all", "every", is_flag=True, help="Also fields that are empty.")
@json_option
@service_options
def show_(
    tank: str, paths: tuple[str, ...], every: bool, as_json: bool, url: str, token: str | None
) -> None:
    """Show the fields of TANK, or some.

    They are written as littoral tank set takes them.
    """
    chosen = [place_of(path) for path in paths]
    with service_client(url, token) as client:
        found = client.tank(tank)
    if as_json:
        click.echo(as_json_text(found.document))
    else:
        click.echo(_lines(found, chosen) if chosen else _described(found, every))


@command.command("list")
@json_option
@service_options
def list_(as_json: bool, url: str, token: str | None) -> None:
    """List the tanks."""
    with service_client(url, token) as client:
        found = client.tanks()
    if as_json:
        click.echo(as_json_text({"tanks": [one.document for one in found]}))
        return
    if not found:
        click.echo("there is no tank yet; littoral tank new ID --name NAME makes one")
        return
    rows = table("tank", "name", "water", "animals", "time zone")
    for one in found:
        net = one.document["volume"]["net"]
        litres = "not known" if net is None else f"{net['value']:.0f} L"
        animals = sum(stock["count"] for stock in one.document["animals"])
        rows.add_row(one.id, Text(one.name), litres, str(animals), one.time_zone)
    show(rows)


@command.command("delete")
@click.argument("tank")
@click.option("--readings", type=click.Choice(["keep", "delete"]), default="keep",
              show_default=True, help="Whether its readings stay in the store.")  # fmt: skip
@click.option("--yes", is_flag=True, help="Do not ask.")
@service_options
def delete(tank: str, readings: str, yes: bool, url: str, token: str | None) -> None:
    """Delete TANK with its log and its recommendations."""
    with service_client(url, token) as client:
        found = client.tank(tank)
        also = " and its readings" if readings == "delete" else ""
        if not yes and not _confirmed(f"Delete {found.name} ({tank}) with its log{also}?"):
            raise click.UsageError("nothing is deleted; allowed: --yes, or y to the question")
        client.delete_tank(tank, readings=readings)
    click.echo(f"{found.name} ({tank}) is deleted{also}.")


def _confirmed(question: str) -> bool:
    """Whether a person says yes; nobody there says no."""
    try:
        return click.confirm(question, err=True)
    except click.Abort:
        return False


@command.command("fields")
@json_option
def fields_(as_json: bool) -> None:
    """List the fields of a tank: path, what may be there, meaning."""
    if as_json:
        shown = [{"path": one.path, "allowed": _allowed(one.field), "doc": one.field.doc}
                 for one in places()]  # fmt: skip
        click.echo(as_json_text({"fields": shown}))
        return
    rows = table("field", "allowed", "meaning")
    for one in places():
        rows.add_row(one.path, Text(_allowed(one.field)), Text(_meaning(one.field)))
    show(rows)


def _meaning(field: Field) -> str:
    return field.doc.replace("`", "").replace("null", NOTHING)


def _allowed(field: Field) -> str:
    """What may be there, in words."""
    words = ", ".join(field.words) if isinstance(field, Choice) else field.allowed_value
    return f"{words}, or {NOTHING}" if field.allow_none else words


def _changes(pairs: Sequence[str]) -> dict[str, Any]:
    """The change that pairs of path and value make.

    Raises:
        click.UsageError: one is wrong, or the last has no value.
    """
    if len(pairs) % 2:
        raise click.UsageError(f"{pairs[-1]} has no value; allowed: FIELD VALUE, in pairs")
    changes: dict[str, Any] = {}
    for path, text in zip(pairs[::2], pairs[1::2], strict=True):
        place = place_of(path)
        _merge(changes, place.changes(json_at(place.path, place.field, text)))
    return changes


def _merge(changes: dict[str, Any], more: dict[str, Any]) -> None:
    for name, value in more.items():
        inner = changes.get(name)
        if isinstance(inner, dict) and isinstance(value, dict) and "unit" not in value:
            _merge(inner, value)
        else:
            changes[name] = value


def _tell(tank: Tank, as_json: bool, words: str) -> None:
    click.echo(as_json_text(tank.document) if as_json else words)


def _lines(tank: Tank, chosen: Sequence[Place]) -> str:
    """Some fields and what they are now, a line each."""
    return "\n".join(f"{one.path}  {_words(tank, one)}" for one in chosen)


def _described(tank: Tank, every: bool) -> str:
    """All fields, or those that are not empty, then the lists."""
    shown = [one for one in places() if every or one.value_in(tank.document) not in (None, "")]
    width = max(len(one.path) for one in shown)
    lines = [f"{one.path:{width}}  {_words(tank, one)}" for one in shown]
    lines += [
        f"{f'equipment.{name}':{width}}  {fact}"
        for name, fact in tank.document["equipment"].items()
    ]
    for name, key in LISTS.items():
        for item in tank.document[name]:
            count = f"{item['count']} " if "count" in item else ""
            lines.append(f"{name:{width}}  {count}{item[key]}")
    return "\n".join(lines)


def _words(tank: Tank, place: Place) -> str:
    return words_of(place.field, place.value_in(tank.document))
