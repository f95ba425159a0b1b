"""Pages of trials: offered after a change, begun by a form, shown with the answer, ended."""

from __future__ import annotations

import html
import re
from datetime import date, timedelta

import pytest

from service.advice.trials.judgement import Answer, Change, Verdict
from service.derive.watched.comparison import DayValue
from service.pages.trials.drawing import trial_drawing
from service.registry.models.trial_state import TrialState
from tests.api.conftest import NOW, app, client, context, made  # noqa: F401 - fixtures used here too
from tests.pages.test_hostile_forms import sent, visitor  # noqa: F401 - fixtures used here too

FORM = {
    "question": "CO2 earlier",
    "watched": ["co2-at-lights-on", "dli"],
    "look_again": "2025-06-18",
    "by": "keeper",
}


def move_the_co2(visitor) -> None:  # noqa: F811
    visitor.patch("/v1/tanks/riffle", json={"gas": {"start": "07:30", "end": "17:00"}})


def text_of(visitor, address: str = "/tanks/riffle/trials") -> str:  # noqa: F811
    return visitor.get(address).get_data(as_text=True)


def test_a_changed_plan_is_offered_until_it_is_tried(visitor, context) -> None:  # noqa: F811
    offer = "Try it and look again in 14 days?"
    assert offer not in text_of(visitor, "/tanks/riffle")
    move_the_co2(visitor)
    assert offer in text_of(visitor, "/tanks/riffle")
    assert offer in text_of(visitor, "/tanks/riffle/settings")
    page = text_of(visitor)
    assert "The change, from the log: <b>Adjustment, gas times, " in page
    [entry] = re.findall(r'name="entries" value="([^"]+)"', page)
    assert 'name="look_again" value="2025-06-18"' in page
    assert re.search(r'value="co2-at-lights-on" checked', page)
    answer = sent(visitor, "/tanks/riffle/trials", FORM | {"entries": entry})
    assert answer.status_code == 303
    [trial] = context.registry.trials("riffle")
    assert (trial.question, trial.watched) == ("CO2 earlier", ("co2-at-lights-on", "dli"))
    assert trial.entries == (entry,)
    page = text_of(visitor, answer.headers["Location"])
    assert "CO2 at lights-on: too little to say: 0 usable days before" in page
    assert "Nothing else in the log of these days." in page
    page = text_of(visitor, "/tanks/riffle")
    assert offer not in page
    assert "look again Wed 18 Jun 2025" in page


def test_a_replant_is_offered_too(visitor) -> None:  # noqa: F811
    visitor.post(
        "/v1/tanks/riffle/log",
        json={"kind": "replant", "data": {"fraction": {"value": 40, "unit": "%"}}},
    )
    assert "You changed: Replant, 40 %." in text_of(visitor, "/tanks/riffle")


def test_what_is_wrong_stands_beside_its_field_and_what_was_given_stays(visitor) -> None:  # noqa: F811
    wrong = FORM | {"question": "", "look_again": "18.6.", "watched": "mood", "begun": "2025-06-01"}
    answer = sent(visitor, "/tanks/riffle/trials", wrong)
    assert answer.status_code == 422
    page = answer.get_data(as_text=True)
    assert 'id="look_again-fault"' in page and 'value="18.6."' in page
    answer = sent(visitor, "/tanks/riffle/trials", wrong | {"look_again": "2025-06-18"})
    assert 'id="watched-fault"' in answer.get_data(as_text=True)
    answer = sent(visitor, "/tanks/riffle/trials", FORM | {"question": ""})
    assert 'id="question-fault"' in answer.get_data(as_text=True)
    assert 'value="dli" checked' in answer.get_data(as_text=True)


@pytest.mark.parametrize(
    ("given", "words"),
    [
        (
            {"look_again": "2025-01-01"},
            "Look again on is '2025-01-01'; allowed: a time in the future",
        ),
        (
            {"begun": "2025-06-20"},
            "Day of the change is '2025-06-20'; allowed: a time up to now, at",
        ),
        ({"watched": []}, "Tick at least one thing to watch."),
        ({"watched": ["mood"]}, "'mood' can't be watched in this tank. Choose below."),
        ({"question": ""}, "What you want to know is ''; allowed: one line of 1 to 200"),
    ],
)
def test_what_is_wrong_is_said_in_the_words_of_the_form(visitor, given, words) -> None:  # noqa: F811
    answer = sent(visitor, "/tanks/riffle/trials", FORM | given)
    assert answer.status_code == 422
    assert words in html.unescape(answer.get_data(as_text=True))


def test_it_is_ended_with_a_reason_once(visitor, context) -> None:  # noqa: F811
    at = sent(visitor, "/tanks/riffle/trials", FORM).headers["Location"]
    ended = sent(visitor, f"{at}/end", {"what": "end", "reason": "the fish gasped"})
    assert ended.status_code == 303
    [trial] = context.registry.trials("riffle")
    assert (trial.state, trial.reason) == (TrialState.ENDED, "the fish gasped")
    assert "Ended: the fish gasped." in text_of(visitor, at)
    assert sent(visitor, f"{at}/end", {"what": "judge"}).status_code == 409
    assert visitor.post(f"{at}/end", data={"what": "judge"}).status_code == 403


def test_the_drawing_has_each_day_on_its_side() -> None:
    first = date(2025, 6, 1)
    values = [10.0, 11.0, None, 12.0, 11.0, 10.0, None, 15.0, 16.0, 15.0, 14.0, 15.0]
    days = [DayValue(first + timedelta(days=n), value) for n, value in enumerate(values)]
    changed = first + timedelta(days=6)
    answer = Answer(
        "dli", "Daily light", "mol/m2/d", Verdict.ROSE, "", 10.8, 15.0, Change(4.2, 3.0, 5.0), 5, 5,
        1, tuple(one for one in days if one.day != changed),
    )  # fmt: skip
    found = trial_drawing(answer, changed, first, 1)
    assert found is not None
    assert (len(found.before), len(found.after), len(found.left_out)) == (5, 5, 1)
    assert all(x < found.changed for x, _ in found.before)
    assert all(x > found.changed for x, _ in found.after)
    assert all(0 < y < 120 for _, y in (*found.before, *found.after))
    assert found.means[0] > found.means[1], "a higher mean lies higher"
    assert (found.first, found.last) == ("1 Jun", "12 Jun")
    assert (
        found.words
        == "Daily light: 5 days before and 5 after, from 10.0 to 16.0; means 10.8 and 15.0"
    )


def test_days_that_are_the_same_as_shown_do_not_look_far_apart() -> None:
    first = date(2025, 6, 1)
    days = tuple(DayValue(first + timedelta(days=n), 3.62 + 0.001 * n) for n in range(3))
    answer = Answer("dli", "Daily light", "mol/m2/d", Verdict.TOO_LITTLE, "", None, None, None, 3,
        0, 0, days)  # fmt: skip
    found = trial_drawing(answer, first + timedelta(days=4), first, 2)
    assert found is not None
    assert found.span == "3.62"
    assert found.words == "Daily light: 3 days before and 0 after, all 3.62"
    heights = [y for _, y in found.before]
    assert max(heights) - min(heights) < 12, "a tenth of the drawing"
