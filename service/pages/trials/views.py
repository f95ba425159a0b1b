"""Pages of trials: those of a tank with the form for a new one, and each with its answer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any, Final

from flask import Blueprint, flash, redirect, render_template, request, session, url_for
from werkzeug.wrappers import Response

from service.advice.trials.begin import begin_trial
from service.advice.trials.judgement import Answer, Judgement
from service.advice.trials.keeping import judged_now, require_running, settle
from service.api.context import current, now
from service.derive.local_time import local_day
from service.derive.watched.values import WATCHED
from service.errors import LittoralError, NotFoundError
from service.pages.browser import csrf
from service.pages.local_time import LocalTime
from service.pages.pictures.shown import shown_picture
from service.pages.settings.rights import may_write
from service.pages.trials.drawing import TrialDrawing, trial_drawing
from service.pages.trials.form import TrialForm, asked_of, trial_form, untried_change
from service.registry.log.entry_text import entry_text
from service.registry.models.log import LogEntry
from service.registry.models.tank import Tank
from service.registry.models.trial_state import TrialState
from service.registry.models.trials import Trial

Page = str | Response | tuple[str, int]

STATE_WORDS: Final = {
    TrialState.RUNNING: "running",
    TrialState.JUDGED: "judged",
    TrialState.ENDED: "ended",
    TrialState.BROKEN_OFF: "broken off",
}
LATELY_DAYS: Final = 14
"""So long a trial that is over stays on the page of its tank. Our choice."""
STILL_PICTURED_DAYS: Final = 7
"""A picture of so many days after the end still shows what came of it: who comes once a week
takes it then. Our choice."""


@dataclass(frozen=True, slots=True)
class ShownAnswer:
    """One watched value as it is shown: the answer, numbers for people, the drawing."""

    answer: Answer
    unit: str
    digits: int
    drawing: TrialDrawing | None


def register(pages: Blueprint) -> None:
    """Add the views to the blueprint, and what other pages show of trials."""
    at = "/tanks/<tank>/trials"
    pages.add_url_rule(at, "trials", trials_page)
    pages.add_url_rule(at, "begin_trial", begin, methods=["POST"])
    pages.add_url_rule(f"{at}/<trial>", "trial", trial_page)
    pages.add_url_rule(f"{at}/<trial>/end", "end_trial", end, methods=["POST"])
    pages.app_context_processor(
        lambda: {
            "trials_shown": trials_shown,
            "trial_offer": trial_offer,
            "trial_words": STATE_WORDS,
            "entry_text_of": entry_text,
        }
    )


def trials_shown(tank: Tank) -> list[Trial]:
    """The trials of a tank that its own page shows: running, or over of late."""
    present = now()
    return [
        one
        for one in current().registry.trials(tank.id)
        if one.is_running or (one.ended and (present - one.ended).days < LATELY_DAYS)
    ]


def trial_offer(tank: Tank) -> tuple[LogEntry, ...]:
    """The change that may be tried; none for whoever may not begin a trial."""
    if not may_write():
        return ()
    return untried_change(current().registry, tank, LocalTime(tank.time_zone, now()))


def trials_page(tank: str) -> Page:
    """The trials of a tank, and the form for a new one."""
    found = current().registry.tank(tank)
    return _trials(found)


def begin(tank: str) -> Page:
    """Begin a trial from the form, then show it."""
    found = current().registry.tank(tank)
    try:
        csrf.check_form()
        asked = asked_of(request.form, found)
        made = begin_trial(current().registry, found, now=now(), **asked).value
    except LittoralError as error:
        return _trials(found, error), error.kind.status
    current().nudge()
    session["by"] = made.by
    flash("The trial has begun. Advice that would undo the change waits meanwhile.")
    return redirect(url_for("pages.trial", tank=tank, trial=made.id), 303)


def trial_page(tank: str, trial: str) -> Page:
    """One trial with its answer; of a running one so far."""
    context = current()
    found = context.registry.tank(tank)
    one = context.registry.stored_trial(tank, trial).value
    return _trial(found, one)


def end(tank: str, trial: str) -> Page:
    """Judge a trial now for good, or end it with a reason."""
    context = current()
    found = context.registry.tank(tank)
    one = context.registry.stored_trial(tank, trial).value
    judged = request.form.get("what") == "judge"
    try:
        csrf.check_form()
        require_running(one)
        state = TrialState.JUDGED if judged else TrialState.ENDED
        reason = "" if judged else " ".join(request.form.get("reason", "").split())[:200]
        settle(context.registry, context.store, one, found, state, now(), reason=reason)
    except LittoralError as error:
        return _trial(found, one, error), error.kind.status
    context.nudge()
    flash("The trial is judged." if judged else "The trial is ended.")
    return redirect(url_for("pages.trial", tank=tank, trial=trial), 303)


def _trials(tank: Tank, error: LittoralError | None = None) -> str:
    local_time = LocalTime(tank.time_zone, now())
    sent = None if error is None else request.form
    change: Sequence[LogEntry] = untried_change(current().registry, tank, local_time)
    if sent is not None:
        change = _entries(tank, sent.getlist("entries"))
    form: TrialForm = trial_form(tank, change, local_time, sent=sent, error=error)
    return render_template(
        "pages/trials.html",
        tank=tank,
        trials=current().registry.trials(tank.id),
        form=form,
        local_time=local_time,
        writable=may_write(),
        by=session.get("by", ""),
    )


def _entries(tank: Tank, ids: Sequence[str]) -> list[LogEntry]:
    """The entries of a form that was sent, as far as they are there."""
    found = []
    for id in ids:
        try:
            entry = current().registry.log_entry(id)
        except NotFoundError:
            continue
        if entry.tank == tank.id:
            found.append(entry)
    return found


def _trial(tank: Tank, one: Trial, error: LittoralError | None = None) -> str:
    context = current()
    judgement = judged_now(one, tank, context.registry, context.store, now())
    local_time = LocalTime(tank.time_zone, now())
    end = min(now(), (one.ended or now()) + timedelta(days=STILL_PICTURED_DAYS))
    pictures = context.registry.first_and_last_pictures(tank.id, one.begun, end)
    return render_template(
        "pages/trial.html",
        tank=tank,
        trial=one,
        judgement=judgement,
        answers=[_shown(each, judgement, tank) for each in judgement.answers],
        pictures=[shown_picture(each, local_time) for each in pictures],
        local_time=local_time,
        writable=may_write(),
        error=error,
    )


def _shown(answer: Answer, judgement: Judgement, tank: Tank) -> ShownAnswer:
    watched: Any = WATCHED.get(answer.name)
    digits = 2 if watched is None else watched.digits
    today = local_day(tank, now())
    drawing = trial_drawing(answer, judgement.changed, today, digits)
    return ShownAnswer(
        answer, answer.unit if watched is None else watched.unit_words, digits, drawing
    )
