"""``littoral share``, over real HTTP."""

from __future__ import annotations

import json
import re

import requests

from service.client import Client
from tests.api.test_handover import AWAY, away  # noqa: F401 - fixtures used here too
from tests.cli.conftest import refused


def share(littoral, url, *more):
    return littoral("share", *more, "--url", url)


def test_share_is_made_listed_and_revoked(littoral, url, away):  # noqa: F811
    made = share(littoral, url, "riffle", "--days", "10", "--name", "the neighbour")
    assert made.code == 0, made.err
    address = made.out.strip()
    secret = address.rsplit("/", 1)[1]
    assert address == f"{url}/shared/{secret}"
    assert secret not in made.err and "until 14 Jun 2025 14:00" in made.err
    sheet = requests.get(address, headers={"Accept": "application/json"}, timeout=60).json()
    assert [one["tank"] for one in sheet["tanks"]] == ["riffle"]
    second = json.loads(share(littoral, url, "riffle", "--json").out)
    assert second["end"] == AWAY["end"] and second["url"].endswith(second["secret"])
    listed = share(littoral, url, "--list")
    assert "valid" in listed.out and "the neighbour" in listed.out and secret not in listed.out
    found = json.loads(share(littoral, url, "--list", "riffle", "--json").out)["shares"]
    assert len(found) == 2 and "secret" not in found[0]
    assert "is revoked" in share(littoral, url, "--revoke", secret.split("_")[1]).out
    assert json.loads(share(littoral, url, "--revoke", second["id"], "--json").out)["revoked"]
    assert requests.get(address, timeout=60).status_code == 410
    assert [one.state for one in Client(url).sharing_links("riffle")] == ["revoked", "revoked"]


def test_a_link_that_takes_reports(littoral, url, away):  # noqa: F811
    """Chosen on the command line; its QR code is printed beside it where it is asked for."""
    refused(share(littoral, url, "riffle", "--days", "3", "--may-report"), "logged under this name")
    made = share(littoral, url, "riffle", "--days", "3", "--may-report", "--name", "Ada", "--qr")
    assert made.code == 0, made.err
    assert "and takes reports by Ada" in made.err
    assert made.out.strip().startswith(f"{url}/shared/") and len(made.out.splitlines()) == 1
    assert made.err.count("█") > 100
    plain = share(littoral, url, "riffle", "--days", "3")
    assert "█" not in plain.err and "takes reports" not in plain.err
    listed = share(littoral, url, "--list").out
    assert re.search(r"valid +reports .* Ada", listed) and re.search(r"valid +reads ", listed)
    found = json.loads(share(littoral, url, "--list", "--json").out)["shares"]
    assert sorted((one["may_report"], one["name"]) for one in found) == [(False, ""), (True, "Ada")]


def test_share_refusals(littoral, url, away):  # noqa: F811
    refused(share(littoral, url), "TANK is missing")
    refused(share(littoral, url, "none", "--days", "3"), "'none'", "422")
    refused(share(littoral, url, "riffle", "--days", "93"), "93")
    refused(share(littoral, url, "riffle", "--days", "3", "--absence", "june"), "exclude")
    refused(share(littoral, url, "riffle", "--absence", "none"), "the id of an absence")
    refused(share(littoral, url, "riffle", "--expires", "soon"), "'soon'")
    refused(share(littoral, url, "--list", "--days", "3"), "--days", "--list")
    refused(share(littoral, url, "--list", "--revoke", "x"), "exclude")
    refused(share(littoral, url, "riffle", "--revoke", "x"), "ID alone")
    refused(share(littoral, url, "--revoke", "x"), "'x'", "404")
    away.put("/v1/absences", json={"absences": []})
    refused(share(littoral, url, "riffle"), "no absence of this tank is planned", "--days")
    assert "no link was ever made" in share(littoral, url, "--list").out
