"""Suggests routes for a topic that no route matches: what is known, and what is left to a person.

Nothing is guessed as a value: a tank that the topic does not name, a quantity that may be another,
a unit in which the number would be unusual and the names of two sensors alike are left open.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from ingest.decode.message import PayloadError
from ingest.decode.payloads import json_value, line, senml
from ingest.decode.payloads.line import looks_like_lines
from ingest.decode.payloads.record import Record, split_end
from ingest.decode.quantity_words import Meant, is_elsewhere, meant_by
from ingest.decode.routes import sensor_name
from ingest.decode.units import conversion_to
from ingest.tools.json_values import JsonValue, begins_with_number, json_values
from service.config import RouteConfig
from service.quantities import QUANTITIES
from service.units import split_number_and_unit

#: Outside of these a number without a unit is probably in another one, by quantity. Common
#: practice, no source: narrower than what is plausible.
_USUAL: Final = {
    "temperature": (5.0, 42.0),
    "ph": (3.0, 11.0),
    "conductivity": (10.0, 5_000.0),
    "dissolved_oxygen": (0.0, 25.0),
    "ppfd": (0.0, 3_000.0),
}


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A route as far as it is known.

    Attributes:
        route: for this very topic, with what is known.
        value: as it was sent.
        left_open: names of the keys that a person has to fill in.
        tank_level, quantity_level: the levels of the topic that name them; None: none does.
        paths: where the value may be, if that is open.
    """

    route: RouteConfig
    value: str = ""
    left_open: tuple[str, ...] = ()
    tank_level: int | None = None
    quantity_level: int | None = None
    paths: tuple[str, ...] = ()


def suggestions(topic: str, payload: bytes, tanks: Collection[str]) -> tuple[Suggestion, ...]:
    """One suggestion for each value that a route would store; none where there is no number.

    Args:
        topic, payload: as seen.
        tanks: ids of the registered tanks.
    """
    if "{" in topic or "}" in topic:
        return ()
    base, meant = _of_topic(topic, tanks)
    text = payload.decode("utf-8", "replace").strip()
    if looks_like_lines(payload):
        return (_pack(base, "line", _records(payload)),)
    try:
        document = json_value.load(payload)
    except PayloadError:
        document = None
    if isinstance(document, list):
        records = _senml(document)
        if records:
            return (_pack(base, "senml", records),)
    if not isinstance(document, dict | list):
        return (_of_number(base, meant, text),) if begins_with_number(text) else ()
    values = list(json_values(document))
    known = [(one, said) for one in values if (said := meant_by(one.key)) is not None]
    if known:
        return _of_document(base, known)
    numbers = [one for one in values if one.is_number]
    return (_of_one_value(base, meant, numbers),) if numbers else ()


def _of_topic(topic: str, tanks: Collection[str]) -> tuple[Suggestion, Meant | None]:
    """What the topic says: the tank, and the quantity."""
    levels = topic.split("/")
    named = {n: tank for n, level in enumerate(levels) for tank in tanks if _same(level, tank)}
    tank = next(iter(named.values())) if len(set(named.values())) == 1 else None
    level = next(iter(named)) if tank is not None else None
    if level is not None and levels[level] != tank:
        level = None  # written otherwise: the route has to say it
    words = {n: said for n, one in enumerate(levels) if (said := meant_by(one)) is not None}
    meant, quantity_level = None, None
    if len({said.quantity for said in words.values()}) == 1 and not any(map(is_elsewhere, levels)):
        quantity_level, meant = list(words.items())[-1]
    left_open = () if tank is not None else ("tank",)
    return Suggestion(RouteConfig(topic, tank=tank), "", left_open, level, quantity_level), meant


def _same(level: str, tank: str) -> bool:
    return level.casefold() == tank.casefold()


def _pack(base: Suggestion, format: str, records: Sequence[Record]) -> Suggestion:
    """A payload whose records name what they are."""
    found = replace(base, route=replace(base.route, format=format), quantity_level=None)
    if format == "line" and records and all(one.tank for one in records):
        found = replace(found, left_open=())
    words = {_word(one) for one in records}
    if not any(meant_by(word) for word in words):
        found = replace(found, left_open=(*found.left_open, "quantity"))
    return found


def _word(record: Record) -> str:
    return split_end(record.name)[1] if record.name is not None else record.quantity or ""


def _records(payload: bytes) -> Sequence[Record]:
    try:
        return line.read_lines(payload).records
    except PayloadError:
        return ()


def _senml(document: list[Any]) -> Sequence[Record]:
    try:
        return senml.read_pack(document).records
    except PayloadError:
        return ()


def _of_number(base: Suggestion, meant: Meant | None, text: str) -> Suggestion:
    """A plain number, with a unit perhaps: the topic has to say what it is."""
    found = replace(base, value=text[:40])
    if meant is None:
        return _without_quantity(found)
    return _with_quantity(found, meant, text, None)


def _of_document(
    base: Suggestion, known: Sequence[tuple[JsonValue, Meant]]
) -> tuple[Suggestion, ...]:
    """A document whose keys name quantities."""
    alike = Counter(meant.quantity for _, meant in known)
    places = [
        meant.place or (one.place if alike[meant.quantity] > 1 else "") for one, meant in known
    ]
    sensors = [sensor_name(place) if place else "" for place in places]
    series = Counter(
        (meant.quantity, name) for (_, meant), name in zip(known, sensors, strict=True)
    )
    made = []
    for (one, meant), sensor in zip(known, sensors, strict=True):
        found = replace(base, value=one.text, quantity_level=None)
        if series[meant.quantity, sensor] > 1:
            found = replace(found, left_open=(*found.left_open, "sensor"))
        elif sensor:
            found = replace(found, route=replace(found.route, sensor=sensor))
        found = replace(found, route=replace(found.route, format="json", path=one.path or None))
        made.append(_with_quantity(found, meant, one.text, one.unit))
    return tuple(made)


def _of_one_value(
    base: Suggestion, meant: Meant | None, numbers: Sequence[JsonValue]
) -> Suggestion:
    """A document whose keys say nothing: of one number, or a person has to choose."""
    found = base
    if len(numbers) == 1:
        (one,) = numbers
        found = replace(found, value=one.text, quantity_level=base.quantity_level)
        if one.path:
            found = replace(found, route=replace(found.route, format="json", path=one.path))
        if meant is not None:
            return _with_quantity(found, meant, one.text, one.unit)
        return _without_quantity(found)
    paths = tuple(one.path for one in numbers[:20])
    found = replace(found, route=replace(found.route, format="json"), paths=paths)
    found = _without_quantity(found) if meant is None else _with_quantity(found, meant, "", None)
    return replace(found, left_open=(*found.left_open, "path"))


def _without_quantity(found: Suggestion) -> Suggestion:
    return replace(found, left_open=(*found.left_open, "quantity"), quantity_level=None)


def _with_quantity(found: Suggestion, meant: Meant, text: str, unit: str | None) -> Suggestion:
    """What a word says: the quantity, its unit and place; the unit is open where none fits."""
    route = replace(found.route, quantity=meant.quantity)
    if meant.place and route.sensor is None and "sensor" not in found.left_open:
        route = replace(route, sensor=sensor_name(meant.place))
    unit = unit or meant.unit
    own = None
    try:
        number, own = split_number_and_unit(text)
    except ValueError:
        number = None
    if own is None and unit is not None and _fits(meant.quantity, unit):
        canonical = conversion_to(meant.quantity, unit) == conversion_to(meant.quantity, None)
        route = route if canonical else replace(route, unit=unit)
    elif own is None and number is not None:
        low, high = _USUAL.get(meant.quantity, (float("-inf"), float("inf")))
        if not low <= number <= high:
            found = replace(found, left_open=(*found.left_open, "unit"))
    return replace(found, route=route)


def _fits(quantity: str, unit: str) -> bool:
    try:
        conversion_to(quantity, unit)
    except PayloadError:
        return False
    return True


def as_toml(one: Suggestion, tanks: Collection[str]) -> str:
    """A ``[[route]]`` to paste; what is left open is refused until it is filled in.

    Levels that name tank and quantity are named, so that it serves all tanks.
    """
    route, levels, lines = one.route, one.route.topic.split("/"), []
    word = "" if one.quantity_level is None else levels[one.quantity_level]
    meant = meant_by(word)
    by_level = meant is not None and not meant.unit and not meant.place
    if one.tank_level is not None:
        levels[one.tank_level] = "{tank}"
    elif route.tank is not None:
        lines.append(f"tank = {_toml(route.tank)}")
    if by_level and one.quantity_level is not None and route.quantity is not None:
        levels[one.quantity_level] = "{quantity}"
        if word != route.quantity:
            lines.append(f"names = {{ {_toml(word)} = {_toml(route.quantity)} }}")
    elif route.quantity is not None:
        lines.append(f"quantity = {_toml(route.quantity)}")
    if route.format != "auto":
        lines.append(f"format = {_toml(route.format)}")
    for key in ("path", "sensor", "unit"):
        if (given := getattr(route, key)) is not None:
            lines.append(f"{key} = {_toml(given)}")
    lines += [f'{key} = ""    # {_question(key, one, tanks)}' for key in one.left_open]
    return "\n".join(["[[route]]", f"topic = {_toml('/'.join(levels))}", *lines])


def _question(key: str, one: Suggestion, tanks: Collection[str]) -> str:
    """What a person has to fill in."""
    return {
        "tank": f"which tank is it? one of: {', '.join(sorted(tanks)[:20])}",
        "quantity": f"what is it? one of: {', '.join(QUANTITIES)}; none if it is not of the water",
        "sensor": "a name for each of those that measure the same, such as rear",
        "unit": f"{one.value} is unusual: which unit is it in, such as degF or mS/cm?",
        "path": f"where is the value? one of: {', '.join(_toml(path) for path in one.paths)}",
    }[key]


def _toml(text: str) -> str:
    """A TOML basic string: its escapes are those of JSON."""
    return json.dumps(text, ensure_ascii=False)
