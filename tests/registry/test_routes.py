"""Routes in the registry: one by one, checked, refused beside each other, gone with their tank."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from service.config import RouteConfig
from service.errors import ConflictError, InvalidInputError, NotFoundError
from service.registry.audit import Action
from service.registry.models.tank import Tank

NOW = datetime(2031, 5, 4, 10, tzinfo=UTC)
ROUTE = RouteConfig("yard/box", tank="reed", quantity="ph", format="json", path="a.b", unit="mV")


def nothing_against(_others):
    return None


@pytest.fixture
def yard(registry):
    registry.put_tank(Tank("reed", "Reed"))
    return registry


def test_a_route_comes_back_as_it_was_made(yard):
    made = yard.add_route(ROUTE, NOW, why_refused=nothing_against)
    assert list(yard.routes()) == [made]
    assert (made.route, made.created) == (ROUTE, NOW)
    [record] = yard.audit(limit=1)
    assert (record.action, record.subject) == (Action.ROUTE_ADDED, f"routes/{made.id}")
    assert yard.delete_route(made.id) == made
    assert list(yard.routes()) == []
    assert yard.audit(limit=1)[0].action == Action.ROUTE_DELETED
    with pytest.raises(NotFoundError, match="the id of a route"):
        yard.delete_route(made.id)


def test_what_does_not_go_with_the_others_is_not_stored(yard):
    made = yard.add_route(ROUTE, NOW, why_refused=nothing_against)
    seen = []

    def refuses(others):
        seen.extend(others)
        return "the two exclude each other"

    with pytest.raises(ConflictError, match="exclude each other"):
        yard.add_route(ROUTE, NOW, why_refused=refuses)
    assert seen == [made]
    assert list(yard.routes()) == [made]


def test_wrong_fields_and_unknown_tanks_are_refused(yard):
    with pytest.raises(InvalidInputError, match="quantity"):
        yard.add_route(RouteConfig("a", "reed", "colour"), NOW, why_refused=nothing_against)
    with pytest.raises(InvalidInputError, match="sensor"):
        yard.add_route(RouteConfig("a", "reed", "ph", "A B"), NOW, why_refused=nothing_against)
    with pytest.raises(NotFoundError, match="tank"):
        yard.add_route(RouteConfig("a", "sedge", "ph"), NOW, why_refused=nothing_against)
    assert list(yard.routes()) == []


def test_the_routes_of_a_tank_go_with_it(yard):
    yard.add_route(ROUTE, NOW, why_refused=nothing_against)
    named = RouteConfig("yard/{tank}/{quantity}")
    yard.add_route(named, NOW, why_refused=nothing_against)
    yard.delete_tank("reed")
    assert [one.route for one in yard.routes()] == [named]


def test_the_sensor_that_was_first_stays_so(yard):
    yard.put_tank(Tank("sedge", "Sedge"))
    both = {"ph": "glass", "temperature": "rear"}
    yard.put_first_sensors({"sedge": {"ph": "glass"}, "nowhere": {"ph": "main"}, "reed": both})
    yard.put_first_sensors({"reed": {"ph": "main"}})
    yard.put_first_sensors({"nowhere": {"ph": "main"}})
    yard.put_first_sensors({})
    assert yard.first_sensors("sedge") == {"ph": "glass"}
    assert yard.first_sensors("reed") == {"ph": "main", "temperature": "rear"}
    assert yard.first_sensors("nowhere") == {}
    assert yard.first_sensors_of(["reed", "nowhere"]) == {"reed": yard.first_sensors("reed")}
    assert yard.first_sensors_of(["nowhere"]) == {}
    yard.delete_tank("reed")
    assert yard.first_sensors("reed") == {}


def test_the_choices_of_sensors_of_all_tanks(yard):
    yard.put_tank(Tank("sedge", "Sedge", sensors={"temperature": "rear"}))
    assert yard.sensor_choices() == {"sedge": {"temperature": "rear"}}
