"""Bounds on recommendations: so many of one rule and tank, the rest in one that counts them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from service.advice.engine.recommendation import Evidence, Finding, Recommendation
from service.advice.engine.rule import ActiveConditions, Rule
from service.registry.models.recommendations import ACTIVE_STATES, State

MOST_PER_RULE: Final = 20
"""So many recommendations of one rule are open in one tank. Nobody works through more. Our
choice."""

REST: Final = "further ones"
"""Subject of the finding that stands for those beyond ``MOST_PER_RULE``."""

_TITLES_SHOWN: Final = 10


def within_bound(
    rule: Rule, findings: Sequence[Finding], active: ActiveConditions
) -> list[Finding]:
    """The findings of one rule, those beyond the bound as one: most severe first, then active ones.

    Args:
        findings: of ``rule`` on one tank.
        active: conditions that are active already: they keep their recommendation.
    """
    if len(findings) <= MOST_PER_RULE:
        return list(findings)
    ranked = sorted(
        findings,
        key=lambda one: (-one.severity, (one.code, one.subject) not in active, one.subject),
    )
    singly, rest = ranked[: MOST_PER_RULE - 1], ranked[MOST_PER_RULE - 1 :]
    return [*singly, _rest(rule, rest)]


def cleared_beyond_bound(
    after: Sequence[Recommendation], found: frozenset[tuple[str, str]]
) -> list[Recommendation]:
    """The same, with what is no longer found cleared at once where a rule has too many.

    Args:
        after: all of one tank, after an evaluation.
        found: code and subject of what was found in it.
    """
    open_ones = Counter(one.finding.code for one in after if one.state in ACTIVE_STATES)
    if not any(count > MOST_PER_RULE for count in open_ones.values()):
        return list(after)
    result: list[Recommendation] = []
    for one in sorted(after, key=lambda each: each.last_seen):
        code = one.finding.code
        if (
            one.state in ACTIVE_STATES
            and open_ones[code] > MOST_PER_RULE
            and (code, one.finding.subject) not in found
        ):
            open_ones[code] -= 1
            one = replace(one, state=State.CLEARED, snoozed_until=None)
        result.append(one)
    return result


def _rest(rule: Rule, rest: Sequence[Finding]) -> Finding:
    titles = [one.title for one in rest[:_TITLES_SHOWN]]
    return Finding(
        code=rule.code,
        subject=REST,
        severity=max(one.severity for one in rest),
        title=f"{len(rest)} more of the same: {rule.about}",
        action=f"Beside those that are listed singly: {'; '.join(titles)}.",
        evidence=(Evidence(f"{len(rest)} more were found", "count", float(len(rest)), "1"),),
        hazards=tuple(dict.fromkeys(hazard for one in rest for hazard in one.hazards)),
        confidence=min(one.confidence for one in rest),
        moves=tuple(dict.fromkeys(move for one in rest for move in one.moves)),
        refuses=tuple(dict.fromkeys(move for one in rest for move in one.refuses)),
        who=min(one.who for one in rest),
    )
