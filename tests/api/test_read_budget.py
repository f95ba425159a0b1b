"""What one request may read is counted before it is read, whatever the question."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from service.api.context import install
from service.config import Config, HttpConfig
from service.store import Flag, Reading
from service.times import to_us
from tests.api.conftest import NOW, problem_of
from tests.api.scenes import put

TANK = "/v1/tanks/riffle"
MOST = 8000
DENSE = datetime(2024, 11, 2, tzinfo=UTC)


class Spy:
    """A store that adds up how many values it gave."""

    def __init__(self, store):
        self._store = store
        self.values = 0

    def __getattr__(self, name):
        return getattr(self._store, name)

    def read(self, *args, **options):
        found = self._store.read(*args, **options)
        self.values += len(found)
        return found

    def aggregate(self, *args, **options):
        found = self._store.aggregate(*args, **options)
        self.values += len(found)
        return found


@pytest.fixture
def spy(context, app):
    """Three days of readings each 25 seconds, long ago, and few since; a small budget."""
    start_us = to_us(DENSE)
    for sensor, flags in (("main", Flag.NONE), ("odd", Flag.STUCK)):
        context.store.write(
            [
                Reading("riffle", "ph", sensor, start_us + 25_000_000 * at, 6.8, flags)
                for at in range(3 * 3456)
            ]
        )
    context.store.write(
        [
            Reading("riffle", "temperature", "main", to_us(NOW) - 3_600_000_000 * at, 40.0)
            for at in range(24)
        ]
    )
    spied = replace(context, store=Spy(context.store))
    put_budget(app, spied, MOST)
    put(app.test_client())
    return spied.store


def put_budget(app, context, most):
    """Answer from now on with so many values for a request."""
    http = HttpConfig(values_per_request=most)
    install(app, replace(context, config=replace(Config(), http=http)))


def too_much(client, path):
    """The fault of a refused question; nearly nothing was read for it."""
    (fault,) = problem_of(client.get(f"{TANK}{path}"), 422, "invalid-input")["errors"]
    assert f"at most {MOST} values" in fault["detail"]
    return fault


def test_a_page_far_back_reads_little_more_than_it_gives(client, spy):
    url, seen = f"{TANK}/readings?start=1970-01-01T00:00:00Z&limit=1000", []
    while url and len(seen) < 3000:
        spy.values = 0
        page = client.get(url).get_json()
        assert spy.values < 6000  # a day of each series, and counts of days
        seen += [one["time"] for one in page["readings"]]
        url = page["next"]
    assert len(seen) == len(set(seen)) == 3000
    assert seen[0] == "2024-11-02T00:00:00Z"


def test_flagged_ones_are_paged_as_well(client, spy):
    page = client.get(
        f"{TANK}/readings?start=2024-10-01T00:00:00Z&limit=1000&flagged=true&sensor=odd"
    ).get_json()
    assert [len(page["readings"]), page["readings"][0]["time"]] == [1000, "2024-11-02T00:00:00Z"]
    assert spy.values < 6000


@pytest.mark.parametrize(
    "path",
    [
        "/readings?every=1s&start=2025-06-04T06:00:00Z",
        "/readings?every=P1DT0.5S&start=2024-10-01T00:00:00Z",
        "/co2/series?start=2024-11-01T00:00:00Z&end=2024-11-10T00:00:00Z",
        "/co2/series?every=P1DT0.5S&start=2024-10-01T00:00:00Z",
        "/temperature/excursions?start=1970-01-01T00:00:00Z",
    ],
)
def test_a_question_that_needs_too_many_values_is_refused_before_they_are_read(client, spy, path):
    fault = too_much(client, path)
    assert fault["parameter"] == "start"
    assert path.partition("start=")[2][:19] in fault["detail"]
    assert spy.values < MOST


def test_spans_count_for_each_series(client, spy):
    one = f"every=10s&start={(NOW - timedelta(hours=15)).isoformat().replace('+00:00', 'Z')}"
    assert client.get(f"{TANK}/readings?{one}&sensor=odd").status_code == 200
    too_much(client, f"/readings?{one}")


def test_a_day_alone_may_be_too_much(app, client, spy, context):
    put_budget(app, context, 500)
    answer = client.get(f"{TANK}/readings?start=2024-11-02T00:00:00Z&end=2024-11-03T00:00:00Z")
    (fault,) = problem_of(answer, 422, "invalid-input")["errors"]
    assert "at most 500 values" in fault["detail"]


def test_usual_questions_fit_into_the_usual_budget(app, client, spy, context):
    put_budget(app, context, HttpConfig().values_per_request)
    for path in (
        "/readings?start=2024-11-02T00:00:00Z&end=2024-11-12T00:00:00Z&limit=100000",
        "/readings?start=2024-06-04T00:00:00Z&every=1h",
        "/co2/series?start=2024-11-01T00:00:00Z&end=2024-12-02T00:00:00Z",
        "/temperature/excursions?start=2015-01-01T00:00:00Z",
    ):
        assert client.get(f"{TANK}{path}").status_code == 200
