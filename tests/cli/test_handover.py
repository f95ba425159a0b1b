"""``littoral share`` and the client's calls for handover, over real HTTP."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime

import pytest
import requests

from service.client import Amount, Client, ProblemError
from tests.api.test_handover import AWAY, away  # noqa: F401 - fixtures used here too
from tests.cli.conftest import refused
from tests.cli.test_status import url  # noqa: F401 - fixtures used here too


def test_the_client_reads_the_sheet(url, away):  # noqa: F811
    service = Client(url)
    sheet = service.handover()
    assert (sheet.absence.id, sheet.absence.covers) == ("june", AWAY["covers"])
    (page,) = sheet.tanks
    dose = next(one for one in page.tasks if one.code == "dose-due")
    assert (dose.day, dose.amounts) == (date(2025, 6, 8), [Amount("trace", 6.0, "mL")])
    given = service.handover(start=date(2025, 6, 5), end=date(2025, 6, 6), tank="riffle")
    assert given.absence.id is None
    assert [one.day.day for one in given.tanks[0].tasks] == [5, 6]
    with pytest.raises(ProblemError, match="the id of an absence"):
        service.handover(absence="none")


def test_the_client_reads_what_came_of_it(url, away):  # noqa: F811
    report = Client(url).handover_return(start=date(2025, 6, 1))
    (tank,) = report.tanks
    assert [one.text for one in tank.done] == ["water change of 50 %"]
    assert report.absence.start == datetime(2025, 5, 31, 22, tzinfo=UTC)
    with pytest.raises(ProblemError, match="has begun"):
        Client(url).handover_return(absence="june")


def share(littoral, url, *more):  # noqa: F811
    return littoral("share", *more, "--url", url)


def test_share_is_made_listed_and_revoked(littoral, url, away):  # noqa: F811
    made = share(littoral, url, "riffle", "--days", "10", "--note", "the neighbour")
    assert made.code == 0, made.err
    address = made.out.strip()
    secret = address.rsplit("/", 1)[1]
    assert address == f"{url}/shared/{secret}"
    assert secret not in made.err and "until 2025-06-14 12:00 UTC" in made.err
    sheet = requests.get(address, headers={"Accept": "application/json"}, timeout=10).json()
    assert [one["tank"] for one in sheet["tanks"]] == ["riffle"]
    second = json.loads(share(littoral, url, "riffle", "--json").out)
    assert second["end"] == AWAY["end"] and second["url"].endswith(second["secret"])
    listed = share(littoral, url, "--list")
    assert "valid" in listed.out and "the neighbour" in listed.out and secret not in listed.out
    found = json.loads(share(littoral, url, "--list", "riffle", "--json").out)["shares"]
    assert len(found) == 2 and "secret" not in found[0]
    assert "is revoked" in share(littoral, url, "--revoke", secret.split("_")[1]).out
    assert json.loads(share(littoral, url, "--revoke", second["id"], "--json").out)["revoked"]
    assert requests.get(address, timeout=10).status_code == 410
    assert [one.state for one in Client(url).shares("riffle")] == ["revoked", "revoked"]


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
