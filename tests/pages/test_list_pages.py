"""The list of tanks a page at a time, as a browser without scripts follows it."""

from __future__ import annotations

import re

import pytest
import requests

from service.advice.engine.history.ledger import Ledger
from service.advice.engine.recommendation import Evidence, Finding, Severity
from service.pages import overview
from service.registry.models.tank import Tank
from tests.pages.served import Served

BERTH = re.compile(r'<h2><a href="/tanks/([a-z0-9-]+)">')
MORE = re.compile(r'<nav [^>]*id="more-tanks"[^>]* data-live>')
NEXT = re.compile(r'<a rel="next" href="([^"]+)">')
LEAD = re.compile(r'<p class="lead" id="lead" data-live>(.*?)</p>', re.DOTALL)


def text_of(found: re.Match[str] | None) -> str:
    """The words of some HTML."""
    assert found is not None
    return " ".join(re.sub("<[^>]+>", "", found[1]).split())


def note(served: Served, tank: str, severity: Severity) -> None:
    """Something to do in a tank."""
    finding = Finding("co2-high", severity, "Less CO2", "Turn it down.", (Evidence("seen"),))
    Ledger(served.registry).note([tank], finding, served.clock.now())


def test_pages_follow_each_other_and_name_the_worst_of_all(
    bare: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(overview, "MOST_SHOWN", 2)
    monkeypatch.setattr(overview, "MOST_WORST", 2)
    names = [f"pool-{number}" for number in range(5)]
    for name in names:
        bare.registry.put_tank(Tank(name, f"Invented {name}"))
    for number, severity in ((0, "ADVICE"), (3, "URGENT"), (4, "WARNING")):
        note(bare, names[number], Severity[severity])
    address, found, leads = "/", [], []
    while address:
        page = requests.get(bare.url + address, timeout=60).text
        found.append(BERTH.findall(page))
        leads.append(text_of(LEAD.search(page)))
        following = NEXT.search(page)
        address = following[1] if following else ""
        assert ('href="/">First tanks' in page) is (len(found) > 1)
        # A tank that is set up while the page is open may push another off its end.
        assert MORE.search(page), "the link to the next ones does not follow the list"
    assert found == [["pool-0", "pool-1"], ["pool-3", "pool-2"], ["pool-4"]]
    assert set(leads) == {
        "3 tanks need attention, the most urgent first: Invented pool-3, Invented pool-4 and 1 "
        "more."
    }
    # A tank that is deleted between two pages moves none of the others.
    bare.registry.delete_tank("pool-1")
    page = requests.get(f"{bare.url}/?after=pool-1", timeout=60).text
    assert BERTH.findall(page) == ["pool-3", "pool-2"]
    # Where all are on one page, their own order says what is urgent; nonsense is the first page.
    monkeypatch.setattr(overview, "MOST_SHOWN", 4)
    page = requests.get(f"{bare.url}/?after=%00No+such", timeout=60).text
    assert BERTH.findall(page) == ["pool-3", "pool-4", "pool-0", "pool-2"]
    assert text_of(LEAD.search(page)) == "3 tanks need attention, the most urgent first."
    assert NEXT.search(page) is None


def test_a_page_derives_its_own_tanks_alone(bare: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    """With thousands of tanks a page must not load them all."""
    monkeypatch.setattr(overview, "MOST_SHOWN", 3)
    for number in range(12):
        bare.registry.put_tank(Tank(f"pool-{number:02}", "Invented"))
    loaded = []
    real = overview.load

    def load(tank: Tank, *others: object, **named: object) -> object:
        loaded.append(tank.id)
        return real(tank, *others, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(overview, "load", load)
    assert requests.get(f"{bare.url}/?after=pool-05", timeout=60).ok
    assert loaded == ["pool-06", "pool-07", "pool-08"]
