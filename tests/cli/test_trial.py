"""``littoral trial``: begun, listed, shown, ended; a length of time or a day to look again."""

from __future__ import annotations

import json

from tests.api.scenes import put
from tests.cli.conftest import refused


def test_a_trial_by_the_command_line(littoral, url, client):
    put(client)
    client.patch("/v1/tanks/riffle", json={"gas": {"start": "07:30", "end": "17:00"}})
    words = ("begin", "riffle", "CO2 30 min earlier", "--watch", "co2-at-lights-on")
    begun = littoral("trial", *words, "--look-again", "14d", "--url", url)
    assert begun.code == 0, begun.err
    first, second = begun.out.splitlines()
    assert "running" in first and first.endswith("CO2 30 min earlier")
    assert second.startswith("The change: Adjustment, gas times")
    listed = littoral("trial", "list", "riffle", "--json", "--url", url)
    [one] = json.loads(listed.out)["trials"]
    shown = littoral("trial", "show", "riffle", one["id"], "--url", url)
    assert "So far:" in shown.out
    assert "too little to say" in shown.out
    ended = littoral("trial", "end", "riffle", one["id"], "--reason", "too early", "--url", url)
    assert "Why it ended: too early" in ended.out
    assert "dli" in littoral("trial", "watchable", "riffle", "--url", url).out
    deleted = littoral("trial", "delete", "riffle", one["id"], "--url", url)
    assert deleted.out == f"Trial {one['id']} is deleted.\n"
    by_day = (*words, "--look-again", "2025-06-20", "--json", "--url", url)
    assert json.loads(littoral("trial", *by_day).out)["look_again"].startswith("2025-06-20T")


def test_what_cannot_be_watched_is_refused(littoral, url, client):
    put(client)
    words = ("begin", "riffle", "?", "--url", url, "--watch")
    refused(littoral("trial", *words, "mood"), "mood", "co2-at-lights-on")
    refused(littoral("trial", *words, "dli", "--look-again", "soon"), "soon", "such as 14d, a day")
