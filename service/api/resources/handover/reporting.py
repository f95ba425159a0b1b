"""Sharing links: their address, who may report with one, what may be ticked off, and taking it.

Used by the API and by the page that a link opens.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from flask import request, url_for

from service.advice.engine.recommendation import Instruction
from service.advice.handover.absence import absence_of_link, sheet_of
from service.advice.handover.reports import Report, take_report
from service.advice.handover.sheet import HandoverSheet, TankSheet
from service.advice.handover.ticks import Tick, tick_of_recommendation, tick_of_task
from service.api.context import current, now
from service.api.http.access.auth import rate_limits
from service.api.http.access.own_machine import refuse_other_sites
from service.api.http.access.rules import ForbiddenError
from service.api.http.public_address import public_address
from service.api.resources.handover.signed_ticks import signed, tick_of
from service.pictures.intake import Upload
from service.registry.audit import Actor, ActorKind, act_as
from service.registry.models.access import ShareLink
from service.registry.repositories.log.link_reports import LinkReport


@dataclass(frozen=True, slots=True)
class OfferedTick:
    """A task of a sheet, and what ticking it off reports.

    Attributes:
        tick: None: its entry asks for more than one number, so that only the tank keeper logs it.
        task: the tick, signed; comes back with the report.
        instruction: its words and cautions.
        day: of a planned task, the tank's local date; None: it is open now.
        reported: the report, where there is one.
    """

    tick: Tick | None
    task: str
    instruction: Instruction
    day: date | None
    reported: LinkReport | None


def reporting_link(secret: str) -> ShareLink:
    """The valid link of a secret, which takes reports; its holder is the actor of this request.

    Raises:
        NotFoundError, GoneError: as ``share_of``.
        ForbiddenError: it only shows a sheet, or a page of another site makes the request.
    """
    refuse_other_sites(request)
    link = current().registry.share_of(secret, now())
    if not link.may_report:
        raise ForbiddenError("this link shows a sheet and takes no reports; ask for one that does")
    act_as(Actor(ActorKind.LINK, link.id, link.name, request.remote_addr or ""))
    return link


def address_of(secret: str) -> str:
    """The whole address of a link, as people reach the service."""
    return public_address(url_for("shared.shared_sheet", secret=secret))


def taken(
    link: ShareLink,
    task: str,
    key: str,
    age: timedelta = timedelta(0),
    number: Any = None,
    note: str = "",
    observation: Any = None,
    files: Sequence[Upload] = (),
) -> tuple[LinkReport, bool]:
    """Take a report with a link; errors as ``take_report``, and where too many are sent."""
    context = current()
    rate_limits().count_write(f"link {link.id}")
    tick = tick_of(task, link)
    known = context.registry.link_report(link.id, key) is not None  # its pictures are there too
    with context.pictures.taken(() if known else files) as pictures:
        report = Report(tick, key, age, number, note, observation, pictures)
        found = take_report(context.registry, link, report, now())
    context.nudge()
    return found


def sheet_of_link(link: ShareLink) -> HandoverSheet:
    """The sheet that a link shows, as it is now.

    Raises:
        StoreUnavailableError, StoreRefusedError: as the store finds.
    """
    context = current()
    absence = absence_of_link(link, context.registry)
    tanks = [context.registry.tank(link.tank)]
    return sheet_of(absence, tanks, context.registry, context.store, now(), context.drifts)


def offered_ticks(sheet: TankSheet, link: ShareLink) -> list[OfferedTick]:
    """The tasks of a tank's sheet with their ticks: what is open now, then day by day."""
    registry = current().registry
    tank = registry.tank(link.tank)
    known = {one.task: one for one in registry.link_reports(tank.id, since=link.created)}
    offered = []
    for rec in sheet.open:
        tick = tick_of_recommendation(rec, tank)
        text = "" if tick is None else signed(tick, link)
        offered.append(OfferedTick(tick, text, rec.instruction, None, None))
    for task in sheet.tasks:
        tick = tick_of_task(task, tank)
        done = known.get(tick.task)
        offered.append(OfferedTick(tick, signed(tick, link), task, task.day, done))
    return offered


def reports_with(link: ShareLink) -> list[LinkReport]:
    """What was reported with a link, newest first."""
    found = current().registry.link_reports(link.tank, since=link.created)
    return [one for one in found if one.link == link.id]
