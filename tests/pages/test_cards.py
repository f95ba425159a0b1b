"""Advice cards: what "Done and log" is filled in with, and reasons in words."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from typing import Any

import pytest

from service.advice.engine.recommendation import (
    Evidence,
    Finding,
    LogDraft,
    Recommendation,
    Severity,
)
from service.advice.reason_words import amount_words, reason_words
from service.errors import InvalidInputError
from service.pages.local_time import LocalTime
from service.pages.tank.cards import Card, Refused, cards_of, done_data
from service.registry.models.recommendations import State
from service.registry.models.tank import Tank
from tests.pages.served import ORIGIN

TANK = Tank("reedbed", "Reedbed", net_volume_l=120.0)
HERE = LocalTime("UTC", ORIGIN)


def advice(log: LogDraft | None, *evidence: Evidence, **given: Any) -> Recommendation:
    """A recommendation whose doing leaves this entry."""
    severity = given.pop("severity", Severity.ADVICE)
    finding = Finding("x", severity, "Title", "Do it.", evidence, log=log, **given)
    return Recommendation("one", "reedbed", finding, State.OPEN, ORIGIN, ORIGIN)


def card(one: Recommendation, refused: Refused | None = None) -> Card:
    """The card of one recommendation."""
    (made,) = cards_of(TANK, [one], HERE, refused)
    return made


@pytest.mark.parametrize(
    ("draft", "filled", "given", "data"),
    [
        (LogDraft("water-change", {"fraction": 0.5}), {"amount": "50"}, {}, {"fraction": 0.5}),
        (
            LogDraft("water-change", {"fraction": 0.5}),
            {"amount": "50"},
            {"amount": "30", "amount_unit": "L"},
            {"fraction": 0.25},
        ),
        (
            LogDraft("dose", {"name": "macro", "ml": 4.2}),
            {"amount": "4.2"},
            {"amount": "4,0"},
            {"name": "macro", "ml": 4.0},
        ),
        (
            LogDraft("kh-test", asks={"kh": "kh_meq_l"}),
            {"kh": ""},
            {"kh": "1.4 meq/L"},
            {"kh_meq_l": 1.4},
        ),
        (LogDraft("trim", {"height_cm": 12.0}), {"height": "12"}, {}, {"height_cm": 12.0}),
        (
            LogDraft("cylinder", asks={"content": "g"}),
            {"content": ""},
            {"content": "2000"},
            {"g": 2000.0},
        ),
    ],
)  # fmt: skip
def test_done_and_log_is_filled_in_with_the_amount(
    draft: LogDraft, filled: Mapping[str, str], given: Mapping[str, str], data: Mapping[str, Any]
) -> None:
    made = card(advice(draft))
    assert {one.name: one.start for one in made.inputs} == filled
    assert (made.logs, made.log_form) == (True, "")
    chosen = {
        f"{one.name}_unit": next(iter(one.unit_choices)) for one in made.inputs if one.unit_choices
    }
    found = done_data(TANK, made.job, {**filled, **chosen, **given})
    assert found == pytest.approx(data) if "name" not in data else found == data


def test_what_does_not_fit_a_card_is_asked_for_by_the_log_form() -> None:
    made = card(advice(LogDraft("calibration", {"quantity": "ph"}, {"points": "points"})))
    assert (made.inputs, made.log_form) == ((), "calibration")


def test_what_leaves_no_number_has_no_input() -> None:
    made = card(advice(None))
    assert (made.inputs, made.logs) == ((), False)
    assert done_data(TANK, made.job, {"mark": "done"}) is None
    assert (
        done_data(TANK, advice(LogDraft("trim", {"height_cm": 9.0})), {"mark": "done"}) is None
    ), "another program's form marks it without numbers: what is advised counts"


def test_a_wrong_number_is_named_at_its_input_and_stays() -> None:
    one = advice(LogDraft("water-change", {"fraction": 0.5}))
    given = {"amount": "350", "amount_unit": "%"}
    with pytest.raises(InvalidInputError) as refused:
        done_data(TANK, one, given)
    made = card(one, Refused("one", given, refused.value))
    assert [each.start for each in made.inputs] == ["350"]
    assert "allowed" in made.faults["amount"]
    assert card(one, Refused("another", given, refused.value)).faults == {}


def test_urgent_cards_are_open_and_cautions_are_counted() -> None:
    assert card(advice(None, severity=Severity.URGENT)).open
    made = card(advice(None, cautions=("Mind this.", "And that.")))
    assert not made.open
    assert made.more == "How and why, 2 cautions"


@pytest.mark.parametrize(
    ("evidence", "words"),
    [
        (
            Evidence("replant logged today 10:00, 40 % touched", "share-touched", 0.4, "1", 0.2),
            "Replant logged today 10:00, 40 % touched; advised from 20 %",
        ),
        (
            Evidence("lit time below target in the last 24 h", "x", 210.0, "min", 30.0),
            "Lit time below target in the last 24 h: 3.5 h; advised from 30 min",
        ),
        (
            Evidence("measured", "temperature", 28.31, "Cel", 26.0),
            "Measured: 28.3 °C; limit 26.0 °C",
        ),
        (
            Evidence("CO2 at lights-on; target from 20 mg/L", "co2", 7.31, "mg/L", 20.0),
            "CO2 at lights-on; target from 20 mg/L: 7.3 mg/L",
        ),
        (
            Evidence("probability", "probability", 0.93, "1", 0.8),
            "Probability: 93 %; advised from 80 %",
        ),
        (Evidence("3 more were found", "count", 3.0, "1"), "3 more were found"),
        (Evidence("the plan says so"), "The plan says so"),
        (Evidence("planned every 7 days", "days", 9.0, "d", 7.0), "Planned every 7 days: 9 days"),
    ],
)  # fmt: skip
def test_reasons_are_in_words_and_percent(evidence: Evidence, words: str) -> None:
    assert reason_words(evidence) == words


def test_a_time_is_said_once() -> None:
    at = ORIGIN - timedelta(hours=3)
    shown = card(
        advice(
            None,
            Evidence("highest CO2, 10:20", "co2", 31.0, "mg/L", time=at),
            Evidence("highest CO2", "co2", 31.0, "mg/L", time=at),
            Evidence("measured", "temperature", 28.0, "Cel", time=ORIGIN),
        )
    ).reasons
    assert [("10:20" in one.words, "10:20" in one.time) for one in shown] == [
        (True, False),
        (False, True),
        (False, False),
    ]


def test_amounts_are_as_people_say_them() -> None:
    assert amount_words(99.6, "mL") == "100 mL"
    assert amount_words(0.36, "g") == "0.36 g"
    assert amount_words(0.4, "K/h") == "0.4 °C per hour"
    assert amount_words(6.5, "[pH]") == "6.50"
