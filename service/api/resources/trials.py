"""``/v1/tanks/{tank}/trials``: what is tried in a tank, until when, and the result."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

from flask import Response
from flask.views import MethodView

from service.advice.trials.begin import begin_trial, check_watched
from service.advice.trials.documents import ShortTrialSchema, TrialWithAnswerSchema, trial_document
from service.advice.trials.keeping import judged_now, publish, require_running, settle
from service.api.context import current, now
from service.api.http.blueprint import Blueprint
from service.api.http.etag import ETAG, IF_MATCH, precondition, tagged
from service.api.http.pagination import page_by_key
from service.api.http.path_parameters import TANK, TRIAL
from service.api.http.problems.faults import invalid_field
from service.derive.watched.values import WATCHED, watchable
from service.registry.database.versions import Stored
from service.registry.fields.limits import NAME_LENGTH
from service.registry.fields.trial import MOST_ENTRIES, MOST_LENGTH, MOST_WATCHED, USUAL_LENGTH
from service.registry.models.trial_state import TrialState
from service.registry.models.trials import Trial
from service.schemas.answers import AnswerSchema
from service.schemas.base import Items, Schema
from service.schemas.fields import Choice, Name, Text, Whole
from service.schemas.keys import KEY_ID, KEY_MOMENT, Key
from service.schemas.times import Moment, Span
from service.times import format_moment, format_span

blueprint = Blueprint(
    "trials",
    __name__,
    url_prefix="/v1/tanks/<tank>/trials",
    description="What is tried in a tank, and the result.",
)


AFTER: Final = Key(KEY_MOMENT, KEY_ID)


class TrialOptionsSchema(Schema):
    """Which trials."""

    state = Choice("Only in this state.", words=list(TrialState))
    after = AFTER
    limit = Whole("At most so many; default 100.", low=1, high=1000, text=True, load_default=100)


class WatchableSchema(AnswerSchema):
    """Something that can be watched."""

    name = Text("For `watched`.")
    title = Text()
    unit = Text("UCUM.")


class TrialsSchema(AnswerSchema):
    """The trials of a tank, the last begun first, and what can be watched."""

    tank = Text()
    trials = Items(ShortTrialSchema)
    watchable = Items(WatchableSchema)
    next = Text(allow_none=True)


class NewTrialSchema(Schema):
    """A trial to begin."""

    question = Text(
        "What you want to know, or what you changed.",
        shortest=1,
        longest=NAME_LENGTH,
        required=True,
    )
    watched = Items(
        Choice(words=list(WATCHED)),
        "What to compare: those of `watchable`.",
        shortest=1,
        longest=MOST_WATCHED,
        required=True,
    )
    look_again = Moment("When to judge it.")
    length = Span(
        f"How long after the change to judge it, instead of `look_again`; default "
        f"{format_span(USUAL_LENGTH)}, at most {MOST_LENGTH.days} days."
    )
    begun = Moment("When the change was made; default: as its log entries say, else now.")
    entries = Items(
        Name(),
        "Log entries of the change, by id; default: the newest adjustment or replant of the last "
        "day that no trial has; an empty list: none.",
        longest=MOST_ENTRIES,
    )
    by = Text("Who begins it.", longest=NAME_LENGTH)


class ChangedTrialSchema(Schema):
    """What is to be changed of a running trial."""

    question = Text(shortest=1, longest=NAME_LENGTH)
    watched = Items(
        Choice(words=list(WATCHED)), "Those of `watchable`.", shortest=1, longest=MOST_WATCHED
    )
    look_again = Moment()


class EndSchema(Schema):
    """Why a trial is ended."""

    reason = Text("Why; may be empty.", longest=NAME_LENGTH, load_default="")


@blueprint.at("", parameters=TANK)
class TrialsView(MethodView):
    """The trials of a tank."""

    @blueprint.query(TrialOptionsSchema)
    @blueprint.answers(200, TrialsSchema)
    def get(self, options: dict[str, Any], tank: str) -> dict[str, Any]:
        """The trials of a tank, the last begun first"""
        registry = current().registry
        found = registry.tank(tank)
        states = (TrialState(options["state"]),) if "state" in options else tuple(TrialState)
        limit, after = options["limit"], options.get("after")
        trials = registry.trials(tank, states, after=after, limit=limit + 1)
        shown, more = page_by_key(trials, limit, lambda one: AFTER.text_of((one.begun, one.id)))
        return {"tank": tank, "trials": shown, "watchable": watchable(found), "next": more}

    @blueprint.body(
        NewTrialSchema,
        example={"question": "CO2 30 min earlier", "watched": ["co2-at-lights-on"]},
    )
    @blueprint.answers(201, TrialWithAnswerSchema, headers=ETAG)
    @blueprint.also_answers(409, description="The tank has too many trials.")
    def post(self, body: dict[str, Any], tank: str) -> Response:
        """Begin a trial

        It compares the days before a change with those after it, and is judged on its date.
        Advice that would undo the change waits meanwhile, unless an animal's limit is touched.
        """
        if "look_again" in body and "length" in body:
            given = format_moment(body["look_again"])
            raise invalid_field("/look_again", given, "this or length, not both")
        context = current()
        stored = begin_trial(context.registry, context.registry.tank(tank), now=now(), **body)
        context.nudge()
        return _answer(stored)


@blueprint.at("/<trial>", parameters=[*TANK, *TRIAL])
class TrialView(MethodView):
    """One trial."""

    @blueprint.answers(200, TrialWithAnswerSchema, headers=ETAG)
    def get(self, tank: str, trial: str) -> Response:
        """One trial, with its result; of a running one: so far"""
        return _answer(current().registry.stored_trial(tank, trial))

    @blueprint.body(ChangedTrialSchema)
    @blueprint.answers(200, TrialWithAnswerSchema, headers=ETAG)
    @blueprint.also_answers(409, description="It is over.")
    @blueprint.also_answers(412, description="Another version is there.")
    @blueprint.headers(IF_MATCH)
    def patch(self, body: dict[str, Any], tank: str, trial: str) -> Response:
        """Change question, date or what is watched of a running trial"""
        context = current()
        if "watched" in body:
            check_watched(context.registry.tank(tank), body["watched"])
            body["watched"] = tuple(dict.fromkeys(body["watched"]))
        if "look_again" in body and body["look_again"] <= now():
            given = format_moment(body["look_again"])
            raise invalid_field("/look_again", given, "a time in the future")

        def change(present: Trial) -> Trial:
            require_running(present)
            return replace(present, **body)

        stored = context.registry.change_trial(tank, trial, change, only_if=precondition())
        publish(context.registry, stored.value, "changed", now())
        return _answer(stored)

    @blueprint.answers(204, description="Deleted.")
    @blueprint.also_answers(412, description="Another version is there.")
    @blueprint.headers(IF_MATCH)
    def delete(self, tank: str, trial: str) -> tuple[str, int]:
        """Delete a trial; the change itself and its log entry stay"""
        current().registry.delete_trial(tank, trial, only_if=precondition())
        current().nudge()
        return "", 204


@blueprint.at("/<trial>/judge", "POST", parameters=[*TANK, *TRIAL])
@blueprint.answers(200, TrialWithAnswerSchema, headers=ETAG)
@blueprint.also_answers(409, description="It is over.")
@blueprint.also_answers(412, description="Another version is there.")
@blueprint.headers(IF_MATCH)
def judge(tank: str, trial: str) -> Response:
    """Judge a trial now for good, before its date"""
    return _settled(tank, trial, TrialState.JUDGED)


@blueprint.at("/<trial>/end", "POST", parameters=[*TANK, *TRIAL])
@blueprint.body(EndSchema, example={"reason": "the fish did not like it"})
@blueprint.answers(200, TrialWithAnswerSchema, headers=ETAG)
@blueprint.also_answers(409, description="It is over.")
@blueprint.also_answers(412, description="Another version is there.")
@blueprint.headers(IF_MATCH)
def end(body: dict[str, str], tank: str, trial: str) -> Response:
    """End a trial before its date, with a reason"""
    return _settled(tank, trial, TrialState.ENDED, body["reason"])


def _settled(tank: str, trial: str, state: TrialState, reason: str = "") -> Response:
    context = current()
    found = context.registry.tank(tank)
    one = context.registry.stored_trial(tank, trial).value
    require_running(one)
    stored = settle(
        context.registry,
        context.store,
        one,
        found,
        state,
        now(),
        reason=reason,
        only_if=precondition(),
    )
    context.nudge()
    return _answer(stored)


def _answer(stored: Stored[Trial]) -> Response:
    context, one = current(), stored.value
    tank = context.registry.tank(one.tank)
    judgement = judged_now(one, tank, context.registry, context.store, now())
    headers = {"Location": f"/v1/tanks/{one.tank}/trials/{one.id}"} if stored.created else {}
    status = 201 if stored.created else 200
    return tagged(trial_document(one, judgement), status, headers, tag=stored.version)
