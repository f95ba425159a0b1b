"""Absences for people: plan one, change one, end one."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any, Final

from flask import Blueprint, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from service.api.context import current, now
from service.api.resources.absences import with_id
from service.errors import (
    ConflictError,
    FieldFault,
    InvalidInputError,
    LittoralError,
    NotFoundError,
    PreconditionFailedError,
)
from service.pages.browser import csrf
from service.pages.handover.absence_form import (
    MOMENTS,
    AbsenceForm,
    absence_form,
    absence_in,
    digest,
    zone_of,
)
from service.pages.local_time import LocalTime
from service.registry.database.versions import Precondition
from service.registry.models.absence import Absence

Answer = str | Response | tuple[str, int]
Change = Callable[[Sequence[Absence]], list[Absence]]

_TRIES: Final = 5
"""How often a change is made anew where somebody else changed another absence meanwhile."""


def register(pages: Blueprint) -> None:
    """Add the views to the blueprint, and the form for a new absence to the handover page."""
    pages.add_url_rule("/absences", "absences", absences_page)
    pages.add_url_rule("/absences", "plan_absence", plan, methods=["POST"])
    pages.add_url_rule("/absences/<id>", "change_absence", change, methods=["POST"])
    pages.add_url_rule("/absences/<id>/end", "end_absence", end, methods=["POST"])
    pages.app_context_processor(lambda: {"new_absence": new_absence, "absence_moments": MOMENTS})


def new_absence() -> dict[str, Any]:
    """What the form for a new absence needs on any page."""
    tanks = current().registry.tanks()
    return {"form": absence_form(None, tanks), "tanks": tanks}


def absences_page() -> Answer:
    """All absences, each with its form, and one for a new one."""
    return _page()


def plan() -> Answer:
    """Plan an absence from the form."""
    tanks = current().registry.tanks()
    try:
        csrf.check_form()
        made = with_id(absence_in(request.form, tanks))
        _write(lambda stored: [*stored, made], made.id)
    except LittoralError as error:
        return _page(absence_form(None, tanks, sent=request.form, error=error)), error.kind.status
    flash(f"Planned: {_span_words(made)}.")
    if request.form.get("then") == "handover":
        return redirect(url_for("pages.handover", absence=made.id), 303)
    return redirect(url_for("pages.absences"), 303)


def change(id: str) -> Answer:
    """Change an absence from its form, if it is still as it was shown."""
    tanks = current().registry.tanks()
    before = _absence(id)
    try:
        csrf.check_form()
        shown = request.form.get("shown", "")
        changed = absence_in(request.form, tanks, before)

        def apply(stored: Sequence[Absence]) -> list[Absence]:
            present = _of(stored, id)
            if digest(present) != shown:
                raise PreconditionFailedError(
                    f"this absence was changed by somebody else meanwhile, to "
                    f"{_span_words(present)}: nothing was saved. What you typed is still here; "
                    "look at it and save again"
                )
            return [changed if one.id == id else one for one in stored]

        _write(apply, id)
    except LittoralError as error:
        form = absence_form(_absence(id), tanks, sent=request.form, error=error)
        return _page(form), error.kind.status
    flash(f"Saved: {_span_words(changed)}.")
    return redirect(url_for("pages.absences"), 303)


def end(id: str) -> Answer:
    """End an absence that is going on, or take one off that is still to come."""
    moment = now()
    planned = _absence(id).start > moment

    def apply(stored: Sequence[Absence]) -> list[Absence]:
        present = _of(stored, id)
        if present.end <= moment:
            raise ConflictError(f"the absence is over: it ended {_span_words(present)}")
        if present.start > moment:
            return [one for one in stored if one.id != id]
        return [replace(one, end=moment) if one.id == id else one for one in stored]

    try:
        csrf.check_form()
        _write(apply, id)
    except LittoralError as error:
        return _page(trouble=error.detail), error.kind.status
    if planned:
        flash("Taken off: the absence was still to come.")
        return redirect(url_for("pages.absences"), 303)
    flash("The absence has ended. This is what happened meanwhile.")
    return redirect(url_for("pages.return_report", absence=id), 303)


def _write(change: Change, id: str) -> None:
    """Write what a function makes of the absences; again where others wrote in between.

    Raises:
        InvalidInputError: the absence is not allowed; pointers are those of its members.
        PreconditionFailedError: others wrote again and again.
    """
    registry = current().registry
    for left in reversed(range(_TRIES)):
        stored = registry.stored_absences()
        changed = change(stored.value)
        try:
            registry.put_absences(changed, only_if=Precondition(frozenset({stored.version})))
        except InvalidInputError as error:
            at = [one.id for one in changed].index(id)
            raise _about_one(error, f"/absences/{at}") from error
        except PreconditionFailedError:
            if not left:
                raise
        else:
            current().nudge()
            return


def _about_one(error: InvalidInputError, under: str) -> InvalidInputError:
    faults = [
        FieldFault(one.pointer.removeprefix(under), one.detail, one.value, one.allowed)
        for one in error.faults
    ]
    return InvalidInputError.of(faults)


def _absence(id: str) -> Absence:
    return _of(current().registry.absences(), id)


def _of(stored: Sequence[Absence], id: str) -> Absence:
    for one in stored:
        if one.id == id:
            return one
    raise NotFoundError(f"absence is {id[:64]!r}; allowed: the id of an absence that is planned")


def _span_words(absence: Absence) -> str:
    local = _local_time(absence)
    return f"{local.date_words(absence.start)} to {local.last_date_words(absence.end)}"


def _local_time(absence: Absence) -> LocalTime:
    return LocalTime(zone_of(absence.tanks, current().registry.tanks()), now())


def _page(refused: AbsenceForm | None = None, *, trouble: str = "") -> str:
    """The page.

    Args:
        refused: the form that was not taken.
    """
    tanks, moment = current().registry.tanks(), now()
    stored = current().registry.absences()
    forms = {one.id: absence_form(one, tanks) for one in stored}
    new = absence_form(None, tanks)
    if refused is not None and refused.id:
        forms[refused.id] = refused
    elif refused is not None:
        new = refused
    return render_template(
        "pages/absences.html",
        tanks=tanks,
        names={tank.id: tank.name for tank in tanks},
        now=moment,
        to_come=[one for one in stored if one.end > moment],
        over=[one for one in reversed(stored) if one.end <= moment],
        forms=forms,
        new=new,
        refused=refused,
        trouble=trouble,
        span_words=_span_words,
    )
