"""The settings of a tank: every field of it, a section at a time; and deleting it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

from flask import Blueprint, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from service.advice.engine.history.ledger import Ledger
from service.api.context import current, now
from service.api.resources.tanks.tanks import shown
from service.errors import (
    InvalidInputError,
    LittoralError,
    NotFoundError,
    PreconditionFailedError,
)
from service.pages.browser import csrf
from service.pages.local_time import LocalTime
from service.pages.settings.conflict import kept, shown_texts
from service.pages.settings.first_steps import hide as hide_first_steps
from service.pages.settings.questions import questions_in
from service.pages.settings.reading import Reading, read_form
from service.pages.settings.rights import may_delete, may_write
from service.pages.settings.sections import SECTIONS, Section, section_at
from service.pages.settings.shown_units import SYSTEMS, choose_system, remember
from service.pages.settings.tank_form import (
    TankForm,
    in_form,
    nodes_in,
    sections_of,
    tank_form,
    tank_of,
)
from service.registry.database.versions import Precondition, Stored
from service.registry.models.tank import Tank
from service.registry.species.table import ANIMALS, PLANTS
from service.schemas.times import known_time_zones

Answer = str | Response | tuple[str, int]

READINGS: Final = ("keep", "delete")


def register(pages: Blueprint) -> None:
    """Add the views to the blueprint."""
    at = "/tanks/<tank>/settings"
    pages.add_url_rule(at, "settings", settings_page)
    pages.add_url_rule(at, "save_settings", save_settings, methods=["POST"])
    pages.add_url_rule(f"{at}/preview/<section>", "settings_preview", preview)
    pages.add_url_rule("/tanks/<tank>/delete", "delete_tank", delete_tank, methods=["POST"])


def settings_page(tank: str) -> Answer:
    """The settings of a tank, a section unfolded where the address names one."""
    if "units" in request.args:
        choose_system(request.args["units"])
        return redirect(url_for("pages.settings", tank=tank), 303)
    if request.args.get("first_steps") == "hide":
        hide_first_steps(tank)
        return redirect(url_for("pages.tank", tank=tank), 303)
    stored = current().registry.stored_tank(tank)
    open_at = request.args.get("open", "")
    return _page(stored, tank_form(shown(stored.value), {}, open_at=open_at))


def save_settings(tank: str) -> Answer:
    """Save one section of the form, if nobody changed the tank since it was shown."""
    stored = current().registry.stored_tank(tank)
    given = given_texts()
    section = _section(given.get("section", ""))
    body = shown(stored.value)
    nodes = nodes_in(sections_of(body, given, (section,), new=False))
    reading = read_form(nodes, given, body)
    try:
        csrf.check_form()
        if given.get("version") != stored.version:
            raise PreconditionFailedError("another version was shown")
        changed = tank_of(reading)
        if changed == stored.value:
            flash("Nothing was changed.")
            return _back(tank, section)
        current().registry.change_tank(
            tank,
            lambda _: changed,
            now=now(),
            only_if=Precondition(frozenset({stored.version})),
        )
    except PreconditionFailedError:
        return _overtaken(tank, given, section)
    except InvalidInputError as error:
        known = error if reading.faults else in_form(error, reading)
        return _refused(stored, given, section, known, reading)
    except csrf.StaleFormError as error:
        return _refused(stored, given, section, error, reading)
    remember(nodes, given)
    current().nudge()
    flash(f"Saved: {', '.join(_saved_words(nodes, given)) or section.title.lower()}.")
    return _back(tank, section)


def preview(tank: str, section: str) -> Answer:
    """What is drawn beside a section, for what is typed in it now."""
    return preview_of(shown(current().registry.tank(tank)), section, new=False)


def preview_of(stored: Mapping[str, Any], key: str, *, new: bool) -> str:
    """The part of the page that is drawn, as HTML.

    Raises:
        NotFoundError: there is no such section.
    """
    section = section_at(key)
    if section is None:
        raise NotFoundError(f"section is {key[:40]!r}; allowed: one of the form")
    given = request.args.to_dict()
    sections = SECTIONS if new else (section,)
    form = tank_form(stored, given, sections=sections, new=new)
    return render_template("pages/settings_preview.html", form=form, section=section)


def delete_tank(tank: str) -> Answer:
    """Delete a tank with its log, after its name was typed."""
    context = current()
    stored = context.registry.stored_tank(tank)
    with_readings = request.form.get("readings") == "delete"
    try:
        csrf.check_form()
        typed = request.form.get("name", "").strip()
        if typed != stored.value.name:
            raise InvalidInputError.of_field(
                "name", typed[:40], f"{stored.value.name}, to delete it"
            )
        Ledger(context.registry).delete_tank(
            tank,
            now(),
            only_if=Precondition(frozenset({request.form.get("version", "")})),
            with_readings=with_readings,
        )
    except PreconditionFailedError:
        error: LittoralError = PreconditionFailedError(_changed_by_whom(stored.value))
        return _page(stored, tank_form(shown(stored.value), {}), deleting=error), 412
    except (InvalidInputError, csrf.StaleFormError) as wrong:
        return _page(stored, tank_form(shown(stored.value), {}), deleting=wrong), wrong.kind.status
    if with_readings:
        context.store.delete_tank(tank)
    context.nudge()
    flash(f"{stored.value.name} is deleted.")
    return redirect(url_for("pages.tanks"), 303)


def given_texts() -> dict[str, str]:
    """What was typed in the form that was sent."""
    return {name: text for name, text in request.form.items() if name != csrf.FIELD}


def offered() -> dict[str, Any]:
    """What the inputs offer: time zones and species."""
    return {"zones": known_time_zones(), "animals": ANIMALS, "plants": PLANTS}


def _section(key: str) -> Section:
    found = section_at(key)
    if found is None:
        allowed = ", ".join(one.key for one in SECTIONS)
        raise InvalidInputError.of_field("section", key[:40], allowed)
    return found


def _back(tank: str, section: Section) -> Response:
    address = url_for("pages.settings", tank=tank, open=section.key, _anchor=section.key)
    return redirect(address, 303)


def _refused(
    stored: Stored[Tank],
    given: Mapping[str, str],
    section: Section,
    error: LittoralError,
    reading: Reading,
) -> tuple[str, int]:
    """The page again, with what was typed and why it was not saved."""
    form = tank_form(shown(stored.value), given, open_at=section.key, error=error, reading=reading)
    return _page(stored, form, error=error), error.kind.status


def _overtaken(tank: str, given: Mapping[str, str], section: Section) -> tuple[str, int]:
    """The page as it is now, with what was typed, after somebody else changed the tank."""
    stored = current().registry.stored_tank(tank)
    body = shown(stored.value)
    left = kept(nodes_in(sections_of(body, given, (section,), new=False)), given)
    error = PreconditionFailedError(_changed_by_whom(stored.value))
    form = tank_form(body, left.texts, open_at=section.key, error=error)
    form = replace(form, faults=left.faults, others=(*form.others, *left.others))
    return _page(stored, form, error=error), error.kind.status


def _page(
    stored: Stored[Tank],
    form: TankForm,
    *,
    error: LittoralError | None = None,
    deleting: LittoralError | None = None,
) -> str:
    return render_template(
        "pages/settings.html",
        tank=stored.value,
        version=stored.version,
        form=form,
        error=error,
        deleting=deleting,
        writable=may_write(),
        deletable=may_delete(),
        **offered(),
        shown_texts=shown_texts,
        systems=SYSTEMS,
    )


def _changed_by_whom(tank: Tank) -> str:
    """That the tank was changed meanwhile, by whom and when, where that is recorded."""
    words = "this tank was changed by somebody else in the meantime"
    records = current().registry.audit(subject=f"tanks/{tank.id}", limit=20)
    for one in [one for one in records if one.subject == f"tanks/{tank.id}"][:1]:
        at = LocalTime(tank.time_zone, now()).clock_words(one.time)
        members = f" ({', '.join(one.members)})" if one.members else ""
        words = f"{one.actor.name or 'somebody else'} changed this tank at {at}{members}"
    return f"{words}: nothing was saved. What you typed is still here; look at it and save again"


def _saved_words(nodes: Any, given: Mapping[str, str]) -> list[str]:
    """The labels of what was changed."""
    found = []
    for one in questions_in(nodes):
        unit = given.get(one.unit_name, one.unit)
        if any(box.name in given for box in one.boxes):
            texts = tuple(given.get(box.name, "").strip() for box in one.boxes)
            if texts != one.shown(unit):
                found.append(one.label)
    return list(dict.fromkeys(found))[:4]
