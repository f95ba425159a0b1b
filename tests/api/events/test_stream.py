"""Events as a list and as a stream, over real HTTP by the real server."""

from __future__ import annotations

import json
import threading
import time
from dataclasses import replace
from datetime import timedelta

import pytest
import requests

from service.api.context import app_singleton
from service.api.events.stream import StreamTiming
from service.api.server import Server
from service.app.app_factory import create_app
from service.config import Config, HttpConfig
from service.errors import StoreUnavailableError
from service.registry.models.access import Scope
from service.registry.models.events import NewEvent
from service.store import Flag
from tests.api.conftest import NOW, problem_of
from tests.api.scenes import reading

STREAM = {"Accept": "text/event-stream"}
QUICK = StreamTiming(poll_s=0.05, heartbeat_s=0.2, lasts_s=20.0)


def tell(context, number=1, tank="riffle"):
    events = [
        NewEvent("recommendation.opened", f"r{one}", tank, NOW, {"title": "é\nline"})
        for one in range(number)
    ]
    context.registry.add_events(events)


@pytest.fixture
def serving(context):
    """A server with a quick timing: ``(url, stopping)``."""
    running = []

    def start(timing=QUICK, store=context.store, **limits):
        http = HttpConfig(port=0, **limits)
        parts = replace(context, store=store, config=Config(http=http), stopping=threading.Event())
        app = create_app(parts)
        with app.app_context():
            app_singleton(StreamTiming, lambda _: timing)
        server = Server(app, http)
        thread = threading.Thread(target=server.run, args=(parts.stopping,))
        thread.start()
        running.append((parts.stopping, thread))
        return f"http://127.0.0.1:{server.port}/v1/events", parts.stopping

    yield start
    for stopping, thread in running:
        stopping.set()
        thread.join()


def listen(url, headers=(), **options):
    return requests.get(
        url, headers=STREAM | dict(headers), params=options, stream=True, timeout=60
    )


def blocks(answer):
    """The parts of a stream, each a list of lines."""
    found = []
    for line in answer.iter_lines(chunk_size=1, decode_unicode=True):
        if line:
            found.append(line)
        elif found:
            yield found
            found = []


def test_list_in_parts(client, context):
    assert client.get("/v1/events").get_json() == {"events": [], "next": None}
    tell(context, 3)
    tell(context, 1, "pool")
    first = client.get("/v1/events?limit=2").get_json()
    assert [one["subject"] for one in first["events"]] == ["r0", "r1"]
    second = client.get(first["next"]).get_json()
    assert [one["tank"] for one in second["events"]] == ["riffle", "pool"]
    assert second["next"] is None
    (only,) = client.get("/v1/events?tank=pool").get_json()["events"]
    assert only["data"] == {"title": "é\nline"}
    assert only["time"] == "2025-06-04T12:00:00Z"
    assert client.get(f"/v1/events?after={2**53}").get_json()["events"] == []


@pytest.mark.parametrize(
    ("query", "said"),
    [("after=-1", "after"), ("tank=A", "tank"), ("limit=0", "limit"), ("x=1", "x")],
)
def test_refusals(client, query, said):
    body = problem_of(client.get(f"/v1/events?{query}"), 422, "invalid-input")
    assert said in body["detail"]


def test_a_wrong_last_event_id_is_named(client):
    headers = STREAM | {"Last-Event-ID": "seven"}
    body = problem_of(client.get("/v1/events", headers=headers), 422, "invalid-input")
    assert "Last-Event-ID is 'seven'" in body["detail"]


def heard(parts, number=1):
    """So many events of a stream as (id, type, data), without the opening and the heartbeats."""
    found = []
    for part in parts:
        fields = dict(line.split(": ", 1) for line in part if not line.startswith(":"))
        if fields.keys() <= {"retry"} or fields["event"] == "listening":
            continue
        found.append((fields.get("id"), fields["event"], json.loads(fields["data"])))
        if len(found) == number:
            return found
    pytest.fail(f"the stream ended after {found}")


def test_stream_tells_what_comes_and_nothing_twice(serving, context):
    url, _ = serving()
    tell(context)
    with listen(url) as answer:
        assert answer.headers["Content-Type"].startswith("text/event-stream")
        assert answer.headers["Cache-Control"] == "no-store"
        parts = blocks(answer)
        assert next(parts) == ["retry: 3000"]
        assert next(parts) == ["id: 1", "event: listening", 'data: {"sequence": 1}']
        tell(context)
        first = next(part for part in parts if not part[0].startswith(":"))
        assert first[:2] == ["id: 2", "event: recommendation.opened"]
        assert json.loads(first[2].removeprefix("data: "))["data"] == {"title": "é\nline"}
        assert next(parts) == [": still here"]
    tell(context, 2)
    with listen(url, {"Last-Event-ID": "2"}) as answer:
        assert [id for id, *_ in heard(blocks(answer), 2)] == ["3", "4"]
    with listen(url, after=3, tank="riffle") as answer:
        assert [id for id, *_ in heard(blocks(answer))] == ["4"]


def test_stream_tells_readings_as_they_come(serving, context):
    url, _ = serving()
    context.store.write([reading("ph", 2, 6.8), reading("ph", 2, 7.0, tank="pool")])
    with listen(url, readings="true", tank="riffle") as answer:
        parts = blocks(answer)
        ((id, type, first),) = heard(parts)
        assert (id, type) == (None, "reading"), "readings have no place in the order of events"
        assert first == {
            "tank": "riffle", "time": "2025-06-04T11:58:00Z", "quantity": "ph", "sensor": "one",
            "value": 6.8, "unit": "[pH]", "flags": [],
        }  # fmt: skip
        context.store.write([reading("ph", 1, 6.9, tank="pool"), reading("ph", 1, 6.9)])
        assert heard(parts)[0][2]["value"] == 6.9
        context.store.write([reading("ph", 1, 6.9, flags=Flag.SPIKE)])  # doubted later
        assert heard(parts)[0][2]["flags"] == ["spike"]
        tell(context)
        assert heard(parts)[0][:2] == ("1", "recommendation.opened")
    with listen(url) as answer:
        parts = blocks(answer)
        context.store.write([reading("ph", 0, 6.7)])
        tell(context)
        assert heard(parts)[0][1] == "recommendation.opened", "readings only where asked for"


class AwayStore:
    """A store that does not answer."""

    def series(self):
        raise StoreUnavailableError("the store has gone out")


def test_stream_says_that_the_store_is_away_and_goes_on(serving, context):
    url, _ = serving(store=AwayStore())
    with listen(url, readings="true") as answer:
        parts = blocks(answer)
        assert heard(parts) == [(None, "trouble", {"detail": "the store has gone out"})]
        tell(context)
        assert heard(parts)[0][1] == "recommendation.opened"


def test_listeners_take_no_thread_from_others_and_places_are_given_back(serving):
    url, _ = serving(threads=1, listeners=2)
    first, second = listen(url), listen(url)
    refused = requests.get(url, headers=STREAM, timeout=60)
    assert refused.status_code == 503
    assert refused.json()["type"] == "/problems/busy"
    assert "allowed: 2 (http.listeners)" in refused.json()["detail"]
    assert refused.headers["Retry-After"] == "30"
    assert requests.get(url, timeout=60).json()["events"] == []
    first.close()
    end = time.monotonic() + 20
    while (again := listen(url)).status_code == 503 and time.monotonic() < end:
        time.sleep(0.1)
    assert again.status_code == 200
    again.close()
    second.close()


def test_streams_end_by_themselves_and_with_the_service(serving):
    url, _ = serving(timing=replace(QUICK, lasts_s=0.3))
    assert listen(url).text.startswith("retry: 3000")
    url, stopping = serving()
    with listen(url) as answer:
        parts = blocks(answer)
        assert [next(parts)[0] for _ in range(2)] == ["retry: 3000", "id: 0"]
        stopping.set()
        assert all(part == [": still here"] for part in parts)


def test_silence_is_broken_only_as_often_as_the_timing_says(serving):
    often, _ = serving(timing=replace(QUICK, heartbeat_s=0.1, lasts_s=1.0))
    seldom, _ = serving(timing=replace(QUICK, heartbeat_s=30.0, lasts_s=1.0))
    assert ": still here" in listen(often).text
    assert ": still here" not in listen(seldom).text


def test_a_stream_ends_with_the_session_it_was_begun_in(serving, context):
    url, _ = serving(replace(QUICK, lasts_s=3600.0))  # it does not end by itself
    _, secret = context.registry.create_token("x", Scope.READ, NOW)
    visitor, base = requests.Session(), url.partition("/v1/")[0]
    form = visitor.get(f"{base}/login", timeout=60).text.split('name="csrf_token" value="')[1]
    data = {"secret": secret, "csrf_token": form.split('"')[0]}
    assert visitor.post(f"{base}/login", data=data, timeout=60).status_code == 200
    (session,) = context.registry.login_sessions()
    with visitor.get(url, headers=STREAM, stream=True, timeout=60) as answer:
        parts = blocks(answer)
        next(parts)
        context.registry.end_session(session.id, NOW)
        assert all(part[0].startswith((": ", "id: 0")) for part in parts)
    assert visitor.get(url, headers=STREAM, timeout=60).status_code == 401


def test_a_stream_ends_with_the_token_it_was_begun_with(serving, context):
    url, _ = serving()
    before, (token, secret) = listen(url), context.registry.create_token("x", Scope.READ, NOW)
    assert "event" not in before.text.split("listening", 1)[1], "this machine alone sufficed"
    with listen(url, {"Authorization": f"Bearer {secret}"}) as answer:
        parts = blocks(answer)
        next(parts)
        context.registry.revoke_token(token.id, NOW + timedelta(minutes=1))
        assert all(part[0].startswith((": ", "id: 0")) for part in parts)
    assert listen(url, {"Authorization": f"Bearer {secret}"}).status_code == 401
