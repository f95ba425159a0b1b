"""What a process of tests makes once, however many apps and databases it opens; kept by ``keep``.

The service makes these once too, when it starts; thousands of tests start thousands of services.
"""

from __future__ import annotations

import functools
import gc
from typing import Any, Final

from flask import Flask
from jinja2.bccache import Bucket, BytecodeCache
from sqlalchemy import Engine

GARBAGE: Final = 20_000
"""So many more new objects than were freed make the garbage collector look (Python's own: 700)."""


class KeptTemplates(BytecodeCache):
    """Templates, compiled."""

    def __init__(self) -> None:
        self._kept: dict[str, bytes] = {}

    def load_bytecode(self, bucket: Bucket) -> None:
        """As jinja2 asks for it; it checks that the source is still the same."""
        if bucket.key in self._kept:
            bucket.bytecode_from_string(self._kept[bucket.key])

    def dump_bytecode(self, bucket: Bucket) -> None:
        """As jinja2 asks for it."""
        self._kept[bucket.key] = bucket.bytecode_to_string()


class KeptStatements(dict[tuple[Any, ...], Any]):
    """SQL, compiled for all databases of a kind.

    SQLAlchemy asks with the dialect first, of which each engine has one of its own.
    """

    def get(self, key: tuple[Any, ...], default: Any = None) -> Any:
        """What was compiled for any engine of the kind."""
        return super().get((type(key[0]), *key[1:]), default)

    def __setitem__(self, key: tuple[Any, ...], compiled: Any) -> None:
        super().__setitem__((type(key[0]), *key[1:]), compiled)


def _keep_statements() -> None:
    statements = KeptStatements()
    make = Engine.__init__

    @functools.wraps(make)
    def made(engine: Engine, *arguments: Any, **options: Any) -> None:
        make(engine, *arguments, **options)
        engine.update_execution_options(compiled_cache=statements)

    Engine.__init__ = made  # type: ignore[method-assign]


def keep() -> None:
    """Keep it from now on; until the tests are collected, nothing is garbage."""
    Flask.jinja_options = {**Flask.jinja_options, "bytecode_cache": KeptTemplates()}
    _keep_statements()
    gc.disable()


def collected() -> None:
    """Spare the garbage collector the modules and tests that were imported: they stay anyway.

    It is not asked to look at them once before: what little is garbage stays too.
    """
    gc.freeze()
    gc.set_threshold(GARBAGE)
    gc.enable()
