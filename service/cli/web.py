"""The web application that is served: the API and the pages, on the same parts, behind one gate."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime

from flask import Flask, request

from service import pages
from service.advice.engine.recommendation import Recommendation
from service.advice.handover.sheet import HandoverSheet
from service.api.app import create_app
from service.api.context import Context, HandoverForms
from service.api.http import auth
from service.integrations.calendar.handover import sheet_calendar
from service.integrations.calendar.tasks import Form, tank_calendar
from service.integrations.metrics.exposition import Metrics
from service.registry.access import Scope
from service.registry.events import Revision
from service.registry.models import Tank


def web_app(context: Context, metrics: Metrics | None = None) -> Flask:
    """The application on its parts; open nothing, start nothing.

    Args:
        metrics: what ``/metrics`` tells; None where no watch looks at the tanks, so that only
            readings and health are told.
    """
    told = metrics or Metrics(context.store, context.registry, context.clock, 0.0)
    app = create_app(
        replace(
            context,
            calendar=tasks_calendar,
            metrics=told.exposition,
            handover=handover_forms(),
        )
    )
    gate = pages.Gate(_admit, _token_id, auth.SESSION_KEY)
    pages.install(app, context, gate)
    return app


def tasks_calendar(
    tank: Tank,
    standing: Sequence[Recommendation],
    revisions: Mapping[str, Revision],
    now: datetime,
    form: str,
) -> bytes:
    """The outlet's calendar, as the API asks for it."""
    return tank_calendar(tank, standing, revisions, now, Form(form))


def handover_forms() -> HandoverForms:
    """Handover sheet and report on return as the pages and the outlets write them."""

    def calendar(sheet: HandoverSheet, form: str) -> bytes:
        return sheet_calendar(sheet, Form(form))

    return HandoverForms(pages.sheet_page, calendar, pages.report_page, pages.shared_refusal)


def _admit() -> None:
    """Let a request for a page pass as one for the API would."""
    caller = auth.identify(request)
    needed = auth.scope_needed(request)
    if not caller.scope.covers(needed):
        raise auth.ForbiddenError(f"the token's scope is {caller.scope}; needed: {needed}")
    if needed is not Scope.READ:
        auth.limits_of().count_write(caller.name)


def _token_id(secret: str, address: str) -> str:
    return auth.token_of_secret(secret, address).id
