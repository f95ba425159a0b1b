"""Registry of what was reported with sharing links: each report is one log entry, once."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from sqlalchemy import func, select

from service.errors import ConflictError, GoneError, LittoralError, NoSuchTankError
from service.problems import PROBLEMS
from service.registry.audit import Action, AuditedWrite
from service.registry.database.connection import Database
from service.registry.models.log import LogEntry
from service.registry.models.pictures import NO_PICTURES, SentPictures
from service.registry.repositories.access.sharing_links import require_valid
from service.registry.repositories.log.entries import row_of
from service.registry.repositories.log.order import next_in_log
from service.registry.repositories.log.pictures import insert_pictures
from service.registry.repositories.tanks import lock_tank
from service.registry.tables.access import ShareLinkRow
from service.registry.tables.log import LinkReportRow, LogRow, PictureRow

MOST: Final = 200
"""A link takes so many reports in ``MOST_IN``: a link in wrong hands fills no log. Our choice."""

MOST_PICTURES: Final = 60
"""Likewise pictures: they fill the quota of a tank. Our choice."""

MOST_IN: Final = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class LinkReport:
    """One report.

    Attributes:
        link: id of the sharing link that it came with.
        key: chosen by the sender, who sends the same report again under the same key.
        task: what was done, of the tank; None: it belongs to no task.
        title: what was done, for people.
        time: when it was done; received: when it came; UTC.
        entry: id of its log entry; None: that was deleted since.
    """

    link: str
    key: str
    tank: str
    task: str | None
    title: str
    time: datetime
    received: datetime
    entry: str | None


class TooManyReportsError(LittoralError):
    """A link has taken as many reports as it may for now."""

    kind = PROBLEMS["too-many-requests"]

    def __init__(self, most: int, what: str) -> None:
        super().__init__(f"more than {most} {what} in a day with one link; try again tomorrow")
        self.headers = {"Retry-After": "3600"}


class LinkReportRepository(Database):
    """Reports that came with sharing links."""

    def add_link_report(
        self,
        link: str,
        key: str,
        task: str | None,
        title: str,
        entry: LogEntry,
        now: datetime,
        pictures: SentPictures = NO_PICTURES,
    ) -> tuple[LinkReport, bool]:
        """Take a report, its log entry and its pictures, all or nothing.

        Returns:
            The report; and whether it is new: the same key again is the same report.

        Raises:
            GoneError: the link is not there any more, has expired or was revoked.
            ConflictError: the task was reported before, or is in the log already.
            TooManyReportsError: the link has taken too many of late.
            InvalidInputError: there are too many pictures.
        """
        write = AuditedWrite(Action.LOG_ADDED, f"tanks/{entry.tank}/log/{entry.id}")
        with self.session(writes=write) as session:
            try:
                lock_tank(session, entry.tank)  # two reports at the same moment see each other
            except NoSuchTankError as error:
                raise _gone() from error
            row = session.get(ShareLinkRow, link, with_for_update=True)
            if row is None or row.tank != entry.tank:
                raise _gone()
            require_valid(row, now)
            known = session.scalar(select(LinkReportRow).filter_by(link=link, key=key))
            if known is not None:
                write.happened = False
                return _report(known), False
            if task is not None:
                taken = select(LinkReportRow).filter_by(tank=entry.tank, task=task)
                before = session.scalar(taken.where(LinkReportRow.entry.is_not(None)))
                if before is not None:
                    raise ConflictError(f"somebody has ticked this off before: {before.title}")
            if session.get(LogRow, entry.id) is not None:
                raise ConflictError(f"this is in the log as done already: {title}")
            late = LinkReportRow.received > now - MOST_IN
            count = select(func.count()).select_from(LinkReportRow).filter_by(link=link)
            if (session.scalar(count.where(late)) or 0) >= MOST:
                raise TooManyReportsError(MOST, "reports")
            if pictures.new:
                taken_too = LinkReportRow.entry == PictureRow.entry
                count = select(func.count()).select_from(PictureRow).join(LinkReportRow, taken_too)
                before_it = session.scalar(count.where(LinkReportRow.link == link, late)) or 0
                if before_it + len(pictures.new) > MOST_PICTURES:
                    raise TooManyReportsError(MOST_PICTURES, "pictures")
            session.add(row_of(entry, next_in_log(session, entry.tank)))
            session.flush()
            insert_pictures(session, entry.tank, entry.id, pictures)
            made = LinkReportRow(
                link=link,
                key=key,
                tank=entry.tank,
                task=task,
                title=title,
                time=entry.time,
                received=now,
                entry=entry.id,
            )
            session.add(made)
        return _report(made), True

    def link_report(self, link: str, key: str) -> LinkReport | None:
        """The report that came with a link under a key; None where there is none."""
        with self.session(writes=False) as session:
            row = session.scalar(select(LinkReportRow).filter_by(link=link, key=key))
        return None if row is None else _report(row)

    def link_reports(self, tank: str, *, since: datetime) -> list[LinkReport]:
        """What was reported of a tank with any link, newest first; not what was deleted since.

        Args:
            since: done then or later.
        """
        query = (
            select(LinkReportRow)
            .where(LinkReportRow.tank == tank, LinkReportRow.time >= since)
            .where(LinkReportRow.entry.is_not(None))
            .order_by(LinkReportRow.time.desc(), LinkReportRow.id.desc())
        )
        with self.session(writes=False) as session:
            return [_report(row) for row in session.scalars(query)]


def _gone() -> GoneError:
    return GoneError("this link is not there any more; ask for a new one")


def _report(row: LinkReportRow) -> LinkReport:
    return LinkReport(
        link=row.link,
        key=row.key,
        tank=row.tank,
        task=row.task,
        title=row.title,
        time=row.time,
        received=row.received,
        entry=row.entry,
    )
