"""``littoral watch``, following the events of the real application over real HTTP."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from contextlib import contextmanager

import pytest

from tests.api.scenes import day_of_readings, put
from tests.cli.conftest import ROOT, refused
from tests.over_http import served

COMFORT = [{"species": "Invented", "temperature": {"low": 20, "high": 28, "unit": "Cel"}}]
PATIENCE_S = 40


@pytest.fixture
def calm(client, context):
    put(client, animals=COMFORT)
    day_of_readings(context.store)


@contextmanager
def watching(*arguments):
    """A ``littoral watch`` as a process; ``line()`` waits for its next line."""
    child = subprocess.Popen(
        [sys.executable, "-m", "service", "watch", *arguments],
        cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    guard = threading.Timer(PATIENCE_S, child.kill)
    guard.start()
    try:
        yield child
    finally:
        guard.cancel()
        child.kill()
        child.communicate()


def test_a_change_is_printed_as_it_happens(url, calm, context, look):
    with watching("--every", "0.1", "--url", url) as child:
        first = child.stdout.readline()
        assert first.startswith("riffle: in order; CO2 21.4 mg/L"), first
        day_of_readings(context.store, celsius=32.0)
        assert "temperature 32.0 °C, above 20 to 28" in child.stdout.readline()
        look()
        told = child.stdout.readline()
        assert told.startswith("4 Jun 2025 12:00 riffle: opened: "), told
        assert "too warm" in told


def test_json_has_an_object_on_each_line(url, calm, context, look):
    with watching("riffle", "--json", "--every", "0.1", "--url", url) as child:
        first = json.loads(child.stdout.readline())
        assert (first["type"], first["tank"]) == ("status", "riffle")
        assert first["status"]["in_order"] is True
        day_of_readings(context.store, celsius=32.0)
        second = json.loads(child.stdout.readline())
        assert second["status"]["temperature"]["temperature"]["value"] == 32.0
        look()
        told = json.loads(child.stdout.readline())
        assert told["type"] == "recommendation.opened"
        assert "too warm" in told["data"]["title"]


@pytest.mark.slow
def test_a_lost_connection_is_said_and_found_again(app, context, calm):
    with served(app, context) as address:
        port = int(address.rpartition(":")[2])
        child = watching("--every", "0.1", "--url", address)
        running = child.__enter__()
        assert running.stdout.readline().startswith("riffle: in order")
    assert "trying again" in running.stderr.readline()
    day_of_readings(context.store, celsius=27.0)
    with served(app, context, port):
        assert running.stderr.readline() == f"littoral watch: {address} connected again\n"
        assert "temperature 27.0 °C" in running.stdout.readline()
        child.__exit__(None, None, None)


def test_on_a_terminal_it_is_a_table(littoral, url, calm, monkeypatch):
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setenv("COLUMNS", "140")
    done = littoral("watch", "--count", "1", "--url", url)
    assert done.code == 0
    assert "CO2, mg/L" in done.out and "in order" in done.out
    assert f"live from {url}" in done.out


def test_refusals(littoral, url, calm):
    refused(littoral("watch", "none", "--url", url), "'none'", "404")
    refused(littoral("watch", "--url", "http://127.0.0.1:9"), "no answer from")


def test_nothing_to_watch(littoral, url):
    refused(littoral("watch", "--url", url), "no tank yet")
