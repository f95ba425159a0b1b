"""Pictures over HTTP: with an entry or after it, to those who may see the tank, and no script."""

from __future__ import annotations

import io
import json

import pytest

from service.api.http.blueprint import PICTURES_BYTES
from service.api.resources.pictures.uploads import MOST_PARTS
from service.pictures import album
from service.pictures.intake import MOST_AT_ONCE
from service.registry.models.access import Scope
from tests.api.conftest import NOW, problem_of
from tests.api.scenes import put
from tests.pictures.samples import HOSTILE, exif, names, opened, picture, polyglot, read_here

URL = "/v1/tanks/riffle"
ENTRY = {"kind": "observation", "note": "new leaves"}


@pytest.fixture(autouse=True)
def _quick(monkeypatch):
    read_here(monkeypatch)


@pytest.fixture
def folder(tmp_path):
    return tmp_path / "album"


@pytest.fixture
def client(app):
    client = app.test_client()
    put(client)
    return client


def form(*pictures, entry=ENTRY, **more):
    files = [(io.BytesIO(one), f"{n}.jpg") for n, one in enumerate(pictures)]
    document = {} if entry is None else {"entry": json.dumps(entry)}
    return {"data": {**document, "picture": files, **more}, "content_type": "multipart/form-data"}


def test_an_entry_and_its_pictures_in_one_request(client):
    response = client.post(f"{URL}/pictures", **form(picture(exif=exif(6)), picture("WEBP")))
    assert response.status_code == 201, response.text
    entry = response.get_json()
    first, second = entry["pictures"]
    assert first == {
        "id": first["id"],
        "entry": entry["id"],
        "time": "2025-06-04T12:00:00Z",
        "kind": "observation",
        "width": 48,
        "height": 64,
        "bytes": first["bytes"],
        "address": f"{URL}/pictures/{first['id']}",
        "thumbnail": f"{URL}/pictures/{first['id']}/thumbnail",
    }
    assert client.get(response.headers["Location"]).get_json() == entry
    assert client.get(f"{URL}/log").get_json()["entries"] == [entry]
    listed = {"tank": "riffle", "pictures": [first, second], "next": None}
    assert client.get(f"{URL}/pictures").get_json() == listed
    assert len(client.get(f"{URL}/pictures?limit=1").get_json()["pictures"]) == 1
    assert client.get(f"{URL}/pictures?start=2025-06-05T00:00:00Z").get_json()["pictures"] == []
    actions = [(one.action, one.subject) for one in client_audit(client)]
    assert actions[0] == ("log.added", f"tanks/riffle/log/{entry['id']}")


def client_audit(client):
    return client.application.extensions["littoral"].registry.audit(limit=5)


def test_a_picture_is_served_as_nothing_else(client):
    (one,) = client.post(f"{URL}/pictures", **form(polyglot())).get_json()["pictures"]
    for address in (one["address"], one["thumbnail"]):
        response = client.get(address)
        assert response.status_code == 200 and response.mimetype == "image/jpeg"
        assert opened(response.data).size == (64, 48) and b"script" not in response.data
        headers = response.headers
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert headers["Content-Security-Policy"] == (
            "default-src 'none'; frame-ancestors 'none'; sandbox"
        )
        assert headers["Cache-Control"] == "private, no-cache"
        assert headers["Cross-Origin-Resource-Policy"] == "same-origin"
        again = client.get(address, headers={"If-None-Match": headers["ETag"]})
        assert again.status_code == 304 and not again.data


def test_added_to_an_entry_and_deleted_again(client, folder):
    entry = client.post(f"{URL}/log", json=ENTRY).get_json()
    assert entry["pictures"] == []
    address = f"{URL}/log/{entry['id']}/pictures"
    for _ in range(2):  # sent again, it is stored once
        response = client.post(address, **form(picture(), entry=None))
        assert response.status_code == 201, response.text
        (one,) = response.get_json()["pictures"]
    assert client.get(address).get_json() == response.get_json()
    assert client_audit(client)[0].action == "pictures.added"
    assert client.delete(one["address"]).status_code == 204
    assert client_audit(client)[0].action == "picture.deleted"
    problem_of(client.get(one["address"]), 404, "not-found")
    problem_of(client.delete(one["address"]), 404, "not-found")
    assert names(folder) == []


@pytest.mark.parametrize("what", ["entry", "tank"])
def test_deleted_with_what_it_belongs_to(client, folder, what):
    entry = client.post(f"{URL}/pictures", **form(picture())).get_json()
    assert len(names(folder)) == 2
    assert client.delete(URL if what == "tank" else f"{URL}/log/{entry['id']}").status_code == 204
    assert names(folder) == []


def test_sent_again_under_its_id_it_is_one_set(client, folder):
    sent = {**ENTRY, "id": "once"}
    first = client.post(f"{URL}/pictures", **form(picture(), picture("PNG"), entry=sent))
    again = client.post(f"{URL}/pictures", **form(picture(), picture("PNG"), entry=sent))
    assert first.get_json() == again.get_json() and again.status_code == 201
    other = client.post(f"{URL}/pictures", **form(picture("WEBP"), entry=sent))
    assert "other pictures" in problem_of(other, 409, "conflict")["detail"]
    assert len(names(folder)) == 4


def test_lost_and_damaged_files_are_said(client, folder):
    (one,) = client.post(f"{URL}/pictures", **form(picture())).get_json()["pictures"]
    whole, small = folder / f"{one['id']}.jpg", folder / f"{one['id']}.small.jpg"
    whole.write_bytes(b"x")
    small.unlink()
    assert "is damaged" in problem_of(client.get(one["address"]), 404, "not-found")["detail"]
    assert "is lost" in problem_of(client.get(one["thumbnail"]), 404, "not-found")["detail"]
    assert client.get(f"{URL}/log").get_json()["entries"][0]["pictures"] == [one]
    assert client.delete(one["address"]).status_code == 204


@pytest.mark.parametrize("what", ["SVG", "a bomb of pixels", "cut off", "animated WebP"])
def test_hostile_files_are_refused_and_nothing_is_stored(client, folder, monkeypatch, what):
    monkeypatch.undo()
    response = client.post(f"{URL}/pictures", **form(picture(), HOSTILE[what]))
    (error,) = problem_of(response, 422, "invalid-input")["errors"]
    assert error["pointer"] == "/picture/1" and "; allowed: " in error["detail"]
    assert client.get(f"{URL}/log").get_json()["entries"] == []
    assert names(folder) == []


@pytest.mark.parametrize(
    ("sent", "status", "words"),
    [
        (form(picture(), entry=None), 422, "has 0 parts 'entry'"),
        (form(picture(), title="x"), 422, "has a part 'title'"),
        (form(picture(), other=(io.BytesIO(b"x"), "x.jpg")), 422, "has a file 'other'"),
        (form(*[picture()] * (MOST_AT_ONCE + 1)), 422, "/picture is 7; allowed: up to 6 pictures"),
        (form(entry={"kind": "nonsense"}), 422, "/kind is 'nonsense'"),
        (form(**{f"x{n}": "y" for n in range(MOST_PARTS + 1)}), 422, "too many parts"),
        (form(note="x" * 1_100_000), 422, "or too long ones"),
        ({"data": b"--x\r\nno form at all", "content_type": "multipart/form-data"}, 422, "parts"),
        ({"data": b"", "content_type": "multipart/form-data; boundary=x"}, 422, "has 0 parts"),
    ],
)
def test_other_forms_are_refused(client, sent, status, words):
    response = client.post(f"{URL}/pictures", **sent)
    slug = "invalid-input" if status == 422 else "malformed-request"
    assert words in problem_of(response, status, slug)["detail"]


def test_a_photograph_alone_is_an_observation(client):
    bare = {"kind": "observation", "id": "seen"}
    for _ in range(2):
        entry = client.post(f"{URL}/pictures", **form(picture(), entry=bare)).get_json()
        assert (entry["note"], len(entry["pictures"])) == ("A photograph", 1)
    refused = client.post(f"{URL}/pictures", **form(entry=bare | {"id": "other"}))
    assert problem_of(refused, 422, "invalid-input")["errors"][0]["pointer"] == "/note"


def test_a_form_without_a_picture_is_an_entry(client):
    assert client.post(f"{URL}/pictures", **form()).get_json()["pictures"] == []
    entry = client.post(f"{URL}/log", json=ENTRY).get_json()
    response = client.post(f"{URL}/log/{entry['id']}/pictures", **form(entry=None))
    assert "/picture is 'nothing'" in problem_of(response, 422, "invalid-input")["detail"]


def test_bodies_are_limited_by_what_they_are(client):
    long = {"CONTENT_LENGTH": str(2 * 1024 * 1024)}
    problem_of(client.post(f"{URL}/log", json=ENTRY, environ_overrides=long), 413, "too-large")
    form_of = {"content_type": "multipart/form-data; boundary=x", "data": b""}
    longer = {"CONTENT_LENGTH": str(PICTURES_BYTES + 1)}
    sent = client.post(f"{URL}/pictures", **form_of, environ_overrides=longer)
    assert f"{PICTURES_BYTES} bytes" in problem_of(sent, 413, "too-large")["detail"]
    for other in ("/v1/absences", "/v1/calculate/co2"):
        sent = client.open(other, method="PUT", **form_of, environ_overrides=longer)
        assert sent.status_code in (405, 413)


def test_only_who_may_see_the_tank_sees_its_pictures(client, context):
    (one,) = client.post(f"{URL}/pictures", **form(picture())).get_json()["pictures"]
    _, reader = context.registry.create_token("reader", Scope.READ, NOW)
    for address in (one["address"], one["thumbnail"], f"{URL}/pictures"):
        problem_of(client.get(address), 401, "unauthorized")
        allowed = client.get(address, headers={"Authorization": f"Bearer {reader}"})
        assert allowed.status_code == 200
    reads = {"Authorization": f"Bearer {reader}"}
    problem_of(client.delete(one["address"], headers=reads), 403, "forbidden")
    entry = f"{URL}/log/{one['entry']}/pictures"
    problem_of(client.post(entry, **form(picture(), entry=None), headers=reads), 403, "forbidden")


def test_a_picture_belongs_to_one_tank(client):
    put(client, "pool")
    (one,) = client.post(f"{URL}/pictures", **form(picture())).get_json()["pictures"]
    problem_of(client.get(one["address"].replace("riffle", "pool")), 404, "not-found")
    problem_of(client.delete(one["address"].replace("riffle", "pool")), 404, "not-found")
    problem_of(client.get(f"/v1/tanks/pool/log/{one['entry']}/pictures"), 404, "not-found")
    for address in ("/v1/tanks/none/pictures", f"{URL}/log/none/pictures", f"{URL}/pictures/none"):
        problem_of(client.get(address), 404, "not-found")


def test_who_sends_too_many_at_once_is_to_come_again(client, monkeypatch):
    monkeypatch.setattr(album.Intake, "place", refusing)
    response = client.post(f"{URL}/pictures", **form(picture()))
    problem_of(response, 503, "too-many-uploads")
    assert response.headers["Retry-After"] == "10"


def refusing(_):
    from service.pictures.intake import TooManyUploadsError

    raise TooManyUploadsError
