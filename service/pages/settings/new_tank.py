"""A new tank: the same form, all sections at once; only the name is needed."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection, Mapping
from dataclasses import replace
from typing import Any, Final

from flask import Blueprint, flash, redirect, render_template, url_for
from werkzeug.wrappers import Response

from service.api.context import current, now
from service.errors import InvalidInputError, LittoralError, PreconditionFailedError
from service.pages.browser import csrf
from service.pages.settings.reading import Reading, read_form
from service.pages.settings.rights import may_write
from service.pages.settings.sections import SECTIONS
from service.pages.settings.shown_units import remember
from service.pages.settings.tank_form import in_form, nodes_in, sections_of, tank_form, tank_of
from service.pages.settings.tank_settings import given_texts, offered, preview_of
from service.registry.database.versions import Precondition
from service.registry.fields.limits import ID_LENGTH
from service.registry.fields.tank import RESERVED_IDS
from service.registry.models.tank import Tank

Answer = str | Response | tuple[str, int]

NOTHING: Final[Mapping[str, Any]] = {}
_SECTIONS: Final = tuple(one for one in SECTIONS if one.key != "thresholds")
"""What a tank without readings can do without is in its settings."""


def register(pages: Blueprint) -> None:
    """Add the views to the blueprint."""
    pages.add_url_rule("/tanks/new", "new_tank", new_tank_page)
    pages.add_url_rule("/tanks/new", "make_tank", make_tank, methods=["POST"])
    pages.add_url_rule("/tanks/new/preview/<section>", "new_tank_preview", preview)


def new_tank_page() -> Answer:
    """The form of a new tank."""
    return _page({})


def make_tank() -> Answer:
    """Make a tank, and lead to its page with the first steps."""
    given = given_texts()
    nodes = nodes_in(sections_of(NOTHING, given, _SECTIONS, new=True))
    reading = read_form(nodes, given, NOTHING)
    try:
        csrf.check_form()
        tank = _with_id(tank_of(reading), current().registry.tank_ids())
        current().registry.put_tank(tank, now=now(), only_if=Precondition(exists=False))
    except PreconditionFailedError:
        taken = InvalidInputError.of_field("id", given.get("id", ""), "one that no tank has yet")
        return _page(given, taken, reading), taken.kind.status
    except InvalidInputError as error:
        known = error if reading.faults else in_form(error, reading)
        return _page(given, known, reading), known.kind.status
    except csrf.StaleFormError as error:
        return _page(given, error, reading), error.kind.status
    remember(nodes, given)
    current().nudge()
    flash(f"{tank.name} is set up. What is missing is below, under “First steps”.")
    return redirect(url_for("pages.tank", tank=tank.id), 303)


def preview(section: str) -> Answer:
    """What is drawn beside a section, for what is typed now."""
    return preview_of(NOTHING, section, new=True)


def id_of(name: str, taken: Collection[str]) -> str:
    """A short name for topics and addresses, made of a name, that no tank has."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    stem = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[: ID_LENGTH - 4] or "tank"
    used = {*taken, *RESERVED_IDS}
    return next(
        one
        for number in range(1, len(used) + 2)
        if (one := stem if number == 1 else f"{stem}-{number}") not in used
    )


def _with_id(tank: Tank, taken: Collection[str]) -> Tank:
    return tank if tank.id else replace(tank, id=id_of(tank.name, taken))


def _page(
    given: Mapping[str, str], error: LittoralError | None = None, reading: Reading | None = None
) -> str:
    return render_template(
        "pages/new_tank.html",
        form=tank_form(NOTHING, given, error=error, reading=reading, new=True, sections=_SECTIONS),
        error=error,
        writable=may_write(),
        **offered(),
    )
