"""``littoral advice``, asking the real application over real HTTP."""

from __future__ import annotations

import json

import pytest

from tests.api.scenes import day_of_readings, put
from tests.cli.conftest import process, refused


@pytest.fixture
def warm(client, context, look):
    tolerated = {"low": 18, "high": 22, "unit": "Cel"}
    put(client, animals=[{"species": "Invented", "temperature": tolerated}])
    day_of_readings(context.store)
    look()


def advice(littoral, url, *more):
    return littoral("advice", *more, "--url", url)


def test_advice_is_listed_and_marked(littoral, url, warm):
    listed = advice(littoral, url, "riffle")
    assert listed.code == 0
    assert listed.out.startswith("riffle: ")
    found = json.loads(advice(littoral, url, "--json").out)["recommendations"]
    first, second = [one["id"] for one in found][:2]
    assert f"id {first}" in listed.out
    assert advice(littoral, url, "--done", first).out.endswith(": now done\n")
    assert advice(littoral, url, "--snooze", second, "--length", "2d").out.endswith(
        ": now snoozed\n"
    )
    dismissed = advice(littoral, url, "--dismiss", second, "--json")
    assert json.loads(dismissed.out)["state"] == "dismissed"
    left = [one["id"] for one in json.loads(advice(littoral, url, "--json").out)["recommendations"]]
    assert not {first, second} & set(left)


def test_advice_refusals(littoral, url, warm):
    refused(advice(littoral, url, "none"), "'none'")
    refused(advice(littoral, url, "--done", "none"), "none", "404")
    refused(advice(littoral, url, "--done", "a", "--dismiss", "b"), "exclude")
    refused(advice(littoral, url, "--done", "a", "--length", "2d"), "--snooze")
    refused(advice(littoral, url, "riffle", "--done", "a"), "ID")
    refused(advice(littoral, url, "--snooze", "a", "--until", "soon"), "'soon'", "2026-05-01T18:00")


def test_as_processes(url, warm):
    assert "riffle" in process("advice", "--url", url).out
    assert "logged" in process("log", "trim", "riffle", "--url", url).out
    assert process("status", "riffle", "--url", url).code == 1


def test_done_sends_the_number_that_is_asked_for(littoral, client, context, url, look):
    put(client, kh_tested="2025-05-01")
    day_of_readings(context.store)
    look()
    found = json.loads(littoral("advice", "riffle", "--url", url, "--json").out)
    (test,) = [one for one in found["recommendations"] if one["code"] == "kh-test-due"]
    refused(littoral("advice", "--done", test["id"], "--url", url), "kh is missing")
    refused(littoral("advice", "--done", test["id"], "--value", "much", "--url", url), "much")
    refused(littoral("advice", "--value", "4", "--url", url), "--value belongs to --done")
    done = littoral("advice", "--done", test["id"], "--value", "4.5 dKH", "--url", url)
    assert (done.code, done.out) == (0, "riffle: Test KH: now done\n")
    (entry,) = client.get("/v1/tanks/riffle/log").get_json()["entries"]
    assert entry["data"]["kh"]["display"] == {"value": 4.5, "unit": "dKH"}
