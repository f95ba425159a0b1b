"""What ``littoral demo --check`` asks of the advice: over HTTP, and at the broker."""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import Any

from demo.asking import POLL_S, Bench, require
from demo.listening import retained
from demo.tanks import emberpane, lateleaf, quillwater
from service.advice.rules.sensors.silent import CODE as SILENT

ADVICE_TIMEOUT_S = 60.0
WARNINGS = ("warning", "urgent")


def recommendations(bench: Bench) -> Iterator[str]:
    expected = {
        quillwater.ID: set(),
        lateleaf.ID: {"gas-late", "water-change-after-work"},
        emberpane.ID: {"temperature-out"},
    }
    for one in bench.scenario.tanks:
        found = _advice(bench, one.tank.id, expected[one.tank.id])
        if not found:
            yield f"{one.tank.name}: nothing to do"
        for each in found:
            yield f"{one.tank.name}: {each['severity']}: {each['title']}"
        missing = expected[one.tank.id] - {each["code"] for each in found}
        require(not missing, f"{one.tank.id} lacks the advice {', '.join(sorted(missing))}")
        loud = [each["title"] for each in found if each["severity"] in WARNINGS]
        if one.tank.id == quillwater.ID:
            require(not loud, f"the healthy tank has a warning: {'; '.join(loud)}")
        for each in found:
            if each["code"] == "water-change-after-work":
                litres = [a["value"] for a in each["amounts"] if a["unit"] == "L"]
                require(bool(litres) and litres[0] > 0, "the water change has no litres")


def _advice(bench: Bench, tank: str, expected: set[str]) -> list[dict[str, Any]]:
    """The open recommendations; waits until the expected ones are there and no sensor is silent.

    No board of the demo falls silent for as long as the rule waits. But a minute of the demo is a
    second: a computer that is busy elsewhere for half a minute silences all boards meanwhile.
    """
    end = time.monotonic() + ADVICE_TIMEOUT_S
    while True:
        answer = bench.client.get(f"/v1/tanks/{tank}/recommendations")
        found: list[dict[str, Any]] = answer["recommendations"]
        codes = {each["code"] for each in found}
        if (expected <= codes and SILENT not in codes) or time.monotonic() > end:
            return found
        time.sleep(POLL_S)


def retained_advice(bench: Bench) -> Iterator[str]:
    topic = f"littoral/{lateleaf.ID}/advice/gas-late"
    found = retained(bench.mqtt_port, topic, ADVICE_TIMEOUT_S)
    require(found is not None, f"the broker keeps nothing on {topic}")
    yield f"{topic}: {found['title']}"
    require(found["tank"] == lateleaf.ID, f"it is about {found['tank']}")
