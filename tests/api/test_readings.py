"""Readings over HTTP: one by one or summed up, in parts, flagged or not."""

from __future__ import annotations

import pytest

from service.store import Flag
from tests.api.conftest import problem_of
from tests.api.scenes import day_of_readings, put, reading

URL = "/v1/tanks/riffle/readings"


@pytest.fixture
def tank(client):
    put(client)


def test_golden_shape(client, context, tank):
    context.store.write([reading("ph", 1, 6.81), reading("temperature", 2, 24.125)])
    assert client.get(URL).get_json() == {
        "tank": "riffle",
        "start": "2025-06-03T12:00:00Z",
        "end": "2025-06-04T12:00:00Z",
        "every": None,
        "aggregate": None,
        "readings": [
            {
                "time": "2025-06-04T11:58:00Z",
                "quantity": "temperature",
                "sensor": "one",
                "value": 24.125,
                "unit": "Cel",
                "flags": [],
            },
            {
                "time": "2025-06-04T11:59:00Z",
                "quantity": "ph",
                "sensor": "one",
                "value": 6.81,
                "unit": "[pH]",
                "flags": [],
            },
        ],
        "next": None,
    }


def test_a_stretch_without_length_is_refused(client, tank):
    moment = "2025-06-04T11:00:00Z"
    answer = client.get(f"{URL}?start={moment}&end={moment}")
    (fault,) = problem_of(answer, 422, "invalid-input")["errors"]
    assert fault["parameter"] == "start"
    assert client.get(f"{URL}?start={moment}&end=2025-06-04T11:00:01Z").status_code == 200


def test_part_by_part_nothing_is_lost_or_told_twice(client, context, tank):
    day_of_readings(context.store)
    seen, url, parts = [], f"{URL}?limit=1000", 0
    while url:
        page = client.get(url).get_json()
        seen += [(one["time"], one["quantity"], one["sensor"]) for one in page["readings"]]
        url, parts = page["next"], parts + 1
    # the newest ones are of this very moment: the end is not included
    assert len(seen) == len(set(seen)) == 3 * (24 * 60 - 1)
    assert seen == sorted(seen)
    assert parts == 5


def test_a_long_span_is_read_in_windows(client, context, tank):
    context.store.write([reading("ph", minutes, 7.0) for minutes in (60, 60 * 24 * 300)])
    page = client.get(f"{URL}?start=2020-01-01T00:00:00Z&limit=1").get_json()
    assert len(page["readings"]) == 1
    rest = client.get(page["next"]).get_json()
    assert [one["time"] for one in rest["readings"]] == ["2025-06-04T11:00:00Z"]
    assert rest["next"] is None


def test_summed_up(client, context, tank):
    context.store.write([reading("ph", minutes, 6.0 + minutes / 100) for minutes in range(1, 121)])
    page = client.get(f"{URL}?quantity=ph&every=1h&aggregate=mean").get_json()
    assert (page["every"], page["aggregate"]) == ("PT1H", "mean")
    assert page["readings"] == [
        {
            "time": "2025-06-04T10:00:00Z",
            "quantity": "ph",
            "sensor": "one",
            "value": pytest.approx(6.905),
            "unit": "[pH]",
            "count": 60,
        },
        {
            "time": "2025-06-04T11:00:00Z",
            "quantity": "ph",
            "sensor": "one",
            "value": pytest.approx(6.305),
            "unit": "[pH]",
            "count": 60,
        },
    ]
    for aggregate, expected in (
        ("min", 6.01),
        ("max", 6.6),
        ("first", 6.6),
        ("last", 6.01),
        ("count", 60),
        ("sum", 6.305 * 60),
    ):
        page = client.get(f"{URL}?quantity=ph&every=PT1H&aggregate={aggregate}").get_json()
        assert page["readings"][1]["value"] == pytest.approx(expected), aggregate
    first = client.get(f"{URL}?every=1h&limit=1").get_json()
    second = client.get(first["next"]).get_json()
    assert [one["time"] for one in second["readings"]] == ["2025-06-04T11:00:00Z"]


def test_doubtful_readings_only_on_request(client, context, tank):
    context.store.write(
        [reading("ph", 2, 6.8), reading("ph", 1, 13.0, Flag.IMPLAUSIBLE | Flag.LATE)]
    )
    assert len(client.get(URL).get_json()["readings"]) == 1
    flagged = client.get(f"{URL}?flagged=true").get_json()["readings"]
    assert [one["flags"] for one in flagged] == [[], ["implausible", "late"]]


def test_by_sensor(client, context, tank):
    context.store.write(
        [reading("ph", 1, 6.8), reading("ph", 1, 6.9, sensor="two"), reading("ph", 2, 6.9)]
    )
    found = client.get(f"{URL}?quantity=ph&sensor=two").get_json()["readings"]
    assert [one["value"] for one in found] == [6.9]
    assert client.get(f"{URL}?sensor=three").get_json()["readings"] == []


def test_sensors(client, context, tank):
    assert client.get("/v1/tanks/riffle/sensors").get_json() == {
        "tank": "riffle",
        "sensors": [],
        "count": 0,
        "most": 200,
        "refused": None,
        "next": None,
    }
    # one alone is a slip and changes no choice; three over ten minutes are a fault
    impossible = [reading("ph", ago, 12.9, Flag.IMPLAUSIBLE) for ago in (13, 7, 1)]
    context.store.write([reading("ph", 15, 6.9), impossible[-1]])
    context.store.write([reading("ph", 5, 6.9, sensor="two")])
    sensors = client.get("/v1/tanks/riffle/sensors").get_json()["sensors"]
    assert [one["believed"] for one in sensors] == [True, False]
    context.store.write(impossible)
    sensors = client.get("/v1/tanks/riffle/sensors").get_json()["sensors"]
    assert sensors == [
        {
            "quantity": "ph",
            "sensor": "one",
            "believed": False,
            "why": None,
            "last": {
                "time": "2025-06-04T11:59:00Z",
                "value": 12.9,
                "unit": "[pH]",
                "flags": ["implausible"],
            },
            "clock": None,
        },
        {
            "quantity": "ph",
            "sensor": "two",
            "believed": True,
            "why": "stand-in",
            "last": {
                "time": "2025-06-04T11:55:00Z",
                "value": 6.9,
                "unit": "[pH]",
                "flags": [],
            },
            "clock": None,
        },
    ]


@pytest.mark.parametrize(
    ("query", "parameter"),
    [
        ("quantity=salinity", "quantity"),
        ("start=yesterday", "start"),
        ("start=2025-06-04", "start"),
        ("start=2025-06-05T00:00:00Z", "start"),
        ("end=2025-06-04T00:00:00Z&start=2025-06-04T00:00:00Z", "start"),
        ("every=0s", "every"),
        ("every=1s&start=2020-01-01T00:00:00Z", "every"),
        ("aggregate=max", "aggregate"),
        ("every=1h&aggregate=median", "aggregate"),
        ("every=1h&flagged=true", "flagged"),
        ("flagged=maybe", "flagged"),
        ("limit=0", "limit"),
        ("limit=1e3", "limit"),
        ("from=now", "from"),
        ("limit=1&limit=2", "limit"),
    ],
)
def test_refusals(client, tank, query, parameter):
    body = problem_of(client.get(f"{URL}?{query}"), 422, "invalid-input")
    assert parameter in [error["parameter"] for error in body["errors"]]


def test_unknown_tank(client):
    problem_of(client.get("/v1/tanks/none/readings"), 404, "not-found")
    problem_of(client.get("/v1/tanks/none/sensors"), 404, "not-found")
