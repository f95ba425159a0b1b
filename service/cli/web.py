"""The web application that is served: the API and the pages, on the same parts, behind one gate."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime

from flask import Flask, request

from service import pages
from service.advice.handover import HandoverSheet
from service.advice.recommendation import Recommendation
from service.api import access
from service.api.app import create_app
from service.api.context import Context, HandoverForms
from service.outlets.calendar import Form, tank_calendar
from service.outlets.handover_calendar import sheet_calendar
from service.outlets.metrics import Metrics
from service.tanks.access import Scope
from service.tanks.events import Revision
from service.tanks.values import Tank


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
    gate = pages.Gate(_admit, _token_id, access.SESSION_KEY)
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
    caller = access.identify(request)
    needed = access.scope_needed(request)
    if not caller.scope.covers(needed):
        raise access.ForbiddenError(f"the token's scope is {caller.scope}; needed: {needed}")
    if needed is not Scope.READ:
        access.limits_of().count_write(caller.name)


def _token_id(secret: str, address: str) -> str:
    return access.token_of_secret(secret, address).id
