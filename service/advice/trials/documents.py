"""Trials as JSON, the same over HTTP, MQTT, event stream and webhooks."""

from __future__ import annotations

from typing import Any, Final

from service.advice.trials.judgement import Judgement, Verdict
from service.registry.models.trial_state import TrialState
from service.registry.models.trials import Trial
from service.schemas.answers import AnswerSchema, With
from service.schemas.base import Items, Nested
from service.schemas.fields import Choice, Number, Text, Whole, YesNo
from service.schemas.times import Day, Moment


class HeldSchema(AnswerSchema):
    """Advice that waits while a trial runs."""

    code = Text("Of the rule.")
    title = Text("What it asks for.")
    since = Moment()


class DayValueSchema(AnswerSchema):
    """One local day."""

    day = Day()
    value = Number("Null: sensors did not show it.", allow_none=True)


class ChangeSchema(AnswerSchema):
    """After minus before, with its 95 % interval."""

    value = Number()
    low = Number()
    high = Number()


class AnswerToSchema(AnswerSchema):
    """The result of one watched value."""

    name = Text("As in `watched`.")
    title = Text()
    unit = Text("UCUM, of all numbers here.")
    verdict = Choice(
        "What can be said; `too-little`: fewer than five usable days on a side.",
        words=list(Verdict),
    )
    sentence = Text("The answer.", longest=2000)
    before = Number("Mean of the days before.", allow_none=True)
    after = Number("Mean of the days after.", allow_none=True)
    change = Nested(ChangeSchema, "Null where there is too little to say.", allow_none=True)
    days_before = Whole("Days that count.", low=0, high=1000)
    days_after = Whole("Days that count.", low=0, high=1000)
    left_out = Whole("Days that sensors did not show.", low=0, high=1000)
    days = Items(DayValueSchema, "All of both sides, oldest first, without that of the change.")


class ConfounderSchema(AnswerSchema):
    """Something else that changed in that time."""

    time = Moment()
    text = Text(longest=2000)


class JudgementSchema(AnswerSchema):
    """The result of a trial."""

    time = Moment("When it was judged.")
    final = YesNo("Whether its date had come, or it was ended; else: so far.")
    sentence = Text("All of it.", longest=20_000)
    answers = Items(AnswerToSchema, "One for each watched value.")
    confounders = Items(ConfounderSchema, "What else changed, from the log, oldest first.")


class ShortTrialSchema(AnswerSchema):
    """A trial without its judgement."""

    id = Text()
    tank = Text()
    question = Text()
    state = Choice(words=list(TrialState))
    begun = Moment("When the change was made.")
    look_again = Moment("When it is judged.")
    watched = Items(Text(), "What is compared.")
    change = Text("What was changed, from the log; may be empty.", longest=20_000)
    entries = Items(Text(), "Ids of the log entries of the change.")
    by = Text("Who began it; may be empty.")
    created = Moment(allow_none=True)
    ended = Moment("When it was judged, ended or broken off.", allow_none=True)
    reason = Text("Why it was ended or broken off; may be empty.", longest=2000)
    held = Items(HeldSchema, "Advice that waits for it, since it would undo what is tried.")


class TrialWithAnswerSchema(ShortTrialSchema):
    """A trial with its result."""

    judgement = Nested(JudgementSchema, "Of a running trial: so far.", allow_none=True)


_TRIAL: Final = TrialWithAnswerSchema()


def trial_document(trial: Trial, judgement: Judgement | None) -> dict[str, Any]:
    """One trial as JSON."""
    document: dict[str, Any] = _TRIAL.dump(With(trial, judgement=judgement))
    return document
