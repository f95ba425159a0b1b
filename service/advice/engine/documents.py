"""Recommendations as JSON, the same over HTTP, MQTT, event stream and webhooks."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import datetime
from typing import Any, Final

from service.advice.engine.instruction import NumberedCautions
from service.advice.engine.recommendation import Recommendation, Severity
from service.advice.engine.work import Who
from service.registry.models.recommendations import State
from service.schemas.answers import AnswerSchema, Part
from service.schemas.base import Items, Nested, Schema
from service.schemas.fields import Choice, Number, Text, YesNo
from service.schemas.times import Moment
from service.times import format_moment


class AmountSchema(AnswerSchema):
    """How much of what."""

    name = Text()
    value = Number()
    unit = Text("UCUM.")


class FactSchema(AnswerSchema):
    """A number of the evidence."""

    value = Number()
    unit = Text("UCUM; empty where there is none.")


class EvidenceSchema(Schema):
    """One fact that a recommendation rests on; what there is not is left out."""

    text = Text("A sentence.", required=True)
    name = Text("What was compared.", required=True)
    source = Text("A published source, `common practice, no source`, or a sensor.", required=True)
    value = Part(FactSchema, of={"value": "value", "unit": "unit"})
    threshold = Part(
        FactSchema, "What it was compared with.", of={"value": "threshold", "unit": "unit"}
    )
    time = Moment("When it was so.")

    def dump(self, obj: Any, *, many: bool | None = None) -> Any:
        """The members that there are."""
        shown = super().dump(obj, many=many)
        return {name: value for name, value in shown.items() if value is not None}


class InstructionSchema(AnswerSchema):
    """What to do, in the words that every form shows: members of whatever is an instruction."""

    title = Text("A short line with the amount.", attribute="instruction.title")
    action = Text("What to do, with amounts.", longest=2000, attribute="instruction.action")
    amounts = Items(AmountSchema, attribute="instruction.amounts")
    cautions = Items(
        Text(longest=2000), "Safety notes for before you start.", attribute="instruction.cautions"
    )
    who = Choice(
        "Who may do it: `anyone`, or only the tank keeper (`keeper`).",
        words=list(Who),
        attribute="instruction.who",
    )
    due = Moment("By when; null: no hurry.", attribute="instruction.due", allow_none=True)


class LogDraftSchema(AnswerSchema):
    """The log entry that marking it as done leaves."""

    kind = Text()
    asks = Items(Text(), "What only who did it knows: fields of `data` to send along.")


class RecommendationSchema(InstructionSchema):
    """What to do about one tank."""

    id = Text("Stays as long as the cause lasts.")
    tank = Text()
    code = Text("Stable code of the rule.", attribute="finding.code")
    subject = Text("Tells two of one rule apart; may be empty.", attribute="finding.subject")
    severity = Choice(words=[one.word for one in Severity], attribute="finding.severity.word")
    state = Choice(words=list(State))
    evidence = Items(EvidenceSchema, attribute="instruction.reasons")
    log = Nested(
        LogDraftSchema,
        "The log entry that marking it as done leaves; null: an observation that it was done.",
        attribute="finding.log",
        allow_none=True,
    )
    confidence = Number(
        "0 to 1: how sure the evidence is.", low=0, high=1, attribute="finding.confidence"
    )
    since = Moment("When the cause began.", attribute="finding.since", allow_none=True)
    first_seen = Moment()
    last_seen = Moment()
    snoozed_until = Moment(allow_none=True)
    folded = YesNo("More urgent ones of the tank come first.")


_RECOMMENDATION: Final = RecommendationSchema()


def recommendation_document(one: Recommendation) -> dict[str, Any]:
    """One recommendation as JSON; times RFC 3339 UTC, quantities with UCUM codes."""
    document: dict[str, Any] = _RECOMMENDATION.dump(one)
    return document


def summary_document(tank: str, current: Sequence[Recommendation], now: datetime) -> dict[str, Any]:
    """A tank's open recommendations in short: highest severity, counts, titles with cautions."""
    short = [one.instruction for one in current if not one.folded]
    words = Counter(one.finding.severity.word for one in current)
    return {
        "tank": tank,
        "time": time_text(now),
        "open": len(current),
        "severity": max(one.finding.severity for one in current).word if current else None,
        "counts": {severity.word: words[severity.word] for severity in Severity},
        "titles": [one.title for one in short],
        "cautions": list(NumberedCautions(short).texts),
    }


def time_text(moment: datetime | None) -> str | None:
    """RFC 3339 UTC with ``Z``; None stays None."""
    return None if moment is None else format_moment(moment)
