"""Metrics as Prometheus takes them: its own linter, a real scrape, and the shipped rules.

Outside checks: promtool and prometheus of Debian's package.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import requests

from service.config import Config
from tests.integrations.conftest import Home, served
from tests.servers import Prometheus, program, wait_until

SHIPPED = Path(__file__).parents[3] / "docker" / "prometheus"


def promtool(*words: str, given: bytes = b"") -> tuple[int, str]:
    command = [program("promtool"), *words]
    done = subprocess.run(command, input=given, capture_output=True, timeout=60, cwd=SHIPPED)
    return done.returncode, (done.stdout + done.stderr).decode()


@pytest.fixture
def service(home: Home) -> Iterator[str]:
    """A server with the tank ``reed``, evaluated once, and all that it can measure; its address."""
    home.measure("reed", ppfd=80.0, conductivity=300.0, dissolved_oxygen=8.0)
    with served(home, Config()) as url:
        yield url


@pytest.mark.needs("promtool")
def test_promtool_has_nothing_to_say_about_the_metrics(service: str) -> None:
    text = requests.get(f"{service}/metrics", timeout=60).content
    assert b"littoral_dissolved_oxygen" in text and b"littoral_co2" in text
    assert promtool("check", "metrics", given=text) == (0, "")
    rules = (SHIPPED / "littoral.rules.yml").read_text()
    asked = set(re.findall(r"\blittoral_\w+", rules))
    assert asked - set(re.findall(r"^# TYPE (\w+)", text.decode(), re.MULTILINE)) == set()
    assert len(asked) > 6
    found, said = promtool("check", "metrics", given=b"# TYPE a_hours gauge\na_hours 1\n")
    assert found != 0 and "a_hours" in said


def test_the_shipped_rules_are_right_and_alert_when_they_should() -> None:
    checked, said = promtool("check", "config", "prometheus.yml")
    assert checked == 0, said
    assert "9 rules found" in said
    tested, said = promtool("test", "rules", "littoral.rules.test.yml")
    assert tested == 0, said


@pytest.mark.needs("prometheus")
def test_prometheus_scrapes_and_alerts(service: str, tmp_path: Path) -> None:
    shutil.copy(SHIPPED / "littoral.rules.yml", tmp_path)
    settings = (SHIPPED / "prometheus.yml").read_text().replace("30s", "1s")
    target = service.removeprefix("http://")
    (tmp_path / "prometheus.yml").write_text(settings.replace("127.0.0.1:8600", target))
    prometheus = Prometheus(tmp_path)
    prometheus.start()
    try:

        def asked(query: str) -> list[dict[str, Any]]:
            url = f"{prometheus.url}/api/v1/query"
            answer = requests.get(url, params={"query": query}, timeout=60).json()
            assert answer["status"] == "success", answer
            return list(answer["data"]["result"])

        def value(query: str) -> float:
            (found,) = asked(query)
            return float(found["value"][1])

        wait_until(lambda: bool(asked("littoral:last_reading_age:hours")))
        assert value('up{job="littoral"}') == 1
        # home: CO2 below its target of 20 to 30 mg/L, 24 °C
        assert 0.005 < value('littoral_co2_grams_per_liter{tank="reed"}') < 0.020
        assert value('littoral_temperature_celsius{tank="reed"}') == 24
        targets = requests.get(f"{prometheus.url}/api/v1/targets", timeout=60).json()
        (target_seen,) = targets["data"]["activeTargets"]
        assert (target_seen["health"], target_seen["lastError"]) == ("up", "")
        rules = requests.get(f"{prometheus.url}/api/v1/rules", timeout=60).json()
        (group,) = rules["data"]["groups"]
        assert {(one["health"], one.get("lastError", "")) for one in group["rules"]} == {("ok", "")}
    finally:
        prometheus.stop()
