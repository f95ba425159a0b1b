"""``littoral status``, asking the real application over real HTTP."""

from __future__ import annotations

import json
from datetime import UTC, datetime

from tests.api.scenes import day_of_readings, put
from tests.cli.conftest import refused


def comfortable(client, context, **members):
    tolerated = {"low": 20, "high": 28, "unit": "Cel"}
    put(client, animals=[{"species": "Invented", "temperature": tolerated}], **members)
    day_of_readings(context.store)


def test_in_order(littoral, client, context, url):
    comfortable(client, context)
    done = littoral("status", "riffle", "--url", url)
    assert done.code == 0, done.out
    lines = done.out.splitlines()
    assert lines[0] == "Invented tank (riffle): in order"
    assert lines[1].startswith("  CO2 21.4 mg/L (95 %: ")
    assert "within 20 to 30" in lines[1]
    assert lines[2].startswith("  temperature 25.0 °C, within 20 to 28")
    assert lines[3].startswith("  light 4.0 h today of 8 h")
    assert lines[4] == "  nothing to do"


def test_not_in_order(littoral, client, context, url, look):
    comfortable(client, context)
    day_of_readings(context.store, celsius=32.0)
    look()
    done = littoral("status", "riffle", "--url", url)
    assert done.code == 1
    assert "not in order" in done.out.splitlines()[0]
    assert "warm" in done.out
    answer = json.loads(littoral("status", "riffle", "--url", url, "--json").out)
    assert answer["in_order"] is False
    assert answer["why"]
    assert answer["temperature"]["temperature"] == {"value": 32.0, "unit": "Cel"}
    assert answer["co2"]["co2"]["unit"] == "mg/L"
    assert answer["recommendations"][0]["severity"] in ("warning", "urgent")


def test_what_is_not_known_is_not_in_order(littoral, client, context, url):
    put(client)
    bare = littoral("status", "riffle", "--url", url)
    assert bare.code == 1
    assert "! temperature is unknown" in bare.out
    day_of_readings(context.store, until=datetime(2025, 6, 4, 6, tzinfo=UTC))
    done = littoral("status", "riffle", "--url", url)
    assert done.code == 1
    assert "CO2 unknown" in done.out


def test_all_tanks_the_worst_first(littoral, client, context, url, look, monkeypatch):
    none = littoral("status", "--url", url)
    assert (none.code, none.out) == (1, "there is no tank yet\n"), "nothing is looked after"
    comfortable(client, context)
    put(client, "alder", animals=[], co2_injected=False)
    day_of_readings(context.store, "alder")
    calm = littoral("status", "--url", url)
    assert calm.code == 0, calm.out
    day_of_readings(context.store, celsius=32.0)
    look()
    done = littoral("status", "--url", url)
    assert done.code == 1
    assert "\x1b" not in done.out
    head, worst, other = done.out.splitlines()
    assert head.split() == ["tank", "CO2,", "mg/L", "last", "day", "°C", "last", "day", "to", "do"]
    assert worst.startswith("riffle  not in order  19.9 below   ")
    assert "32.0 above" in worst and "too warm" in worst and "▁" in worst
    assert other.startswith("alder   in order")
    answer = json.loads(littoral("status", "--json", "--url", url).out)
    assert [one["tank"] for one in answer["tanks"]] == ["riffle", "alder"]
    monkeypatch.setenv("FORCE_COLOR", "1")  # as on a terminal
    monkeypatch.setenv("COLUMNS", "70")
    narrow = littoral("status", "--url", url).out
    assert "\x1b[" in narrow
    assert "▁" not in narrow, "no room for curves"


def test_refusals(littoral, client, url):
    refused(littoral("status", "none", "--url", url), "'none'", "404")
    refused(littoral("status", "riffle", "--url", "http://127.0.0.1:9"), "no answer from")
    refused(littoral("status", "riffle", "--url", "nowhere"), "no answer from nowhere")
