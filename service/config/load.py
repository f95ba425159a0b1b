"""Reading the configuration: TOML file, environment on top, one sentence per fault."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import fields
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from marshmallow import Schema, ValidationError
from marshmallow import fields as f

from service.clock import Clock, FastClock, SystemClock
from service.config.integrations import Options
from service.config.schema import ConfigSchema
from service.config.values import Config
from service.errors import ConfigError, FieldFault, Refusal, shown
from service.urls import redacted

ENV_PREFIX = "LITTORAL_"
_SECRET_KEYS: Final = (("password",), ("secret",))


def load_config(path: Path | None, environ: Mapping[str, str]) -> Config:
    """Read, override and check the configuration.

    Args:
        path: the TOML file; None: defaults and environment alone.
        environ: usually ``os.environ``; only ``LITTORAL_SECTION__KEY`` are read.

    Raises:
        ConfigError: unreadable file, bad TOML, unknown key, bad value.
    """
    document: dict[str, Any] = {}
    if path is not None:
        try:
            document = tomllib.loads(path.read_text(encoding="utf-8"))
        except OSError as error:
            raise ConfigError(f"{path}: cannot be read: {error.strerror}") from error
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            raise ConfigError(f"{path}: is not TOML: {error}") from error
    overridden = _overlay(document, environ)
    try:
        config: Config = ConfigSchema().load(document)
    except ValidationError as error:
        assert isinstance(error.messages, dict)
        faults = tuple(_faults(ConfigSchema(), error.messages, document, ()))
        place = str(path) if path is not None else "configuration"
        lines = [_sentence(fault, place, overridden) for fault in faults]
        raise ConfigError("; ".join(lines), faults) from error
    return config


def make_clock(config: Config) -> Clock:
    """The clock that the configuration asks for: the system's unless an origin is set."""
    chosen = config.clock
    if chosen.origin is None:
        if chosen.speed != 1.0:
            raise ConfigError("clock.origin is not set; allowed: an RFC 3339 time beside speed")
        return SystemClock()
    return FastClock(chosen.started or datetime.now(UTC), chosen.origin, chosen.speed)


def _overlay(document: dict[str, Any], environ: Mapping[str, str]) -> dict[str, str]:
    """Lay ``LITTORAL_SECTION__KEY`` over the document; returns dotted key -> variable."""
    sections = {item.name for item in fields(Config)} - {"routes", "sensors", "integrations"}
    overridden: dict[str, str] = {}
    for variable in sorted(environ):
        section, separator, key = variable.removeprefix(ENV_PREFIX).lower().partition("__")
        if not variable.startswith(ENV_PREFIX) or not separator:
            continue
        if section not in sections:
            raise ConfigError(
                f"environment: {variable} names no section; allowed: "
                + ", ".join(f"{ENV_PREFIX}{name.upper()}__…" for name in sorted(sections))
            )
        table = document.setdefault(section, {})
        if not isinstance(table, dict):
            raise ConfigError(
                f"{section} is {shown(_without_secrets(table))}; allowed: a table [{section}]"
            )
        table[key] = environ[variable]
        overridden[f"{section}.{key}"] = variable
    return overridden


def _sentence(fault: FieldFault, place: str, overridden: Mapping[str, str]) -> str:
    variable = overridden.get(fault.pointer)
    return f"environment {variable}: {fault.detail}" if variable else f"{place}: {fault.detail}"


def _faults(
    schema: Schema, messages: Mapping[Any, Any], data: Any, trail: tuple[str, ...]
) -> list[FieldFault]:
    """Turn marshmallow's nested messages into one fault per key."""
    by_key: dict[str, f.Field[Any]] = {
        (field.data_key or name): field for name, field in schema.fields.items()
    }
    found: list[FieldFault] = []
    for key, message in messages.items():
        if key == "_schema":
            found.append(_fault(trail, data, "a table of keys"))
            continue
        here = (*trail, str(key))
        value = data.get(key) if isinstance(data, dict) else None
        known = by_key.get(str(key))
        if known is None:
            import difflib  # for this alone: 0.2 MB of each process

            close = difflib.get_close_matches(str(key), by_key, n=1)
            hint = f" (did you mean {close[0]}?)" if close else ""
            dotted = ".".join(here)
            detail = f"{dotted} is not a key{hint}; allowed: {', '.join(sorted(by_key))}"
            found.append(FieldFault(dotted, detail))
        elif isinstance(known, f.Nested) and isinstance(message, dict):
            found += _faults(known.schema, message, value, here)
        elif (
            isinstance(known, Options)
            and isinstance(message, dict)
            and (options := known.schema(data)) is not None
        ):
            found += _faults(options, message, {} if value is None else value, here)
        elif (
            isinstance(known, f.List)
            and isinstance(known.inner, f.Nested)
            and isinstance(message, dict)
        ):
            for index, inner in message.items():
                item = value[index] if isinstance(value, list) else None
                found += _faults(known.inner.schema, inner, item, (*here, str(index)))
        else:
            allowed = str(known.metadata.get("allowed", "a list of tables"))
            for one in message if isinstance(message, list) else ():
                allowed = one.allowed if isinstance(one, Refusal) else allowed
            missing = isinstance(data, dict) and key not in data
            found.append(_fault(here, value, allowed, missing=missing))
    return found


def _fault(
    trail: tuple[str, ...], value: object, allowed: str, *, missing: bool = False
) -> FieldFault:
    dotted = ".".join(trail)
    state = f"is {shown(_without_secrets(value))}"
    if missing:
        state = "is missing"
    elif trail[-1:] in _SECRET_KEYS:
        state = "is set"
    return FieldFault(dotted, f"{dotted} {state}; allowed: {allowed}")


def _without_secrets(value: object) -> object:
    """What an error repeats of a value: URLs without credentials, no secret of a table."""
    if isinstance(value, str):
        return redacted(value) if "://" in value or "@" in value else value
    if isinstance(value, dict):
        hidden = [key for (key,) in _SECRET_KEYS]
        return {
            key: "…" if key in hidden else _without_secrets(inner) for key, inner in value.items()
        }
    return [_without_secrets(inner) for inner in value] if isinstance(value, list) else value
