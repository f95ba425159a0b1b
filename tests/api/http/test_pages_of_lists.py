"""Lists that grow come a page at a time: each item once, in one order, whatever comes between."""

from __future__ import annotations

import io
from datetime import timedelta

import pytest

from service.advice.engine.history.ledger import STORED_FOR, Ledger
from service.advice.engine.recommendation import Evidence, Finding, Severity
from service.client import Client
from service.registry.models.ingest import Rejection
from service.registry.models.log import LogKind
from service.registry.models.recommendations import State
from service.registry.models.trial_state import TrialState
from service.registry.models.trials import Trial
from tests.api.conftest import NOW, problem_of
from tests.api.scenes import put
from tests.pictures.samples import picture, read_here

HOUR = timedelta(hours=1)


def walk(client, address, member, between=lambda: None):
    """The items of all pages, and how many each has; something may happen after the first."""
    items, sizes = [], []
    while address:
        page = client.get(address).get_json()
        items += page[member]
        sizes.append(len(page[member]))
        address = page["next"]
        if len(sizes) == 1:
            between()
    return items, sizes


def rejection(number, tank="riffle"):
    return Rejection(NOW, f"shed/{number}", "soon", "not-a-number", "no number", "own", tank)


def test_rejections(client, context):
    add = context.registry.add_rejections
    add([rejection(number) for number in range(5)])
    add([rejection(9, tank="pool")])

    def more():
        add([rejection(5)])

    items, sizes = walk(client, "/v1/rejections?tank=riffle&limit=2", "rejections", more)
    assert [one["topic"] for one in items] == [f"shed/{number}" for number in (4, 3, 2, 1, 0)]
    assert sizes == [2, 2, 1]
    problem_of(client.get("/v1/rejections?before=soon"), 422, "invalid-input")


def finding(number, severity, due=None):
    words = f"Invented {number}"
    return Finding(f"rule-{number}", severity, words, f"{words}.", (Evidence("seen"),), due=due)


@pytest.mark.parametrize("path", ["/v1/recommendations", "/v1/tanks/riffle/recommendations"])
def test_recommendations(client, context, path):
    put(client)
    ledger = Ledger(context.registry)
    given = [
        finding(0, Severity.INFO),
        finding(1, Severity.URGENT),
        finding(2, Severity.ADVICE, NOW + 3 * HOUR),
        finding(3, Severity.ADVICE, NOW + 2.5 * HOUR),
        finding(4, Severity.ADVICE),
        finding(5, Severity.URGENT, NOW + HOUR),
    ]
    for one in given:
        ledger.note(["riffle"], one, NOW)
    in_order = [one.id for one in ledger.list("riffle")]
    assert [id.split("-")[1] for id in in_order] == ["5", "1", "3", "2", "4", "0"]

    def mark():  # the last one that was shown, and one that is still to come
        for id in (in_order[1], in_order[3]):
            assert client.post(f"/v1/recommendations/{id}/dismiss").status_code == 200

    items, sizes = walk(client, f"{path}?limit=2", "recommendations", mark)
    assert [one["id"] for one in items] == [*in_order[:3], *in_order[4:]]
    assert sizes == [2, 2, 1]
    items, _ = walk(client, f"{path}?limit=4&state=any", "recommendations")
    assert [one["id"] for one in items] == in_order
    problem = problem_of(client.get(f"{path}?after=unknown"), 422, "invalid-input")
    assert "as `next` has it" in problem["detail"]


@pytest.mark.parametrize("severity", [Severity.INFO, Severity.URGENT])
def test_the_last_recommendation_shown_becomes_more_or_less_urgent(client, context, severity):
    """The next part goes on where the first one ended, not at the place it has now."""
    put(client)
    ledger = Ledger(context.registry)
    for number in range(6):
        at = NOW + (number - 6) * HOUR
        ledger.note(["riffle"], finding(number, Severity.ADVICE), at)
    in_order = [one.id for one in ledger.list("riffle")]

    def change():
        ledger.note(["riffle"], finding(2, severity), NOW)

    items, _ = walk(client, "/v1/recommendations?limit=3", "recommendations", change)
    found = [one["id"] for one in items]
    assert found[:3] == in_order[:3]
    later = [in_order[2]] if severity is Severity.INFO else []
    assert found[3:] == in_order[3:] + later


def test_the_last_recommendation_shown_is_pruned(client, context):
    put(client)
    ledger = Ledger(context.registry)
    old, new = NOW - STORED_FOR - HOUR, NOW - HOUR
    for number, at in enumerate((old, new, new)):
        ledger.note(["riffle"], finding(number, Severity.ADVICE), at)
    in_order = [one.id for one in ledger.list("riffle")]
    ledger.mark(in_order[0], State.DISMISSED, now=old)
    path = "/v1/recommendations?limit=1&state=any"
    items, _ = walk(client, path, "recommendations", lambda: ledger.prune(NOW))
    assert [one["id"] for one in items] == in_order


def test_trials(client, context):
    put(client)
    for number, begun in enumerate((NOW, NOW, NOW - HOUR, NOW + HOUR, NOW)):
        made = Trial("", "riffle", f"Invented {number}", begun, NOW + 240 * HOUR, ("dli",))
        context.registry.add_trial(made)
    in_order = [one.id for one in context.registry.trials("riffle")]
    url = "/v1/tanks/riffle/trials"
    items, sizes = walk(client, f"{url}?limit=2", "trials")
    assert [one["id"] for one in items] == in_order
    assert sizes == [2, 2, 1]
    assert walk(client, f"{url}?limit=2&state={TrialState.JUDGED}", "trials") == ([], [0])
    problem_of(client.get(f"{url}?after=unknown"), 422, "invalid-input")

    def delete():
        context.registry.delete_trial("riffle", in_order[1])

    items, sizes = walk(client, f"{url}?limit=2", "trials", delete)
    assert [one["id"] for one in items] == in_order


def test_pictures(client, context, monkeypatch):
    read_here(monkeypatch)
    put(client)
    url = "/v1/tanks/riffle"
    for hours in (2, 0, 2):  # two entries of one moment
        at = NOW - hours * HOUR
        entry = context.registry.add_log("riffle", LogKind.TRIM, at, recorded=NOW)
        files = [(io.BytesIO(picture(size=(40 + n, 40 + hours))), f"{n}.jpg") for n in range(2)]
        sent = client.post(
            f"{url}/log/{entry.id}/pictures",
            data={"picture": files},
            content_type="multipart/form-data",
        )
        assert sent.status_code == 201, sent.text
    in_order = [one.id for one in context.registry.pictures("riffle")]
    assert len(in_order) == 6
    items, sizes = walk(client, f"{url}/pictures?limit=4", "pictures")
    assert [one["id"] for one in items] == in_order
    assert sizes == [4, 2]
    items, sizes = walk(client, f"{url}/pictures?limit=1&end=2025-06-04T12:00:00Z", "pictures")
    assert [one["id"] for one in items] == in_order[2:]
    assert sizes == [1, 1, 1, 1]
    problem_of(client.get(f"{url}/pictures?after=unknown"), 422, "invalid-input")

    def delete():
        assert client.delete(f"{url}/pictures/{in_order[2]}").status_code == 204

    items, sizes = walk(client, f"{url}/pictures?limit=3", "pictures", delete)
    assert [one["id"] for one in items] == in_order


def test_the_client_follows_them(requests_mock):
    """All parts of a list, not only the first."""
    here = "http://127.0.0.1:8600"
    first = {"tank": "riffle", "trials": [], "pictures": [], "recommendations": []}
    for path in ("tanks/riffle/trials", "tanks/riffle/pictures", "recommendations"):
        requests_mock.get(f"{here}/v1/{path}", json=first | {"next": "/v1/rest?after=x"})
    rest = requests_mock.get(f"{here}/v1/rest?after=x", json=first | {"next": None})
    client = Client()
    assert client.trials("riffle") == client.recommendations() == []
    assert list(client.pictures("riffle")) == []
    assert rest.call_count == 3
