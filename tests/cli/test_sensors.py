"""``littoral route``: routes by command."""

from __future__ import annotations

import json

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
