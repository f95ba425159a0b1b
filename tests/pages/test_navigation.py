"""The links in the head: of the service on every page, of a tank on each of its pages."""

from __future__ import annotations

import re
from datetime import timedelta

import requests

from service.clock import SystemClock
from service.pages.navigation import SERVICE, TANK
from service.registry.models.absence import Absence
from service.registry.models.access import Scope
from service.registry.models.tank import Tank
from tests.pages.served import Served


def links(html: str, name: str) -> dict[str, str]:
    """Address by words of the navigation with this name."""
    (nav,) = re.findall(rf'<nav[^>]*aria-label="{name}">(.*?)</nav>', html, re.DOTALL)
    return {words: address for address, words in re.findall(r'href="([^"]+)"[^>]*>([^<]+)<', nav)}


def test_every_link_of_the_head_leads_to_a_page(bare: Served) -> None:
    bare.registry.put_tank(Tank("reedbed", "Reedbed"))
    page = requests.get(f"{bare.url}/tanks/reedbed", timeout=60).text
    assert "Return report" not in links(page, "Pages of Reedbed"), "nobody was away yet"
    begun = bare.clock.now() - timedelta(days=2)
    bare.registry.put_absences([Absence("spring", begun, begun + timedelta(days=9))])
    page = requests.get(f"{bare.url}/tanks/reedbed", timeout=60).text
    of_service, of_tank = links(page, "Pages"), links(page, "Pages of Reedbed")
    elsewhere = ("Sessions", "Mail")  # for who is logged in; where mail is sent
    assert list(of_service) == [one.words for one in SERVICE if one.words not in elsewhere]
    assert list(of_tank) == [one.words for one in TANK]
    for words, address in {**of_service, **of_tank}.items():
        answer = requests.get(bare.url + address, timeout=60)
        assert answer.status_code == 200, words


def test_pages_that_are_open_to_all_have_the_same_head(bare: Served) -> None:
    """Also the links for who may set sensors up and see the audit; not for who is nobody."""
    of_service = links(requests.get(bare.url, timeout=60).text, "Pages")
    for path in ("/docs", "/problems"):
        page = requests.get(bare.url + path, timeout=60).text
        assert links(page, "Pages") == of_service, path
    bare.registry.create_token("phone", Scope.READ, SystemClock().now())
    shown = links(requests.get(f"{bare.url}/docs", timeout=60).text, "Pages")
    assert {"Sensors", "Audit"} & set(shown) == set()


def test_the_page_itself_is_marked(bare: Served) -> None:
    bare.registry.put_tank(Tank("reedbed", "Reedbed"))
    page = requests.get(f"{bare.url}/tanks/reedbed", timeout=60).text
    assert re.findall(r'aria-current="page">([^<]+)<', page) == ["Overview"]
    page = requests.get(bare.url, timeout=60).text
    assert re.findall(r'aria-current="page">([^<]+)<', page) == ["Tanks"]
    assert "Pages of" not in page
