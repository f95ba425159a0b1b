"""The order of log entries: by time, by when they were written down, and as they were stored."""

from __future__ import annotations

from typing import Final

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.registry.tables.log import LogRow

NEWEST_FIRST: Final = (
    LogRow.time.desc(),
    LogRow.recorded.desc().nulls_last(),
    LogRow.sequence.desc(),
)


def next_in_log(session: Session, tank: str) -> int:
    """Number of the next entry of a tank whose row the transaction has locked."""
    return (session.scalar(select(func.max(LogRow.sequence)).where(LogRow.tank == tank)) or 0) + 1
