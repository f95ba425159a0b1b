"""Suggests routes to paste for a topic that no route matches."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator
from typing import Any, Final

from service.units import QUANTITIES

#: Words that people use in topics and keys -> the quantity they most likely mean.
_WORDS: Final = {
    **{name: name for name in QUANTITIES},
    "temp": "temperature",
    "water_temp": "temperature",
    "watertemp": "temperature",
    "t": "temperature",
    "lux": "illuminance",
    "light": "illuminance",
    "par": "ppfd",
    "ec": "conductivity",
    "do": "dissolved_oxygen",
    "oxygen": "dissolved_oxygen",
}
_LEAVES: Final = 200


def suggest_routes(topic: str, payload: bytes, tanks: Collection[str]) -> str:
    """Routes, as TOML, that match this topic and its payload.

    Args:
        topic, payload: as seen.
        tanks: ids of the registered tanks.

    Returns:
        One ``[[route]]`` for each value that looks like one of our quantities. What cannot be
        guessed is a comment that lists what is allowed.
    """
    levels, given = [], []
    for level in topic.split("/"):
        name = _level_name(level, tanks)
        if name is None or f"{{{name}}}" in levels:
            levels.append(level)
        else:
            levels.append(f"{{{name}}}")
    if "{tank}" not in levels:
        first = min(tanks, default="TANK")
        given.append(f"tank = {_toml(first)}    # which tank is it?")
    pattern = "/".join(levels)
    if "{quantity}" in levels:
        word = topic.split("/")[levels.index("{quantity}")]
        if word not in QUANTITIES:
            given.append(f"names = {{ {_toml(word)} = {_toml(_WORDS[word.lower()])} }}")
        path = next(_value_paths(payload, any_key=True), (None, None))[0]
        return _route(pattern, [*given, *_path_lines(path)])
    found = list(_value_paths(payload, any_key=False))
    if found:
        return "\n".join(
            _route(pattern, [*given, f"quantity = {_toml(quantity)}", *_path_lines(path)])
            for path, quantity in found
            if quantity is not None
        )
    path = next(_value_paths(payload, any_key=True), (None, None))[0]
    unknown = f'quantity = "temperature"    # which one? {", ".join(QUANTITIES)}'
    return _route(pattern, [*given, unknown, *_path_lines(path)])


def _level_name(level: str, tanks: Collection[str]) -> str | None:
    if level in tanks:
        return "tank"
    return "quantity" if level.lower() in _WORDS else None


def _value_paths(payload: bytes, *, any_key: bool) -> Iterator[tuple[str, str | None]]:
    """Dotted paths of the numbers in a JSON payload whose key names a quantity, or of all."""
    try:
        document = json.loads(payload)
    except (ValueError, RecursionError):
        return
    if isinstance(document, dict | list):
        for count, (path, key) in enumerate(_leaves(document, "", "")):
            if count >= _LEAVES:
                return
            quantity = _WORDS.get(key.lower())
            if path and (any_key or quantity is not None):
                yield path, quantity


def _leaves(found: Any, path: str, key: str) -> Iterator[tuple[str, str]]:
    """Paths to numbers, and the last key that is a word; a key with a dot has no path."""
    if isinstance(found, bool):
        return
    if isinstance(found, int | float):
        yield path, key
    pairs: list[tuple[str, Any]] = []
    if isinstance(found, dict):
        pairs = [(str(name), value) for name, value in found.items() if "." not in str(name)]
    elif isinstance(found, list):
        pairs = [(str(index), value) for index, value in enumerate(found)]
    for name, value in pairs:
        if path.count(".") < 8:
            word = key if name.isdecimal() or name == "value" else name
            yield from _leaves(value, f"{path}.{name}" if path else name, word)


def _path_lines(path: str | None) -> list[str]:
    return [] if path in (None, "value") else ['format = "json"', f"path = {_toml(path or '')}"]


def _route(pattern: str, lines: list[str]) -> str:
    return "\n".join(["[[route]]", f"topic = {_toml(pattern)}", *lines])


def _toml(text: str) -> str:
    """A TOML basic string: its escapes are those of JSON."""
    return json.dumps(text, ensure_ascii=False)
