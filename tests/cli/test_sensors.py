"""``littoral route``: routes by command."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta

from service.api.context import install
from service.clock import FixedClock
from service.store import Reading, SeriesKey
from service.times import to_us
from tests.api.conftest import NOW
from tests.api.scenes import put
from tests.cli.conftest import refused


def test_a_route_is_made_listed_and_deleted(littoral, url, client):
    put(client)
    assert "needs none" in littoral("route", "list", "--url", url).out
    made = littoral(
        *("route", "add", "yard/box", "--tank", "riffle", "--quantity", "ph"),
        *("--path", "water.ph", "--url", url, "--json"),
    )
    route = json.loads(made.out)
    assert route["route"]["path"] == "water.ph"
    listed = littoral("route", "list", "--url", url).out
    assert listed == f"{route['id']}  yard/box -> riffle ph (path water.ph)\n"
    again = littoral("route", "add", "yard/b", "--tank", "riffle", "--quantity", "ph", "--url", url)
    refused(again, "give this one another sensor")
    refused(littoral("route", "add", "yard/b", "--quantity", "ph", "--url", url), "names no tank")
    assert littoral("route", "delete", route["id"], "--url", url).out.startswith("Deleted: ")
    assert "needs none" in littoral("route", "list", "--url", url).out
    refused(littoral("route", "delete", route["id"], "--url", url), "the id of a route")


def test_a_calibration_is_listed_and_undone(littoral, url, client, context):
    put(client)
    data = {"quantity": "ph", "points": [{"reading": 6.9, "reference": 7.0}]}
    client.post("/v1/tanks/riffle/log", json={"kind": "calibration", "id": "wrong", "data": data})
    time_us = to_us(NOW) + 1
    context.store.write([Reading("riffle", "ph", "main", time_us, 6.7, raw=6.6)])
    install_later = FixedClock(NOW + timedelta(minutes=1))
    install(client.application, replace(context, clock=install_later))
    listed = littoral("calibration", "list", "riffle", "--url", url).out
    assert listed.startswith("wrong  ")
    assert "6.9" in listed
    done = littoral("calibration", "undo", "riffle", "wrong", "--url", url)
    assert done.out == "Undone: 1 readings since, 1 changed.\n"
    assert context.store.latest(SeriesKey("riffle", "ph", "main")).value == 6.6
    refused(littoral("calibration", "undo", "riffle", "wrong", "--url", url), "in the log")
    assert "no calibration" in littoral("calibration", "list", "riffle", "--url", url).out
