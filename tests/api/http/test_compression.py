"""What is sent compressed, and how long browsers keep the files of the pages."""

from __future__ import annotations

import gzip
import re

import pytest

from tests.api.scenes import TANK, put

GZIP = {"Accept-Encoding": "gzip"}


def test_pages_and_json_are_gzipped_to_whoever_takes_it(client):
    put(client)
    for path in ("/tanks/riffle", "/openapi.json"):
        plain, short = client.get(path), client.get(path, headers=GZIP)
        assert "Content-Encoding" not in plain.headers, path
        assert short.headers["Content-Encoding"] == "gzip", path
        assert "Accept-Encoding" in short.headers["Vary"], path
        assert int(short.headers["Content-Length"]) < len(plain.data) / 2, path
        if path == "/openapi.json":
            assert gzip.decompress(short.data) == plain.data
    refused = client.get("/tanks/riffle", headers={"Accept-Encoding": "gzip;q=0, br"})
    assert "Content-Encoding" not in refused.headers


@pytest.mark.parametrize("path", ["/v1/tanks/riffle", "/healthz"])
def test_what_has_a_tag_or_is_short_stays_as_it_is(client, path):
    put(client)
    assert client.get(path).data == client.get(path, headers=GZIP).data
    assert "Content-Encoding" not in client.get(path, headers=GZIP).headers
    assert TANK["name"]


def test_files_are_kept_for_good_at_the_address_with_their_hash(client):
    page = client.get("/docs").get_data(as_text=True)
    for address in re.findall(r'(?:href|src)="(/pages/static/[^"]+)"', page):
        assert re.match(r"/pages/static/[0-9a-f]{12}/", address)
        answer = client.get(address, headers=GZIP)
        assert answer.headers["Cache-Control"] == "public, max-age=31536000, immutable"
    (style,) = re.findall(r'href="(/pages/static/\w+/littoral.css)"', page)
    answer = client.get(style, headers=GZIP)
    assert gzip.decompress(answer.data) == client.get(style).data
    assert answer.headers["ETag"].startswith('W/"')
    again = client.get(style, headers={**GZIP, "If-None-Match": answer.headers["ETag"]})
    assert again.status_code == 304


def test_files_at_the_address_without_a_hash_are_asked_for_again(client):
    answer = client.get("/pages/static/littoral.css")
    assert answer.status_code == 200
    assert answer.headers["Cache-Control"] == "no-cache"
    assert client.get("/pages/static/000000000000/littoral.css").status_code == 404
