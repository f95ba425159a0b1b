"""The check fails when an answer is wrong: the service is replaced by one that says so."""

from __future__ import annotations

import io
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any, cast

import pytest
import requests_mock
from rich.console import Console

from demo import check as checking
from demo import check_advice
from demo.asking import Bench, Fault
from demo.boards import Boards, Truth
from demo.check import QUESTIONS, check
from demo.tanks import emberpane, lateleaf, quillwater, scenario
from service.client import Client, ClientError
from service.clock import FixedClock
from service.store.model import Reading, SeriesKey
from service.times import to_us

ORIGIN = datetime(2031, 3, 5, 11, 30, tzinfo=UTC)
BASE = "http://127.0.0.1:8600"
TIME = "2031-03-05T11:35:00Z"


class FakeBoards:
    """Boards that have published one temperature of 24 °C in water of 25 mg/L CO2."""

    def sent(self) -> dict[SeriesKey, list[Reading]]:
        at = to_us(ORIGIN + timedelta(minutes=5))
        return {
            key: [Reading(key.tank, key.quantity, key.sensor, at, 24.0)]
            for one in scenario(ORIGIN).tanks
            for key in one.wires
        }

    def truth(self, tank: str, time_us: int) -> Truth:
        return Truth(time_us, 24.0, 12.0 if tank == lateleaf.ID else 25.0)


@pytest.fixture
def bench() -> Bench:
    boards = cast(Boards, FakeBoards())
    clock = FixedClock(ORIGIN + timedelta(minutes=6))
    return Bench(Client(BASE), scenario(ORIGIN), boards, clock, 0)


@pytest.fixture(autouse=True)
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(checking, "STORED_WITHIN_S", 0.0)
    monkeypatch.setattr(check_advice, "ADVICE_TIMEOUT_S", 0.0)
    monkeypatch.setattr(checking, "LIVE_TIMEOUT_S", 0.0)


def ask(name: str, bench: Bench, answer: Callable[[str], Any]) -> list[str]:
    """Put one question to a service that answers each tank by ``answer``."""
    question = dict(QUESTIONS)[name]
    with requests_mock.Mocker() as mocker:
        mocker.register_uri(
            requests_mock.ANY,
            requests_mock.ANY,
            json=lambda request, _: answer(request.path.split("/")[3]),
        )
        return list(question(bench))


def co2(value: float, low: float, high: float, state: str) -> dict[str, Any]:
    return {
        "time": TIME,
        "co2": {"value": value, "low": low, "high": high, "unit": "mg/L"},
        "target": {"low": 20, "high": 30, "unit": "mg/L"},
        "state": state,
        "reasons": [],
    }


def right_co2(tank: str) -> dict[str, Any]:
    if tank == lateleaf.ID:
        return co2(12.5, 10, 15, "below")
    return co2(24, 20, 29, "within")


CO2 = "Is there enough CO2, and not too much?"
STORED = "Is what was published what is stored?"
WARM = "Was it too warm or too cold for the animals?"
TODO = "What is to be done?"
OTHER = "What is the CO2 of other water?"


def test_right_answers_pass(bench: Bench) -> None:
    lines = ask(CO2, bench, right_co2)
    assert lines[0] == ("Quillwater: 24.0 mg/L (95 %: 20.0 to 29.0), within 20 to 30; true: 25.0")


@pytest.mark.parametrize(
    ("wrong", "told"),
    [
        (co2(40, 35, 45, "above"), "outside its interval"),
        (co2(24, 20, 29, "above"), "above its target, not within"),
        ({**co2(24, 20, 29, "unknown"), "co2": None, "reasons": ["no pH"]}, "no pH"),
    ],
)
def test_wrong_co2_fails(bench: Bench, wrong: dict[str, Any], told: str) -> None:
    with pytest.raises(Fault, match=told):
        ask(CO2, bench, lambda tank: wrong if tank == quillwater.ID else right_co2(tank))


@pytest.mark.parametrize(
    ("readings", "told"),
    [
        ([], "1 published, 0 stored"),
        ([{"time": TIME, "value": 24.001}], "24.0 was published, 24.001 is stored"),
    ],
)
def test_readings_that_differ_fail(bench: Bench, readings: list[dict[str, Any]], told: str) -> None:
    with pytest.raises(Fault, match=told):
        ask(STORED, bench, lambda _: {"readings": readings})


def test_a_stamped_reading_at_another_time_fails(bench: Bench) -> None:
    late = [{"time": "2031-03-05T11:36:00Z", "value": 24.0}]
    with pytest.raises(Fault, match=r"ph of quillwater: measured at 2031-03-05T11:35:00Z"):
        ask(STORED, bench, lambda _: {"readings": late})


def excursions(count: int, species: str) -> dict[str, Any]:
    return {
        "range": {"low": 20, "high": 26, "unit": "Cel"},
        "high_species": species,
        "excursions": [{"degree_hours": {"value": 2.0, "unit": "K.h"}}] * count,
    }


def test_a_warm_tank_without_excursions_fails(bench: Bench) -> None:
    with pytest.raises(Fault, match="no excursion"):
        ask(WARM, bench, lambda _: excursions(0, emberpane.NEW_FISH))
    with pytest.raises(Fault, match="its limit is that of Nobody"):
        ask(
            WARM,
            bench,
            lambda tank: excursions(int(tank == emberpane.ID), "Nobody"),
        )
    with pytest.raises(Fault, match="quillwater has an excursion"):
        ask(WARM, bench, lambda _: excursions(1, emberpane.NEW_FISH))


def advice(code: str, severity: str = "advice", litres: float | None = None) -> dict[str, Any]:
    amounts = [] if litres is None else [{"name": "water", "value": litres, "unit": "L"}]
    return {"code": code, "severity": severity, "title": code, "amounts": amounts}


def right_advice(tank: str) -> dict[str, Any]:
    found = {
        quillwater.ID: [],
        lateleaf.ID: [advice("gas-late"), advice("water-change-after-work", litres=63)],
        emberpane.ID: [advice("temperature-out", "warning")],
    }
    return {"recommendations": found[tank]}


@pytest.mark.parametrize(
    ("tank", "found", "told"),
    [
        (quillwater.ID, [advice("co2-high", "urgent")], "the healthy tank has a warning: co2-high"),
        (lateleaf.ID, [advice("gas-late")], "lacks the advice water-change-after-work"),
        (
            lateleaf.ID,
            [advice("gas-late"), advice("water-change-after-work")],
            "the water change has no litres",
        ),
        (emberpane.ID, [], "lacks the advice temperature-out"),
    ],
)
def test_wrong_advice_fails(
    bench: Bench, tank: str, found: list[dict[str, Any]], told: str
) -> None:
    assert len(ask(TODO, bench, right_advice)) == 4
    with pytest.raises(Fault, match=told):
        ask(
            TODO,
            bench,
            lambda one: {"recommendations": found} if one == tank else right_advice(one),
        )


def test_sensors_that_a_busy_computer_silenced_are_waited_for(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A minute of the demo is a second: half a minute without the processor silences all boards."""
    monkeypatch.setattr(check_advice, "ADVICE_TIMEOUT_S", 60.0)
    silent = advice("sensor-silent", "warning")
    looks = iter([[silent], [silent], []])

    def heard_again(tank: str) -> Any:
        return {"recommendations": next(looks)} if tank == quillwater.ID else right_advice(tank)

    assert "Quillwater: nothing to do" in ask(TODO, bench, heard_again)
    assert next(looks, None) is None


def test_a_wrong_formula_fails(bench: Bench) -> None:
    """The trade's rule, 3 * KH * 10^(7 - pH) = 19.0, is not the carbonate balance."""
    with pytest.raises(Fault, match="not within"):
        ask(OTHER, bench, lambda _: {"co2": {"value": 19.0}})


AT_BROKER = "Is the advice at the broker too?"


def test_advice_that_is_not_at_the_broker_fails(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept: dict[str, str] | None = {"title": "CO2 is short", "tank": lateleaf.ID}
    monkeypatch.setattr(check_advice, "retained", lambda *_: kept)
    told = "littoral/lateleaf/advice/gas-late: CO2 is short"
    assert ask(AT_BROKER, bench, right_advice) == [told]
    kept = None
    with pytest.raises(Fault, match="keeps nothing on littoral/lateleaf/advice/gas-late"):
        ask(AT_BROKER, bench, right_advice)


def test_an_error_of_the_service_fails(bench: Bench) -> None:
    with requests_mock.Mocker() as mocker:
        mocker.get(requests_mock.ANY, status_code=500, text="oops")
        with pytest.raises(ClientError, match=r"/v1/tanks answers 500 'oops'"):
            bench.client.get("/v1/tanks")


def test_all_failed_questions_are_named(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(check_advice, "retained", lambda *_: None)
    said = io.StringIO()
    with requests_mock.Mocker() as mocker:
        mocker.register_uri(requests_mock.ANY, requests_mock.ANY, json={"tanks": "none"})
        code = check(
            BASE, bench.scenario, bench.boards, bench.clock, 0, Console(file=said), lambda: None
        )
    assert code == 1
    last = " ".join(said.getvalue().split("FAILED: ")[-1].split())
    assert last == "; ".join(name for name, _ in QUESTIONS)
