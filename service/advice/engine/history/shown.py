"""Which finding an open recommendation shows: one that calls for less must last first.

So a severity, a lever or an amount that jitters around its limit does not change with every
reading: what calls for more counts at once, what calls for less when it has lasted.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Final

from service.advice.engine.conflicts import contradiction
from service.advice.engine.history.measured import amounts_less, measured_out
from service.advice.engine.recommendation import Finding, Recommendation
from service.registry.models.log import LogEntry
from service.registry.models.recommendations import State

LESS_SINCE: Final = "less_since"
"""In what is stored besides: since when what is found calls for less than what is shown."""


def finding_shown(
    one: Recommendation,
    finding: Finding,
    now: datetime,
    hold: timedelta,
    log: Sequence[LogEntry],
    others: Sequence[Finding],
) -> Finding:
    """The finding to show of a condition that is found again: this one, or the earlier one.

    Where somebody has logged something since, or the earlier one contradicts another finding, it
    is this one.

    Args:
        one: the recommendation as it was.
        hold: what calls for less must last for so long.
        log: entries of the tank, newest first.
        others: the other findings that move or refuse something.
    """
    before = one.finding
    if one.state is not State.OPEN or not calls_for_less(before, finding):
        return finding
    since = less_since(one)
    acted = bool(log) and log[0].time > since
    if acted or now - since >= hold or any(contradiction(before, other) for other in others):
        return finding
    return before


def calls_for_less(before: Finding, finding: Finding) -> bool:
    """Whether a finding is less severe than another, moves fewer levers, or asks for less."""
    if finding.severity != before.severity:
        return finding.severity < before.severity
    asked, asks = {*before.moves, *before.refuses}, {*finding.moves, *finding.refuses}
    if asks != asked:
        return asks < asked
    return amounts_less(measured_out(before), measured_out(finding))


def less_since(one: Recommendation) -> datetime:
    """Since when what is found calls for less than what is shown."""
    text = one.extra.get(LESS_SINCE)
    return one.last_seen if text is None else datetime.fromisoformat(str(text))
